// Crew mode: the form on each site's card, how far the round is, and the file that is handed over.
const crew = { on: false, state: "", last: null, later: 0, onChange: null, goTo: null };
const byId = (id) => document.getElementById(id);
const wordOf = (list, key) => (list.find((pair) => pair[0] === key) || ["", key])[1];
const clockText = (at) => at.slice(0, 10) + " " + at.slice(11, 16);

function pressable(word, act, kind) {
  const button = make("button", word, kind);
  button.type = "button";
  button.addEventListener("click", act);
  return button;
}

// 0 = nothing noted, 1 = noted, 2 = noted and something is wrong there
function siteMark(i) {
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
  crew.state = found.state;
  crew.last = check;
  store.put("state", found.state);
  addCheck(check);
  changed();
  showSite(i);
  const next = cardNode.querySelector(".next");
  if (next) next.focus({ preventScroll: true });
  cardNode.scrollTop = 0;
}

// The form of one site; what is typed and not yet saved is kept from stroke to stroke.
function checkForm(i) {
  const site = SITES.id[i], draft = book.drafts.get(site) || {};
  const list = (value) => (Array.isArray(value) ? value : []);
  const form = make("form", undefined, "check");
  form.append(
    savedLine(i),
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
    keepDraft(site, readForm(form));
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
  if (next >= 0) row.append(pressable(fill(WORDS.next_to_check, { number: SITES.number[next] }), () => crew.goTo(next), "next"));
  return row;
}

function nextUnnoted(i) {
  for (let k = 1; k < AT.length; k++) if (!book.newest.has(SITES.id[(i + k) % AT.length])) return (i + k) % AT.length;
  return -1;
}

function tellTrouble() {
  const parts = [store.broken ? WORDS.storage_broken : "", book.unread ? fill(WORDS.unread, { count: book.unread }) : ""].filter(Boolean);
  const node = byId("trouble"), text = crew.on ? parts.join(" ") : "";
  if (node.textContent !== text) node.textContent = text;
  node.hidden = !text;
}

function changed() {
  const noted = book.newest.size, open = book.open.size;
  byId("round").hidden = !crew.on;
  byId("round-count").textContent = fill(WORDS.round_count, { noted: noted, sites: AT.length, open: open });
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
  tell(fill(WORDS.file_written, { file: file, count: book.checks.size }));
  changed();
}

function showText() {
  const box = make("textarea");
  Object.assign(box, { readOnly: true, rows: 6, value: fileText(byId("crew-name").value.trim()) });
  box.setAttribute("aria-label", WORDS.as_text);
  tell(WORDS.copy_this);
  byId("told").append(box);
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
  card.form = on ? checkForm : null;
  card.after = on ? afterSave : null;
  if (on && store.broken) tell(WORDS.storage_broken);
  else tell("", otherPlans());
  openPanel(false);
  changed();
  if (card.site >= 0) showSite(card.site);
}

function startChecks() {
  readBook();
  crew.state = store.get("state") || "";
  for (const [id, word] of [["checks-button", "checks"], ["round-file", "hand_over"], ["save-file", "save_file"], ["as-text", "as_text"], ["leave", "leave"],
    ["offer-save", "save_file"], ["offer-later", "later"], ["crew-word", "crew_name"], ["add-word", "add_file"], ["round-help", "round_help"]]) spoken(byId(id), word);
  byId("crew-name").value = (store.get("crew") || "").slice(0, CREW_AT_MOST);
  byId("crew-name").maxLength = CREW_AT_MOST;
  byId("crew-name").addEventListener("input", () => store.put("crew", byId("crew-name").value) || tellTrouble());
  byId("checks-button").addEventListener("click", () => crewMode(!crew.on));
  byId("leave").addEventListener("click", () => crewMode(false));
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
