// A dairy for the tests: the real program, a real broker, an invented floor with a past, and a
// steel door between it and the browsers that can be shut.
import { spawn } from "node:child_process";
import { createRequire } from "node:module";
import { existsSync, mkdirSync, mkdtempSync, readFileSync, readdirSync, rmSync } from "node:fs";
import net from "node:net";
import { tmpdir } from "node:os";
import path from "node:path";
import { fileURLToPath } from "node:url";

export const root = path.resolve(path.dirname(fileURLToPath(import.meta.url)), "../..");
const tools = createRequire(path.join(root, ".tools/browser/package.json"));
const { chromium } = tools("playwright-core");
export const axe = readFileSync(tools.resolve("axe-core/axe.min.js"), "utf8");
export const shots = path.join(root, "target/browser");
const target = process.env.CARGO_TARGET_DIR ?? path.join(root, "target");
const program = process.env.WHEELWARD ?? path.join(target, "debug/wheelward");

export const people = {
  manager: { badge: "M1", name: "Mo Nager", pin: "407193" },
  operator: { badge: "O1", name: "Opal Reyes", pin: "805214", role: "operator" },
  second: { badge: "O2", name: "Odo Marsh", pin: "914027", role: "operator" },
  ironer: { badge: "I1", name: "Iris Onder", pin: "661903", role: "ironer" },
  inspector: { badge: "X1", name: "Ines Pector", pin: "730318", role: "inspector" },
};

export async function until(what, look, patience = 30_000) {
  const end = Date.now() + patience;
  let last;
  while (Date.now() < end) {
    try {
      const found = await look();
      if (found) { return found; }
    } catch (error) { last = error; }
    await new Promise((resolve) => setTimeout(resolve, 40));
  }
  throw new Error(`waited in vain for ${what}${last ? `: ${last.message}` : ""}`);
}

// Passes bytes on, or, shut, breaks every connection and takes no new one.
class Door {
  constructor(port) {
    this.wires = new Set();
    this.shut = false;
    this.server = net.createServer((from) => {
      if (this.shut) { from.destroy(); return; }
      const to = net.connect(port, "127.0.0.1");
      for (const [one, other] of [[from, to], [to, from]]) {
        this.wires.add(one);
        one.on("error", () => other.destroy()).on("close", () => { this.wires.delete(one); other.destroy(); });
        one.pipe(other);
      }
    });
  }
  async open() {
    await new Promise((resolve) => this.server.listen(0, "127.0.0.1", resolve));
    return `http://127.0.0.1:${this.server.address().port}`;
  }
  close() {
    this.shut = true;
    this.wires.forEach((wire) => wire.destroy());
  }
}

