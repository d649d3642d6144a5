// Checks the checks: a page that has every fault that look.mjs looks for must be refused for each of
// them, or the check of that fault sees nothing.
//
// Usage: node refused.mjs PICTURES_FOLDER

import { execFile } from "node:child_process";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const FAULTS = [
  "is HTML",
  "no errors",
  "calls nothing",
  "no sideways scrolling",
  "every chart has a name",
  "nothing is written over another thing",
  "nothing is too faint",
  "no raw values",
  "accessible",
  "on A4: no chart is cut, nothing sticks out",
  "on Letter: no chart is cut, nothing sticks out",
];
const SAID = [
  "leaves the chart by",
  "runs into",
  "in a chart, \"dark on dark\"",
  "16px text",
  "chart 1 begins on page",
  "is wider than the paper",
];

const here = dirname(fileURLToPath(import.meta.url));
const [pictures] = process.argv.slice(2);
const told = await new Promise((done) => {
  const words = [join(here, "look.mjs"), join(here, "refused"), pictures];
  execFile(process.execPath, words, (error, out) => done({ code: error?.code ?? 0, out }));
});
const refusals = told.out.split("\n").filter((line) => line.startsWith("FAILED"));
const unseen = [
  ...FAULTS.filter((fault) => !refusals.some((line) => line.endsWith(fault))),
  ...SAID.filter((words) => !told.out.includes(words)),
];
for (const fault of unseen) console.log(`FAILED not seen: ${fault}`);
if (told.code !== 1) console.log(`FAILED it ended with ${told.code}:\n${told.out}`);
const failed = unseen.length + Number(told.code !== 1);
console.log(`${FAULTS.length + SAID.length + 1 - failed} passed, ${failed} failed`);
process.exit(failed === 0 ? 0 : 1);
