// The card of one site or feature. Every text goes in by textContent.
const SITES = DATA.sites;
const AT = unpack(SITES.at);
const PINNED = new Set(SITES.pinned);
const cardNode = document.getElementById("card");
const SURE_M = 8; // a position that is no surer than this may mean another shelter (they stand some 20 m apart; our choice)
const card = { site: -1, here: null, within: 0, onTurn: null, onClose: null, form: null, after: null };

function closeCard() {
  cardNode.hidden = true;
  cardNode.replaceChildren();
  card.site = -1;
  if (card.onClose) card.onClose();
}

function openCard(title, where, pairs, lines) {
  const close = make("button", "×", "close");
  close.type = "button";
  close.setAttribute("aria-label", WORDS.close);
  close.addEventListener("click", () => leaving(closeCard));
  const list = make("dl");
  for (const [key, value] of pairs) list.append(make("dt", key), make("dd", value));
  const head = make("h2", title);
  head.tabIndex = -1;
  cardNode.replaceChildren(head, close);
  if (where) cardNode.append(make("p", where, "where"));
  cardNode.append(list, ...lines.filter(Boolean).map((line) => make("p", line)));
  cardNode.hidden = false;
}

function siteAddress(i) {
  return fill(WORDS.address, { row: SITES.row[i], tree: SITES.tree[i] });
}

function showSite(i) {
  const flags = SITES.flags[i];
  const marks = [
    PINNED.has(i) ? WORDS.pinned : "",
    flags ? fill(WORDS.overrides, { reasons: SITES.flag_words[flags] }) : "",
  ].filter(Boolean);
  const pairs = [
    [WORDS.cavities, SITES.cavities[i]],
    [WORDS.females, SITES.females[i]],
    [WORDS.trees, SITES.trees[i]],
    [WORDS.farthest, lengthText(SITES.farthest[i])],
    [WORDS.walk, lengthText(SITES.walk[i])],
    [WORDS.mud, SITES.mud[i] < 0 ? WORDS.no_mud : lengthText(SITES.mud[i])],
  ];
  if (SITES.puddle[i]) pairs.push([WORDS.puddle, SITES.puddle[i]]);
  if (marks.length) pairs.push([WORDS.mark, marks.join("; ")]);
  const isOther = card.site !== i, stop = stopOf(i);
  const where = [siteAddress(i), SITES.id[i], stop ? fill(WORDS.stop, { order: stop.label }) : ""].filter(Boolean).join(" · ");
  openCard(fill(WORDS.site, { number: SITES.number[i] }) + " · " + DATA.blocks[SITES.block[i]][0], where, pairs, []);
  cardNode.dataset.site = SITES.id[i];
  card.site = i;
  if (isOther) cardNode.scrollTop = 0;
  showAway();
  if (card.form) {
    const more = make("details"), facts = cardNode.querySelector("dl");
    more.append(make("summary", WORDS.facts));
    const form = card.form(i), after = card.after(i);
    facts.replaceWith(...(after.dataset.saved ? [after, form] : [form, after]), more);
    more.append(facts);
    return;
  }
  const turn = make("div", undefined, "turn");
  for (const [step, word] of [[-1, WORDS.before], [1, WORDS.after]]) {
    const button = make("button", word);
    button.type = "button";
    button.addEventListener("click", () => card.onTurn((i + step + AT.length) % AT.length));
    turn.append(button);
  }
  cardNode.append(turn);
}

// How far and which way the open card's site is; alone, so that a form that is being filled in stays as it is.
function showAway() {
  const list = cardNode.querySelector("dl");
  if (!card.here || card.site < 0 || !list) return;
  let cell = list.querySelector(".away");
  if (!cell) {
    cell = make("dd", "", "away");
    list.append(make("dt", WORDS.from_you), cell);
  }
  const to = L.latLng(AT[card.site]);
  const away = fill(WORDS.away, { length: lengthText(card.here.distanceTo(to) * 10), point: compass(card.here, to) });
  cell.textContent = card.within > SURE_M ? away + " " + fill(WORDS.unsure, { length: lengthText(card.within * 10) }) : away;
}

function showFeature(title, label, note) {
  delete cardNode.dataset.site;
  openCard(label || title, label && label !== title ? title : "", [], [note]);
  card.site = -1;
}
