// Search, and the list of layers that is the legend as well.
const SVG = "http://www.w3.org/2000/svg";
const FOUND_AT_MOST = 12;

// The words of a query that name a block, and the number beside them: "noria 72", "72 noria".
function blockAndNumber(want) {
  const last = want.match(/^(.*\D.*?)\s+(\d+)$/), first = want.match(/^(\d+)\s+(.*\D.*)$/), out = [];
  if (last) out.push({ name: last[1].trim(), number: last[2] });
  if (first) out.push({ name: first[2].trim(), number: first[1] });
  return out;
}

function rowAndTree(want) {
  const pair = want.match(/^(?:r|row|h|hilera)?\s*(\d+)\s*[,;:/ ]?\s*(?:t|tree|a|[aá]rbol)\s*(\d+)$/) || want.match(/^(\d+)[\s,;:/]+(\d+)$/);
  return pair ? [Number(pair[1]), Number(pair[2])] : null;
}

// Sites that a query means, the best first: {site, rank}. Of several equally good ones those in the block of the open card come first.
function findSites(text) {
  const want = text.trim().toLowerCase(), hits = [];
  if (!want) return hits;
  const pair = rowAndTree(want), row = want.match(/^(?:r|row|h|hilera)\s*(\d+)$/), both = blockAndNumber(want);
  const here = card.site < 0 ? -1 : SITES.block[card.site];
  for (let i = 0; i < AT.length; i++) {
    const id = SITES.id[i].toLowerCase(), block = DATA.blocks[SITES.block[i]][0].toLowerCase(), stop = stopOf(i);
    let rank = -1;
    if (pair) {
      if (SITES.row[i] === pair[0] && SITES.tree[i] === pair[1]) rank = 0;
    } else if (row && SITES.row[i] === Number(row[1])) rank = 3;
    else if (id === want || (stop && stop.label.toLowerCase() === want)) rank = 0;
    else if (String(SITES.number[i]) === want) rank = 1;
    else if (both.some((own) => block.startsWith(own.name) && String(SITES.number[i]) === own.number)) rank = 1;
    else if (id.slice(0, -4) + Number(id.slice(-4)) === want) rank = 2; // its name without noughts
    else if (id.startsWith(want)) rank = 4;
    else if (block.startsWith(want)) rank = 5;
    if (rank >= 0) hits.push({ site: i, rank: rank - (SITES.block[i] === here && rank < 2 ? 0.5 : 0) });
  }
  return hits.sort((a, b) => a.rank - b.rank || a.site - b.site);
}

// Named points of other layers, such as puddles.
function findPoints(text) {
  const want = text.trim().toLowerCase();
  return sets.filter((set) => set.key !== "sites" && set.key !== "excluded" && !set.key.startsWith("round-")).flatMap((set) =>
    set.label.flatMap((label, k) => (want && label.toLowerCase() === want ? [{ set: set, point: k, rank: 1 }] : [])));
}

// In each block the site nearest to a row and tree that have none, counted in rows and trees.
function nearestTo(pair) {
  const best = new Map();
  for (let i = 0; i < AT.length; i++) {
    const far = Math.hypot(SITES.row[i] - pair[0], SITES.tree[i] - pair[1]), own = best.get(SITES.block[i]);
    if (!own || far < own.rank) best.set(SITES.block[i], { site: i, rank: far });
  }
  return [...best.values()].sort((a, b) => a.rank - b.rank);
}

function startSearch(choose, show) {
  const box = document.getElementById("search"), list = document.getElementById("found");
  always(() => {
    box.placeholder = fill(WORDS.search, { example: AT.length ? `R${SITES.row[0]} T${SITES.tree[0]}` : "R1 T1" });
    box.setAttribute("aria-label", box.placeholder);
  });
  const take = (hit) => {
    list.hidden = true;
    if (hit.set) show(hit.set, hit.point);
    else choose(hit.site);
  };
  const name = (hit) => {
    if (hit.set) return `${hit.set.label[hit.point]} · ${hit.set.title}`;
    const i = hit.site, stop = stopOf(i);
    return (stop ? stop.label + " · " : "") + `${SITES.number[i]} · R${SITES.row[i]} T${SITES.tree[i]} · ${DATA.blocks[SITES.block[i]][0]} · ${SITES.id[i]}`;
  };
  const line = (hit) => {
    const item = make("li"), button = make("button", name(hit));
    button.type = "button";
    button.addEventListener("click", () => take(hit));
    item.append(button);
    return item;
  };
  const tell = () => {
    const hits = [...findSites(box.value), ...findPoints(box.value)], pair = rowAndTree(box.value.trim().toLowerCase());
    list.replaceChildren(...hits.slice(0, FOUND_AT_MOST).map(line));
    list.hidden = !box.value.trim();
    const more = hits.length - FOUND_AT_MOST;
    if (!hits.length) list.append(make("li", pair ? fill(WORDS.nearest_instead, { row: pair[0], tree: pair[1] }) : WORDS.nothing));
    if (!hits.length && pair) list.append(...nearestTo(pair).slice(0, FOUND_AT_MOST).map(line));
    if (more > 0) list.append(make("li", fill(WORDS.more, { count: more })));
    return hits;
  };
  box.addEventListener("input", tell);
  box.addEventListener("focus", () => box.value.trim() && tell());
  box.addEventListener("keydown", (event) => {
    if (event.key === "Escape") list.hidden = true;
    if (event.key !== "Enter") return;
    const hits = tell();
    if (hits.length === 1 || (hits.length && hits[0].rank < hits[1].rank)) take(hits[0]); // of several equal ones a person chooses
  });
}

function closePanels() {
  document.getElementById("found").hidden = true;
  document.getElementById("layers").hidden = true;
  document.getElementById("layers-button").setAttribute("aria-expanded", "false");
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
