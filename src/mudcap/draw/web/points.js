// One canvas for all points: thousands of sites cost no more than the pixels they cover.
const LABEL_GAP_PX = 30; // sites nearer together than this on screen are drawn without their numbers
const RING_FROM_PX = 2.5; // half-widths below this show as specks

function spacing(points) {
  if (points.length < 2) return 0;
  let west = Infinity, east = -Infinity, south = Infinity, north = -Infinity;
  for (const p of points) {
    west = Math.min(west, p.x); east = Math.max(east, p.x);
    south = Math.min(south, p.y); north = Math.max(north, p.y);
  }
  const cells = new Map();
  const side = Math.max(Math.sqrt(((east - west) * (north - south)) / points.length), 1e-9) * 2;
  for (const p of points) {
    const key = Math.floor(p.x / side) + ":" + Math.floor(p.y / side);
    if (!cells.has(key)) cells.set(key, []);
    cells.get(key).push(p);
  }
  const near = [];
  for (let i = 0; i < points.length; i += Math.ceil(points.length / 300)) {
    let best = Infinity;
    const p = points[i], cx = Math.floor(p.x / side), cy = Math.floor(p.y / side);
    for (let dx = -1; dx <= 1; dx++) for (let dy = -1; dy <= 1; dy++) {
      for (const q of cells.get((cx + dx) + ":" + (cy + dy)) || []) {
        if (q !== p) best = Math.min(best, Math.hypot(q.x - p.x, q.y - p.y));
      }
    }
    if (best < Infinity) near.push(best);
  }
  near.sort((a, b) => a - b);
  return near.length ? near[near.length >> 1] : 0;
}

function symbolPath(context, style, x, y, half) {
  context.beginPath();
  if (style.symbol === "ring" || style.symbol === "dot") {
    context.arc(x, y, half, 0, 2 * Math.PI);
  } else if (style.symbol === "saltire") {
    context.moveTo(x - half, y - half); context.lineTo(x + half, y + half);
    context.moveTo(x - half, y + half); context.lineTo(x + half, y - half);
  } else {
    const outline = DATA.outlines[style.symbol] || DATA.outlines.square;
    outline.forEach((p, i) => context[i ? "lineTo" : "moveTo"](x + p[0] * half, y - p[1] * half));
    context.closePath();
  }
}

function drawSymbol(context, style, x, y, half) {
  context.lineWidth = Math.max(1.5, Math.min(style.width, half * 0.5));
  context.strokeStyle = style.stroke;
  symbolPath(context, style, x, y, half);
  if (style.fill && style.symbol !== "saltire") {
    context.fillStyle = style.fill;
    context.fill();
  }
  context.stroke();
  if (style.symbol.startsWith("ring")) {
    context.beginPath();
    context.arc(x, y, Math.max(1, half * 0.35), 0, 2 * Math.PI);
    context.fillStyle = style.stroke;
    context.fill();
  } else if (style.letter && half > 6) {
    context.font = "bold " + Math.round(half * 1.3) + "px sans-serif";
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.fillStyle = "#000";
    context.fillText(style.letter, x, y + half * 0.1);
  }
}

// Far away a site is one speck that leaves most of the ground between it and the next one clear.
function drawSpeck(context, style, x, y, half, mark) {
  const side = mark ? half * 2.6 : style.symbol === "ring" ? half * 1.7 : half * 2.4;
  context.fillStyle = mark > 1 ? "#b84a00" : mark ? "#00558f" : style.stroke;
  context.fillRect(x - side / 2, y - side / 2, side, side);
}

// Noted in crew mode: filled black; with a second ring where something is wrong; a dashed ring alone where it is not saved yet.
function drawMark(context, x, y, half, mark) {
  if (!mark) return;
  if (mark === 3) {
    context.beginPath();
    context.arc(x, y, half + 4, 0, 2 * Math.PI);
    context.setLineDash([4, 3]);
    context.lineWidth = 3;
    context.strokeStyle = "#000";
    context.stroke();
    context.setLineDash([]);
    return;
  }
  context.beginPath();
  context.arc(x, y, half * 0.85, 0, 2 * Math.PI);
  context.fillStyle = "#000";
  context.fill();
  if (mark !== 2) return;
  context.beginPath();
  context.arc(x, y, half + 4, 0, 2 * Math.PI);
  context.lineWidth = 3;
  context.strokeStyle = "#b84a00";
  context.stroke();
}

// A place 12 pixels beyond a line's end.
function outward(end, inner) {
  const far = Math.hypot(end.x - inner.x, end.y - inner.y) || 1;
  return { x: end.x + ((end.x - inner.x) / far) * 12, y: end.y + ((end.y - inner.y) / far) * 12 };
}

// Squares of 4 pixels that a text of that width and height covers, y in its middle.
function cellsOf(x, y, wide, tall) {
  const keys = [];
  for (let a = Math.floor(x / 4); a <= Math.floor((x + wide) / 4); a++) {
    for (let b = Math.floor((y - tall / 2) / 4); b <= Math.floor((y + tall / 2) / 4); b++) keys.push(a * 65536 + b);
  }
  return keys;
}

