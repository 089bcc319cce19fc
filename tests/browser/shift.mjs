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
    await scan(page, "A.RIND");
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
    await page.click("#pin [data-close]");
    if (held) {
      await scan(page, "A.DISPATCH");
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
    assert.match(await scan(page, "A.DISPATCH", "wrong"), /cannot be reached/);
    await shoot(page, "station-offline-dispatch");
    await until("five kept, the dispatch not among them", async () => /5 kept/.test(await link(page)));

    house().door.shut = false;
    await sent(page);
    const taken = (await receipts(page)).slice(before);
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
    await scan(page, "A.TURN");
    await scan(page, `S.${free[0]}`);
    await sent(page);
    assert.ok(!(await receipts(page)).some((receipt) => receipt.recorded === "wheel.dispatched"));
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
    await wedge(page, `S.${held}`);
    await page.waitForSelector("#stop[open]");
    assert.match(await page.innerText("#stop"), /HALT/);
    assert.match(await page.innerText("#stop-do"), /Nichts darf hinaus/);
    await check(page, "station, STOP in German");
    await shoot(page, "station-stop-german");
    await context.close();
  });
}
