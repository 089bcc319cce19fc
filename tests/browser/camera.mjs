// The camera as a scanner, looking at a label that the dairy's own label printer has drawn.
import assert from "node:assert/strict";
import { readFileSync, writeFileSync } from "node:fs";
import path from "node:path";
import { people, scan, until } from "./house.mjs";
import { check, shoot } from "./pages.mjs";

const WIDE = 640;
const HIGH = 480;
const RATE = 10; // pictures a second

// What a camera sees of a label that is held into the picture, not quite straight: the
// brightness of every dot, row by row.
function seen(page, png) {
  return page.evaluate(async ({ png, wide, high }) => {
    const label = new Image();
    label.src = `data:image/png;base64,${png}`;
    await label.decode();
    const canvas = new OffscreenCanvas(wide, high);
    const brush = canvas.getContext("2d");
    brush.fillStyle = "#999";
    brush.fillRect(0, 0, wide, high);
    brush.translate(wide / 2, high / 2);
    brush.rotate(0.06);
    const fit = Math.min(wide / label.width, high / label.height) * 0.95;
    brush.filter = "blur(0.4px)";
    brush.drawImage(label, -label.width * fit / 2, -label.height * fit / 2, label.width * fit, label.height * fit);
    const dots = brush.getImageData(0, 0, wide, high).data;
    let text = "";
    for (let nth = 0; nth < dots.length; nth += 4) { text += String.fromCharCode(dots[nth]); }
    return btoa(text);
  }, { png: readFileSync(png).toString("base64"), wide: WIDE, high: HIGH });
}

// A film in the YUV4MPEG2 format: some seconds of nothing, then the label.
function film(file, label) {
  const grey = Buffer.alloc(WIDE * HIGH, 0x99);
  const colourless = Buffer.alloc(WIDE * HIGH / 2, 0x80);
  const picture = (light) => Buffer.concat([Buffer.from("FRAME\n"), light, colourless]);
  const pictures = [...Array(3 * RATE).fill(picture(grey)), ...Array(2 * RATE).fill(picture(label))];
  writeFileSync(file, Buffer.concat([Buffer.from(`YUV4MPEG2 W${WIDE} H${HIGH} F${RATE}:1 Ip A1:1 C420jpeg\n`), ...pictures]));
}

export function camera(test, house) {
  test("the camera reads a label, with a decoder that is fetched once and works behind the steel door", async () => {
    const office = await house().browser("film");
    const file = path.join(house().dir, "label.y4m");
    const [page0] = office.pages();
    await house().signIn(page0, people.manager);
    const wheels = await page0.evaluate(() => fetch("/api/v1/wheels").then((answer) => answer.json()));
    const free = new Set(wheels.filter((one) => !one.holds.length && !one.dispatched && !one.discarded).map((one) => one.wheel));
    const label = house().labels().find((label) => free.has(label.wheel));
    assert.ok(label, "a label of a wheel on the floor");
    film(file, Buffer.from(await seen(page0, label.file), "base64"));
    await office.close();

    const context = await house().browser("camera", {
      more: ["--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream", `--use-file-for-fake-video-capture=${file}`],
    });
    const page = context.pages()[0];
    const fetched = [];
    context.on("request", (request) => fetched.push(new URL(request.url()).pathname));
    await house().station(page, "tablet-8", people.operator);
    await scan(page, "A.TURN");
    assert.ok(!fetched.some((name) => name.includes("zxing")), "not before the camera is used");

    const look = async (picture) => {
      const before = await page.getAttribute("#answer", "data-said");
      await page.click("#camera");
      if (picture) {
        await page.waitForFunction(() => /Hold the code/.test(document.getElementById("lens-words").textContent));
        await page.waitForFunction(() => document.getElementById("video").videoWidth > 0);
        await check(page, "station, camera");
        await shoot(page, picture);
      }
      await page.waitForFunction((before) => document.getElementById("answer").dataset.said !== before, before);
      assert.equal(await page.locator("#lens[open]").count(), 0);
      const cameras = await page.evaluate(() => document.getElementById("video").srcObject);
      assert.equal(cameras, null, "the camera is off again");
    };
    await look("station-camera");
    await page.waitForSelector("#answer[data-level=ok]");
    const receipt = (await page.evaluate(() => fetch("/api/v1/station").then((answer) => answer.json()))).latest[0];
    assert.deepEqual(receipt.wheels, [label.wheel], receipt.line);
    assert.equal(receipt.recorded, "wheel.turned");
    assert.ok(fetched.includes("/assets/zxing_reader.wasm"));

    house().door.close();
    await page.reload();
    await look();
    await until("one kept", async () => /1 kept/.test(await page.innerText("#link")));
    house().door.shut = false;
    await until("everything sent", async () => /^all sent$/.test(await page.innerText("#link")), 60_000);
    assert.deepEqual(context.wrong, []);
    await context.close();
  });

  test("a browser that reads codes by itself is asked, and fetches no decoder", async () => {
    const context = await house().browser("native", {
      more: ["--use-fake-ui-for-media-stream", "--use-fake-device-for-media-stream"],
    });
    const page = context.pages()[0];
    const fetched = [];
    context.on("request", (request) => fetched.push(new URL(request.url()).pathname));
    // Debian's Chromium has none: one that always sees an action's card.
    await context.addInitScript(() => {
      window.BarcodeDetector = class {
        static getSupportedFormats() { return Promise.resolve(["code_128", "data_matrix", "qr_code"]); }
        detect(video) { return Promise.resolve(video.videoWidth ? [{ rawValue: "A.MOVE" }] : []); }
      };
    });
    await house().station(page, "tablet-9", people.operator);
    await page.click("#camera");
    await until("the action", async () => (await page.innerText("#action")) === "Move");
    assert.ok(!fetched.some((name) => name.includes("zxing")));
    await context.close();
  });
}
