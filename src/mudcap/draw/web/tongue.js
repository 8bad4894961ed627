// The page in another language: words, choices and notes of each, and the button that goes from one to the next.
const TONGUES = DATA.tongues; // empty where the page knows one language only
const tongue = { now: 0 };

function useTongue(k) {
  const own = TONGUES[k];
  tongue.now = k;
  document.documentElement.lang = own.key;
  Object.assign(WORDS, own.words);
  DATA.warning = own.warning;
  SITES.flag_words = own.flag_words;
  for (const [kind, list] of Object.entries(own.choices)) list.forEach((pair, i) => (CHOICES[kind][i][1] = pair[1]));
  own.layers.forEach(([title, marks], i) => {
    const layer = DATA.layers[i], set = sets.find((s) => s.key === layer.key);
    groups[i].title = layer.title = title;
    for (const [m, label, note] of marks) layer.marks[m].splice(1, 2, label, note);
    if (!set) return;
    set.title = title;
    if (layer.key === "sites") return;
    const { label, note } = pointSet(layer);
    Object.assign(set, { label, note });
  });
  for (const act of renewals) act();
  if (card.site >= 0) showSite(card.site);
  else if (!cardNode.hidden) closeCard();
  if (!document.getElementById("found").hidden) document.getElementById("search").dispatchEvent(new Event("input"));
  drawScale();
  drawRings(card.site);
  changed();
  points.redraw();
}

// What was chosen here before counts, then the browser's own language, then the first.
function startTongues() {
  if (TONGUES.length < 2) return;
  const button = document.getElementById("tongue"), next = () => TONGUES[(tongue.now + 1) % TONGUES.length];
  button.hidden = false;
  always(() => {
    button.textContent = next().key.toUpperCase();
    button.lang = next().key;
    button.title = next().name;
    button.setAttribute("aria-label", next().name);
  });
  button.addEventListener("click", () => {
    useTongue((tongue.now + 1) % TONGUES.length);
    store.put("tongue", TONGUES[tongue.now].key);
  });
  const wanted = [store.get("tongue"), ...navigator.languages.map((name) => name.slice(0, 2))];
  const found = wanted.map((key) => TONGUES.findIndex((own) => own.key === key)).find((k) => k >= 0);
  if (found) useTongue(found);
}
