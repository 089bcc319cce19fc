// Every page: axe-core's WCAG 2.2 AA rules, keyboard only, 200 % zoom, reduced motion, the dark
// theme, both languages; and a picture of each to look at.
import assert from "node:assert/strict";
import path from "node:path";
import { axe, people, shots, until } from "./house.mjs";

const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

// Pages as addresses, some of which depend on what stands on the floor.
export async function addresses(page, url) {
  const json = (path) => page.evaluate((path) => fetch(path).then((answer) => answer.json()), path);
  await page.goto(`${url}/today`);
  const wheels = await json("/api/v1/wheels");
  const ironed = wheels.find((wheel) => wheel.blue_coverage_pct && wheel.weight_g) ?? wheels[0];
  const standing = wheels.find((wheel) => wheel.carrier?.stillage && !wheel.dispatched && !wheel.discarded);
  return {
    today: "/today",
    floor: "/floor",
    "floor-past": "/floor?days=-3",
    "floor-ahead": "/floor?days=7",
    stand: `/stands/stillage/${standing.carrier.stillage}`,
    wheel: `/wheels/${ironed.wheel}`,
    "wheel-corrected": `/wheels/${ironed.wheel}?all=true`,
    batch: `/batches/${ironed.batch}`,
    "batch-corrected": `/batches/${ironed.batch}?all=true`,
    corrections: "/corrections",
    "corrections-batch": `/corrections?batch=${ironed.batch}`,
    "corrections-stand": `/corrections?stand=stillage/${standing.carrier.stillage}`,
    orders: "/orders",
    portions: "/portions",
    rooms: "/rooms",
    alerts: "/alerts",
    find: "/find",
    "find-nothing": "/find?q=nothing-of-this-name",
    entry: "/entry",
    "entry-lab": "/entry/lab.resulted",
    recall: `/recall?what=batch&code=${ironed.batch}`,
    holds: "/holds",
    people: "/people",
    stations: "/stations",
    me: "/me",
    missing: "/no-such-page",
    "sign-in": "/sign-in",
  };
}

export async function check(page, name) {
  await page.evaluate(axe);
  const found = await page.evaluate((tags) => window.axe.run(document, {
    runOnly: { type: "tag", values: tags }, resultTypes: ["violations"],
  }), TAGS);
  const wrong = found.violations.map((rule) => `${rule.id}: ${rule.nodes.slice(0, 3).map((node) => node.target + " " + (node.any[0]?.message ?? "")).join("; ")}`);
  assert.deepEqual(wrong, [], `${name}: ${page.url()}`);
}

export async function shoot(page, name) {
  await page.screenshot({ path: path.join(shots, `${name}.png`), fullPage: name.startsWith("whole-") });
}

// A record that is wrong is struck through, with its reason, wherever records are shown.
async function correct(page, wheel) {
  const reason = "the wrong stillage was scanned";
  await page.goto(wheel);
  const record = page.locator("ol.list > li").first();
  const fact = await record.getAttribute("id");
  await record.locator("summary").click();
  await record.locator("[name=reason]").fill(reason);
  await record.locator("button.danger").click();
  await page.waitForURL((url) => url.pathname === new URL(wheel).pathname);
  await until("the record's leaving the wheel's life", async () => {
    await page.goto(wheel);
    return (await page.locator(`#${fact}`).count()) === 0;
  });
  await page.goto(`${wheel}?all=true`);
  assert.match(await page.innerText(`#${fact}`), new RegExp(reason));
  const struck = await page.evaluate((fact) => getComputedStyle(document.querySelector(`#${fact} .voided`)).textDecorationLine, fact);
  assert.equal(struck, "line-through");
  await page.goto(`${new URL(wheel).origin}/corrections`);
  assert.match(await page.innerText("main"), new RegExp(reason));
}

// Nothing is cut off at the side: what is wider than the page scrolls in a box of its own.
async function fits(page, name) {
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  assert.ok(wide <= 1, `${name} is ${wide} px wider than the window`);
}

