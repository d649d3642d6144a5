// The contrast of every piece of writing with what is painted beneath it, in charts as well, by
// the formula of WCAG 2.2 ("relative luminance", success criterion 1.4.3, level AA): 4.5 to 1,
// or 3 to 1 for letters of 24 px and more, or bold ones of 18.66 px and more.

// Runs in the page.
function tooFaint() {
  const clear = [0, 0, 0, 0];
  const canvas = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
  const known = new Map();
  // Whatever way a colour is written, the browser paints it and the pixel is read.
  function colour(written) {
    if (!written || written === "none" || written === "transparent") return clear;
    if (!known.has(written)) {
      canvas.clearRect(0, 0, 1, 1);
      canvas.fillStyle = "#000";
      canvas.fillStyle = written;
      canvas.fillRect(0, 0, 1, 1);
      const [r, g, b, a] = canvas.getImageData(0, 0, 1, 1).data;
      known.set(written, [r, g, b, a / 255]);
    }
    return known.get(written);
  }
  const faded = ([r, g, b, a], by) => [r, g, b, a * by];
  function over(top, bottom) {
    const a = top[3] + bottom[3] * (1 - top[3]);
    if (a === 0) return clear;
    const mix = (n) => (top[n] * top[3] + bottom[n] * bottom[3] * (1 - top[3])) / a;
    return [mix(0), mix(1), mix(2), a];
  }
  function luminance([r, g, b]) {
    const [R, G, B] = [r, g, b].map((v) => {
      const s = v / 255;
      return s <= 0.04045 ? s / 12.92 : ((s + 0.055) / 1.055) ** 2.4;
    });
    return 0.2126 * R + 0.7152 * G + 0.0722 * B;
  }
  function ratio(a, b) {
    const [light, dark] = [luminance(a), luminance(b)].sort((x, y) => y - x);
    return (light + 0.05) / (dark + 0.05);
  }
  function opacity(element, until) {
    let all = 1;
    for (let e = element; e && e !== until; e = e.parentElement) all *= +getComputedStyle(e).opacity;
    return all;
  }
  // The page beneath an element: backgrounds of it and of what it stands in.
  function ground(element) {
    let seen = clear;
    for (let e = element; e && seen[3] < 1; e = e.parentElement) {
      seen = over(seen, faded(colour(getComputedStyle(e).backgroundColor), opacity(e, null)));
    }
    return over(seen, [255, 255, 255, 1]);
  }
  // Shapes of a chart that are painted before the writing and hold its middle.
  function painted(svg, text, box) {
    let seen = ground(svg);
    const [x, y] = [(box.left + box.right) / 2, (box.top + box.bottom) / 2];
    for (const { shape, rect } of shapesOf(svg)) {
      if (x < rect.left || x > rect.right || y < rect.top || y > rect.bottom) continue;
      if (!(shape.compareDocumentPosition(text) & Node.DOCUMENT_POSITION_FOLLOWING)) continue;
      const style = getComputedStyle(shape);
      const fill = faded(colour(style.fill), +style.fillOpacity * opacity(shape, svg));
      if (fill[3] === 0) continue;
      const at = new DOMPoint(x, y).matrixTransform(shape.getScreenCTM().inverse());
      if (shape.isPointInFill(at)) seen = over(fill, seen);
    }
    return seen;
  }
  const shapes = new Map();
  function shapesOf(svg) {
    if (!shapes.has(svg)) {
      const all = svg.querySelectorAll("rect,circle,ellipse,path,polygon,polyline");
      shapes.set(
        svg,
        [...all].map((shape) => ({ shape, rect: shape.getBoundingClientRect() })),
      );
    }
    return shapes.get(svg);
  }
  const problems = new Map();
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let looked = 0;
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const words = node.textContent.trim();
    const element = node.parentElement;
    if (words === "" || element.closest("style,script,title,desc")) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const box = range.getBoundingClientRect();
    const style = getComputedStyle(element);
    // For ears alone, or of the other width.
    if (box.width < 2 || box.height < 2 || style.visibility !== "visible") continue;
    const svg = element.closest("svg");
    let scale = 1;
    let under;
    let ink;
    if (svg) {
      const m = element.getScreenCTM();
      scale = Math.sqrt(Math.abs(m.a * m.d - m.b * m.c));
      under = painted(svg, element, box);
      ink = faded(colour(style.fill), +style.fillOpacity * opacity(element, null));
    } else {
      under = ground(element);
      ink = faded(colour(style.color), opacity(element, null));
    }
    looked += 1;
    const size = Number.parseFloat(style.fontSize) * scale;
    const large = size >= 24 || (size >= 18.66 && +style.fontWeight >= 700);
    const found = ratio(over(ink, under), under);
    if (found < (large ? 3 : 4.5)) {
      const what = `${found.toFixed(2)} to 1: ${style.fontSize} ${svg ? "in a chart" : "text"}`;
      if (!problems.has(what)) problems.set(what, `${what}, "${words.slice(0, 40)}"`);
    }
  }
  if (looked === 0) return ["there is nothing to read"];
  return [...problems.values()];
}

export async function faintWriting(page) {
  return page.evaluate(tooFaint);
}
