// Crew mode: the form on each site's card, how far the round is, and the file that is handed over.
const crew = { on: false, state: "", last: null, later: 0, onChange: null, goTo: null };
const CARRIED = ["hung", "checked", "fetched"]; // a state that the next site begins with; what went wrong at one is not so at the next
const byId = (id) => document.getElementById(id);
const wordOf = (list, key) => (list.find((pair) => pair[0] === key) || ["", key])[1];
const clockText = (at) => at.slice(0, 10) + " " + at.slice(11, 16);

function pressable(word, act, kind) {
  const button = make("button", word, kind);
  button.type = "button";
  button.addEventListener("click", act);
  return button;
}

// 0 = nothing noted, 1 = noted, 2 = noted and something is wrong there, 3 = filled in and not saved
function siteMark(i) {
  if (crew.on && book.drafts.has(SITES.id[i])) return 3;
  const check = book.newest.get(SITES.id[i]);
  if (!crew.on || !check) return 0;
  return check.predators.length || check.damage.length || check.state === "not_found" ? 2 : 1;
}

function checkWords(check) {
  const parts = [wordOf(CHOICES.states, check.state)];
  if (check.capped !== null) parts.push(fill(WORDS.capped_count, { count: check.capped }));
  for (const kind of ["predators", "damage"]) parts.push(...check[kind].map((key) => wordOf(CHOICES[kind], key)));
  return parts.concat(check.note || []).join(", ");
}

function choiceSet(title, kind, name, list, chosen) {
  const set = make("fieldset");
  set.append(make("legend", title));
  for (const [key, word] of list) {
    const label = make("label"), box = make("input");
    Object.assign(box, { type: kind, name: name, value: key, checked: chosen.includes(key) });
    label.append(box, make("span", word));
    set.append(label);
  }
  return set;
}

function countField(i, count) {
  const row = make("div", undefined, "count"), label = make("label", WORDS.capped), box = make("input");
  Object.assign(box, { type: "number", name: "capped", id: "capped", min: 0, max: COUNT_AT_MOST, step: 1, inputMode: "numeric", value: count === null ? "" : count });
  label.htmlFor = "capped";
  row.append(label);
  for (const step of [-1, 1, 10]) {
    const button = pressable((step < 0 ? "−" : "+") + Math.abs(step), () => {
      box.value = Math.min(COUNT_AT_MOST, Math.max(0, Number(box.value || 0) + step));
      box.dispatchEvent(new Event("input", { bubbles: true }));
    });
    button.setAttribute("aria-label", fill(step < 0 ? WORDS.fewer_capped : WORDS.more_capped, { count: Math.abs(step) }));
    row.append(button);
    if (step < 0) row.append(box);
  }
  row.append(make("p", fill(WORDS.cavities_here, { count: SITES.cavities[i] }), "hint"));
  return row;
}

function noteField(text) {
  const label = make("label", WORDS.note), box = make("textarea");
  Object.assign(box, { name: "note", rows: 2, maxLength: NOTE_AT_MOST, value: text });
  label.append(box);
  return label;
}

function readForm(form) {
  const ticked = (name) => [...form.querySelectorAll(`input[name=${name}]:checked`)].map((box) => box.value);
  const box = form.querySelector("[name=capped]"), text = box.value.trim();
  return {
    state: ticked("state")[0] || "", predators: ticked("predators"), damage: ticked("damage"),
    capped: text === "" && !box.validity.badInput ? null : Number(text || NaN), note: form.querySelector("textarea").value,
  };
}

function savedLine(i) {
  const line = make("p", "", "saved"), check = book.newest.get(SITES.id[i]);
  line.setAttribute("role", "status");
  line.textContent = check ? fill(WORDS.last_check, { time: clockText(check.at), crew: check.by || "–", words: checkWords(check) }) : WORDS.no_check;
  if (book.drafts.has(SITES.id[i])) line.append(" ", make("strong", WORDS.not_saved_yet));
  return line;
}

