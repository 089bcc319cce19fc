// A shift's work at stations: a scanner that types, a door that shuts, a browser that is killed.
import assert from "node:assert/strict";
import { people, scan, until, wedge } from "./house.mjs";
import { check, shoot } from "./pages.mjs";

const json = (page, path) => page.evaluate((path) => fetch(path).then((answer) => answer.json()), path);
const link = (page) => page.innerText("#link");
const sent = (page) => until("everything sent", async () => /^all sent$/.test(await link(page)), 60_000);

// Stillages with wheels that may be turned, and one with a held wheel.
async function stands(page) {
  const wheels = (await json(page, "/api/v1/wheels")).filter((wheel) => wheel.carrier?.stillage && !wheel.dispatched && !wheel.discarded);
  const held = wheels.find((wheel) => wheel.holds.length)?.carrier.stillage;
  const free = [...new Set(wheels.filter((wheel) => !wheel.holds.length).map((wheel) => wheel.carrier.stillage))];
  return { free: free.filter((one) => one !== held), held, wheels };
}

// Badge and PIN at a station that asks for them.
async function signIn(page, person) {
  await page.fill("#pin-badge", person.badge);
  await page.fill("#pin-digits", person.pin);
  await page.click("#pin-go");
  await page.waitForFunction((name) => document.getElementById("person-name").textContent === name, person.name);
  await page.waitForSelector("#pin:not([open])", { state: "attached" });
  await page.waitForSelector("#answer[data-level=idle]");
}

// What the server says was scanned here, oldest first.
async function receipts(page) {
  return (await json(page, "/api/v1/station")).latest.reverse();
}

