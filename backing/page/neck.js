// The neck, with the places of a phrase and the one that sounds.
const STRINGS = ["e", "B", "G", "D", "A", "E"];
const DOTS = [3, 5, 7, 9, 15, 17, 19, 21];
const LEFT = 28;
const TOP = 14;

const make = (name, attributes, text) => {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  return element;
};

export class Neck {
  /** @type {(fret: number) => number} */ x = () => 0;
  /** @type {(string: string) => number} */ y = () => 0;

  constructor(holder) {
    this.holder = holder;
  }

  // Draw the places of notes, a row of pixels for each string; long for a desk, short for a hand.
  draw(notes, wide, row) {
    const tall = TOP + 5 * row + 28;
    const frets = notes.map((note) => note[1]).filter((fret) => fret !== null && fret > 0);
    let low = Math.max(1, Math.min(...frets, 12) - 1);
    let high = Math.min(24, Math.max(...frets, low + 3) + 1);
    while (high - low < 7) high < 24 ? high++ : low--;
    const open = notes.some((note) => note[1] === 0);
    const step = (wide - LEFT - 16) / (high - low + 1);
    this.x = (fret) => (fret === 0 ? LEFT - 4 : LEFT + 8 + (fret - low + 0.5) * step);
    this.y = (string) => TOP + STRINGS.indexOf(string) * row;
    const svg = make("svg", { viewBox: `0 0 ${wide} ${tall}`, "aria-hidden": "true" });
    for (const fret of [...DOTS, 12]) {
      if (fret < low || fret > high) continue;
      for (const middle of fret === 12 ? [1.5, 3.5] : [2.5]) {
        svg.append(make("circle", { class: "inlay", cx: this.x(fret), cy: TOP + middle * row, r: 5 }));
      }
    }
    for (let fret = low; fret <= high + 1; fret++) {
      const x = LEFT + 8 + (fret - low) * step;
      const kind = fret === 1 ? "fret nut" : "fret";
      svg.append(make("line", { class: kind, x1: x, x2: x, y1: TOP, y2: TOP + 5 * row }));
      if (fret <= high) {
        svg.append(make("text", { class: "number", x: x + step / 2, y: tall - 4 }, fret));
      }
    }
    STRINGS.forEach((name, n) => {
      const y = TOP + n * row;
      const line = { class: "string", x1: LEFT + 8, x2: wide - 8, y1: y, y2: y, "stroke-width": 1 + n * 0.3 };
      svg.append(make("line", line), make("text", { class: "name", x: open ? 8 : 16, y: y + 5 }, name));
    });
    const seen = new Set();
    for (const [string, fret] of notes) {
      const name = `${string}${fret}`;
      if (fret === null || seen.has(name)) continue;
      seen.add(name);
      svg.append(make("circle", { class: "place", cx: this.x(fret), cy: this.y(string), r: 7.5 }));
    }
    this.now = make("g", {});
    svg.append(this.now);
    this.holder.replaceChildren(svg);
    this.shown = "";
  }

  show(notes) {
    const name = notes.map((note) => note.join()).join(" ");
    if (name === this.shown) return;
    this.shown = name;
    this.now.replaceChildren();
    for (const [string, fret, pitch] of notes) {
      if (fret === null) continue;
      const [cx, cy] = [this.x(fret), this.y(string)];
      this.now.append(make("circle", { class: "current", cx, cy, r: 13 }));
      this.now.append(make("text", { class: "pitch", x: cx, y: cy + 5 }, pitch.replace(/\d+/, "")));
    }
  }
}
