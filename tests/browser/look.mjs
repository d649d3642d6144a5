// Opens every report in Chromium as a reader would, on a desk (1280 px), on a phone (390 px)
// and on paper (A4 and Letter), and refuses what a reader would: errors, calls to the network,
// sideways scrolling, charts without a name, and what the accessibility rules of WCAG 2 at
// level AA refuse. Pictures and PDFs are kept to be looked at.
//
// Usage: node look.mjs REPORTS_FOLDER PICTURES_FOLDER
// CHROMIUM names another browser than the installed `chromium`.

import { mkdir, readFile, readdir, stat } from "node:fs/promises";
import { createRequire } from "node:module";
import { delimiter, join, relative, resolve } from "node:path";
import { pathToFileURL } from "node:url";

// The packages lie in the folder this is run from, not beside this file.
const require = createRequire(join(process.cwd(), "package.json"));
const { chromium } = require("playwright-core");
const axe = await readFile(require.resolve("axe-core/axe.min.js"), "utf8");

const WIDTHS = [1280, 390];
const PAPERS = ["A4", "Letter"];

let passed = 0;
let failed = 0;

function check(what, problems) {
  if (problems.length === 0) {
    passed += 1;
    return;
  }
  failed += 1;
  console.log(`FAILED ${what}`);
  for (const problem of problems.slice(0, 10)) console.log(`    ${problem}`);
}

async function installed(name) {
  for (const folder of (process.env.PATH ?? "").split(delimiter)) {
    const file = join(folder, name);
    if (await stat(file).then((s) => s.isFile(), () => false)) return file;
  }
  throw new Error(`${name} is not installed; tests/all installs it`);
}

async function pagesIn(folder) {
  const entries = await readdir(folder, { recursive: true });
  return entries.filter((name) => name.endsWith(".html")).sort();
}

// The name that the browser computes for assistive software, which is what counts.
async function chartsWithoutName(page) {
  const session = await page.context().newCDPSession(page);
  const nameless = [];
  const charts = await page.$$("svg");
  for (const [index, chart] of charts.entries()) {
    const hidden = await chart.evaluate(
      // A drawing for the other width is not shown and so has no name to give.
      (e) => e.closest("[aria-hidden=true]") !== null || e.getClientRects().length === 0,
    );
    if (hidden) continue;
    await chart.evaluate((e, n) => e.setAttribute("data-look", String(n)), index);
    const { result } = await session.send("Runtime.evaluate", {
      expression: `document.querySelector('svg[data-look="${index}"]')`,
    });
    const { nodes } = await session.send("Accessibility.getPartialAXTree", {
      objectId: result.objectId,
      fetchRelatives: false,
    });
    const name = nodes[0]?.name?.value ?? "";
    if (name.trim() === "") nameless.push(`svg ${index + 1} of ${charts.length} has no name`);
  }
  return nameless;
}

async function lookOnScreen(browser, folder, name, width, pictures) {
  const page = await browser.newPage({ viewport: { width, height: 900 } });
  const errors = [];
  const calls = [];
  page.on("console", (m) => m.type() === "error" && errors.push(m.text()));
  page.on("pageerror", (e) => errors.push(e.message));
  const own = pathToFileURL(resolve(folder, name)).href;
  page.on("request", (r) => {
    if (r.url() !== own && !r.url().startsWith("data:")) calls.push(r.url());
  });
  await page.goto(own, { waitUntil: "load" });
  const label = `${name} at ${width} px`;
  const stem = join(pictures, `${name.replaceAll(/[^A-Za-z0-9-]/g, "-")}-${width}`);
  await page.screenshot({ path: `${stem}.png`, fullPage: true });
  check(`${label}: no errors`, errors);
  check(`${label}: calls nothing`, calls);
  const overflow = await page.evaluate(() => {
    const room = document.documentElement.clientWidth;
    const needed = document.documentElement.scrollWidth;
    return needed > room ? [`${needed} px are needed, ${room} px are there`] : [];
  });
  check(`${label}: no sideways scrolling`, overflow);
  check(`${label}: every chart has a name`, await chartsWithoutName(page));
  const text = await page.evaluate(() => document.body.innerText);
  const leaks = ["NaN", "undefined", "Infinity", "{{", "}}", "[object"].filter((l) => text.includes(l));
  check(`${label}: no raw values`, leaks);
  await page.evaluate(axe);
  const found = await page.evaluate(() =>
    globalThis.axe.run({ runOnly: ["wcag2a", "wcag2aa"] }),
  );
  check(
    `${label}: accessible`,
    found.violations.map((v) => `${v.id}: ${v.help}: ${v.nodes[0].html.slice(0, 160)}`),
  );
  await page.close();
}

async function lookOnPaper(browser, folder, name, pictures) {
  const page = await browser.newPage();
  await page.goto(pathToFileURL(resolve(folder, name)).href);
  for (const format of PAPERS) {
    const path = join(pictures, `${name.replaceAll(/[^A-Za-z0-9-]/g, "-")}-${format}.pdf`);
    const pdf = await page.pdf({ path, format });
    check(`${name} on ${format}: prints`, pdf.length > 1000 ? [] : ["the file is empty"]);
  }
  await page.close();
}

const [folder, pictures] = process.argv.slice(2);
if (!folder || !pictures) {
  console.error("usage: node look.mjs REPORTS_FOLDER PICTURES_FOLDER");
  process.exit(2);
}
await mkdir(pictures, { recursive: true });
const pages = await pagesIn(folder);
check("there are reports", pages.length > 0 ? [] : [`none in ${folder}`]);
const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? (await installed("chromium")),
  // A container has no sandbox of its own to give.
  args: ["--no-sandbox", "--disable-gpu"],
});
try {
  for (const name of pages) {
    for (const width of WIDTHS) await lookOnScreen(browser, folder, name, width, pictures);
    await lookOnPaper(browser, folder, name, pictures);
    console.log(`looked at ${relative(".", join(folder, name))}`);
  }
} finally {
  await browser.close();
}
console.log(`pictures in ${pictures}`);
console.log(`${passed} passed, ${failed} failed`);
process.exit(failed === 0 ? 0 : 1);
