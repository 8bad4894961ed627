// Checks of the sites, kept in the browser's own storage under one key each, so that two open pages never undo each other.
const CHECKS_SCHEMA = "mudcap.checks/1";
const CHOICES = DATA.choices; // {states, predators, damage}: pairs of key and word
const OFFER_EVERY = 10;
const NOTE_AT_MOST = 500, CREW_AT_MOST = 40, COUNT_AT_MOST = 9999, FILE_AT_MOST = 20e6;
const SITE_OF = new Map(SITES.id.map((id, i) => [id, i]));
const WHEN = /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,3})?(Z|[+-]\d\d:\d\d)$/;

// The page's own part of the browser's storage. Where the browser keeps nothing, `broken` says so and checks live in the page only.
const store = {
  prefix: CHECKS_SCHEMA + "|" + DATA.number + "|",
  broken: false,

  area: function () {
    try {
      return window.localStorage;
    } catch (error) {
      return null; // a private window, or storage switched off
    }
  },
  put: function (key, text) {
    try {
      this.area().setItem(this.prefix + key, text);
      return true;
    } catch (error) {
      this.broken = true;
      return false;
    }
  },
  get: function (key) {
    const area = this.area();
    return area ? area.getItem(this.prefix + key) : null;
  },
  drop: function (key) {
    const area = this.area();
    if (area) area.removeItem(this.prefix + key);
  },
  keys: function (prefix) {
    const area = this.area(), out = [];
    for (let k = 0; area && k < area.length; k++) if (area.key(k).startsWith(prefix)) out.push(area.key(k));
    return out;
  },
};

const book = { checks: new Map(), newest: new Map(), open: new Set(), drafts: new Map(), unread: 0 };

function stamp(day) {
  const two = (n) => String(Math.floor(Math.abs(n))).padStart(2, "0"), away = -day.getTimezoneOffset();
  return `${day.getFullYear()}-${two(day.getMonth() + 1)}-${two(day.getDate())}T${two(day.getHours())}:${two(day.getMinutes())}:` +
    `${two(day.getSeconds())}.${String(day.getMilliseconds()).padStart(3, "0")}${away < 0 ? "-" : "+"}${two(away / 60)}:${two(Math.abs(away) % 60)}`;
}

const checkKey = (check) => [check.site, check.at, check.by].join("|");
const sameFinding = (a, b) => ["state", "capped", "note"].every((k) => a[k] === b[k]) &&
  ["predators", "damage"].every((k) => a[k].join() === b[k].join());

function isLater(a, b) {
  const apart = Date.parse(a.at) - Date.parse(b.at);
  return apart ? apart > 0 : JSON.stringify(a) > JSON.stringify(b);
}

// The check as it should be, or null: storage and files can hold anything.
function goodCheck(given) {
  if (!given || typeof given !== "object") return null;
  const among = (list, key) => list.some((pair) => pair[0] === key);
  const text = (value, most) => typeof value === "string" && value.length <= most;
  const some = (value, list) => Array.isArray(value) && value.length <= list.length && value.every((key) => among(list, key));
  const { site, at, by, state, capped, predators, damage, note } = given;
  const fine = SITE_OF.has(site) && text(at, 40) && WHEN.test(at) && Number.isFinite(Date.parse(at)) && text(by, CREW_AT_MOST) &&
    among(CHOICES.states, state) && (capped === null || (Number.isInteger(capped) && capped >= 0 && capped <= COUNT_AT_MOST)) &&
    some(predators, CHOICES.predators) && some(damage, CHOICES.damage) && text(note, NOTE_AT_MOST);
  return fine ? { site, at, by, state, capped, predators, damage, note } : null;
}

function hold(check) {
  book.checks.set(checkKey(check), check);
  const before = book.newest.get(check.site);
  if (!before || isLater(check, before)) book.newest.set(check.site, check);
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch (error) {
    return null;
  }
}

function readBook() {
  book.checks.clear(); book.newest.clear(); book.open.clear(); book.drafts.clear(); book.unread = 0;
  if (!store.put("try", "1")) return;
  store.drop("try");
  for (const key of store.keys(store.prefix + "check|")) {
    const check = goodCheck(parsed(store.area().getItem(key)));
    if (check) hold(check);
    else book.unread += 1;
  }
  for (const key of store.keys(store.prefix + "open|")) {
    const own = key.slice((store.prefix + "open|").length);
    if (book.checks.has(own)) book.open.add(own);
  }
  for (const key of store.keys(store.prefix + "draft|")) book.drafts.set(key.slice((store.prefix + "draft|").length), parsed(store.area().getItem(key)));
}

function addCheck(check) {
  const key = checkKey(check);
  hold(check);
  book.open.add(key);
  const kept = store.put("check|" + key, JSON.stringify(check)) && store.put("open|" + key, "1");
  dropDraft(check.site);
  return kept;
}

function takeBack(check) {
  const key = checkKey(check);
  book.checks.delete(key);
  book.open.delete(key);
  store.drop("check|" + key);
  store.drop("open|" + key);
  book.newest.delete(check.site);
  for (const other of book.checks.values()) if (other.site === check.site) hold(other);
}

function keepDraft(site, draft) {
  book.drafts.set(site, draft);
  store.put("draft|" + site, JSON.stringify(draft));
}

function dropDraft(site) {
  book.drafts.delete(site);
  store.drop("draft|" + site);
}

function fileText(crew) {
  const checks = [...book.checks.values()].sort((a, b) => (isLater(a, b) ? 1 : -1));
  return JSON.stringify({ schema: CHECKS_SCHEMA, plan: DATA.number, ranch: DATA.title, crew: crew, written: stamp(new Date()), checks: checks }, null, 1) + "\n";
}

// All that is held now counts as being in a file.
function markFiled() {
  for (const key of book.open) store.drop("open|" + key);
  book.open.clear();
}

// What a file would bring: its checks, or the sentence that says why nothing of it is taken.
function readFile(text) {
  const data = parsed(text);
  if (!data || data.schema !== CHECKS_SCHEMA || !Array.isArray(data.checks)) return { why: WORDS.no_checks_file };
  if (data.plan !== DATA.number) return { why: fill(WORDS.other_plan, { theirs: String(data.plan).slice(0, 20), ours: DATA.number }) };
  const checks = data.checks.map(goodCheck), bad = checks.indexOf(null);
  return bad < 0 ? { checks: checks } : { why: fill(WORDS.bad_check, { number: bad + 1 }) };
}

// Another crew's checks beside ours; the newest of each site is what counts. Says which sites both had, and differently.
function merge(checks) {
  const ours = new Map(book.newest), theirs = new Map(), clashes = [];
  const known = new Set(checks.map(checkKey));
  const fresh = new Set();
  for (const check of checks) {
    if (!theirs.has(check.site) || isLater(check, theirs.get(check.site))) theirs.set(check.site, check);
    if (book.checks.has(checkKey(check))) continue;
    fresh.add(checkKey(check));
    hold(check);
    store.put("check|" + checkKey(check), JSON.stringify(check));
  }
  for (const [site, check] of theirs) {
    const own = ours.get(site);
    const apart = own && !known.has(checkKey(own)) && fresh.has(checkKey(check));
    if (apart && !sameFinding(own, check)) clashes.push({ site: site, ours: own, theirs: check, wins: book.newest.get(site) });
  }
  return { added: fresh.size, clashes: clashes };
}
