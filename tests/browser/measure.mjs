// What it costs, measured in a browser on this machine; prints figures and judges nothing.
//
//     node tests/browser/measure.mjs [fan] [live] [scans] [crowd]     (WHEELWARD names a release build)
import http from "node:http";
import { performance } from "node:perf_hooks";
import { House, people, scan, until, wedge } from "./house.mjs";

const STATIONS = 20;
const DRAWN = 2; // of them, in a browser on this machine; crowd draws all
const EVERY = 200; // ms from one scan to the next at a station
const SECONDS = 20;
const LISTENERS = 200;
const WHEELS = 20_000;

const at = (sorted, share) => sorted[Math.min(sorted.length - 1, Math.floor(sorted.length * share))];
const ms = (values) => {
  const sorted = [...values].sort((a, b) => a - b);
  return `p50 ${at(sorted, 0.5).toFixed(1)} ms, p99 ${at(sorted, 0.99).toFixed(1)} ms, most ${sorted.at(-1).toFixed(1)} ms, ${sorted.length} of them`;
};

async function bytes(context, url) {
  const page = await context.newPage();
  const wire = await context.newCDPSession(page);
  await wire.send("Network.enable");
  await wire.send("Network.setCacheDisabled", { cacheDisabled: true });
  await wire.send("Network.setBypassServiceWorker", { bypass: true });
  await wire.send("Emulation.setCPUThrottlingRate", { rate: 4 });
  let total = 0;
  wire.on("Network.loadingFinished", (event) => { total += event.encodedDataLength; });
  await page.goto(url, { waitUntil: "load" });
  const when = await page.evaluate(() => {
    const { responseStart, responseEnd, domInteractive, domContentLoadedEventEnd } = performance.getEntriesByType("navigation")[0];
    const drawn = performance.getEntriesByName("first-contentful-paint")[0]?.startTime ?? NaN;
    return { answered: responseStart, whole: responseEnd, parsed: domInteractive, drawn, usable: domContentLoadedEventEnd };
  });
  await page.waitForTimeout(300);
  await page.close();
  return { total, when };
}

// Twenty stations at work. A tablet draws its own page, so only some are drawn here, as the
// rest would be by machines of their own; those say and hear the same over the wire.
async function scans(house, drawn) {
  const browser = await house.crowd();
  const stations = [];
  for (let nth = 0; nth < STATIONS; nth += 1) {
    const context = await browser.newContext({ viewport: { width: 1280, height: 800 }, locale: "en-GB" });
    const page = await context.newPage();
    await house.station(page, `bench-${nth}-${drawn}`, people.operator);
    await new Promise((resolve) => setTimeout(resolve, 1500)); // as the limit of signing in allows
    const asked = page.waitForRequest("**/api/v1/station/scan");
    await scan(page, "A.TURN");
    const request = await asked;
    stations.push(nth < drawn ? page : { headers: await request.allHeaders(), first: request.postDataJSON()[0] });
    if (nth >= drawn) { await context.close(); }
  }
  const wheels = await stations[0].evaluate(() => fetch("/api/v1/wheels").then((answer) => answer.json()));
  const lines = wheels.filter((wheel) => wheel.carrier?.stillage && !wheel.holds.length && !wheel.dispatched).map((wheel) => `W.${wheel.wheel}`);
  const work = (page, mine) => page.evaluate(async ({ mine, every, many }) => {
    const box = document.getElementById("answer");
    const took = [];
    let began = 0;
    new MutationObserver(() => {
      if (began) { requestAnimationFrame(() => { if (began) { took.push(performance.now() - began); began = 0; } }); }
    }).observe(box, { attributes: true, attributeFilter: ["data-said"] });
    const start = performance.now();
    for (let step = 0; step < many; step += 1) {
      const wait = start + step * every - performance.now();
      if (wait > 0) { await new Promise((resolve) => setTimeout(resolve, wait)); }
      while (began) {
        if (performance.now() - began > 20_000) { throw new Error(`no answer: ${document.getElementById("words").textContent}`); }
        await new Promise((resolve) => setTimeout(resolve, 1));
      }
      began = performance.now();
      for (const key of [...mine[step % mine.length], "Enter"]) {
        document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
      }
    }
    while (began) { await new Promise((resolve) => setTimeout(resolve, 1)); }
    return { took, over: performance.now() - start };
  }, { mine, every: EVERY, many: SECONDS * 1000 / EVERY });
  const inside = new URL(house.inside);
  const wire = async ({ headers, first }, mine, nth) => {
    const agent = new http.Agent({ keepAlive: true, maxSockets: 1 });
    const took = [];
    await new Promise((resolve) => setTimeout(resolve, (nth * EVERY) / STATIONS)); // people do not scan in step
    const start = performance.now();
    for (let step = 0; step < SECONDS * 1000 / EVERY; step += 1) {
      const wait = start + step * EVERY - performance.now();
      if (wait > 0) { await new Promise((resolve) => setTimeout(resolve, wait)); }
      const body = JSON.stringify([{ ...first, seq: first.seq + 1 + step, occurred_at: new Date().toISOString(), line: mine[step % mine.length] }]);
      const began = performance.now();
      await new Promise((resolve, reject) => {
        const own = { ...headers, host: new URL(house.url).host, "content-length": Buffer.byteLength(body) };
        const request = http.request({ agent, host: inside.hostname, port: inside.port, path: "/api/v1/station/scan", method: "POST", headers: own }, (answer) => {
          let text = "";
          answer.on("data", (part) => { text += part; }).on("end", () => {
            const said = JSON.parse(text);
            if (said.results?.length === 1 && said.results[0].taken) { resolve(); } else { reject(new Error(text)); }
          });
        });
        request.on("error", reject);
        request.end(body);
      });
      took.push(performance.now() - began);
    }
    agent.destroy();
    return { took, over: performance.now() - start };
  };
  const done = await Promise.all(stations.map((station, nth) => {
    const mine = lines.filter((_, line) => line % STATIONS === nth);
    return nth < drawn ? work(station, mine) : wire(station, mine, nth);
  }));
  const over = Math.max(...done.map((one) => one.over)) / 1000;
  const took = done.map((one) => one.took);
  console.log(`${STATIONS} stations, ${(took.flat().length / over).toFixed(1)} scans/s (asked: ${STATIONS * 1000 / EVERY})`);
  console.log(`  scan to answer on the screen, ${drawn} drawn here: ${ms(took.slice(0, drawn).flat())}`);
  if (drawn < STATIONS) { console.log(`  scan to answer over the wire, the others: ${ms(took.slice(drawn).flat())}`); }
  await browser.close();
}

