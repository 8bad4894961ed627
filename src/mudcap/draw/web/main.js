// Puts the layers on the map that folium has made, and ties map, card and search together.
const map = window[document.querySelector(".folium-map").id];
map.createPane("points").style.zIndex = 450;
map.getPane("points").style.pointerEvents = "none";
const drawing = L.svg({ padding: 0.5 });
const hatches = new Set();
const MANY = new Set(["row", "catchment", "spray_alley", "puddle_link"]);
const ROWS_FROM_PX = 9; // rows are left out where sites stand nearer than this on screen

function hatchLines(kind, s) {
  const h = s / 2;
  switch (kind) {
    case "diagonal": return `M0 ${s}L${s} 0M${-h} ${h}L${h} ${-h}M${h} ${s + h}L${s + h} ${h}`;
    case "counter": return `M0 0L${s} ${s}M${-h} ${h}L${h} ${s + h}M${h} ${-h}L${s + h} ${h}`;
    case "cross": return `M0 ${s}L${s} 0M0 0L${s} ${s}`;
    case "horizontal": return `M0 ${h}H${s}`;
    case "vertical": return `M${h} 0V${s}`;
    default: return `M${h - 0.8} ${h}a.8 .8 0 1 0 1.6 0a.8 .8 0 1 0 -1.6 0`;
  }
}

// Hatched areas are told apart without colour; the patterns live in one hidden picture.
function areaFill(key) {
  const style = DATA.styles[key];
  if (!style.hatch) return style.fill || "none";
  if (!hatches.has(key)) {
    hatches.add(key);
    let store = document.getElementById("hatches");
    if (!store) {
      store = shape("svg", { id: "hatches", width: 0, height: 0, "aria-hidden": "true" });
      store.style.position = "absolute";
      document.body.append(store);
    }
    const s = style.step * 1.2;
    const pattern = shape("pattern", { id: "hatch-" + key, width: s, height: s, patternUnits: "userSpaceOnUse" });
    pattern.append(shape("rect", { width: s, height: s, fill: style.fill || "#fff" }));
    pattern.append(shape("path", { d: hatchLines(style.hatch, s), fill: "none", stroke: style.stroke, "stroke-width": 0.9 }));
    store.append(pattern);
  }
  return `url(#hatch-${key})`;
}

function paths(layer, mark) {
  const [key, label, note, , areas, lines] = mark;
  const style = DATA.styles[key], out = [];
  const talks = Boolean(label || note);
  const base = { renderer: drawing, color: style.stroke, weight: Math.max(style.width, 1), dashArray: style.dash || null, interactive: talks, lineCap: "butt" };
  if (areas.length) {
    const fillColor = areaFill(key);
    out.push(L.polygon(areas.map((a) => a.map(unpack)), { ...base, fill: fillColor !== "none", fillColor: fillColor, fillOpacity: 1 }));
  }
  if (lines.length) {
    const at = lines.map(unpack);
    if (style.casing) {
      out.push(L.polyline(at, { ...base, weight: style.casing + style.width }));
      out.push(L.polyline(at, { ...base, color: style.fill, weight: style.casing - style.width, dashArray: null }));
    } else out.push(L.polyline(at, base));
    if (talks) out.push(L.polyline(at, { renderer: drawing, weight: 24, opacity: 0, interactive: true }));
  }
  for (const path of out) path.fullWeight = path.options.weight;
  if (talks) for (const path of out) path.on("click", (event) => {
    L.DomEvent.stopPropagation(event);
    pick(event.latlng, () => showFeature(layer.title, mark[1], mark[2]));
  });
  return out;
}

// Marks of one style without words become one path: thousands of rows or catchments stay quick.
function merged(layer) {
  const by = new Map();
  for (const [i, mark] of layer.marks.entries()) {
    if (!MANY.has(mark[0])) {
      by.set(i, mark);
      continue;
    }
    if (!by.has(mark[0])) by.set(mark[0], [mark[0], "", "", -1, [], [], []]);
    by.get(mark[0])[4].push(...mark[4]);
    by.get(mark[0])[5].push(...mark[5]);
  }
  return [...by.values()];
}

