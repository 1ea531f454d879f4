// The neck as keys: what the phrase uses, what the cursor or the sound is at; a press writes.
import { make } from "./ask.js";

const STRINGS = ["e", "B", "G", "D", "A", "E"];
const INLAYS = [3, 5, 7, 9, 12, 15, 17, 19, 21];
const LAST = 22;

class Neck {
  constructor(holder, press) {
    this.keys = new Map();
    const unsaid = { "aria-hidden": "true" };
    const grid = make("div", { class: "neck", role: "group", "aria-label": "Neck: arrow keys move, Enter writes the place" });
    for (const string of STRINGS) {
      grid.append(make("span", { class: "string-name", ...unsaid }, string));
      for (let fret = 0; fret <= LAST; fret++) {
        const [place, name] = [`${string}${fret}`, `${string} string, ${fret ? `fret ${fret}` : "open"}`];
        const key = make("button", { type: "button", tabindex: -1, class: fret ? "fret" : "fret open",
          "data-place": place, "data-name": name, "aria-label": name }, make("span"));
        this.keys.set(place, key);
        grid.append(key);
      }
    }
    grid.append(make("span"));
    for (let fret = 0; fret <= LAST; fret++) grid.append(make("span", { class: "number", ...unsaid }, INLAYS.includes(fret) ? fret : ""));
    this.keys.get("G5").tabIndex = 0;
    grid.addEventListener("pointerdown", (event) => { if (event.target.closest("button")) event.preventDefault(); });
    grid.addEventListener("click", (event) => {
      const key = event.target.closest("button");
      if (key) press(key.dataset.place, event.detail === 0);
    });
    grid.addEventListener("keydown", (event) => this.move(event));
    holder.replaceChildren(grid);
  }

  move(event) {
    const way = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] }[event.key];
    const place = event.target.dataset?.place;
    if (!way || !place) return;
    event.preventDefault();
    const row = Math.min(5, Math.max(0, STRINGS.indexOf(place[0]) + way[0]));
    const fret = Math.min(LAST, Math.max(0, Number(place.slice(1)) + way[1]));
    event.target.tabIndex = -1;
    const next = this.keys.get(`${STRINGS[row]}${fret}`);
    next.tabIndex = 0;
    next.focus();
  }

  // Show which places are used, and which of them are lit; notes are string, fret, name, degree.
  use(notes) {
    for (const key of this.keys.values()) { key.classList.remove("used", "root"); key.firstChild.textContent = ""; key.setAttribute("aria-label", key.dataset.name); key.removeAttribute("title"); }
    for (const [string, fret, name, degree] of notes) {
      const key = this.keys.get(`${string}${fret}`);
      if (!key) continue;
      key.classList.add("used");
      key.classList.toggle("root", degree === "1");
      key.firstChild.textContent = degree.replace("+", "");
      key.title = `${name}, ${degree}`;
      key.setAttribute("aria-label", `${key.dataset.name}, ${name}, degree ${key.firstChild.textContent}`);
    }
  }

  light(notes) {
    for (const key of this.keys.values()) key.classList.remove("lit");
    for (const [string, fret] of notes) this.keys.get(`${string}${fret}`)?.classList.add("lit");
  }
}

export { Neck };