const PointCanvas = L.Renderer.extend({
  options: { padding: 0.2 },

  initialize: function (sets, numbers) {
    L.Renderer.prototype.initialize.call(this, { pane: "points" });
    this.sets = sets; // [{key, style, at: [latlng], label: [text], shown}]
    this.numbers = numbers; // row numbers: [{at, text}]
    this.picked = null;
    for (const set of sets) set.world = set.at.map((p) => L.CRS.EPSG3857.latLngToPoint(L.latLng(p), 0));
    for (const n of numbers) {
      n.world = L.CRS.EPSG3857.latLngToPoint(L.latLng(n.at), 0);
      n.inner = L.CRS.EPSG3857.latLngToPoint(L.latLng(n.from), 0);
    }
    const sites = sets.find((s) => s.key === "sites");
    this.gap = spacing(sites ? sites.world : []);
  },

  _initContainer: function () {
    this._container = document.createElement("canvas");
    this._container.style.pointerEvents = "none";
    this._context = this._container.getContext("2d");
  },

  _destroyContainer: function () {
    this._container.remove();
    delete this._container;
  },

  _update: function () {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const size = this._bounds.getSize(), ratio = window.devicePixelRatio || 1;
    L.DomUtil.setPosition(this._container, this._bounds.min);
    this._container.width = Math.round(size.x * ratio);
    this._container.height = Math.round(size.y * ratio);
    this._container.style.width = size.x + "px";
    this._container.style.height = size.y + "px";
    this._context.setTransform(ratio, 0, 0, ratio, 0, 0);
    this.draw();
  },

  redraw: function () {
    if (this._map) this._update();
  },

  radius: function () {
    const gap = this.gap * Math.pow(2, this._map.getZoom());
    return gap ? Math.max(0.5, Math.min(9, gap * 0.2)) : 9;
  },

  // Lines and symbols shrink with the distance between sites, so that a whole ranch stays clear.
  size: function () {
    return this.gap ? Math.max(0.35, Math.min(1, (this.gap * Math.pow(2, this._map.getZoom())) / 28)) : 1;
  },

  draw: function () {
    const context = this._context, size = this._bounds.getSize(), zoom = this._map.getZoom();
    const scale = Math.pow(2, zoom), origin = this._map.getPixelOrigin().add(this._bounds.min);
    const place = (w) => ({ x: w.x * scale - origin.x, y: w.y * scale - origin.y });
    const inside = (p) => p.x > -40 && p.y > -40 && p.x < size.x + 40 && p.y < size.y + 40;
    context.clearRect(0, 0, size.x, size.y);
    const taken = new Set(), labels = [];
    const half = this.radius(), gap = this.gap * scale;
    // beside the stops of a round, whose order counts then, sites are numbered where there is room for both
    const siteGap = LABEL_GAP_PX * (this.sets.some((s) => s.shown && s.key.startsWith("round-")) ? 2.5 : 1);
    for (const set of this.sets) {
      const isStop = set.key.startsWith("round-");
      const isFaint = set.key === "excluded" || set.key === "left_undone";
      if (!set.shown || (isFaint && half < RING_FROM_PX)) continue;
      set.world.forEach((w, i) => {
        const p = place(w);
        if (!inside(p)) return;
        const style = DATA.styles[set.style[i] || set.style[0]];
        const own = set.key === "sites" ? half : isStop ? half * 1.1 : set.key === "excluded" ? Math.max(0.8, half * 0.4) : set.key === "left_undone" ? half * 0.7 : 11 * this.size();
        if (set.key === "sites" && half < RING_FROM_PX) drawSpeck(context, style, p.x, p.y, half, siteMark(i));
        else drawSymbol(context, style, p.x, p.y, own);
        if (set.key === "excluded") return;
        if (set.key === "sites" && half >= RING_FROM_PX) drawMark(context, p.x, p.y, half, siteMark(i));
        cellsOf(p.x - own * 0.8, p.y, own * 1.6, own * 1.6).forEach((k) => taken.add(k));
        if (gap >= (set.key === "sites" ? siteGap : LABEL_GAP_PX) && (set.key === "sites" || isStop)) labels.push([p, set.label[i], half]);
      });
    }
    this.number(context, labels, taken, "bold 15px sans-serif");
    const rows = this.sets.rowsShown && zoom >= 17 ? this.numbers.map((n) => [outward(place(n.world), place(n.inner)), n.text, 0]) : [];
    this.number(context, rows.filter((n) => inside(n[0])), taken, "13px sans-serif");
    if (this.picked) {
      const p = place(this.picked);
      context.lineWidth = 5;
      context.strokeStyle = "#00558f";
      context.beginPath();
      context.arc(p.x, p.y, Math.max(half, 6) + 7, 0, 2 * Math.PI);
      context.stroke();
    }
  },

  // Texts that find no free place beside their point wait for a closer zoom.
  number: function (context, labels, taken, font) {
    context.font = font;
    context.textAlign = "left";
    context.textBaseline = "middle";
    context.lineWidth = 4;
    context.lineJoin = "round";
    for (const [p, text, half] of labels) {
      const wide = context.measureText(text).width;
      const tries = half
        ? [[half + 3, 0], [-half - 3 - wide, 0], [-wide / 2, -half - 9], [-wide / 2, half + 9]]
        : [[-wide / 2, 0]];
      const free = tries.find(([dx, dy]) => !cellsOf(p.x + dx, p.y + dy, wide, 13).some((k) => taken.has(k)));
      if (!free) continue;
      const x = p.x + free[0], y = p.y + free[1];
      cellsOf(x, y, wide, 13).forEach((k) => taken.add(k));
      context.strokeStyle = "#fff";
      context.strokeText(text, x, y);
      context.fillStyle = half ? "#000" : "#333";
      context.fillText(text, x, y);
    }
  },

  nearest: function (latlng, reach) {
    const zoom = this._map.getZoom(), scale = Math.pow(2, zoom);
    const at = L.CRS.EPSG3857.latLngToPoint(latlng, 0);
    for (const set of [...this.sets].reverse()) {
      if (!set.shown) continue;
      let best = reach / scale, hit = -1;
      set.world.forEach((w, i) => {
        const far = Math.hypot(w.x - at.x, w.y - at.y);
        if (far < best) { best = far; hit = i; }
      });
      if (hit >= 0) return { set: set, index: hit };
    }
    return null;
  },
});