export function pages(test, house) {
  test("every page passes axe-core, fits, and is there in both themes and languages", async () => {
    const context = await house().browser("pages");
    const page = context.pages()[0];
    await house().signIn(page, people.manager);
    const all = await addresses(page, house().url);
    await correct(page, house().url + all.wheel);
    for (const [name, address] of Object.entries(all)) {
      await page.goto(house().url + address);
      await check(page, name);
      await fits(page, name);
      await shoot(page, name);
    }
    // 200 % zoom is half the room for the same page (WCAG 2.2, 1.4.4 and 1.4.10).
    await page.setViewportSize({ width: 640, height: 400 });
    for (const [name, address] of Object.entries(all)) {
      await page.goto(house().url + address);
      await fits(page, `${name} at 200 %`);
    }
    await shoot(page, "zoomed-sign-in");
    await page.setViewportSize({ width: 390, height: 800 });
    for (const name of ["today", "floor", "wheel", "batch", "portions", "rooms", "alerts", "corrections"]) {
      await page.goto(house().url + all[name]);
      await fits(page, `${name} on a telephone`);
      await shoot(page, `narrow-${name}`);
    }
    await page.setViewportSize({ width: 800, height: 1280 });
    for (const name of ["today", "floor", "wheel", "entry", "recall"]) {
      await page.goto(house().url + all[name]);
      await fits(page, `${name} on a tablet`);
      await shoot(page, `tablet-${name}`);
    }
    await page.setViewportSize({ width: 1280, height: 800 });
    await page.goto(`${house().url}/me`);
    await page.check("[name=tongue][value=de]");
    await page.check("[name=theme][value=dark]");
    await page.click("main form.card button[type=submit]");
    await page.emulateMedia({ reducedMotion: "reduce" });
    for (const [name, address] of Object.entries(all)) {
      await page.goto(house().url + address);
      assert.equal(await page.getAttribute("html", "lang"), "de");
      assert.equal(await page.getAttribute("html", "data-theme"), "dark");
      await check(page, `${name}, dark and German`);
      const moving = await page.evaluate(() => document.getAnimations().filter((one) => one.playState === "running").length);
      assert.equal(moving, 0, `${name} moves`);
      await shoot(page, `whole-dark-${name}`);
    }
    await page.goto(`${house().url}/me`);
    await page.check("[name=tongue][value=en]");
    await page.check("[name=theme][value=device]");
    await page.click("main form.card button[type=submit]");
    assert.deepEqual(context.wrong, []);
    await context.close();
  });

  test("a morning is read and an alert is answered without a mouse", async () => {
    const context = await house().browser("morning");
    const page = context.pages()[0];
    await page.goto(`${house().url}/sign-in`);
    // The badge field has the focus by itself as soon as it is drawn.
    await page.waitForSelector("[name=badge]:focus");
    await page.keyboard.type(people.manager.badge);
    await page.keyboard.press("Tab");
    await page.keyboard.type(people.manager.pin);
    await page.keyboard.press("Enter");
    await page.waitForURL("**/today");
    const reach = async (selector) => {
      for (let nth = 0; nth < 400; nth += 1) {
        await page.keyboard.press("Tab");
        const found = await page.evaluate((selector) => {
          const at = document.activeElement;
          if (at === document.body) { return "out"; }
          const style = getComputedStyle(at);
          const seen = style.outlineStyle !== "none" || style.boxShadow !== "none";
          if (!seen) { throw new Error(`the focus on ${at.outerHTML.slice(0, 120)} cannot be seen`); }
          return at.matches(selector) ? "there" : "";
        }, selector);
        if (found === "there") { return; }
      }
      assert.fail(`${selector} cannot be reached by Tab`);
    };
    await reach("a.skip");
    await page.keyboard.press("Enter");
    assert.equal(await page.evaluate(() => document.activeElement.id), "main");
    assert.ok((await page.locator(".stop-line").count()) > 0, "a plan with stops");
    for (const place of ["/floor", "/rooms", "/portions", "/alerts"]) {
      await page.goto(page.url());
      await reach(`.side a[href="${place}"]`);
      await page.keyboard.press("Enter");
      await page.waitForURL(`**${place}`);
      assert.ok(await page.locator("h1").innerText());
    }
    await reach("main form [name=note], main details summary");
    if (await page.evaluate(() => document.activeElement.matches("summary"))) {
      await page.keyboard.press("Enter");
      await reach("main form [name=note]");
    }
    await page.keyboard.type("seen on the morning walk");
    await page.keyboard.press("Enter");
    await page.waitForFunction(() => document.body.innerText.includes("seen on the morning walk"));
    assert.match(await page.innerText("main"), new RegExp(people.manager.name));
    await page.goto(`${house().url}/find`);
    await page.waitForSelector("[name=q]:focus");
    await page.keyboard.type("R2");
    await page.keyboard.press("Enter");
    await page.waitForURL("**/rooms");
    await context.close();
  });

  test("an inspector sees every page and cannot change anything", async () => {
    const context = await house().browser("inspector");
    const page = context.pages()[0];
    await house().signIn(page, people.inspector);
    const all = await addresses(page, house().url);
    const forms = new Set();
    for (const [name, address] of Object.entries(all)) {
      await page.goto(house().url + address);
      const posts = await page.locator("form[method=post]").evaluateAll((found) => found.map((form) => new URL(form.action).pathname));
      posts.forEach((post) => forms.add(post));
      if (name === "people" || name === "stations") { assert.match(await page.innerText("main"), /only a manager/); }
    }
    // Nothing but their own settings and signing in and out.
    assert.deepEqual([...forms].sort(), ["/me", "/sign-in", "/sign-out"]);
    await page.goto(`${house().url}/today`);
    const refused = await page.evaluate(async () => {
      const { token } = await (await fetch("/api/v1/session")).json();
      const headers = { "Content-Type": "application/json", "X-Wheelward-Token": token };
      const post = (path, body) => fetch(path, { method: "POST", headers, body: JSON.stringify(body) }).then((r) => r.status);
      const form = (path, body) => fetch(path, { method: "POST", body: new URLSearchParams({ token, ...body }) }).then((r) => r.status);
      return [
        await post("/api/v1/station/scan", { station: "tablet-1", seq: 1, line: "A.TURN" }),
        await post("/api/v1/alerts/not_turned-1/acknowledgement", { note: "no" }),
        await post("/api/v1/facts/019c0000-0000-7000-8000-000000000000/void", { reason: "no" }),
        await form("/alerts", { alert: "not_turned-1", note: "no" }),
        await form("/corrections", { fact: "019c0000-0000-7000-8000-000000000000", back: "/today", reason: "no" }),
        await form("/people", { badge: "Z1", name: "Z", role: "manager", pin: "905533" }),
        await form("/stations", { station: "tablet-9", name: "Z" }),
        await form("/people/erase", { badge: "O1" }),
        await form("/stations/send-away", { station: "tablet-1" }),
      ];
    });
    assert.deepEqual(refused, refused.map(() => 403));
    await context.close();
  });
}
