// usage: node main.mjs SHEET_FOLDER DESK_ADDRESS
import { readFileSync, readdirSync } from "node:fs";
import { createRequire } from "node:module";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";
import { keyboard } from "./keyboard.mjs";
import { marks } from "./marks.mjs";

const [sheet, desk] = process.argv.slice(2);
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const file = (...below) => pathToFileURL(join(resolve(sheet), ...below)).href;
const inside = (folder) => readdirSync(join(sheet, folder)).filter((n) => n.endsWith(".html")).map((n) => [`${folder}/${n}`, file(folder, n)]);
const base = new URL(desk).origin;
// of the clips those that the sheet shows in front, and one of the earlier ones: the others are made alike
const index = readFileSync(join(sheet, "index.html"), "utf8");
const [front, earlier] = index.split("id=\"earlier\"");
const linked = (text) => new Set([...(text ?? "").matchAll(/href="(clip\/[^"#]+)/g)].map((m) => m[1]));
const wanted = new Set([...linked(front), ...[...linked(earlier)].slice(0, 1)]);
const clips = inside("clip").filter(([name]) => wanted.has(name));
const nights = ["index.html", "students.html"];
const pages = [
  ...nights.map((name) => [name, file(name)]),
  ...clips,
  ...inside("student"),
  ...nights.map((name) => [`desk ${name}`, `${base}/sheet/${name}`]),
  ...clips.map(([name]) => [`desk ${name}`, `${base}/sheet/${name}`]),
  ["ruler", `${base}/ruler/index.html`],
  ["limits", `${base}/limits/index.html`],
  ...clips.slice(0, 2).map(([name]) => [`ruler ${name}`, `${base}/ruler/${name}`]),
];

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
  ],
});
const counts = { critical: 0, serious: 0, moderate: 0, minor: 0 };
const found = new Map();
let runs = 0;
// a width changes the places and a scheme the colours: each is seen once with every page
for (const [width, colorScheme] of [[1280, "light"], [360, "dark"]]) {
  const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme });
  const page = await context.newPage();
  await page.goto(desk);
  await page.waitForURL("**/sheet/index.html");
  for (const [name, address] of pages) {
    await page.goto(address);
    await page.evaluate(axe);
    const result = await page.evaluate(() => window.axe.run(document, { resultTypes: ["violations"] }));
    runs += 1;
    for (const v of result.violations) {
      counts[v.impact] += 1;
      const key = `${v.impact}\t${v.id}: ${v.help}`;
      const where = `${name}, ${width} wide, ${colorScheme}: ${v.nodes.map((n) => n.target.join(" ")).slice(0, 3).join(" | ")}`;
      found.set(key, [...(found.get(key) ?? []), where]);
    }
    const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    if (over > 0) {
      counts.serious += 1;
      found.set("serious\tscrolls sideways", [...(found.get("serious\tscrolls sideways") ?? []), `${name}, ${width} wide: ${over} px`]);
    }
  }
  await context.close();
}
const order = Object.keys(counts);
for (const [what, where] of [...found].sort((a, b) => order.indexOf(a[0].split("\t")[0]) - order.indexOf(b[0].split("\t")[0]))) {
  console.log(what);
  where.slice(0, 4).forEach((w) => console.log(`\t\t${w}`));
  if (where.length > 4) console.log(`\t\tand ${where.length - 4} more`);
}
console.log(`${runs} pages looked at: ${order.map((i) => `${counts[i]} ${i}`).join(", ")}`);
const failed = (await keyboard(browser, pages, desk)) + (await marks(browser, desk));
await browser.close();
process.exit(counts.critical + counts.serious + failed > 0 ? 1 : 0);
