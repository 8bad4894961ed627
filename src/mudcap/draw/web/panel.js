// Search, and the list of layers that is the legend as well.
const SVG = "http://www.w3.org/2000/svg";
const FOUND_AT_MOST = 12;

function findSites(text) {
  const want = text.trim().toLowerCase();
  const hits = [];
  if (!want) return hits;
  const pair = want.match(/^(?:r|row|h|hilera)?\s*(\d+)\s*[,;:/ ]?\s*(?:t|tree|a|[aá]rbol)\s*(\d+)$/) || want.match(/^(\d+)[\s,;:/]+(\d+)$/);
  const row = want.match(/^(?:r|row|h|hilera)\s*(\d+)$/);
  for (let i = 0; i < AT.length; i++) {
    const id = SITES.id[i].toLowerCase();
    let rank = -1;
    if (pair) {
      if (SITES.row[i] === Number(pair[1]) && SITES.tree[i] === Number(pair[2])) rank = 0;
    } else if (row && SITES.row[i] === Number(row[1])) rank = 2;
    else if (id === want) rank = 0;
    else if (String(SITES.number[i]) === want) rank = 1;
    else if (id.startsWith(want)) rank = 3;
    else if (DATA.blocks[SITES.block[i]][0].toLowerCase().startsWith(want)) rank = 4;
    if (rank >= 0) hits.push([rank, i]);
  }
  return hits.sort((a, b) => a[0] - b[0] || a[1] - b[1]).map((hit) => hit[1]);
}

function startSearch(choose) {
  const box = document.getElementById("search"), list = document.getElementById("found");
  always(() => {
    box.placeholder = WORDS.search;
    box.setAttribute("aria-label", WORDS.search);
  });
  const take = (i) => {
    list.hidden = true;
    choose(i);
  };
  const show = () => {
    const hits = findSites(box.value);
    list.replaceChildren();
    list.hidden = !box.value.trim();
    for (const i of hits.slice(0, FOUND_AT_MOST)) {
      const line = make("li"), block = DATA.blocks[SITES.block[i]][0];
      const button = make("button", `${SITES.number[i]} · R${SITES.row[i]} T${SITES.tree[i]} · ${block} · ${SITES.id[i]}`);
      button.type = "button";
      button.addEventListener("click", () => take(i));
      line.append(button);
      list.append(line);
    }
    const more = hits.length - FOUND_AT_MOST;
    if (!hits.length) list.append(make("p", WORDS.nothing));
    if (more > 0) list.append(make("p", fill(WORDS.more, { count: more })));
    return hits;
  };
  box.addEventListener("input", show);
  box.addEventListener("keydown", (event) => {
    if (event.key === "Escape") list.hidden = true;
    if (event.key !== "Enter") return;
    const hits = show();
    if (hits.length) take(hits[0]);
  });
}

function shape(tag, values) {
  const node = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(values)) node.setAttribute(key, value);
  return node;
}

// A picture of a style for the list of layers.
function swatch(key, isLine) {
  const style = DATA.styles[key], box = shape("svg", { viewBox: "0 0 40 28", width: 40, height: 28 });
  const paint = { stroke: style.stroke, "stroke-width": Math.max(1.2, style.width), "stroke-dasharray": style.dash };
  if (isLine) {
    box.append(shape("path", { ...paint, d: "M2 14H38", fill: "none", "stroke-width": style.width + style.casing }));
    if (style.casing) box.append(shape("path", { d: "M2 14H38", stroke: "#fff", "stroke-width": style.casing - style.width }));
    return box;
  }
  if (style.hatch || (style.fill && !style.symbol)) {
    box.append(shape("rect", { ...paint, x: 2, y: 4, width: 36, height: 20, fill: areaFill(key) }));
    return box;
  }
  if (style.symbol === "saltire") box.append(shape("path", { ...paint, d: "M13 7L27 21M13 21L27 7", fill: "none" }));
  else if (style.symbol === "ring" || style.symbol === "dot") box.append(shape("circle", { ...paint, cx: 20, cy: 14, r: 8, fill: style.fill || "none" }));
  else if (DATA.outlines[style.symbol]) {
    const points = DATA.outlines[style.symbol].map((p) => `${20 + p[0] * 10},${14 - p[1] * 10}`).join(" ");
    box.append(shape("polygon", { ...paint, points: points, fill: style.fill || "none" }));
  } else box.append(shape("path", { ...paint, d: "M2 14H38", fill: "none" }));
  if (style.symbol.startsWith("ring")) box.append(shape("circle", { cx: 20, cy: 14, r: 3 }));
  if (style.letter) {
    const letter = shape("text", { x: 20, y: 19, "text-anchor": "middle", "font-size": 13, "font-weight": 700 });
    letter.textContent = style.letter;
    box.append(letter);
  }
  return box;
}

function startLayers(groups) {
  const panel = document.getElementById("layers"), button = document.getElementById("layers-button");
  spoken(button, "layers");
  button.addEventListener("click", () => {
    panel.hidden = !panel.hidden;
    button.setAttribute("aria-expanded", String(!panel.hidden));
  });
  for (const group of [...groups].reverse()) {
    const label = make("label"), box = make("input");
    box.type = "checkbox";
    box.checked = group.shown;
    box.dataset.layer = group.key;
    box.addEventListener("change", () => group.show(box.checked));
    const name = make("span");
    always(() => (name.textContent = group.title));
    label.append(box, group.picture, name);
    panel.append(label);
  }
  startRings(panel);
  startPhoto(panel);
  startImagery(panel);
}
