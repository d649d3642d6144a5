// What is asked of every chart: a name for whoever cannot see it, and writing that neither
// leaves the drawing nor runs into other writing.

// The name that the browser computes for assistive software, which is what counts.
export async function withoutName(page) {
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
  await session.detach();
  return nameless;
}

// Runs in the page. Boxes are those of the glyphs as they are on the screen, so that scaling,
// turning and nesting are all in them.
function badlySet() {
  // Glyph boxes hold the room above and below the letters as well; so much may meet unseen.
  const SLACK = 0.22;
  const problems = [];
  const named = (svg) =>
    (svg.querySelector("title")?.textContent ?? svg.id ?? "chart").trim().slice(0, 50);
  const shown = (text) => `"${text.textContent.trim().slice(0, 40)}"`;
  for (const svg of document.querySelectorAll("svg")) {
    if (svg.getClientRects().length === 0) continue;
    const room = svg.getBoundingClientRect();
    const texts = [];
    for (const text of svg.querySelectorAll("text")) {
      if (text.textContent.trim() === "") continue;
      const style = getComputedStyle(text);
      if (style.visibility === "hidden" || style.opacity === "0") continue;
      const box = text.getBoundingClientRect();
      if (box.width > 0 && box.height > 0) texts.push({ text, box, turned: turned(text) });
    }
    for (const { text, box } of texts) {
      const over = Math.max(
        room.left - box.left,
        box.right - room.right,
        room.top - box.top - box.height * SLACK,
        box.bottom - room.bottom - box.height * SLACK,
      );
      if (over > 0.75) {
        problems.push(`${named(svg)}: ${shown(text)} leaves the chart by ${over.toFixed(1)} px`);
      }
    }
    for (let i = 0; i < texts.length; i += 1) {
      for (let j = i + 1; j < texts.length; j += 1) {
        const [a, b] = [texts[i], texts[j]];
        const wide = Math.min(a.box.right, b.box.right) - Math.max(a.box.left, b.box.left);
        const high = Math.min(a.box.bottom, b.box.bottom) - Math.max(a.box.top, b.box.top);
        const line = Math.min(thickness(a), thickness(b)) * SLACK;
        const slackWide = a.turned || b.turned ? line : 0.75;
        const slackHigh = line;
        if (wide > slackWide && high > slackHigh) {
          problems.push(`${named(svg)}: ${shown(a.text)} runs into ${shown(b.text)}`);
        }
      }
    }
  }
  return problems;

  function turned(text) {
    const m = text.getScreenCTM();
    return Math.abs(m.b) > 1e-3 || Math.abs(m.c) > 1e-3;
  }
  function thickness({ box, turned }) {
    return turned ? Math.min(box.width, box.height) : box.height;
  }
}

export async function writingOutOfPlace(page) {
  return page.evaluate(badlySet);
}
