// Reports on paper: printed to A4 and Letter, no chart may be cut by the end of a page, and
// nothing may stick out of the paper. Where a chart came to lie is read from the PDF itself:
// every chart is given two marks too pale to see, at its top and its foot.

import { execFile } from "node:child_process";
import { readFile, rm } from "node:fs/promises";
import { promisify } from "node:util";

const run = promisify(execFile);

export const PAPERS = ["A4", "Letter"];
const WIDTH_PT = { A4: 595.3, Letter: 612 };
// The narrower paper without the margins that the page asks for, CSS px.
const COLUMN_PX = Math.floor(((210 - 2 * 13) / 25.4) * 96);

// Marks are written as text, since that is what a PDF tells the place of.
async function mark(page) {
  return page.evaluate(() => {
    const charts = [...document.querySelectorAll("svg")].filter(
      (svg) => svg.closest("[aria-hidden=true]") === null,
    );
    charts.forEach((svg, n) => {
      const [x, y, wide, high] = (svg.getAttribute("viewBox") ?? "0 0 10 10")
        .split(/[\s,]+/)
        .map(Number);
      for (const [name, at] of [["top", y + 1], ["foot", y + high - 0.5]]) {
        const text = document.createElementNS("http://www.w3.org/2000/svg", "text");
        text.setAttribute("x", String(x + wide * 0.004));
        text.setAttribute("y", String(at));
        text.setAttribute("style", "font:3px monospace;fill:#000;fill-opacity:0.01;stroke:none");
        text.textContent = `mark${n}${name}`;
        svg.append(text);
      }
    });
    return charts.length;
  });
}

// Pages of the PDF with the words on each and how far right they reach, points.
async function wordsByPage(pdf) {
  const boxes = `${pdf}.html`;
  await run("pdftotext", ["-bbox", pdf, boxes]);
  const text = await readFile(boxes, "utf8");
  await rm(boxes);
  return text.split("<page ").slice(1).map((page) => ({
    words: [...page.matchAll(/<word [^>]*xMax="([\d.]+)"[^>]*>([^<]*)<\/word>/g)].map((m) => ({
      right: Number(m[1]),
      word: m[2],
    })),
  }));
}

// What is wider than the paper. Chromium shrinks everything until the widest fits, and one table
// then makes all writing too small to read.
async function tooWide(page) {
  const size = page.viewportSize();
  await page.setViewportSize({ width: COLUMN_PX, height: 1000 });
  await page.emulateMedia({ media: "print" });
  const wide = await page.evaluate((column) =>
    [...document.querySelectorAll("body *")]
      .filter((e) => e.closest("svg") === null && e.closest(".sr") === null)
      .filter((e) => e.getBoundingClientRect().right > column + 1)
      .map((e) => `${e.localName} "${e.textContent.trim().slice(0, 40)}" is wider than the paper`),
    COLUMN_PX);
  await page.emulateMedia({ media: null });
  await page.setViewportSize(size);
  return wide.slice(0, 3);
}

// Prints a page to both papers and says what is wrong with each.
export async function printed(page, stem) {
  const wide = await tooWide(page);
  const charts = await mark(page);
  const found = [];
  for (const format of PAPERS) {
    const pdf = `${stem}-${format}.pdf`;
    await page.pdf({ path: pdf, format });
    const pages = await wordsByPage(pdf);
    const problems = [...wide];
    if (pages.length === 0) problems.push("it has no page");
    const on = new Map();
    pages.forEach(({ words }, number) => {
      for (const { word, right } of words) {
        // Writing beside a mark may be taken for the same word.
        const m = /mark(\d+)(top|foot)/.exec(word);
        if (m) on.set(`${m[1]}${m[2]}`, number + 1);
        else if (right > WIDTH_PT[format] + 0.5) {
          problems.push(`page ${number + 1}: "${word}" sticks out of the paper`);
        }
      }
    });
    let seen = 0;
    for (let n = 0; n < charts; n += 1) {
      const [top, foot] = [on.get(`${n}top`), on.get(`${n}foot`)];
      // A drawing for the phone alone is on no page.
      if (top === undefined && foot === undefined) continue;
      seen += 1;
      if (top !== foot) problems.push(`chart ${n + 1} begins on page ${top} and ends on ${foot}`);
    }
    if (charts > 0 && seen === 0) problems.push("no chart was found on any page");
    found.push({ format, pages: pages.length, charts: seen, problems });
  }
  return found;
}