function pointSet(layer) {
  const set = { key: layer.key, title: layer.title, style: [], at: [], label: [], note: [], shown: layer.shown };
  for (const mark of layer.marks) for (const at of unpack(mark[6])) {
    set.at.push(at);
    set.style.push(mark[0]);
    set.label.push(mark[1]);
    set.note.push(mark[2]);
  }
  return set;
}

function siteSet(layer) {
  const style = AT.map((_, i) => (PINNED.has(i) ? "site_pinned" : SITES.flags[i] ? "site_override" : "site"));
  return { key: "sites", title: layer.title, style: style, at: AT, label: SITES.number.map(String), note: [], shown: layer.shown };
}

const extent = (b) => (b.getEast() - b.getWest()) * (b.getNorth() - b.getSouth());

function blockNames(layer) {
  return layer.marks.map((mark) => {
    const name = make("span", mark[1]);
    const icon = L.divIcon({ html: name, className: "block-name", iconSize: [0, 0] });
    // of a block in parts the largest one carries the name
    const bounds = mark[4].map((a) => L.latLngBounds(unpack(a[0]))).reduce((a, b) => (extent(b) > extent(a) ? b : a));
    return L.marker(bounds.getCenter(), { icon: icon, interactive: false, keyboard: false, bounds: bounds, words: [mark[1], DATA.blocks[mark[3]][1]] });
  });
}

function rowNumbers() {
  const layer = DATA.layers.find((l) => l.key === "rows");
  return (layer ? layer.marks : []).flatMap((mark) => mark[5].flatMap((steps) => {
    const line = unpack(steps);
    const n = line.length - 1;
    return [[0, 1], [n, n - 1]].map(([end, next]) => ({ at: line[end], from: line[next], text: mark[1] }));
  }));
}

const sets = [];
sets.rowsShown = true;
const groups = DATA.layers.map((layer) => {
  const group = L.layerGroup(merged(layer).flatMap((mark) => paths(layer, mark)));
  const set = layer.key === "sites" ? siteSet(layer) : pointSet(layer);
  if (set.at.length) sets.push(set);
  const names = layer.key === "blocks" ? L.layerGroup(blockNames(layer)) : null;
  const first = layer.marks.find((m) => m[0] !== "setback") || layer.marks[0];
  const isLine = first ? !first[4].length && first[5].length > 0 : false;
  return {
    key: layer.key, title: layer.title, shown: layer.shown, names: names,
    picture: swatch(first ? first[0] : "site", isLine),
    show: function (on) {
      this.shown = set.shown = on;
      if (layer.key === "rows") sets.rowsShown = on;
      arrange();
      if (on) for (const g of groups) if (g.shown) g.raise();
      points.redraw();
    },
    slim: (share) => group.eachLayer((path) => path.options.opacity !== 0 && path.setStyle({ weight: Math.max(0.5, path.fullWeight * share) })),
    raise: () => group.eachLayer((path) => path.bringToFront()),
    switch: (on) => (on ? group.addTo(map) : group.remove()),
  };
});
const points = new PointCanvas(sets, rowNumbers());

// What is on the map follows the switches and the zoom.
function arrange() {
  const gap = points.gap * Math.pow(2, map.getZoom()), share = points.size();
  for (const group of groups) {
    group.switch(group.shown && (group.key !== "rows" || !gap || gap >= ROWS_FROM_PX));
    group.slim(share);
  }
  nameBlocks();
}

function nameBlocks() {
  const gap = points.gap * Math.pow(2, map.getZoom());
  for (const group of groups.filter((g) => g.names)) {
    if (group.shown && gap < LABEL_GAP_PX) thinNames(group.names.addTo(map).getLayers());
    else group.names.remove();
  }
}

// Where block names run into one another, those wider than their blocks give way to codes; what still has no room waits for a closer zoom.
function thinNames(names) {
  for (const name of names) name.getElement().firstChild.textContent = name.options.words[0];
  if (placeNames(names)) return;
  for (const name of names) {
    const label = name.getElement(), b = name.options.bounds;
    const wide = map.latLngToContainerPoint(b.getNorthEast()).x - map.latLngToContainerPoint(b.getSouthWest()).x;
    label.hidden = false;
    if (label.firstChild.offsetWidth > wide) label.firstChild.textContent = name.options.words[1];
  }
  placeNames(names);
}

