// Whatever a program sends to the API, it is never answered with a failure of ours: calls made
// up by schemathesis from our own description of the API, as a manager and as nobody.
import assert from "node:assert/strict";
import { execFile } from "node:child_process";
import path from "node:path";
import { people, root } from "./house.mjs";

const program = path.join(root, ".tools/browser/py/bin/schemathesis");

function run(args, cwd) {
  return new Promise((resolve) => {
    execFile(program, args, { cwd, timeout: 120_000, maxBuffer: 1 << 26 }, (error, out, wrong) => resolve({ code: error ? error.code ?? 1 : 0, text: out + wrong }));
  });
}

export function api(test, house) {
  test("no call made from the API's own description ends in a 5xx", async () => {
    const context = await house().browser("api");
    const page = context.pages()[0];
    await house().station(page, "tablet-7", people.manager);
    const cookies = (await context.cookies()).map(({ name, value }) => `${name}=${value}`).join("; ");
    const { token } = await page.evaluate(() => fetch("/api/v1/session").then((answer) => answer.json()));
    const common = [
      "run", `${house().inside}/api/v1/openapi.json`, "--checks", "not_a_server_error", "--phases", "coverage,fuzzing",
      "--generation-deterministic", "--rate-limit", "40/s", "--request-timeout", "10",
      "--no-color", "--no-shrink", "--exclude-path", "/api/v1/live",
    ];
    // Signing in and out would end the session in the middle.
    const signed = await run([...common, "--max-examples", "25", "--max-time", "25", "--exclude-path", "/api/v1/session",
      "-H", `Cookie: ${cookies}`, "-H", `X-Wheelward-Token: ${token}`], house().dir);
    assert.equal(signed.code, 0, signed.text);
    const still = await page.evaluate(() => fetch("/api/v1/floor").then((answer) => answer.status));
    assert.equal(still, 200, "the calls were made as someone who may");
    const nobody = await run([...common, "--max-examples", "5", "--max-time", "10"], house().dir);
    assert.equal(nobody.code, 0, nobody.text);
    await context.close();
  });
}
