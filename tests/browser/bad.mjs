// What goes wrong at a station, and what people try: nothing is lost, and nothing runs.
import assert from "node:assert/strict";
import { people, scan, until, wedge } from "./house.mjs";

const SCRIPT = "<img src=x onerror=document.title='ran'><script>document.title='ran'</script>";

export function bad(test, house) {
  test("a session that ends amid a batch of scans loses none of them", async () => {
    const context = await house().browser("ended");
    const page = context.pages()[0];
    await house().station(page, "tablet-10", people.operator);
    const wheels = await page.evaluate(() => fetch("/api/v1/wheels").then((answer) => answer.json()));
    const stands = [...new Set(wheels.filter((one) => one.carrier?.stillage && !one.holds.length && !one.dispatched).map((one) => one.carrier.stillage))];
    const lines = ["A.TURN", ...stands.slice(0, 6).map((stand) => `S.${stand}`)];
    for (const line of lines.slice(0, 3)) { await scan(page, line); }
    await context.clearCookies({ name: "wheelward-person" });
    await wedge(page, lines[3]);
    // Some come while nobody knows yet, and some when the badge is asked for.
    await wedge(page, lines[4]);
    await page.waitForSelector("#pin[open]");
    for (const line of lines.slice(5)) { await wedge(page, line); }
    await until("four kept", async () => /4 kept/.test(await page.innerText("#link")));
    await page.fill("#pin-badge", people.operator.badge);
    await page.fill("#pin-digits", people.operator.pin);
    await page.click("#pin-go");
    await until("everything sent", async () => /^all sent$/.test(await page.innerText("#link")), 60_000);
    const { latest } = await page.evaluate(() => fetch("/api/v1/station").then((answer) => answer.json()));
    assert.deepEqual(latest.map((receipt) => receipt.line).reverse(), lines, "each once, in the order of the work");
    assert.ok(latest.every((receipt) => receipt.person === people.operator.badge));
    await context.close();
  });

  test("an operator cannot act as the manager who was here, nor state what is not theirs", async () => {
    const context = await house().browser("posing");
    const page = context.pages()[0];
    await house().station(page, "tablet-13", people.manager);
    await scan(page, "A.TURN");
    await until("everything sent", async () => /^all sent$/.test(await page.innerText("#link")));
    await house().signIn(page, people.operator);
    const said = await page.evaluate(async (manager) => {
      const { token } = await fetch("/api/v1/session").then((answer) => answer.json());
      const { next_seq: first, now } = await fetch("/api/v1/station").then((answer) => answer.json());
      const results = [];
      for (const [nth, minutes] of [-1, 0, 60, 660].entries()) {
        const scan = {
          station: "tablet-13", seq: first + nth, line: "A.RELEASE", person: manager,
          occurred_at: new Date(Date.parse(now) + minutes * 60_000).toISOString(),
        };
        const answer = await fetch("/api/v1/station/scan", {
          method: "POST", body: JSON.stringify(scan),
          headers: { "Content-Type": "application/json", "X-Wheelward-Token": token },
        });
        results.push((await answer.json()).results[0].receipt);
      }
      return results;
    }, people.manager.badge);
    for (const receipt of said) {
      assert.equal(receipt.level, "wrong");
      assert.match(receipt.words, /must sign in to send this scan/);
    }
    await page.goto(`${house().url}/entry`);
    assert.equal(await page.locator("a[href='/entry/lab.resulted'], a[href='/entry/deviation.decided']").count(), 0);
    await page.goto(`${house().url}/entry/lab.resulted`);
    assert.match(await page.innerText("main"), /needs a manager/);
    await context.close();
  });

  test("a script in a scan, a name, a lot code or a note is shown and never run", async () => {
    const context = await house().browser("script");
    const page = context.pages()[0];
    await house().station(page, "tablet-11", people.manager);
    for (const line of [SCRIPT, `W.${SCRIPT}`, `S.${SCRIPT}`]) {
      const said = await scan(page, line, "wrong");
      assert.match(said, /WRONG/);
      assert.equal(await page.locator("#answer img, #answer script, #recorded img").count(), 0);
    }
    for (const place of [`/find?q=${encodeURIComponent(SCRIPT)}`, `/recall?what=lot&code=${encodeURIComponent(SCRIPT)}`, `/${encodeURIComponent(SCRIPT)}`]) {
      await page.goto(house().url + place);
      assert.equal(await page.locator("main img, main script").count(), 0);
      assert.doesNotMatch(await page.title(), /ran/);
    }
    await page.goto(`${house().url}/people`);
    const form = page.locator("main > form.card");
    await form.locator("[name=badge]").fill("Z9");
    await form.locator("[name=name]").fill(SCRIPT);
    await form.locator("[name=pin]").fill("805933");
    await form.locator("button[type=submit]").click();
    await page.getByText("<img src=x").first().waitFor();
    assert.equal(await page.locator("main img").count(), 0);
    assert.doesNotMatch(await page.title(), /ran/);
    await context.close();
  });

  test("ten megabytes in one scan are cut short, answered, and the next scan is taken", async () => {
    const context = await house().browser("long");
    const page = context.pages()[0];
    await house().station(page, "tablet-12", people.operator);
    // As if pasted into the field: a scanner would need hours.
    const before = await page.getAttribute("#answer", "data-said");
    await page.evaluate(() => {
      const field = document.getElementById("scan");
      field.value = "W".repeat(10 << 20);
      field.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter", bubbles: true, cancelable: true }));
    });
    await page.waitForFunction((before) => document.getElementById("answer").dataset.said !== before, before);
    assert.equal(await page.getAttribute("#answer", "data-level"), "wrong");
    await scan(page, "A.TURN");
    assert.equal(await page.innerText("#action"), "Turn");
    // Another dairy's code.
    await scan(page, "4006381333931", "wrong");
    await context.close();
  });
}