function save(i, form) {
  const found = readForm(form), say = form.querySelector(".problem");
  const count = found.capped === null || (Number.isInteger(found.capped) && found.capped >= 0 && found.capped <= COUNT_AT_MOST);
  say.textContent = !found.state ? WORDS.choose_state : count ? "" : WORDS.whole_count;
  if (say.textContent) return;
  const check = { site: SITES.id[i], at: stamp(new Date()), by: byId("crew-name").value.trim(), ...found, note: found.note.trim() };
  if (CARRIED.includes(found.state)) {
    crew.state = found.state;
    store.put("state", found.state);
  }
  crew.last = check;
  addCheck(check);
  changed();
  showSite(i);
  const next = cardNode.querySelector(".next");
  if (next) next.focus({ preventScroll: true });
  cardNode.scrollTop = 0;
  return true;
}

// Before another site is opened or the form is closed: what is filled in and not saved is asked for, never left behind unseen.
function leaving(go) {
  const form = cardNode.querySelector("form.check"), i = card.site;
  if (!crew.on || !form || i < 0 || !book.drafts.has(SITES.id[i])) return go();
  const old = cardNode.querySelector(".ask");
  if (old) old.remove();
  const ask = make("div", undefined, "ask"), row = make("div", undefined, "turn");
  ask.setAttribute("role", "alertdialog");
  ask.setAttribute("aria-label", WORDS.not_saved_yet);
  const keep = pressable(WORDS.save_and_go, () => {
    ask.remove();
    if (save(i, form)) go();
    else form.querySelector(".problem").scrollIntoView({ block: "nearest" });
  }, "main");
  row.append(keep, pressable(WORDS.leave_unsaved, go));
  ask.append(make("p", fill(WORDS.is_unsaved, { number: SITES.number[i], block: DATA.blocks[SITES.block[i]][0] })), row);
  cardNode.prepend(ask);
  cardNode.scrollTop = 0;
  keep.focus({ preventScroll: true });
}

// Whoever notes checks is asked for once, where the first check is filled in.
function crewField() {
  const label = make("label", WORDS.crew_name, "who"), box = make("input");
  Object.assign(box, { type: "text", maxLength: CREW_AT_MOST, autocomplete: "off" });
  box.addEventListener("input", (event) => {
    event.stopPropagation();
    byId("crew-name").value = box.value;
    byId("crew-name").dispatchEvent(new Event("input"));
  });
  label.append(box);
  return label;
}

// The form of one site; what is typed and not yet saved is kept from stroke to stroke.
function checkForm(i) {
  const site = SITES.id[i], draft = book.drafts.get(site) || {};
  const list = (value) => (Array.isArray(value) ? value : []);
  const form = make("form", undefined, "check");
  form.append(
    savedLine(i),
    ...(byId("crew-name").value.trim() ? [] : [crewField()]),
    choiceSet(WORDS.state, "radio", "state", CHOICES.states, [draft.state || crew.state]),
    countField(i, Number.isInteger(draft.capped) ? draft.capped : null),
    choiceSet(WORDS.predators, "checkbox", "predators", CHOICES.predators, list(draft.predators)),
    choiceSet(WORDS.damage, "checkbox", "damage", CHOICES.damage, list(draft.damage)),
    noteField(typeof draft.note === "string" ? draft.note : ""),
  );
  const problem = make("p", "", "problem"), keep = make("button", WORDS.save_check, "main");
  problem.setAttribute("role", "alert");
  form.append(problem, keep);
  form.noValidate = true;
  form.addEventListener("input", () => {
    const isNew = !book.drafts.has(site);
    keepDraft(site, readForm(form));
    if (isNew) changed();
    tellTrouble();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    save(i, form);
  });
  return form;
}

function afterSave(i) {
  const row = make("div", undefined, "turn");
  const own = crew.last && crew.last.site === SITES.id[i] && book.open.has(checkKey(crew.last)) ? crew.last : null;
  if (own) {
    row.dataset.saved = "1";
    row.append(pressable(WORDS.take_back, () => {
      takeBack(own);
      keepDraft(own.site, { state: own.state, capped: own.capped, predators: own.predators, damage: own.damage, note: own.note });
      crew.last = null;
      changed();
      showSite(i);
    }));
  }
  const next = nextUnnoted(i);
  if (next >= 0) row.append(pressable(nextWords(i, next), () => leaving(() => crew.goTo(next)), "next"));
  return row;
}

