// What lies under or round the sites and is made in the page: distance rings, a picture from the air in the file, imagery by network.
const RINGS_M = DATA.units === "us" ? [50, 100, 200].map((feet) => feet * 0.3048) : [15, 30, 60];
const rings = { shown: false, group: null };

function drawRings(site) {
  if (rings.group) rings.group.remove();
  rings.group = null;
  if (!rings.shown || site < 0) return;
  const centre = L.latLng(AT[site]), north = map.distance(centre, [centre.lat + 1e-3, centre.lng]) / 1e-3;
  rings.group = L.layerGroup(RINGS_M.flatMap((metres) => {
    const name = L.divIcon({ html: make("span", lengthText(metres * 10)), className: "ring-name", iconSize: [0, 0] });
    return [
      L.circle(centre, { radius: metres, renderer: drawing, color: "#000", weight: 2, dashArray: "2 6", fill: false, interactive: false }),
      L.marker([centre.lat + metres / north, centre.lng], { icon: name, interactive: false, keyboard: false }),
    ];
  })).addTo(map);
}

function photoOn(on) {
  map.getContainer().classList.toggle("photo", on);
}

// Nothing is asked of any server before the box is ticked; the address is the user's own choice.
function startImagery(panel) {
  const part = make("div"), label = make("label"), box = make("input"), said = make("p"), field = make("label", undefined, "address");
  const address = make("input");
  part.id = "imagery";
  box.type = "checkbox";
  box.dataset.layer = "imagery";
  Object.assign(address, { type: "url", value: DATA.imagery.address, spellcheck: false, autocomplete: "off" });
  said.setAttribute("role", "status");
  label.append(box, spoken(make("span"), "imagery"));
  field.append(spoken(make("span"), "imagery_address"), address);
  part.append(label, spoken(make("p"), "imagery_help"), field, said);
  panel.append(part);
  let tiles = null;
  const show = () => {
    if (tiles) tiles.remove();
    tiles = null;
    said.textContent = "";
    photoOn(box.checked);
    if (!box.checked) return;
    const text = address.value.trim();
    if (!/^https:\/\//.test(text) || !["{z}", "{x}", "{y}"].every((part) => text.includes(part))) {
      said.textContent = WORDS.imagery_form;
      box.checked = false;
      photoOn(false);
      return;
    }
    const own = text === DATA.imagery.address;
    const credit = make("span", own ? DATA.imagery.credit : new URL(text.replace(/[{}]/g, "")).host);
    tiles = L.tileLayer(text, { maxZoom: 22, maxNativeZoom: own ? DATA.imagery.zoom : 19, attribution: credit.innerHTML, referrerPolicy: "no-referrer" });
    tiles.on("tileerror", () => (said.textContent = WORDS.imagery_failed));
    tiles.addTo(map);
  };
  box.addEventListener("change", show);
  address.addEventListener("change", show);
}

function startPhoto(panel) {
  if (!DATA.photo) return;
  const label = make("label"), box = make("input"), photo = L.imageOverlay(DATA.photo.source, DATA.photo.bounds, { interactive: false, pane: "tilePane" });
  box.type = "checkbox";
  box.dataset.layer = "photo";
  box.checked = true;
  const show = () => {
    photoOn(box.checked);
    if (box.checked) photo.addTo(map);
    else photo.remove();
  };
  box.addEventListener("change", show);
  label.append(box, spoken(make("span"), "photo"));
  panel.append(label);
  show();
}

function startRings(panel) {
  const label = make("label"), box = make("input");
  box.type = "checkbox";
  box.dataset.layer = "rings";
  box.addEventListener("change", () => {
    rings.shown = box.checked;
    drawRings(card.site);
  });
  label.append(box, spoken(make("span"), "rings"));
  panel.append(label);
}
