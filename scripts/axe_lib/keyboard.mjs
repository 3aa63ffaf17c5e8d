// The keys of the sheet and of the desk: they move, they act, and where the focus is can be seen.

/** Whether the focused element has a ring to see it by. */
const ring = () => {
  const style = getComputedStyle(document.activeElement);
  return document.activeElement !== document.body && style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
};
const stepAt = () => [...document.querySelectorAll(".step")].indexOf(document.activeElement.closest(".step"));

/** How many checks failed; each is printed. */
export async function keyboard(browser, pages, desk) {
  let failed = 0;
  const check = (what, holds) => {
    if (!holds) failed += 1;
    console.log(`${holds ? "ok    " : "FAILED"} ${what}`);
  };
  const context = await browser.newContext({ viewport: { width: 1280, height: 900 } });
  const page = await context.newPage();
  const address = (name) => pages.find(([n]) => n === name)[1];

  await page.goto(address("index.html"));
  await page.keyboard.press("Tab");
  check("Tab comes to the skip link first, and it is seen", await page.evaluate(() => document.activeElement.classList.contains("skip") && document.activeElement.getBoundingClientRect().left >= 0));
  const places = [];
  for (const key of ["j", "j", "k"]) {
    await page.keyboard.press(key);
    places.push([await page.evaluate(stepAt), await page.evaluate(ring)]);
  }
  check(`sheet: j j k go to clips 1, 2, 1 (${places.map(([p]) => p + 1)})`, places.map(([p]) => p).join() === "0,1,0");
  check("sheet: the focus is seen at each", places.every(([, seen]) => seen));
  await page.keyboard.press("ArrowDown");
  check("sheet: arrow down steps once a clip is reached", (await page.evaluate(stepAt)) === 1);
  const unseen = await page.evaluate(() => document.querySelectorAll("a[href], button:not([hidden]), select, textarea, summary, [tabindex]").length);
  let reached = 0;
  let ringed = 0;
  await page.evaluate(() => { document.activeElement.blur(); window.scrollTo(0, 0); });
  for (let i = 0; i < unseen + 5; i += 1) {
    await page.keyboard.press("Tab");
    if (await page.evaluate(() => document.activeElement === document.body)) break;
    reached += 1;
    ringed += (await page.evaluate(ring)) ? 1 : 0;
  }
  check(`sheet: Tab reaches ${reached} places, the focus is seen at ${ringed}`, reached > 10 && reached === ringed);
  await page.goto(address("index.html"));
  await page.keyboard.press("j");
  await page.keyboard.press("Enter");
  await page.waitForURL("**/clip/*.html");
  check("sheet: Enter opens the clip", true);
  const first = page.url();
  await page.keyboard.press("j");
  await page.waitForURL((u) => u.href !== first);
  const second = page.url();
  await page.keyboard.press("k");
  await page.waitForURL((u) => u.href !== second);
  check("clip page: j and k go to the next and back", page.url() === first);

  await page.goto(desk);
  await page.waitForURL("**/sheet/index.html");
  check("desk: the key leaves the address", !page.url().includes("key="));
  await page.keyboard.press("j");
  await page.keyboard.press("Enter");
  await page.waitForSelector("#desk");
  await page.waitForFunction(() => document.getElementById("film").readyState >= 2 || document.getElementById("film").error, null, { timeout: 20000 });
  check("desk: the clip plays in this browser", await page.evaluate(() => !document.getElementById("film").error));
  const status = async (starts) => page.waitForFunction((s) => document.getElementById("desk-status").textContent.startsWith(s), starts, { timeout: 5000 }).then(() => true, () => false);
  const said = (n) => page.evaluate((i) => document.querySelectorAll(".desk-said")[i].textContent, n);
  const before = [await said(0), await said(1), await said(2)];
  await page.keyboard.press("n");
  check("desk: n goes to the note", await page.evaluate(() => document.activeElement.id === "note") && (await page.evaluate(ring)));
  await page.keyboard.type("seen by 1 key u q");
  await page.keyboard.press("Escape");
  for (const [key, row, words] of [["1", 0, "You agree: seen by 1 key u q"], ["q", 0, "You disagree."], ["2", 1, "You agree."], ["w", 1, "You disagree."], ["3", 2, "You agree."], ["e", 2, "You disagree."]]) {
    await page.evaluate(() => { document.getElementById("desk-status").textContent = ""; });
    await page.keyboard.press(key);
    check(`desk: ${key} is kept and shown`, (await status("Kept")) && (await said(row)) === words);
  }
  for (let i = 0; i < 6; i += 1) {
    await page.evaluate(() => { document.getElementById("desk-status").textContent = ""; });
    await page.keyboard.press("u");
    await status("Taken back");
  }
  check("desk: u takes them back one by one", [await said(0), await said(1), await said(2)].join("|") === before.join("|"));
  check("desk: the note of the first comes back with it", (await page.evaluate(() => document.getElementById("note").value)) === "seen by 1 key u q");
  await page.evaluate(() => { document.getElementById("note").value = ""; });
  const order = await page.evaluate(() => [".mast .verdict b", ".desk-faults .verdict b"].map((w) => [...document.querySelectorAll(w)].map((b) => b.textContent).join()));
  check(`desk: the keys go in the order of the verdicts above (${order[0]})`, order[0] === order[1]);
  await page.evaluate(() => window.scrollTo(0, 0));
  const hidden = await page.evaluate(() => [...document.querySelectorAll("[data-step], [data-time], [data-rate], [data-fault]:first-child button")].filter((b) => b.getBoundingClientRect().bottom > window.innerHeight).map((b) => b.textContent));
  check(`desk: at 1280 × 900 steps, jumps, speeds and the first verdict are in sight (${hidden.join(", ") || "all"})`, hidden.length === 0);
  await page.evaluate(() => window.scrollTo(0, document.body.scrollHeight));
  await page.keyboard.press("1");
  await status("Kept");
  const seen = await page.evaluate(() => { const r = document.querySelector("[data-key=\"1\"]").closest("[data-fault]").getBoundingClientRect(); return r.top >= 0 && r.bottom <= window.innerHeight; });
  check("desk: the verdict that a key judges comes into view", seen);
  await page.keyboard.press("u");
  await status("Taken back");
  for (const [key, rate] of [["x", 0.5], ["z", 0.25], ["v", 1]]) {
    await page.keyboard.press(key);
    check(`desk: ${key} plays at ${rate} of the speed`, (await page.evaluate(() => document.getElementById("film").playbackRate)) === rate && (await page.evaluate((k) => document.querySelector(`[data-key="${k}"]`).getAttribute("aria-pressed"), key)) === "true");
  }
  const time = () => page.evaluate(() => document.getElementById("film").currentTime);
  const settled = () => page.waitForFunction(() => !document.getElementById("film").seeking, null, { timeout: 5000 });
  for (const key of ["a", "t", "i"]) {
    const wanted = await page.evaluate((k) => Number(document.querySelector(`[data-key="${k}"]`)?.dataset.time), key);
    await page.keyboard.press(key);
    await settled();
    check(`desk: ${key} jumps to ${wanted.toFixed(3)} s`, Math.abs((await time()) - wanted) < 0.02);
  }
  const interval = await page.evaluate(() => Number(document.getElementById("desk").dataset.interval));
  // the strike lies between two pictures: from one of them on
  await page.keyboard.press(".");
  await settled();
  const from = await time();
  await page.keyboard.press(".");
  await settled();
  const on = (await time()) - from;
  await page.keyboard.press(",");
  await settled();
  check(`desk: . goes one frame on (${(on * 1000).toFixed(1)} of ${(interval * 1000).toFixed(1)} ms) and , back`, Math.abs(on - interval) < interval / 2 && Math.abs((await time()) - from) < interval / 2);
  await page.keyboard.press("Space");
  const playing = await page.waitForFunction(() => !document.getElementById("film").paused, null, { timeout: 3000 }).then(() => true, () => false);
  await page.keyboard.press("Space");
  check("desk: space plays and pauses", playing && (await page.evaluate(() => document.getElementById("film").paused)));
  await context.close();
  return failed;
}
