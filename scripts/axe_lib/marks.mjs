// A clip is measured by hand in a browser, once by pointer and once by keyboard alone, with points set by eye on the pictures of a
// rendered golfer whose truth is known. Counts what it takes.
import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";

const fixture = (name) => new URL(`../../fixtures/${name}`, import.meta.url);
/** Of this clip (540 by 960), read off its enlarged pictures: which of a place's pictures, then across and down. */
const CLIP = "inbox/Jonas Lind/2026-11-24 driver.mp4";
const TRUTH = "truth/sway_face_on_60.json";
const BY_EYE = {
  foot_address: [0, 177, 768],
  hip_address: [0, 201.5, 495],
  head_address: [0, 271, 282],
  ball_address: [0, 333, 879],
  hip_furthest: [1, 178.5, 495],
  head_top: [0, 246, 270],
  shoulder_late: [0, 319, 307],
  elbow_late: [0, 380, 357],
  grip_late: [0, 442, 430],
};
const SWAY = ["foot_address", "hip_address", "hip_furthest"];
/** What the points tell, by the first words of its row, and how near the truth it has to lie. */
const TOLD = [
  ["hip_edge_inside_foot_cm", "hip's outer edge inside", 1, SWAY],
  ["head_lateral_top_cm", "head moves away from the target, at the top", 1, ["head_address", "head_top"]],
];

/** How many checks failed; each is printed. */
export async function marks(browser, desk) {
  let failed = 0;
  const check = (what, holds) => {
    if (!holds) failed += 1;
    console.log(`${holds ? "ok    " : "FAILED"} ${what}`);
  };
  const truth = JSON.parse(readFileSync(fixture(TRUTH), "utf8")).metrics;
  const id = createHash("sha256").update(readFileSync(fixture(CLIP))).digest("hex").slice(0, 16);
  const context = await browser.newContext({ viewport: { width: 1280, height: 900 } });
  const page = await context.newPage();
  await page.goto(desk);
  await page.waitForURL("**/sheet/index.html");
  for (const [by, set] of [["pointer", byPointer], ["keyboard", byKeyboard]]) {
    for (const [places, what] of [[SWAY, "sway alone"], [Object.keys(BY_EYE), "all points"]]) {
      await page.goto(new URL(`/ruler/clip/${id}.html`, desk).href);
      await page.waitForFunction(() => document.getElementById("film")?.readyState >= 2, null, { timeout: 10000 });
      const did = { clicks: 0, keys: 0 };
      const hands = {
        click: async (x, y) => { did.clicks += 1; await page.mouse.click(Math.round(x), Math.round(y)); },
        press: async (key) => { did.keys += 1; await page.keyboard.press(key); },
      };
      await set(page, hands, places);
      await page.waitForFunction(() => !document.getElementById("saved").hidden || document.querySelector("#questions li"), null, { timeout: 5000 }).catch(() => {});
      const asked = await page.evaluate(() => [...document.querySelectorAll("#questions li")].map((li) => li.textContent));
      const rows = await page.evaluate(() => [...document.querySelectorAll("#saved tbody tr")].map((tr) => [...tr.children].map((td) => td.textContent)));
      check(`${by}, ${what}: kept with ${did.clicks} clicks and ${did.keys} keys${asked.map((q) => `; asked: ${q}`).join("")}`, rows.length > 0);
      for (const [metric, words, within, needs] of TOLD.filter(([, , , needs]) => needs.every((p) => places.includes(p)))) {
        const row = rows.find(([name]) => name.startsWith(words));
        const value = row ? Number.parseFloat(row[1].replace("−", "-")) : Number.NaN;
        check(`${by}, ${what}: ${words} ${value.toFixed(1)} cm by hand, ${truth[metric].toFixed(1)} in truth`, Math.abs(value - truth[metric]) <= within);
      }
      if (places.length === SWAY.length) check(`${by}: the points that were left out tell nothing`, rows.every(([name]) => !name.startsWith("head moves")));
    }
  }
  await page.goto(new URL(`/ruler/clip/${id}.html`, desk).href);
  await page.waitForFunction(() => document.getElementById("film")?.readyState >= 2, null, { timeout: 10000 });
  for (const [what, holds] of await looks(page)) check(what, holds);
  await context.close();
  return failed;
}

