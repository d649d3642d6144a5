// Makes the books whose reports the browser looks at, each with `pourbook` as a user would: the
// invented shop of half a year, its first week, the same shop in °F, and the same with hostile
// text wherever a person can write something.
//
// Usage: node books.mjs POURBOOK FOLDER

import { execFile } from "node:child_process";
import { cp, mkdir, readFile, readdir, rm, writeFile } from "node:fs/promises";
import { join } from "node:path";
import { promisify } from "node:util";

const [program, folder] = process.argv.slice(2);
if (!program || !folder) {
  console.error("usage: node books.mjs POURBOOK FOLDER");
  process.exit(2);
}

const execute = promisify(execFile);
async function pourbook(...words) {
  await execute(program, words, { maxBuffer: 1 << 26 });
}

// Weeks and sessions that have a report, oldest first.
async function reportsOf(book, below = "") {
  const names = await readdir(join(book, "reports", below));
  return names
    .filter((name) => name.endsWith(".html") && name !== "index.html")
    .map((name) => name.slice(0, -".html".length))
    .sort();
}

// A copy of a book without its reports, its configuration changed.
async function copy(from, name, change) {
  const book = join(folder, name);
  await cp(from, book, { recursive: true });
  await rm(join(book, "reports"), { recursive: true });
  const toml = join(book, "pourbook.toml");
  await writeFile(toml, change(await readFile(toml, "utf8")));
  return book;
}

// The Wednesday of a week.
function dayIn(week) {
  const [year, number] = week.split("-W").map(Number);
  const fourth = new Date(Date.UTC(year, 0, 4));
  const monday = fourth.getTime() - ((fourth.getUTCDay() + 6) % 7) * 86_400_000;
  return new Date(monday + ((number - 1) * 7 + 2) * 86_400_000).toISOString().slice(0, 10);
}

const HOSTILE = [
  "<script>alert(1)</script>",
  '"><img src=x onerror=alert(1)>',
  "</title></style></svg><h1>gone</h1>",
  "'; DROP TABLE flasks; -- {{ 7 * 7 }} {% raw %}",
  "\u202Etfel ot thgir\u202C \u2066nested\u2069 \u200F",
  "💍🔥👩🏽‍🏭 ﷽ Z͑ͫ̓ͪ̂ͫ̽͏̴̙̤̞͉͚̯̞̠͍A̴̵̜̰͔ͫ͗͢L̠ͨͧͩ͘G̴̻͈͍͔̹̑͗̎̅͛́Ǫ̵̹̻̝̳͂̌̌͘!͖̬̰̙̗̿̋ͥͥ̂ͣ̐́́͜͞",
  "W".repeat(10_000),
  "&lt;b&gt; &amp;amp; &#60; %3Cscript%3E",
];

async function hostile(book, week) {
  const cell = (text) => `"${text.replaceAll('"', '""')}"`;
  const day = dayIn(week);
  const rows = HOSTILE.map((text, n) => {
    const pieces = 12 + n;
    const bad = n % 2 === 0 ? pieces - 2 : 1;
    const section = ["thin", "medium", "heavy"][n % 3];
    const own = [text, `${day}T1${n % 10}:00`, "bench-1", text, section, text, text];
    return [...own.map(cell), pieces, bad, bad, 955 + 3 * n, 550, 88].join(",");
  });
  const head =
    "flask,cast_at,machine,alloy,section,pattern,note,pieces,defective,defective_steering," +
    "pour_temperature [Cel],flask_temperature [Cel],vacuum [kPa]";
  const file = join(folder, "hostile.csv");
  await writeFile(file, `${head}\n${rows.join("\n")}\n`);
  await pourbook("import", "castings", file, "--book", book);
}

await rm(folder, { recursive: true, force: true });
await mkdir(folder, { recursive: true });
const year = join(folder, "half-a-year");
await pourbook("demo", "--book", year);
await pourbook("demo", "--weeks", "1", "--book", join(folder, "first-week"));
const week = (await reportsOf(year)).pop();
const session = (await reportsOf(year, "sessions")).pop();

const fahrenheit = await copy(year, "fahrenheit", (toml) =>
  toml.replace('units = "metric"', 'units = "us"'),
);
const name = HOSTILE[1].replaceAll("\\", "\\\\").replaceAll('"', '\\"');
const bad = await copy(year, "hostile", (toml) =>
  toml.replace(/^name = ".*"$/m, `name = "${name}"`),
);
await hostile(bad, week);
for (const book of [fahrenheit, bad]) {
  await pourbook("report", "--book", book, "--week", week);
  await pourbook("report", "--book", book, "--session", session);
}
console.log(`books in ${folder}`);