// Whether all found room whose block has its middle on the screen; one that would run over the map's edge moves in, in two lines if need be.
function placeNames(names) {
  const size = map.getSize();
  for (const name of names) {
    name.getElement().hidden = false;
    Object.assign(name.getElement().firstChild.style, { marginLeft: "", maxWidth: size.x - 16 + "px" });
  }
  const boxes = names.map((name) => name.getElement().firstChild).map((node) => [node.offsetWidth / 2 + 2, node.offsetHeight / 2]), placed = [];
  let all = true;
  names.forEach((name, k) => {
    const at = map.latLngToContainerPoint(name.getLatLng()), [half, tall] = boxes[k];
    const isSeen = at.x > 0 && at.x < size.x;
    const middle = Math.max(half + 4, Math.min(size.x - half - 4, at.x));
    name.getElement().firstChild.style.marginLeft = Math.round(middle - at.x) + "px";
    const box = [middle - half, at.y - tall, middle + half, at.y + tall];
    const meets = isSeen && placed.some((b) => box[0] < b[2] && b[0] < box[2] && box[1] < b[3] && b[1] < box[3]);
    name.getElement().hidden = meets || !isSeen;
    if (meets) all = false;
    else if (isSeen) placed.push(box);
  });
  return all;
}

function pick(latlng, otherwise) {
  const hit = points.nearest(latlng, 26);
  leaving(() => {
    if (hit && hit.set.key === "sites") return choose(hit.index, false);
    if (hit && hit.set.key === "excluded") return showFeature(WORDS.excluded, hit.set.label[hit.index], "");
    if (hit) return showFeature(hit.set.title, hit.set.label[hit.index], hit.set.note[hit.index]);
    return otherwise ? otherwise() : closeCard();
  });
}

let ground = null;
function choose(i, move) {
  showSite(i);
  points.picked = points.sets.find((s) => s.key === "sites").world[i];
  if (ground) ground.remove();
  const cells = DATA.layers.find((l) => l.key === "catchments");
  const cell = cells ? cells.marks.find((m) => m[3] === i) : null;
  ground = cell ? L.polygon(cell[4].map((a) => a.map(unpack)), { renderer: drawing, color: "#00558f", weight: 3, fill: false, interactive: false }).addTo(map) : null;
  drawRings(i);
  if (move) map.setView(AT[i], Math.max(map.getZoom(), 19), { animate: false });
  if (crew.on) clearOfCard();
  points.redraw();
}

// On a phone the form covers the lower part of the map: the site moves up from under it.
function clearOfCard() {
  const size = map.getSize(), covered = cardNode.getBoundingClientRect(), at = map.latLngToContainerPoint(AT[card.site]);
  const free = covered.top - map.getContainer().getBoundingClientRect().top;
  if (covered.width > size.x * 0.7 && at.y > free - 24) map.panBy([0, Math.round(at.y - Math.max(free, 80) / 2)], { animate: false });
  cardNode.querySelector("h2").focus({ preventScroll: true });
}

card.onTurn = (i) => choose(i, true);
card.onClose = () => {
  points.picked = null;
  if (ground) ground.remove();
  ground = null;
  drawRings(-1);
  points.redraw();
};
crew.goTo = (i) => choose(i, true);
crew.onChange = () => {
  document.body.classList.toggle("crew", crew.on);
  fitUnderTop();
  points.redraw();
};

// The map begins where the bars at the top end, however many of them there are.
function fitUnderTop() {
  const top = Math.round(document.getElementById("bar").parentElement.getBoundingClientRect().height) + "px";
  const root = document.documentElement.style;
  if (root.getPropertyValue("--top") === top) return;
  root.setProperty("--top", top);
  map.invalidateSize({ animate: false });
}

function niceLength(limit) {
  const power = Math.pow(10, Math.floor(Math.log10(limit)));
  return [5, 2, 1].map((k) => k * power).find((v) => v <= limit);
}

function drawScale() {
  const size = map.getSize(), y = size.y / 2;
  const metres = map.distance(map.containerPointToLatLng([0, y]), map.containerPointToLatLng([100, y])) / 100;
  for (const [id, unit, word] of [["bar-ft", 0.3048, WORDS.feet], ["bar-m", 1, WORDS.metres]]) {
    const length = niceLength((metres * 150) / unit), node = document.getElementById(id);
    node.style.width = Math.round((length * unit) / metres) + "px";
    node.firstElementChild.textContent = length.toLocaleString("en") + " " + word;
  }
}

