// Makes what is on the page for a piece in a key.

const add = (parent, name, attributes = {}, text) => {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  parent.append(element);
  return element;
};

const radios = (holder, name, options, value, choose) => {
  const keep = holder.querySelector("legend");
  holder.replaceChildren(keep);
  const row = add(holder, "div", { class: "options" });
  for (const [id, text, disabled] of options) {
    const label = add(row, "label", { class: "option" });
    const input = add(label, "input", { type: "radio", name, value: id });
    input.checked = id === value;
    input.disabled = Boolean(disabled);
    input.addEventListener("change", () => choose(id));
    const [first, second] = [text].flat();
    const words = add(label, "span", {}, first);
    if (second) add(words, "small", {}, ` ${second}`);
  }
};

const different = (names) => [...new Set(names)];
const keysOf = (one) => different(one.versions.map((each) => each.key));
const groovesOf = (one) => different(one.versions.map((each) => each.groove));

const buildChoices = () => {
  const select = (id, names, value) => {
    $(id).replaceChildren();
    for (const name of names) add($(id), "option", { value: name }, name);
    $(id).value = value;
    $(`pick-${id}`).hidden = $(`key-${id}`).hidden = names.length < 2;
  };
  select("piece", lesson.pieces.map((one) => one.name), piece.name);
  select("key", keysOf(piece), version.key);
  select("groove", groovesOf(piece), version.groove);
  const roles = new Set(version.turns);
  const answers = roles.has("call") && roles.has("response");
  $("key-answers").hidden = !answers;
  $("key-tempo").hidden = version.loops.length < 2;
  radios($("guitar"), "guitar",
    Object.entries(GUITAR).map(([id, text]) => [id, id === "both" && !answers ? "all" : text]).filter(([id]) => answers || id === "both" || id === "mine"),
    chosen.guitar, chooseGuitar);
  radios($("tempo"), "tempo", version.loops.map((one) => [String(one.tempo), String(one.tempo)]),
    String(loop.tempo), (tempo) => chooseTempo(Number(tempo)));
  $("bars").replaceChildren();
  const press = (text, first, last, choose, label) => {
    const button = add($("bars"), "button", { type: "button", "data-bars": `${first} ${last}` }, text);
    if (label) button.setAttribute("aria-label", label);
    button.addEventListener("click", choose);
  };
  press("All", 1, version.bars, () => chooseBars(1, version.bars));
  for (const [role, first, last] of answers ? parts() : []) {
    press(role, first, last, () => chooseBars(first, last), `Loop ${role.toLowerCase()}`);
  }
  for (let number = 1; number <= version.bars; number++) {
    press(number, number, number, () => chooseBar(number), `Bar ${number}`);
  }
  $("beats").replaceChildren();
  for (let number = 1; number <= version.beats; number++) add($("beats"), "span", {}, number);
};

// Return the parts that have a role: what they are called, their first bar and their last.
const parts = () => version.turns.flatMap((role, turn) => {
  const last = version.downbeats[turn + 1] ?? version.bars;
  return role === "line" ? [] : [[role[0].toUpperCase() + role.slice(1), version.downbeats[turn] + 1, last]];
});

const drawNeck = () => neck.draw(version.notes, ...(roomy.matches ? [640, 18] : [380, 25]));