/** Pictures beside, and two fingers: neither sets a point; one finger does. */
async function looks(page) {
  const at = () => page.evaluate(() => document.getElementById("at").textContent);
  const shown = async () => {
    await page.waitForTimeout(300);
    return page.evaluate(() => document.getElementById("picture").toDataURL());
  };
  const picture = page.locator("#picture");
  const box = async () => {
    await picture.scrollIntoViewIfNeeded();
    return picture.boundingBox();
  };
  const first = await shown();
  const done = [];
  await page.click("button[data-look] >> nth=0");
  const impact = await shown();
  let b = await box();
  await page.mouse.click(...middle(b).map(Math.round));
  done.push(["impact is shown to look at, and a press there sets nothing", impact !== first && (await at()) === "only to look at"]);
  await page.click(`li[data-place=${SWAY[0]}] > button`);
  done.push(["back at a point its own picture is shown, and the point is not set", (await shown()) === first && (await at()) === "not set"]);
  const touch = await page.context().newCDPSession(page);
  b = await box();
  const [x, y] = middle(b);
  const send = (type, ...points) => touch.send("Input.dispatchTouchEvent", { type, touchPoints: points.map(([dx, dy], id) => ({ x: x + dx, y: y + dy, id })) });
  await send("touchStart", [-20, 0]);
  await send("touchStart", [-20, 0], [20, 0]);
  await send("touchMove", [-80, 0], [80, 0]);
  await send("touchEnd");
  done.push(["two fingers enlarge the picture and set nothing", (await shown()) !== first && (await at()) === "not set"]);
  await send("touchStart", [10, 10]);
  await send("touchEnd");
  done.push(["one finger sets the point", /across/.test(await at())]);
  return done;
}

const middle = (box) => [box.x + box.width / 2, box.y + box.height / 2];

async function byPointer(page, hands, places) {
  const press = async (selector) => {
    const button = page.locator(selector);
    await button.scrollIntoViewIfNeeded();
    await hands.click(...middle(await button.boundingBox()));
  };
  const picture = page.locator("#picture");
  for (const place of places) {
    const [which, x, y] = BY_EYE[place];
    const item = `li[data-place=${place}]`;
    if ((await page.getAttribute(`${item} > button`, "aria-pressed")) !== "true") await press(`${item} > button`);
    const times = page.locator(`${item} button[data-time]`);
    if ((await times.count()) > 1 && (await times.nth(which).getAttribute("aria-pressed")) !== "true") await press(`${item} button[data-time] >> nth=${which}`);
    await picture.scrollIntoViewIfNeeded();
    const box = await picture.boundingBox();
    await hands.click(box.x + ((x + 0.5) * box.width) / 540, box.y + ((y + 0.5) * box.height) / 960);
  }
  await press("#save");
}

async function byKeyboard(page, hands, places) {
  const at = () => page.evaluate(() => document.getElementById("at").textContent.match(/-?[\d.]+/g)?.map(Number) ?? null);
  const active = () => page.evaluate(() => document.querySelector("#mark li > button[aria-pressed=true]").dataset.place);
  for (const place of places) {
    const [which, ...wanted] = BY_EYE[place];
    while ((await active()) !== place) await hands.press("n");
    const choose = page.locator(`li[data-place=${place}] button[data-time]`);
    if ((await choose.count()) > 1 && (await choose.nth(which).getAttribute("aria-pressed")) !== "true") {
      const focused = () => choose.nth(which).evaluate((b) => b === document.activeElement);
      for (let i = 0; i < 60 && !(await focused()); i += 1) await hands.press("Tab");
      await hands.press("Enter");
    }
    for (const [axis, [less, more]] of [[0, ["ArrowLeft", "ArrowRight"]], [1, ["ArrowUp", "ArrowDown"]]]) {
      for (let i = 0; i < 80; i += 1) {
        const now = await at();
        const left = now ? wanted[axis] - now[axis] : 1;
        if (now && Math.abs(left) < 0.6) break;
        await hands.press(`${Math.abs(left) > 10 ? "Alt" : "Shift"}+${left < 0 ? less : more}`);
      }
    }
  }
  await hands.press("s");
}
