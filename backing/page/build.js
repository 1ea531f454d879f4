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
    add(label, "span", {}, text);
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
    Object.entries(GUITAR).map(([id, [text]]) => [id, text]).filter(([id]) => answers || id === "both" || id === "mine"),
    chosen.guitar, chooseGuitar);
  radios($("tempo"), "tempo", version.loops.map((one) => [String(one.tempo), String(one.tempo)]),
    String(loop.tempo), (tempo) => chooseTempo(Number(tempo)));
  $("bars").replaceChildren();
  const all = add($("bars"), "button", { type: "button", class: "bar-all" }, "All");
  all.addEventListener("click", () => chooseBars(1, version.bars));
  for (let number = 1; number <= version.bars; number++) {
    const button = add($("bars"), "button", { type: "button", "aria-label": `Bar ${number}` }, number);
    button.addEventListener("click", () => chooseBar(number));
  }
  $("beats").replaceChildren();
  for (let number = 1; number <= version.beats; number++) add($("beats"), "span", {}, number);
};

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
    holder.addEventListener("click", (event) => {
      const box = holder.firstElementChild.getBoundingClientRect();
      const x = ((event.clientX - box.left) / box.width) * shape.width;
      const found = shape.bars.find(([name, left, right]) => name > 0 && left <= x && x < right);
      if (found) chooseBar(found[0]);
    });
    set.push({ holder, shape, cursor, cover, number });
  }
  systems = sets;
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

const mark = () => {
  for (const input of document.querySelectorAll("#tempo input")) {
    input.checked = input.value === String(loop.tempo);
    if (!input.checked) continue;
    const row = input.closest(".options");
    const [box, room] = [input.getBoundingClientRect(), row.getBoundingClientRect()];
    row.scrollLeft += (box.left + box.right - room.left - room.right) / 2;
  }
  for (const input of document.querySelectorAll("#guitar input")) input.checked = input.value === chosen.guitar;
  const buttons = [...$("bars").children];
  buttons.forEach((button, number) => {
    const on = number === 0 ? whole() : !whole() && number >= chosen.first && number <= chosen.last;
    button.setAttribute("aria-pressed", on);
  });
  for (const set of Object.values(systems)) {
    for (const { cover } of set) {
      for (const [number, shade] of cover) {
        const inside = number === 0 ? chosen.first === 1 : number >= chosen.first && number <= chosen.last;
        shade.classList.toggle("off", !inside);
      }
    }
  }
};
