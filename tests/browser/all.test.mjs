// Real browsers against the real program. Pictures of every page are left in target/browser.
import { after, before, test } from "node:test";
import { api } from "./api.mjs";
import { bad } from "./bad.mjs";
import { camera } from "./camera.mjs";
import { House } from "./house.mjs";
import { pages } from "./pages.mjs";
import { shift } from "./shift.mjs";

let house;

before(async () => {
  house = await House.start();
  await house.letIn();
});
after(() => house?.end());

shift(test, () => house);
camera(test, () => house);
bad(test, () => house);
pages(test, () => house);
api(test, () => house);