export class House {
  static async start(...more) {
    const house = new House();
    house.dir = mkdtempSync(path.join(tmpdir(), "wheelward-browser-"));
    house.data = path.join(house.dir, "demo");
    const asked = more.length ? more : ["--small", "--history", "60", "--day-seconds", "86400"];
    house.process = spawn(program, ["demo", ...asked, "--data", house.data], { stdio: ["ignore", "ignore", "pipe"] });
    process.once("exit", () => house.process.kill());
    process.once("SIGTERM", () => process.exit(1));
    let said = "";
    house.process.stderr.on("data", (text) => { said += text; });
    const link = path.join(house.data, "gateway/set-up-link.txt");
    try {
      await until("the pages", () => {
        if (house.process.exitCode !== null) { throw new Error(said); }
        return existsSync(link) && said.match(/Pages on (http:\S+);/);
      }, 120_000);
    } catch (error) { house.process.kill(); throw new Error(`${error.message}\n${said}`); }
    house.inside = said.match(/Pages on (http:\S+);/)[1];
    house.link = new URL(readFileSync(link, "utf8").trim());
    house.door = new Door(Number(new URL(house.inside).port));
    house.url = await house.door.open();
    house.browsers = [];
    mkdirSync(shots, { recursive: true });
    return house;
  }
  // Pictures of labels as the dairy's label printer has drawn them, by wheel.
  labels() {
    const folder = path.join(this.data, "labels");
    return readdirSync(folder).map((name) => ({ wheel: name.match(/^(.+-\d+)-[0-9a-f]{8}-/)[1], file: path.join(folder, name) }));
  }
  // A browser of its own, with a profile that outlives it.
  async browser(name, { more = [], ...options } = {}) {
    const profile = path.join(this.dir, `profile-${name}`);
    const context = await chromium.launchPersistentContext(profile, {
      executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
      args: ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--lang=en-GB", ...more],
      viewport: { width: 1280, height: 800 },
      locale: "en-GB",
      ...options,
    });
    context.profile = profile;
    context.wrong = [];
    context.on("weberror", (error) => context.wrong.push(String(error.error())));
    context.setDefaultTimeout(20_000);
    this.browsers.push(context);
    context.on("close", () => { this.browsers = this.browsers.filter((other) => other !== context); });
    return context;
  }
  // One browser for many stations, each with cookies and storage of its own.
  async crowd() {
    const browser = await chromium.launch({
      executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
      args: ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"],
    });
    this.browsers.push(browser);
    return browser;
  }
  // As when a tablet's battery dies: no process of the browser has a last word.
  async kill(context) {
    for (const id of readdirSync("/proc").filter((name) => /^\d+$/.test(name))) {
      let line = "";
      try { line = readFileSync(`/proc/${id}/cmdline`, "utf8"); } catch { continue; }
      if (line.includes(context.profile)) { try { process.kill(Number(id), "SIGKILL"); } catch { /* gone */ } }
    }
    await until("the browser's end", () => context.pages().length === 0 || context.browser()?.isConnected() === false);
    rmSync(path.join(context.profile, "SingletonLock"), { force: true });
    // It has no last word for the house's end either, which would wait for it.
    this.browsers = this.browsers.filter((other) => other !== context);
  }
  async signIn(page, person) {
    await page.goto(`${this.url}/sign-in`);
    await page.fill("[name=badge]", person.badge);
    await page.fill("[name=pin]", person.pin);
    await page.click("main button[type=submit]");
    await page.waitForURL((url) => !url.pathname.startsWith("/sign-in"));
  }
  // The first manager comes in by the link that the program printed, and lets the others in.
  async letIn() {
    const context = await this.browser("office");
    const page = context.pages()[0];
    await page.goto(this.url + this.link.pathname + this.link.search);
    await page.fill("[name=badge]", people.manager.badge);
    await page.fill("[name=name]", people.manager.name);
    await page.fill("[name=pin]", people.manager.pin);
    await page.click("button[type=submit]");
    await this.signIn(page, people.manager);
    for (const person of Object.values(people).filter((person) => person.role)) {
      await page.goto(`${this.url}/people`);
      const form = page.locator("main > form.card");
      await form.locator("[name=badge]").fill(person.badge);
      await form.locator("[name=name]").fill(person.name);
      await form.locator("[name=role]").selectOption(person.role);
      await form.locator("[name=pin]").fill(person.pin);
      await form.locator("button[type=submit]").click();
      await page.getByText(person.name).first().waitFor();
    }
    this.order = "SHELF-1";
    await this.ordered(page, this.order);
    await context.close();
  }
  // A customer orders: what leaves, leaves for an order that the dispatch desk knows.
  async ordered(page, order) {
    await until("the order to be taken", () => page.evaluate(async (order) => {
      const { token } = await (await fetch("/api/v1/session")).json();
      const { now } = await (await fetch("/api/v1/standing")).json();
      const arrive_on = new Date(Date.parse(now) + 5 * 86_400_000).toISOString().slice(0, 10);
      const lines = [{ recipe: "larkholm-blue", grade: "A", wheels: 2 }];
      const headers = { "Content-Type": "application/json", "X-Wheelward-Token": token };
      const body = JSON.stringify({ order, customer: "HARBOUR", market: "NORTH", arrive_on, lines });
      const answer = await fetch("/api/v1/orders", { method: "POST", headers, body });
      if (!answer.ok) { throw new Error(await answer.text()); }
      return true;
    }, order));
  }
  // The manager makes this browser a station; then someone signs in there.
  async station(page, code, person) {
    await this.signIn(page, people.manager);
    await page.goto(`${this.url}/stations`);
    await page.fill("main form.card [name=station]", code);
    await page.fill("main form.card [name=name]", `Bench ${code}`);
    await page.click("main form.card button[type=submit]");
    await page.waitForURL("**/station");
    await this.signIn(page, person);
    await page.goto(`${this.url}/station`);
    await page.evaluate(() => navigator.serviceWorker.ready);
    await page.waitForSelector("#answer[data-level=idle]");
  }
  async end() {
    await Promise.allSettled(this.browsers.map((context) => context.close()));
    this.door.close();
    this.door.server.close();
    const over = new Promise((resolve) => this.process.on("exit", resolve));
    this.process.kill("SIGINT");
    await over;
    rmSync(this.dir, { recursive: true, force: true });
  }
}

// A keyboard-wedge scanner: 20 keys in 10 ms, then Enter, whatever has the focus; the moment
// something was pressed, if it is said what.
export async function wedge(page, line, pressed) {
  await page.evaluate(async ({ line, pressed }) => {
    if (pressed) { document.querySelector(pressed).click(); }
    const type = (key) => {
      const at = document.activeElement ?? document.body;
      const taken = !at.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
      // What a browser does by itself with a key that no script has taken.
      if (!taken && key.length === 1 && "value" in at && at.tagName === "INPUT") { at.value += key; }
    };
    const began = performance.now();
    const keys = [...line, "Enter"];
    for (let nth = 0; nth < keys.length; nth += 1) {
      while (performance.now() - began < nth * 0.5) { /* half a millisecond a key */ }
      type(keys[nth]);
    }
  }, { line, pressed });
}

// Scans and waits for an answer that is a new one.
export async function scan(page, line, level) {
  const before = await page.evaluate(() => document.getElementById("answer").dataset.said ?? "0");
  await wedge(page, line);
  await page.waitForFunction((before) => document.getElementById("answer").dataset.said !== before, before);
  if (level) { await page.waitForSelector(`#answer[data-level=${level}]`); }
  return page.evaluate(() => ["level", "words", "detail"].map((id) => document.getElementById(id).textContent).join(" | "));
}