export function shift(test, house) {
  test("a shift is scanned whatever has the focus, seen, and taken back with one tap", async () => {
    const context = await house().browser("shift");
    const page = context.pages()[0];
    await house().station(page, "tablet-1", people.operator);
    const { free, held, wheels } = await stands(page);
    await check(page, "station, idle");
    await shoot(page, "station-idle");
    assert.match(await scan(page, "A.TURN"), /TURN|turn/);
    assert.equal(await page.innerText("#action"), "Turn");
    // The focus on a button, and a dialog in the way.
    await page.focus("#numbers");
    const said = await scan(page, `S.${free[0]}`, "ok");
    const on = wheels.filter((wheel) => wheel.carrier.stillage === free[0]);
    assert.ok(said.includes(`${on.length} wheel`), said);
    for (const wheel of on) { assert.ok(said.replaceAll("\u2011", "-").includes(wheel.wheel), said); }
    await page.click("#current");
    await scan(page, `S.${free[1]}`, "ok");
    assert.equal(await page.locator("dialog[open]").count(), 0);
    await check(page, "station, OK");
    await shoot(page, "station-ok");
    await page.locator("#recorded li button").first().click();
    await page.waitForSelector("#recorded li.undone");
    const [undo] = (await json(page, "/api/v1/station")).latest;
    assert.equal(undo.recorded, "fact.voided");
    assert.equal(undo.person, people.operator.badge);
    // A look at the rind wants its number yet, and shows what it will be about.
    await scan(page, "A.RIND", "next"); // and not what was said of the tap
    const asked = await scan(page, `S.${free[0]}`, "next");
    assert.ok(asked.replaceAll("\u2011", "-").includes(on[0].wheel), asked);
    await shoot(page, "station-next");
    assert.match(await scan(page, "Z.not-a-code"), /WRONG/);
    await shoot(page, "station-wrong");
    // One badge, one PIN: another badge is asked for its own.
    await page.click("#current");
    await check(page, "station, choosing");
    await shoot(page, "station-choosing");
    await page.click("#chooser [data-close]");
    await page.click("#numbers");
    await shoot(page, "station-number");
    await page.click("#pad [data-close]");
    await scan(page, `P.${people.second.badge}`, "next");
    await page.waitForSelector("#pin[open]");
    await check(page, "station, PIN");
    await shoot(page, "station-pin");
    // Nobody goes on in the name of who stood here before, though the other one gives up.
    await page.click("#pin [data-close]");
    await wedge(page, `S.${free[0]}`);
    await page.waitForSelector("#pin[open]");
    await signIn(page, people.operator);
    if (held) {
      await scan(page, "A.DISPATCH");
      await scan(page, `O.${house().order}`, "next");
      await wedge(page, `S.${held}`);
      await page.waitForSelector("#stop[open]");
      assert.match(await page.innerText("#stop"), /held|hold/i);
      const box = await page.locator("#stop").boundingBox();
      assert.ok(box.width >= 1280 && box.height >= 800, "STOP fills the screen");
      await check(page, "station, STOP");
      await shoot(page, "station-stop");
      await wedge(page, `S.${free[0]}`); // not before STOP was seen
      await page.click("#stop-seen");
    }
    const all = await receipts(page);
    assert.ok(!all.some((receipt) => receipt.recorded === "wheel.dispatched"));
    await page.setViewportSize({ width: 800, height: 1280 });
    for (const [name, button] of [["station", null], ["choosing", "#current"], ["number", "#numbers"]]) {
      if (button) { await page.click(button); }
      await shoot(page, `tablet-${name}`);
      if (button) { await page.click("dialog[open] [data-close]"); }
    }
    await page.setViewportSize({ width: 390, height: 800 });
    await scan(page, "A.TURN");
    await scan(page, `S.${free[2]}`, "ok");
    await shoot(page, "narrow-station");
    assert.deepEqual(context.wrong, []);
    await context.close();
  });

  test("behind the steel door nothing is lost: reload, kill and come back", async () => {
    let context = await house().browser("door");
    let page = context.pages()[0];
    await house().station(page, "tablet-2", people.second);
    const { free } = await stands(page);
    await scan(page, "A.TURN");
    await sent(page);
    // A browser writes its cookies now and then, and for sure when it is closed in the evening.
    await context.close();
    context = await house().browser("door");
    page = context.pages()[0];
    await page.goto(`${house().url}/station`);
    await page.waitForSelector("#answer[data-level=idle]");
    const before = (await receipts(page)).length;

    house().door.close();
    const lines = free.slice(3, 8).map((stand) => `S.${stand}`);
    for (const line of lines.slice(0, 3)) { await scan(page, line, "wait"); }
    await until("three kept", async () => /out of reach.*3 kept/i.test(await link(page)));
    await shoot(page, "station-offline");
    await page.reload();
    await until("three kept after a reload", async () => /3 kept/.test(await link(page)));
    await scan(page, lines[3]);
    await until("four kept", async () => /4 kept/.test(await link(page)));
    await house().kill(context);

    context = await house().browser("door");
    page = context.pages()[0];
    await page.goto(`${house().url}/station`);
    await until("four kept after a kill", async () => /4 kept/.test(await link(page)));
    await scan(page, lines[4]);
    await until("it is known that the dairy is out of reach", async () => /out of reach/i.test(await link(page)));
    for (const card of ["A.DISPATCH", "A.RELEASE"]) {
      assert.match(await scan(page, card, "wrong"), /cannot be reached/);
      assert.equal(await page.innerText("#action"), "none yet", "a refused card leaves nothing set");
    }
    await shoot(page, "station-offline-dispatch");
    await until("five kept, the refused not among them", async () => /5 kept/.test(await link(page)));

    house().door.shut = false;
    await sent(page);
    const all = async () => (await receipts(page)).slice(before);
    await until("the refused are told as well", async () => (await all()).length === lines.length + 2);
    const refused = (await all()).filter((receipt) => !receipt.facts.length);
    assert.deepEqual(refused.map((receipt) => [receipt.line, receipt.level]), [["A.DISPATCH", "wrong"], ["A.RELEASE", "wrong"]]);
    const taken = (await all()).filter((receipt) => receipt.facts.length);
    assert.deepEqual(taken.map((receipt) => receipt.line), lines, "each once, in the order of the work");
    assert.ok(taken.every((receipt) => receipt.person === people.second.badge && Number.isInteger(receipt.skew_ms)));
    assert.ok(taken.every((receipt) => receipt.recorded === "wheel.turned"), JSON.stringify(taken));
    assert.deepEqual(context.wrong, []);
    await context.close();
  });

  test("a dispatch whose answer is lost does not count", async () => {
    const context = await house().browser("lost");
    const page = context.pages()[0];
    await house().station(page, "tablet-3", people.operator);
    const { free } = await stands(page);
    // The request arrives and its answer does not.
    await page.route("**/api/v1/station/scan", async (route) => {
      await route.fetch();
      await route.abort();
    }, { times: 1 });
    await wedge(page, "A.DISPATCH");
    await page.waitForSelector("#answer[data-level=wrong]");
    assert.match(await page.innerText("#words"), /nothing may leave/);
    await sent(page);
    await until("it is known what came of it", async () => (await receipts(page)).length === 1);
    await scan(page, "A.TURN");
    await scan(page, `S.${free[0]}`);
    await sent(page);
    assert.ok(!(await receipts(page)).some((receipt) => receipt.recorded === "wheel.dispatched"));
    await context.close();
  });

  test("a dispatch that was refused stays refused, and what follows is taken at once", async () => {
    const context = await house().browser("refused");
    const page = context.pages()[0];
    await house().station(page, "tablet-20", people.operator);
    const { free, wheels } = await stands(page);
    const young = wheels.find((wheel) => !wheel.grade && !wheel.holds.length);
    await scan(page, "A.DISPATCH");
    await scan(page, "O.NO-SUCH-1");
    const before = await page.getAttribute("#answer", "data-said");
    await wedge(page, `W.${young.wheel}`);
    await page.waitForFunction((before) => document.getElementById("answer").dataset.said !== before, before, { timeout: 15_000 });
    if (await page.locator("#stop[open]").count()) { await page.click("#stop-seen"); }
    await sent(page);
    // Three minutes later by the tablet's clock, opened anew: nothing of it is left to be sent.
    await page.addInitScript(() => {
      const now = Date.now;
      Date.now = () => now() + 180_000;
    });
    await page.reload();
    await page.waitForSelector("#answer[data-level]");
    const began = Date.now();
    await scan(page, "A.TURN");
    await scan(page, `S.${free[9]}`, "ok");
    assert.ok(Date.now() - began < 10_000, "taken promptly");
    await sent(page);
    const all = await receipts(page);
    assert.ok(!all.some((receipt) => receipt.recorded === "wheel.dispatched"), JSON.stringify(all));
    const refused = all.filter((receipt) => receipt.line === `W.${young.wheel}`);
    assert.equal(refused.length, 1);
    assert.ok(["wrong", "stop"].includes(refused[0].level) && !refused[0].facts.length, JSON.stringify(refused));
    assert.ok((await page.innerText("#recorded")).includes(`W.${young.wheel}`), "it is found on the page");
    await context.close();
  });

  test("after a badge change out of reach nobody scans in the name of who was there", async () => {
    const context = await house().browser("change");
    const page = context.pages()[0];
    await house().station(page, "tablet-21", people.operator);
    const { free } = await stands(page);
    await scan(page, "A.TURN");
    await sent(page);
    house().door.close();
    await scan(page, `S.${free[10]}`, "wait");
    await until("it is known that the dairy is out of reach", async () => /out of reach/i.test(await link(page)));
    await wedge(page, `P.${people.second.badge}`);
    await page.waitForSelector("#pin[open]");
    // Neither with the dialog closed, nor after a reload; and no scan is lost in a closing dialog.
    for (const again of [false, true]) {
      if (again) { await page.reload(); }
      await page.waitForSelector("#pin[open]");
      await wedge(page, `S.${free[11]}`, "#pin [data-close]");
      await page.waitForSelector("#pin[open]");
      assert.match(await page.innerText("#person-name"), /nobody/);
    }
    house().door.shut = false;
    await sent(page);
    await page.fill("#pin-badge", people.second.badge);
    await page.fill("#pin-digits", people.second.pin);
    await page.click("#pin-go");
    await page.waitForFunction((name) => document.getElementById("person-name").textContent === name, people.second.name);
    await page.waitForSelector("#answer[data-level=idle]");
    await scan(page, "A.TURN");
    await scan(page, `S.${free[11]}`, "ok");
    await sent(page);
    const turned = (await receipts(page)).filter((receipt) => receipt.recorded === "wheel.turned");
    assert.deepEqual(turned.map((receipt) => [receipt.line, receipt.person]), [
      [`S.${free[10]}`, people.operator.badge],
      [`S.${free[11]}`, people.second.badge],
    ]);
    assert.deepEqual(context.wrong, []);
    await context.close();
  });

  test("a kept page says nothing of who stands here now", async () => {
    const context = await house().browser("kept");
    const page = context.pages()[0];
    await house().station(page, "tablet-25", people.operator);
    // As when what keeps pages was set up amid a change: it has the page of who was here before.
    const before = await page.evaluate(() => fetch("/station").then((answer) => answer.text()));
    await house().signIn(page, people.second);
    await page.goto(`${house().url}/station`);
    await page.waitForSelector("#answer[data-level=idle]");
    await page.evaluate(async (text) => {
      for (const name of await caches.keys()) {
        const headers = { "content-type": "text/html; charset=utf-8" };
        await (await caches.open(name)).put("/station", new Response(text, { headers }));
      }
    }, before);
    house().door.close();
    await page.reload();
    await page.waitForSelector("#pin[open]");
    assert.match(await page.innerText("#person-name"), /nobody/);
    house().door.shut = false;
    await page.reload();
    await page.waitForFunction((name) => document.getElementById("person-name").textContent === name, people.second.name);
    assert.deepEqual(context.wrong, []);
    await context.close();
  });

  test("what was kept is sent in the session that signed it, though another began first", async () => {
    const context = await house().browser("signed");
    const page = context.pages()[0];
    await house().station(page, "tablet-22", people.operator);
    const { free } = await stands(page);
    await scan(page, "A.TURN");
    await sent(page);
    house().door.close();
    await scan(page, `S.${free[12]}`, "wait");
    // Someone else signs in on this device without this page: what waits cannot go before.
    await page.goto("about:blank");
    house().door.shut = false;
    await house().signIn(page, people.second);
    await page.goto(`${house().url}/station`);
    await sent(page);
    const turned = async () => (await receipts(page)).filter((receipt) => receipt.recorded === "wheel.turned");
    await until("it is recorded", async () => (await turned()).length === 1);
    assert.equal((await turned())[0].person, people.operator.badge);
    await context.close();
  });

  test("of two windows of a station one is the station", async () => {
    const context = await house().browser("windows");
    const page = context.pages()[0];
    await house().station(page, "tablet-23", people.operator);
    const { free } = await stands(page);
    await scan(page, "A.TURN");
    const other = await context.newPage();
    await other.goto(`${house().url}/station`);
    await other.waitForSelector("#elsewhere[open]");
    await check(other, "station, in two windows");
    await wedge(other, `S.${free[13]}`);
    await scan(page, `S.${free[13]}`, "ok");
    await other.click("#go-on-here");
    await page.waitForSelector("#elsewhere[open]");
    await other.waitForSelector("#answer[data-level=idle]");
    assert.equal(await other.locator("#elsewhere[open]").count(), 0);
    await scan(other, `S.${free[14]}`, "ok");
    const lines = (await receipts(other)).map((receipt) => receipt.line);
    assert.deepEqual(lines, ["A.TURN", `S.${free[13]}`, `S.${free[14]}`]);
    await context.close();
  });

  test("two stations at once each get their own answers", async () => {
    const [one, other] = await Promise.all(["one", "other"].map((name) => house().browser(name)));
    const pages = [one.pages()[0], other.pages()[0]];
    await house().station(pages[0], "tablet-4", people.operator);
    await house().station(pages[1], "tablet-5", people.second);
    const { free } = await stands(pages[0]);
    await Promise.all(pages.map(async (page, nth) => {
      await scan(page, "A.TURN");
      for (const stand of free.slice(nth * 4, nth * 4 + 4)) { await wedge(page, `S.${stand}`); }
      // What the keys typed is taken up a moment later: nothing unsent is not yet everything.
      await until("every scan's receipt", async () => (await receipts(page)).length === 5);
      await sent(page);
    }));
    for (const [nth, page] of pages.entries()) {
      const lines = (await receipts(page)).map((receipt) => receipt.line);
      assert.deepEqual(lines, ["A.TURN", ...free.slice(nth * 4, nth * 4 + 4).map((stand) => `S.${stand}`)]);
      const who = new Set((await receipts(page)).map((receipt) => receipt.person));
      assert.deepEqual([...who], [nth === 0 ? people.operator.badge : people.second.badge]);
    }
    await Promise.all([one.close(), other.close()]);
  });

  test("STOP is said in German", async () => {
    const context = await house().browser("german", { locale: "de-DE" });
    const page = context.pages()[0];
    await house().station(page, "tablet-6", people.ironer);
    const { held } = await stands(page);
    assert.ok(held, "a held wheel stands on the floor");
    await scan(page, "A.DISPATCH");
    await scan(page, `O.${house().order}`, "next");
    await wedge(page, `S.${held}`);
    await page.waitForSelector("#stop[open]");
    assert.match(await page.innerText("#stop"), /HALT/);
    assert.match(await page.innerText("#stop-do"), /Nichts darf hinaus/);
    await check(page, "station, STOP in German");
    await shoot(page, "station-stop-german");
    await context.close();
  });
}