// On a round the next stop of the same day, else the next number: the first that nothing is noted of.
function nextUnnoted(i) {
  const stop = stopOf(i), order = stop ? stop.day : AT.map((_, k) => k), at = order.indexOf(i);
  for (let k = 1; k < order.length; k++) {
    const other = order[(at + k) % order.length];
    if (!book.newest.has(SITES.id[other])) return other;
  }
  return -1;
}

function nextWords(i, next) {
  const stop = stopOf(next), block = SITES.block[i] === SITES.block[next] ? "" : DATA.blocks[SITES.block[next]][0];
  const number = [SITES.number[next], block, `R${SITES.row[next]} T${SITES.tree[next]}`].filter(Boolean).join(" · ");
  return (stop ? stop.label + ": " : "") + fill(WORDS.next_to_check, { number: number });
}

// The order in which a crew's day comes to the sites, by the layers of a round; the day that is shown on the map first.
const ROUTES = DATA.layers.filter((layer) => layer.key.startsWith("round-")).map((layer) => {
  const stops = layer.marks.filter((mark) => mark[3] >= 0);
  return { key: layer.key, day: stops.map((mark) => mark[3]), label: new Map(stops.map((mark) => [mark[3], mark[1]])) };
});

function stopOf(i) {
  const shown = (route) => groups.some((group) => group.key === route.key && group.shown);
  const own = ROUTES.filter((route) => route.label.has(i));
  const route = own.find(shown) || own[0];
  return route ? { label: route.label.get(i), day: route.day } : null;
}

function tellTrouble() {
  const parts = [store.broken ? WORDS.storage_broken : "", book.unread ? fill(WORDS.unread, { count: book.unread }) : ""].filter(Boolean);
  const node = byId("trouble"), text = crew.on ? parts.join(" ") : "";
  if (node.textContent !== text) node.textContent = text;
  node.hidden = !text;
}

function changed() {
  const noted = book.newest.size, open = book.open.size, drafts = [...book.drafts.keys()].filter((site) => SITE_OF.has(site)).length;
  byId("round").hidden = !crew.on;
  byId("round-count").textContent = fill(WORDS.round_count, { noted: noted, sites: AT.length, open: open }) +
    (drafts ? "; " + fill(WORDS.drafts, { count: drafts }) : "");
  if (open < OFFER_EVERY) crew.later = 0;
  byId("offer").hidden = !crew.on || open < OFFER_EVERY || open - crew.later < OFFER_EVERY;
  byId("offer-text").textContent = fill(WORDS.offer, { count: open });
  tellTrouble();
  if (crew.onChange) crew.onChange();
}

function tell(text, lines) {
  byId("told").replaceChildren(make("p", text), ...(lines || []).map((line) => make("p", line)));
}

function saveFile() {
  const name = byId("crew-name").value.trim(), link = make("a");
  const slug = name.normalize("NFKD").replace(/[^A-Za-z0-9]+/g, "-").replace(/^-|-$/g, "");
  const file = ["checks", DATA.number, slug, stamp(new Date()).slice(0, 16).replace(/[-:]/g, "").replace("T", "-")].filter(Boolean).join("-") + ".json";
  const address = URL.createObjectURL(new Blob([fileText(name)], { type: "application/json" }));
  link.href = address;
  link.download = file;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 60000);
  markFiled();
  openPanel(true);
  const drafts = [...book.drafts.keys()].filter((site) => SITE_OF.has(site)).sort();
  tell(fill(WORDS.file_written, { file: file, count: book.checks.size }), drafts.length ? [fill(WORDS.drafts_left, { sites: drafts.join(", ") })] : []);
  changed();
}