async function fan(house, context, page) {
  const cookie = (await context.cookies()).map(({ name, value }) => `${name}=${value}`).join("; ");
  const heard = [];
  const requests = [];
  for (let nth = 0; nth < LISTENERS; nth += 1) {
    heard.push([]);
    requests.push(http.get(`${house.inside}/api/v1/live`, { headers: { cookie } }, (answer) => {
      answer.on("data", (text) => { if (String(text).includes("event: moved")) { heard[nth].push(performance.now()); } });
    }));
    if (nth % 40 === 39) { await new Promise((resolve) => setTimeout(resolve, 1000)); } // as the limit allows
  }
  await until("every listener", () => heard.every((events) => events.length > 0), 60_000);
  const took = [];
  for (let round = 0; round < 5; round += 1) {
    await new Promise((resolve) => setTimeout(resolve, 2500)); // longer than events are held back
    heard.forEach((events) => { events.length = 0; });
    const began = performance.now();
    await scan(page, round % 2 ? "S.S001" : `S.${house.stands[round]}`);
    await until("all heard", () => heard.every((events) => events.length > 0), 20_000);
    took.push(...heard.map((events) => events[0] - began));
  }
  requests.forEach((request) => request.destroy());
  console.log(`scan to each of ${LISTENERS} listeners (server-sent events): ${ms(took)}`);
}

// The floor page swaps what it shows when something moved: as many stands as so many wheels need.
async function live(house, page) {
  await page.goto(`${house.url}/floor`);
  const text = await page.evaluate(() => fetch("/floor").then((answer) => answer.text()));
  const { took, stands } = await page.evaluate(async ({ text, wheels }) => {
    const main = document.querySelector("main");
    const next = new DOMParser().parseFromString(text, "text/html").querySelector("main");
    const places = [...next.querySelectorAll(".places")].pop();
    const stand = next.querySelector(".places li:not(.free):has(small)");
    const stands = Math.ceil(wheels / 24);
    for (let many = next.querySelectorAll(".places li:not(.free)").length; many < stands; many += 1) { places.appendChild(stand.cloneNode(true)); }
    const took = [];
    for (let round = 0; round < 30; round += 1) {
      const changed = next.querySelectorAll(".places li:not(.free)");
      changed[(round * 37) % changed.length].querySelector("small").textContent = `${round} wheels`;
      await new Promise((resolve) => requestAnimationFrame(resolve));
      const began = performance.now();
      window.wheelward.show(next);
      void main.getBoundingClientRect().height;
      took.push(performance.now() - began);
    }
    return { took: took.slice(1), stands };
  }, { text, wheels: WHEELS });
  console.log(`floor page, ${stands} stands (${WHEELS} wheels, 24 each): script and layout of an update ${ms(took)}`);
}

const house = await House.start();
try {
  await house.letIn();
  const context = await house.browser("measure");
  const page = context.pages()[0];
  await house.station(page, "bench", people.manager);
  for (const place of ["/station", "/today", "/floor", "/portions"]) {
    const many = [];
    for (let round = 0; round < 5; round += 1) { many.push(await bytes(context, house.url + place)); }
    many.sort((a, b) => a.when.usable - b.when.usable);
    const { total, when } = many[2];
    const steps = Object.entries(when).map(([step, at]) => `${step} ${at.toFixed(0)}`).join(", ");
    console.log(`${place}: ${(total / 1000).toFixed(1)} kB over the wire; on a 4 times slower CPU, ms, the middle of 5: ${steps}; slowest usable ${many[4].when.usable.toFixed(0)}`);
  }
  const wheels = await page.evaluate(() => fetch("/api/v1/wheels").then((answer) => answer.json()));
  house.stands = [...new Set(wheels.map((wheel) => wheel.carrier?.stillage).filter(Boolean))];
  await page.goto(`${house.url}/station`);
  await scan(page, "A.TURN");
  const asked = process.argv.slice(2);
  const parts = { fan: () => fan(house, context, page), live: () => live(house, page), scans: () => scans(house, DRAWN), crowd: () => scans(house, STATIONS) };
  for (const [name, part] of Object.entries(parts)) {
    if (!asked.length || asked.includes(name)) { await part(); }
  }
} finally {
  await house.end();
}
