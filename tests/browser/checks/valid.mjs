// Pages against the HTML standard, by html-validate with its own rules for the standard and for
// accessibility. Rules of taste about how markup is written are left out, each with its reason.

import { createRequire } from "node:module";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const require = createRequire(join(process.cwd(), "package.json"));
const { HtmlValidate } = await import(pathToFileURL(require.resolve("html-validate")).href);

const validator = new HtmlValidate({
  root: true,
  extends: ["html-validate:standard", "html-validate:a11y"],
  rules: {
    // Charts place and colour their parts one by one, with values that come from the data.
    "no-inline-style": "off",
    // Said of the file as it is, which nobody writes by hand.
    "no-trailing-whitespace": "off",
    "attribute-empty-style": "off",
    "void-style": "off",
    "doctype-style": "off",
    // Names of weeks and sessions are long, and the standard sets no limit.
    "long-title": "off",
  },
});

export async function breaches(file) {
  const report = await validator.validateFile(file);
  return report.results.flatMap((result) =>
    result.messages
      .filter((m) => m.severity >= 2)
      .map((m) => `line ${m.line}: ${m.message} (${m.ruleId})`),
  );
}