const POSITION_MS = 60000; // a phone without signal takes long for its first fix (our choice)
let dot = null;
function watchPosition(button) {
  const on = button.getAttribute("aria-pressed") === "true";
  button.setAttribute("aria-pressed", String(!on));
  if (on) {
    map.stopLocate();
    if (dot) dot.remove();
    dot = card.here = null;
    tellPosition("");
  } else {
    tellPosition(WORDS.seeking);
    map.locate({ watch: true, enableHighAccuracy: true, timeout: POSITION_MS, maximumAge: 5000 });
  }
}

// One line under the bars, so that a form that is being filled in stays as it is.
function tellPosition(text) {
  const node = document.getElementById("position");
  node.textContent = text;
  node.hidden = !text;
  fitUnderTop();
}
map.on("locationfound", (event) => {
  const first = !card.here;
  card.here = event.latlng;
  card.within = event.accuracy;
  tellPosition("");
  if (dot) dot.remove();
  dot = L.layerGroup([
    L.circle(event.latlng, { radius: event.accuracy, renderer: drawing, color: "#00558f", weight: 2, fill: false, interactive: false }),
    L.circle(event.latlng, { radius: 1, renderer: drawing, color: "#00558f", weight: 10, interactive: false }),
  ]).addTo(map);
  if (first) map.panTo(event.latlng);
  showAway();
});
map.on("locationerror", (event) => {
  if (event.code > 1) return tellPosition(WORDS.seeking); // no fix yet or none for a while: the phone goes on seeking
  document.getElementById("here").setAttribute("aria-pressed", "false");
  map.stopLocate();
  tellPosition(event.code === 1 ? WORDS.position_denied : WORDS.no_position);
});

function tool(id, word, act) {
  const button = document.getElementById(id);
  always(() => {
    button.setAttribute("aria-label", WORDS[word]);
    button.title = WORDS[word];
  });
  button.addEventListener("click", () => act(button));
}

document.getElementById("title").textContent = DATA.title;
always(() => (document.getElementById("plan").textContent = [fill(WORDS.plan, { number: DATA.number }), DATA.date].filter(Boolean).join(" · ")));
always(() => {
  const warning = document.getElementById("warning");
  warning.textContent = DATA.warning ? WORDS.attention + ": " + DATA.warning : "";
  warning.hidden = !DATA.warning;
});
const fit = () => map.fitBounds(DATA.bounds, { paddingTopLeft: [64, 16], paddingBottomRight: [16, 32], animate: false });
// A round opens on the way of the day that is shown.
function fitRoute() {
  const route = DATA.layers.find((layer) => layer.key.startsWith("round-") && layer.shown);
  const at = route ? route.marks.flatMap((mark) => mark[5].flatMap(unpack)) : [];
  if (at.length > 1) map.fitBounds(at, { paddingTopLeft: [64, 16], paddingBottomRight: [16, 32], animate: false });
}
tool("closer", "closer", () => map.zoomIn());
tool("wider", "wider", () => map.zoomOut());
tool("fit", "fit", fit);
tool("here", "here", watchPosition);
document.addEventListener("keydown", (event) => event.key === "Escape" && leaving(closeCard));

fitUnderTop();
map.invalidateSize({ animate: false });
map.attributionControl.setPrefix("Leaflet"); // no link: it would lead away from a page that may not come back without signal
always(() => map.getContainer().setAttribute("aria-label", WORDS.map_name));
spoken(document.getElementById("print-note"), "print_note");
fit();
fitRoute();
points.addTo(map);
arrange();
startLayers(groups);
startChecks();
startTongues();
window.addEventListener("resize", fitUnderTop);
startSearch((i) => leaving(() => choose(i, true)), (set, k) => leaving(() => {
  map.setView(set.at[k], Math.max(map.getZoom(), 19), { animate: false });
  showFeature(set.title, set.label[k], set.note[k]);
}));
map.on("click", (event) => {
  closePanels();
  pick(event.latlng, null);
});
map.on("moveend", drawScale);
map.on("moveend", nameBlocks);
map.on("zoomend", arrange);
drawScale();
