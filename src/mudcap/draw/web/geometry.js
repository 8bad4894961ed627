// Geometry of the page's data: whole steps of 1e-7 degree, each point as the difference to the one before.
const DATA = JSON.parse(document.getElementById("mudcap-data").textContent);
const WORDS = DATA.words;
const STEP = 1e-7;

function fill(text, values) {
  return text.replace(/\{(\w+)\}/g, (whole, key) => (Object.hasOwn(values, key) ? String(values[key]) : whole));
}

// What writes words into the page: done now, and again whenever the language is switched.
const renewals = [];
function always(act) {
  renewals.push(act);
  act();
}

function spoken(node, key) {
  always(() => (node.textContent = WORDS[key]));
  return node;
}

function unpack(steps) {
  const out = [];
  let x = DATA.origin[0], y = DATA.origin[1];
  for (let i = 0; i < steps.length; i += 2) {
    x += steps[i];
    y += steps[i + 1];
    out.push([y * STEP, x * STEP]);
  }
  return out;
}

function lengthText(decimetres) {
  if (decimetres < 0) return "–";
  const metres = decimetres / 10;
  return DATA.units === "us"
    ? Math.round(metres / 0.3048).toLocaleString("en") + " " + WORDS.feet
    : (metres < 20 ? metres.toFixed(1) : Math.round(metres).toLocaleString("en")) + " " + WORDS.metres;
}

function compass(from, to) {
  const rad = Math.PI / 180;
  const east = (to.lng - from.lng) * Math.cos(from.lat * rad);
  const turn = Math.atan2(east, to.lat - from.lat) / rad;
  return WORDS.long_points.split(" ")[((Math.round(turn / 45) % 8) + 8) % 8];
}

function make(tag, text, kind) {
  const node = document.createElement(tag);
  if (text !== undefined) node.textContent = text;
  if (kind) node.className = kind;
  return node;
}
