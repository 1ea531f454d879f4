// The phrase language in the editor: colours, what may be written next, a place at the cursor.
import { StreamLanguage } from "./vendor/codemirror.js";

const COUNT = /^(\d*)(e|trip|&|let|a|\+\d+\/\d+)?$/;
const PARTS = { "": 0, e: 0.25, trip: 1 / 3, "&": 0.5, let: 2 / 3, a: 0.75 };
const BEATS = 4;

// TOML, and inside `notes` the line language. Places, techniques and marks are told apart.
const words = [
  [/\s+/, null], [/\|/, "punctuation"], [/\{[^}]*\}?/, "meta"], [/[.\-%=](?=\s|$|'|")/, "atom"],
  [/[/\\]?[EADGBe](\d{1,2}|x)/, "variableName"], [/(\d{0,2}(\+\d+\/\d+|trip|let|&|[ea])|[1-4])(?=\s|$)/, "number"],
  [/(pb|tr|~~?|[/\\hpbrv])(\d{1,2})?(\([^)]*\))?/, "operator"], [/\+/, "punctuation"],
];
const language = StreamLanguage.define({
  startState: () => ({ quote: "", notes: false, key: "" }),
  token(stream, state) {
    if (state.quote) {
      if (stream.match(state.quote)) { state.quote = ""; return "string"; }
      if (state.notes) {
        for (const [pattern, kind] of words) if (stream.match(pattern)) return kind;
        stream.next();
        return "invalid";
      }
      if (state.quote[0] === '"' && stream.match(/\\./)) return "string";
      stream.next();
      while (!stream.eol() && !stream.match(state.quote, false) && stream.peek() !== "\\") stream.next();
      return "string";
    }
    if (stream.eatSpace()) return null;
    if (stream.match(/#.*/)) return "comment";
    if (stream.sol() && stream.match(/\[\[?[^\]]*\]?\]?/)) return "heading";
    const opened = stream.match(/'''|"""|'|"/);
    if (opened) { state.quote = opened[0]; state.notes = state.key === "notes"; return "string"; }
    const key = stream.match(/[\w-]+(?=\s*=)/);
    if (key) { state.key = key[0]; return "propertyName"; }
    if (stream.match(/true|false|\d[\d.-]*/)) return "number";
    stream.next();
    return null;
  },
  blankLine(state) { if (state.quote.length === 1) state.quote = ""; },
  languageData: { commentTokens: { line: "#" }, closeBrackets: { brackets: ["(", "[", "{", "'", '"'] } },
});

// Return where the notes around a place of a text begin and end, or null.
const notesAround = (text, at) => {
  for (const found of text.matchAll(/^\s*notes\s*=\s*('''|"""|'|")/gm)) {
    const start = found.index + found[0].length;
    const close = text.indexOf(found[1], start);
    const line = found[1].length === 1 ? text.indexOf("\n", start) : -1;
    const end = [close, line].filter((one) => one >= 0).reduce((a, b) => Math.min(a, b), text.length);
    if (start <= at && at <= end) return [start, end];
  }
  return null;
};

const isCount = (word) => word !== "" && COUNT.test(word);

// Return what to insert so that a place stands at the cursor: over what is chosen, after a count, or
// with the next count of its own.
const written = (text, from, to, place, step) => {
  const notes = notesAround(text, from);
  if (!notes) return null;
  const chosen = text.slice(from, to);
  if (/^[/\\]?[EADGBe](\d{1,2}|x)/.test(chosen)) {
    const old = chosen.match(/^[/\\]?[EADGBe](\d{1,2}|x)/)[0];
    return { from, to: from + old.length, insert: place };
  }
  // What is touched by the cursor is left whole.
  while (from < notes[1] && /[^\s|]/.test(text[from])) from++;
  const before = text.slice(notes[0], from).match(/\||[^\s|]+/g) ?? [];
  const gap = from > notes[0] && /\S/.test(text[from - 1]) ? " " : "";
  const after = from < notes[1] && /\S/.test(text[from]) ? " " : "";
  if (isCount(before.at(-1) ?? "")) return { from, to: from, insert: `${gap}${place}${after}` };
  let [beat, at, bar] = [0, -1, before.includes("|")];
  const exact = step === 0.33 ? 1 / 3 : step;
  const parts = exact === step ? PARTS : { ...PARTS, "&": 2 / 3 }; // the swung half is where the third third is
  for (const word of before) {
    if (word === "|") { beat = 0; at = -1; }
    const count = isCount(word) && word.match(COUNT);
    if (count) { beat = Number(count[1] || beat); at = beat - 1 + (parts[count[2] ?? ""] ?? 0.5); }
  }
  let next = at < 0 ? 0 : (Math.floor(at / exact + 1e-6) + 1) * exact;
  const line = (!bar && at < 0) || next > BEATS - 1e-6 ? "| " : "";
  if (line) next = 0;
  const whole = Math.floor(next + 1e-6);
  const rest = Object.keys(PARTS).find((word) => Math.abs(PARTS[word] - (next - whole)) < 1e-3) ?? "";
  const count = rest && whole + 1 === beat && !line ? rest : `${whole + 1}${rest}`;
  return { from, to: from, insert: `${gap}${line}${count} ${place}${after}` };
};

// Return a source of completions from the words that the desk knows.
const completions = (known) => (context) => {
  const text = context.state.doc.toString();
  const option = (type) => ([label, detail]) => ({ label, detail, type });
  if (notesAround(text, context.pos)) {
    const brace = context.matchBefore(/\{[^}]*/);
    if (brace) {
      const from = context.pos - brace.text.slice(1).match(/[\w ]*$/)[0].trimStart().length;
      return { from, options: known.marks.map(option("keyword")), validFor: /^\w*$/ };
    }
    const size = context.matchBefore(/[brv~]\([^)]*/);
    if (size) return { from: size.from + 2, options: known.bends.map(option("constant")) };
    const word = context.matchBefore(/[^\s|'"]*/);
    const place = word.text.match(/^[/\\]?[EADGBe]\d{1,2}/);
    if (place) {
      const from = word.from + word.text.search(/[^\dEADGBe/\\][^\d]*$|$/);
      return { from: context.pos, options: [...known.techniques.map(option("function")), { label: "{", detail: "marks" }], validFor: /^$/, ...(from ? {} : {}) };
    }
    if (!context.explicit && !word.text) return null;
    const before = text.slice(0, word.from).trimEnd().match(/[^\s|]*$/)[0];
    const strings = ["E", "A", "D", "G", "B", "e"].map((label) => ({ label, detail: "a string, then its fret", type: "variable" }));
    const options = isCount(before)
      ? [...strings, { label: ".", detail: "a rest" }, { label: "-", detail: "rings on" }, ...known.techniques.map(option("function"))]
      : [...known.counts.map(option("number")), { label: "|", detail: "a bar line" }];
    return { from: word.from, options };
  }
  const line = context.state.doc.lineAt(context.pos);
  const here = line.text.slice(0, context.pos - line.from);
  const value = here.match(/^\s*([\w-]+)\s*=\s*(["']?)([^"']*)$/);
  if (value) {
    const options = known.values[value[1]];
    if (!options) return null;
    const quote = value[2] ? "" : '"';
    return {
      from: context.pos - value[3].length,
      options: options.map(([label, detail]) => ({ label, detail, apply: `${quote}${label}${quote}`, type: "constant" })),
    };
  }
  const key = context.matchBefore(/^\s*[\w-]*$/);
  if (!key || (!key.text.trim() && !context.explicit)) return null;
  const heads = ["part", "tip", "variation", "variation.part", "phrase"].map((name) => ({ label: `[[${name}]]`, type: "class" }));
  return {
    from: key.to - key.text.trimStart().length,
    options: [...known.keys.map(([label]) => ({ label, apply: `${label} = `, type: "property" })), ...heads],
  };
};

export { completions, language, notesAround, written };
