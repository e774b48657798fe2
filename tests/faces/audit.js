// What can be computed of a page's fitness for everybody. Contrast after WCAG 2.2, "relative luminance" and success
// criterion 1.4.3; headings after its technique G141; names after criterion 4.1.2.
(() => {
  const found = [];
  const parse = (colour) => {
    const parts = colour.match(/[\d.]+/g).map(Number);
    return { rgb: parts.slice(0, 3), alpha: parts.length > 3 ? parts[3] : 1 };
  };
  const luminance = (rgb) => {
    const [r, g, b] = rgb.map((part) => part / 255).map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const over = (top, below) => top.rgb.map((part, place) => part * top.alpha + below[place] * (1 - top.alpha));
  const backgroundOf = (element) => {
    const layers = [];
    for (let at = element; at; at = at.parentElement) layers.push(parse(getComputedStyle(at).backgroundColor));
    const canvas = matchMedia("(prefers-color-scheme: dark)").matches ? [18, 18, 18] : [255, 255, 255];
    return layers.reverse().reduce((below, layer) => over(layer, below), canvas);
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let texts = 0;
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    const text = walker.currentNode.nodeValue.trim();
    if (!text || !element.checkVisibility() || element.closest("title, desc, noscript, .hidden, .skip")) continue;
    const style = getComputedStyle(element);
    const isDrawn = element instanceof SVGElement;
    const box = isDrawn && element.previousElementSibling?.closest("g.corner")?.querySelector("rect");
    const colour = parse(isDrawn ? style.fill : style.color);
    const background = box ? over(parse(getComputedStyle(box).fill), backgroundOf(element)) : backgroundOf(element);
    const [one, other] = [luminance(over(colour, background)), luminance(background)];
    const contrast = (Math.max(one, other) + 0.05) / (Math.min(one, other) + 0.05);
    const size = parseFloat(style.fontSize);
    const isLarge = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    texts += 1;
    if (contrast < (isLarge ? 3 : 4.5)) found.push(`contrast ${contrast.toFixed(2)}: ${text}`);
  }
  if (texts < 20) found.push(`only ${texts} texts`);
  if (document.documentElement.scrollWidth > innerWidth) found.push(`wider than the screen: ${document.documentElement.scrollWidth}`);
  let level = 0;
  for (const heading of document.querySelectorAll("h1, h2, h3, h4")) {
    const next = Number(heading.tagName[1]);
    if (next > level + 1) found.push(`heading ${heading.textContent} skips a level`);
    level = next;
  }
  if (document.querySelectorAll("h1").length !== 1) found.push("not one h1");
  for (const landmark of ["body > header", "nav[aria-label]", "main", "body > footer"]) {
    if (document.querySelectorAll(landmark).length !== 1) found.push(`not one ${landmark}`);
  }
  for (const drawing of document.querySelectorAll("svg")) {
    const isHidden = drawing.getAttribute("aria-hidden") === "true";
    if (!isHidden && !(drawing.getAttribute("role") === "img" && drawing.querySelector("title")?.textContent)) {
      found.push("a drawing without a name");
    }
  }
  for (const table of document.querySelectorAll("table")) if (!table.querySelector("thead th, tbody th[scope=row]")) found.push("a table without headers");
  const names = [...document.querySelectorAll("[id]")].map((element) => element.id);
  if (new Set(names).size !== names.length) found.push(`an id twice among ${names}`);
  if (!document.documentElement.lang || !document.title) found.push("no language or no title");
  for (const scroller of document.querySelectorAll(".wide")) {
    if (scroller.scrollWidth > scroller.clientWidth && scroller.tabIndex < 0 && !scroller.querySelector("a, button")) {
      found.push("a part that scrolls and cannot be reached by keyboard");
    }
  }
  return found;
})();
