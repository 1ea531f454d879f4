// Makes what is on the page for a piece in a key: choices, music, the phrase in words.
import { $, add, all, rect, roomy, text } from "./dom.js";
import { GUITAR, answers, chosen, groovesOf, keysOf, lesson, now, pace, parts, range, whole } from "./lesson.js";
import { Neck } from "./neck.js";

export const neck = new Neck($("neck"));

const radios = (holder, name, options, value) => {
  holder.replaceChildren(holder.querySelector("legend"));
  const row = add(holder, "div", { class: "options" });
  for (const [id, first, second] of options) {
    const label = add(row, "label", { class: "option" });
    add(label, "input", { type: "radio", name, value: id }).checked = id === value;
    const words = add(label, "span", {}, first);
    if (second) add(words, "small", {}, ` ${second}`);
  }
};

export const buildChoices = () => {
  const select = (id, names, value) => {
    $(id).replaceChildren();
    for (const name of names) add($(id), "option", { value: name }, name);
    $(id).value = value;
    $(`pick-${id}`).hidden = $(`key-${id}`).hidden = names.length < 2;
  };
  const { piece, version, loop } = now;
  select("piece", lesson.pieces.map((one) => one.name), piece.name);
  select("key", keysOf(piece), version.key);
  select("groove", groovesOf(piece), version.groove);
  $("key-answers").hidden = !answers();
  $("key-tempo").hidden = version.loops.length < 2;
  const guitar = answers() ? Object.entries(GUITAR).map(([id, words]) => [id, ...words])
    : [["both", "all"], ["mine", ...GUITAR.mine]];
  radios($("guitar"), "guitar", guitar, chosen.guitar);
  radios($("tempo"), "tempo", version.loops.map((one) => [String(one.tempo), String(one.tempo)]), String(loop.tempo));
  [$("pace").min, $("pace").max] = range(version);
  $("bars").replaceChildren();
  const press = (words, first, last, label) => {
    const button = add($("bars"), "button", { type: "button", "data-bars": `${first} ${last}` }, words);
    if (label) button.setAttribute("aria-label", label);
  };
  press("All", 1, version.bars);
  if (answers()) for (const [role, first, last] of parts()) press(role, first, last, `Loop ${role.toLowerCase()}`);
  for (let number = 1; number <= version.bars; number++) press(number, number, number, `Bar ${number}`);
  $("beats").replaceChildren();
  for (let number = 1; number <= version.beats; number++) add($("beats"), "span", {}, number);
};

export const drawNeck = () => neck.draw(now.version.notes, ...(roomy() ? [640, 18] : [380, 25]));

export const buildMusic = () => {
  const { version } = now;
  const shown = $(version.template).content.cloneNode(true);
  const sets = { wide: [], narrow: [] };
  const holders = [...shown.querySelectorAll(".system")];
  for (const holder of holders) {
    const set = sets[holder.dataset.set];
    const number = set.length;
    const shape = version[holder.dataset.set][number];
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
  now.systems = sets;
  $("systems").replaceChildren(...holders);
  const margin = shown.querySelector(".tips");
  now.tips = [...margin.querySelectorAll("li.tip")];
  $("hint").hidden = !now.tips.length;
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

/** Return the bar of the music under a pointer, 0 for none. */
export const barUnder = ({ clientX, clientY }) => {
  const holder = document.elementFromPoint(clientX, clientY)?.closest(".system");
  const row = [...now.systems.wide, ...now.systems.narrow].find((one) => one.holder === holder);
  if (!row) return 0;
  const box = rect(row.holder.firstElementChild);
  const x = ((clientX - box.left) / box.width) * row.shape.width;
  return row.shape.bars.find(([name, left, right]) => name > 0 && left <= x && x < right)?.[0] ?? 0;
};

const swung = (swing) => (Math.round(swing * 10) > 10 ? `swung ${Math.round(swing * 10) / 10}:1` : "straight");

/** Show what is chosen. */
export const mark = () => {
  const { loop, version } = now;
  for (const input of all("#tempo input")) {
    input.checked = input.value === String(loop.tempo);
    if (!input.checked) continue;
    const row = input.closest(".options");
    const [box, room] = [rect(input), rect(row)];
    row.scrollLeft += (box.left + box.right - room.left - room.right) / 2;
  }
  for (const input of all("#guitar input")) input.checked = input.value === chosen.guitar;
  $("pace").value = loop.tempo;
  text("pace-name", pace(loop));
  const named = `${chosen.first} ${chosen.last}`;
  for (const button of $("bars").children) {
    const [first, last] = button.dataset.bars.split(" ").map(Number);
    const inside = first === last && !whole() && first >= chosen.first && last <= chosen.last;
    button.setAttribute("aria-pressed", inside || button.dataset.bars === named);
  }
  const part = parts().find(([, first, last]) => first === chosen.first && last === chosen.last)?.[0].toLowerCase();
  const bars = chosen.first === chosen.last ? `bar ${chosen.first}` : `${chosen.first}–${chosen.last}`;
  text("round", `Loop: ${whole() ? "all" : part ?? bars}`);
  text("facts", [
    `Key of ${version.key}`, version.feel, `${loop.tempo} beats a minute${pace(loop).replace(/^[^,]*/, "")}`, swung(loop.swing),
  ].filter(Boolean).join(" · "));
  for (const { cover } of Object.values(now.systems).flat()) {
    for (const [number, shade] of cover) {
      const inside = number === 0 ? chosen.first === 1 : number >= chosen.first && number <= chosen.last;
      shade.classList.toggle("off", !inside);
    }
  }
};