const buildMusic = () => {
  const shown = $(version.template).content.cloneNode(true);
  const sets = { wide: [], narrow: [] };
  const holders = [...shown.querySelectorAll(".system")];
  for (const holder of holders) {
    const set = sets[holder.dataset.set];
    const shape = version[holder.dataset.set][set.length];
    const number = set.length;
    const cover = shape.bars.map(([name, left, right]) => {
      const shade = add(holder, "div", { class: "shade" });
      const share = holder.firstElementChild.width.baseVal.valueInSpecifiedUnits;
      shade.style.left = `${(left / shape.width) * share}%`;
      shade.style.width = `${((right - left) / shape.width) * share}%`;
      return [name, shade];
    });
    const cursor = add(holder, "div", { class: "cursor" });
    cursor.hidden = true;
    set.push({ holder, shape, cursor, cover, number });
  }
  systems = sets;
  dragged = 0;
  $("systems").replaceChildren(...holders);
  const margin = shown.querySelector(".tips");
  tips = [...margin.querySelectorAll("li.tip")];
  $("hint").hidden = !tips.length;
  $("margin").hidden = !margin.childElementCount;
  $("margin").replaceChildren();
  add($("margin"), "h2", {}, "In the margin");
  $("margin").append(margin);
  drawNeck();
  $("words").replaceChildren();
  version.notes.forEach(([string, fret, name, , how], at) => {
    const where = fret === null ? `${string} string, muted` : `${string} string, fret ${fret}, ${name}`;
    add($("words"), "li", {}, `${version.places[at]}: ${where}${how === "pick" || how === "muted" ? "" : `, ${how}`}`);
  });
};

// Return the bar under a pointer, 0 for none.
const barUnder = ({ clientX, clientY }) => {
  const holder = document.elementFromPoint(clientX, clientY)?.closest(".system");
  const row = holder && [...systems.wide, ...systems.narrow].find((one) => one.holder === holder);
  if (!row) return 0;
  const box = holder.firstElementChild.getBoundingClientRect();
  const x = ((clientX - box.left) / box.width) * row.shape.width;
  return row.shape.bars.find(([name, left, right]) => name > 0 && left <= x && x < right)?.[0] ?? 0;
};

// A press on the music chooses a bar, a drag over it all that it crosses.
let dragged = 0; // the bar in which the pointer went down
$("systems").addEventListener("pointerdown", (event) => {
  dragged = event.button === 0 ? barUnder(event) : 0;
});
$("systems").addEventListener("pointercancel", () => { dragged = 0; });
$("systems").addEventListener("pointerup", (event) => {
  const [first, last] = [dragged, barUnder(event)];
  dragged = 0;
  if (!first || !last) return;
  if (first === last) chooseBar(first);
  else chooseBars(Math.min(first, last), Math.max(first, last));
});

const mark = () => {
  for (const input of document.querySelectorAll("#tempo input")) {
    input.checked = input.value === String(loop.tempo);
    if (!input.checked) continue;
    const row = input.closest(".options");
    const [box, room] = [input.getBoundingClientRect(), row.getBoundingClientRect()];
    row.scrollLeft += (box.left + box.right - room.left - room.right) / 2;
  }
  for (const input of document.querySelectorAll("#guitar input")) input.checked = input.value === chosen.guitar;
  const named = `${chosen.first} ${chosen.last}`;
  for (const button of $("bars").children) {
    const [first, last] = button.dataset.bars.split(" ").map(Number);
    const inside = first === last && !whole() && first >= chosen.first && last <= chosen.last;
    button.setAttribute("aria-pressed", inside || button.dataset.bars === named);
  }
  const part = parts().find(([, first, last]) => first === chosen.first && last === chosen.last);
  text("round", `Loop: ${whole() ? "all" : part?.[0].toLowerCase() ?? (chosen.first === chosen.last ? `bar ${chosen.first}` : `${chosen.first}–${chosen.last}`)}`);
  const ratio = Math.round(loop.swing * 10) / 10;
  text("facts", [
    `Key of ${version.key}`, version.feel, `${loop.tempo} beats a minute`, ratio > 1 ? `swung ${ratio}:1` : "straight",
  ].filter(Boolean).join(" · "));
  for (const set of Object.values(systems)) {
    for (const { cover } of set) {
      for (const [number, shade] of cover) {
        const inside = number === 0 ? chosen.first === 1 : number >= chosen.first && number <= chosen.last;
        shade.classList.toggle("off", !inside);
      }
    }
  }
};