function showText() {
  const box = make("textarea");
  Object.assign(box, { readOnly: true, rows: 6, value: fileText(byId("crew-name").value.trim()) });
  box.setAttribute("aria-label", WORDS.as_text);
  tell(WORDS.copy_this);
  const copied = make("p", "");
  byId("told").append(pressable(WORDS.copy, () => {
    box.focus();
    box.select();
    copied.textContent = document.execCommand("copy") ? WORDS.copied : WORDS.not_copied;
  }, "main"), copied, box);
  box.focus();
  box.select();
}

function clashLine(clash) {
  const i = SITE_OF.get(clash.site);
  return fill(WORDS.clash, {
    number: SITES.number[i], site: clash.site, ours: clockText(clash.ours.at) + " " + checkWords(clash.ours),
    theirs: clockText(clash.theirs.at) + " " + checkWords(clash.theirs), kept: clash.wins === clash.ours ? WORDS.ours : WORDS.theirs,
  });
}

async function addFiles(files) {
  for (const file of files) {
    const read = file.size > FILE_AT_MOST ? { why: WORDS.no_checks_file } : readFile(await file.text());
    if (read.why) {
      tell(fill(WORDS.not_taken, { file: file.name, why: read.why }));
      return;
    }
    const made = merge(read.checks);
    tell(fill(WORDS.merged, { file: file.name, added: made.added, clashes: made.clashes.length }), made.clashes.map(clashLine));
    changed();
  }
  if (card.site >= 0) showSite(card.site);
}

function openPanel(on) {
  byId("handover").hidden = !on;
  byId("round-file").setAttribute("aria-expanded", String(on));
}

// Checks of other plans that this browser still holds: told, so that a new map does not hide them.
function otherPlans() {
  const plans = new Map();
  for (const key of store.keys(CHECKS_SCHEMA + "|")) {
    const [, plan, kind] = key.split("|");
    if (plan !== DATA.number && kind === "open") plans.set(plan, (plans.get(plan) || 0) + 1);
  }
  return [...plans].map(([plan, count]) => fill(WORDS.elsewhere, { plan: plan, count: count }));
}

function crewMode(on) {
  crew.on = on;
  store.put("mode", on ? "1" : "0");
  byId("checks-button").setAttribute("aria-pressed", String(on));
  document.body.classList.toggle("crew", on);
  card.form = on ? checkForm : null;
  card.after = on ? afterSave : null;
  if (on && store.broken) tell(WORDS.storage_broken);
  else tell("", otherPlans());
  openPanel(false);
  changed();
  if (card.site >= 0) {
    showSite(card.site);
    if (on) clearOfCard();
  }
}

function startChecks() {
  readBook();
  crew.state = CARRIED.includes(store.get("state")) ? store.get("state") : "";
  for (const [id, word] of [["checks-button", "checks"], ["round-file", "hand_over"], ["save-file", "save_file"], ["as-text", "as_text"], ["leave", "leave"],
    ["offer-save", "save_file"], ["offer-later", "later"], ["crew-word", "crew_name"], ["add-word", "add_file"], ["round-help", "round_help"]]) spoken(byId(id), word);
  byId("crew-name").value = (store.get("crew") || "").slice(0, CREW_AT_MOST);
  byId("crew-name").maxLength = CREW_AT_MOST;
  byId("crew-name").addEventListener("input", () => store.put("crew", byId("crew-name").value) || tellTrouble());
  byId("checks-button").addEventListener("click", () => leaving(() => crewMode(!crew.on)));
  byId("leave").addEventListener("click", () => leaving(() => crewMode(false)));
  byId("round-file").addEventListener("click", () => openPanel(byId("handover").hidden));
  for (const id of ["save-file", "offer-save"]) byId(id).addEventListener("click", saveFile);
  byId("as-text").addEventListener("click", showText);
  byId("offer-later").addEventListener("click", () => {
    crew.later = book.open.size;
    changed();
  });
  byId("add-file").addEventListener("change", async (event) => {
    await addFiles([...event.target.files]);
    event.target.value = "";
  });
  window.addEventListener("storage", (event) => {
    if (event.key && !event.key.startsWith(store.prefix)) return;
    readBook();
    changed();
  });
  window.addEventListener("beforeunload", (event) => store.broken && book.open.size && event.preventDefault());
  crewMode(store.get("mode") === "1");
}
