// Opens every report in Chromium as a reader would, at a desk (1280 px), on a tablet (768 px), on
// a phone (390 px) and on paper (A4 and Letter), and refuses what a reader would: errors, calls
// to the network, sideways scrolling, charts without a name, writing that is too faint, cut off
// or on top of other writing, charts cut by the end of a page, HTML that is none, and what the
// accessibility rules of WCAG 2 at level AA refuse. Pictures and PDFs are kept to be looked at.
// It looks at whatever pages there are and knows nothing of what is on them.
//
// Usage: node look.mjs FOLDER PICTURES_FOLDER
// FOLDER holds reports, in folders of any depth. CHROMIUM names another browser than the installed
// `chromium`.

import { mkdir, readFile, readdir, stat } from "node:fs/promises";
import { createRequire } from "node:module";
import { delimiter, join, relative, resolve } from "node:path";
import { pathToFileURL } from "node:url";

import { withoutName, writingOutOfPlace } from "./checks/charts.mjs";
import { faintWriting } from "./checks/contrast.mjs";
import { printed } from "./checks/paper.mjs";
import { breaches } from "./checks/valid.mjs";

// The packages lie in the folder this is run from, not beside this file.
const require = createRequire(join(process.cwd(), "package.json"));
const { chromium } = require("playwright-core");
const axe = await readFile(require.resolve("axe-core/axe.min.js"), "utf8");

const WIDTHS = [1280, 768, 390];
// Rules of accessibility are asked at the widest and the narrowest.
const ASKED_OF_RULES = [1280, 390];
// Pages looked at side by side: one waits for the disk while another is drawn.
const AT_ONCE = 2;
// "A report is under 1 MB", decimal.
const MOST_BYTES = 1_000_000;

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
  if (problems.length > 10) console.log(`    and ${problems.length - 10} more`);
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

async function lookOnScreen(browser, folder, name, width, stem) {
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
  await page.screenshot({ path: `${stem}-${width}.png`, fullPage: true });
  check(`${label}: no errors`, errors);
  check(`${label}: calls nothing`, calls);
  const overflow = await page.evaluate(() => {
    const room = document.documentElement.clientWidth;
    const needed = document.documentElement.scrollWidth;
    return needed > room ? [`${needed} px are needed, ${room} px are there`] : [];
  });
  check(`${label}: no sideways scrolling`, overflow);
  check(`${label}: every chart has a name`, await withoutName(page));
  check(`${label}: nothing is written over another thing`, await writingOutOfPlace(page));
  check(`${label}: nothing is too faint`, await faintWriting(page));
  const text = await page.evaluate(() => document.body.innerText);
  const leaks = text.match(/\b(NaN|undefined|Infinity)\b|\[object \w+|\{\{ ?[a-z_.|]+ ?\}\}/g) ?? [];
  check(`${label}: no raw values`, leaks);
  if (ASKED_OF_RULES.includes(width)) {
    await page.evaluate(axe);
    const found = await page.evaluate(() =>
      globalThis.axe.run({ runOnly: ["wcag2a", "wcag2aa"] }),
    );
    check(
      `${label}: accessible`,
      found.violations.map((v) => `${v.id}: ${v.help}: ${v.nodes[0].html.slice(0, 160)}`),
    );
  }
  await page.close();
}

async function lookAtFile(folder, name) {
  const file = resolve(folder, name);
  const { size } = await stat(file);
  check(`${name}: is small`, size < MOST_BYTES ? [] : [`${size} bytes`]);
  check(`${name}: is HTML`, await breaches(file));
}

async function lookOnPaper(browser, folder, name, stem) {
  const page = await browser.newPage();
  await page.goto(pathToFileURL(resolve(folder, name)).href);
  for (const { format, problems } of await printed(page, stem)) {
    check(`${name} on ${format}: no chart is cut, nothing sticks out`, problems);
  }
  await page.close();
}

const [folder, pictures] = process.argv.slice(2);
if (!folder || !pictures) {
  console.error("usage: node look.mjs FOLDER PICTURES_FOLDER");
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
const waiting = [...pages];
async function lookAtSome() {
  for (let name = waiting.shift(); name; name = waiting.shift()) {
    const stem = join(pictures, name.replace(/\.html$/, "").replaceAll(/[^A-Za-z0-9-]/g, "-"));
    await lookAtFile(folder, name);
    for (const width of WIDTHS) await lookOnScreen(browser, folder, name, width, stem);
    await lookOnPaper(browser, folder, name, stem);
    console.log(`looked at ${relative(".", join(folder, name))}`);
  }
}
try {
  await Promise.all(Array.from({ length: AT_ONCE }, lookAtSome));
} finally {
  await browser.close();
}
console.log(`pictures in ${pictures}`);
console.log(`${passed} passed, ${failed} failed`);
process.exit(failed === 0 ? 0 : 1);
