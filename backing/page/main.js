// Keys, fingers, and the first screen.
import { $, roomy, say } from "./dom.js";
import { chosen, groovesOf, keysOf, lesson, now, pick, recall, remember } from "./lesson.js";
import { breaks, delay } from "./microphone.js";
import { came, until } from "./recorder.js";
import { chooseBar, chooseBars, chooseGuitar, choosePiece, chooseRound, chooseTempo, cycle, nudgeTempo, seek, stepTempo } from "./choose.js";
import { compare, hearMe, lastReview, measureDelay } from "./listen.js";
import { prefetch, sound, toggle } from "./player.js";
import { barUnder, buildChoices, buildMusic, drawNeck, mark } from "./score.js";
import { again, goTo, lead, led, onward, resume } from "./session.js";
import { eventsOf } from "./curve.js";
import { listen } from "./ears.js";
import { review } from "./judge.js";
import { clear, draw, fit, leave } from "./show.js";
import { held, ready } from "./store.js";

// --- settings ---------------------------------------------------------------------------------

const TICKS = { "count-in": "countIn", "step-up": "stepUp", letters: "letters", clicks: "clicks", alone: "alone" };
const SLIDES = { balance: "balance", volume: "level" };

const setSlides = () => {
  sound.balance = chosen.balance / 100;
  sound.volume = chosen.level / 100;
  [sound.alone, sound.clicks] = [chosen.alone, chosen.clicks];
  sound.levels();
  const more = chosen.balance > 0 ? `guitar ${chosen.balance} % more` : `band ${-chosen.balance} % more`;
  $("balance").setAttribute("aria-valuetext", chosen.balance ? more : "even");
  remember();
};

const flip = (id) => {
  $(id).click();
  say(`${$(id).parentElement.textContent.trim()} ${$(id).checked ? "on" : "off"}`);
};

const tilt = (by) => {
  chosen.balance = Math.max(-100, Math.min(100, chosen.balance + by));
  $("balance").value = chosen.balance;
  setSlides();
};

const next = (what, list, value) => list.length > 1 && choosePiece({ [what]: cycle(list, value) });

// On a telephone the settings come up over the music.
const more = (open) => {
  document.body.classList.toggle("settings-up", open);
  $("more").setAttribute("aria-expanded", open);
  clear();
};

// --- keys -------------------------------------------------------------------------------------

const LETTERS = {
  a: () => chooseGuitar("both"),
  c: () => chooseGuitar("call"),
  r: () => chooseGuitar("response"),
  m: () => chooseGuitar("mine"),
  g: () => tilt(10),
  b: () => tilt(-10),
  l: hearMe,
  n: () => flip("count-in"),
  s: () => flip("step-up"),
  t: () => flip("clicks"),
  o: () => flip("alone"),
  v: () => next("piece", lesson.pieces.map((one) => one.name), now.piece.name),
  k: () => next("key", keysOf(now.piece), now.version.key),
  f: () => next("groove", groovesOf(now.piece), now.version.groove),
  "-": () => nudgeTempo(-1),
  "+": () => nudgeTempo(1),
  "=": () => nudgeTempo(1),
  0: () => chooseBars(1, now.version.bars),
};
for (let number = 1; number <= 9; number++) LETTERS[number] = () => chooseBar(number);

// A foot pedal that turns pages sends arrows, page up and down, or enter.
const PEDAL = {
  ArrowRight: onward, ArrowDown: onward, PageDown: onward, Enter: onward,
  ArrowLeft: again, ArrowUp: again, PageUp: again,
};
const ARROWS = {
  ArrowUp: () => stepTempo(1), ArrowDown: () => stepTempo(-1), ArrowLeft: () => seek(-1), ArrowRight: () => seek(1),
};
const SPACE = { " ": toggle };
const SCROLLS = { PageUp: leave, PageDown: leave, Home: leave, End: leave };
const TYPED = ["select", "radio", "range"]; // move by arrows themselves
const PRESSED = ["button", "summary", "a", "checkbox"]; // are pressed by enter

// What keys do, the first row that has one and is not for `others` than who has the focus. A radio
// that is focused is checked already, so the space bar is the player's there.
const KEYS = [
  { keys: { Escape: () => more(false) }, through: true },
  { keys: PEDAL, when: (event) => led() && !event.shiftKey, not: TYPED, enter: PRESSED, once: true },
  { keys: SCROLLS, through: true },
  { keys: ARROWS, when: (event) => event.shiftKey, does: leave, through: true },
  { keys: SPACE, not: ["button", "select", "summary", "checkbox", "unchecked"], once: true },
  { keys: ARROWS, not: TYPED },
  { keys: LETTERS, when: () => chosen.letters, not: ["select"] },
];

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
  const at = /** @type {any} */ (event.target);
  const kinds = [at.type === "radio" && !at.checked && "unchecked", at.localName === "input" ? at.type : at.localName];
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const row = KEYS.find((one) => Object.hasOwn(one.keys, key) && (one.when?.(event) ?? true));
  const taken = [...row?.not ?? [], ...(key === "Enter" && row?.enter) || []];
  if (!row || kinds.some((kind) => taken.includes(kind))) return;
  if (!row.through) event.preventDefault();
  if (!(row.once && event.repeat)) (row.does ?? row.keys[key])();
});

// --- fingers ----------------------------------------------------------------------------------

const CLICKS = {
  play: toggle, round: chooseRound, again, on: onward, free: () => lead(false), led: () => lead(true),
  mic: hearMe, measure: measureDelay, "hear-me": () => compare(true), "hear-guitar": () => compare(false),
  more: () => more(!document.body.classList.contains("settings-up")),
};
for (const [id, does] of Object.entries(CLICKS)) $(id).addEventListener("click", does);

const CHANGES = {
  piece: (value) => choosePiece({ piece: value }),
  key: (value) => choosePiece({ key: value }),
  groove: (value) => choosePiece({ groove: value }),
  guitar: chooseGuitar,
  tempo: (value) => chooseTempo(Number(value)),
  pace: (value) => chooseTempo(Number(value)),
  passes: (value) => {
    chosen.passes = Number(value);
    remember();
  },
};
for (const [id, does] of Object.entries(CHANGES)) $(id).addEventListener("change", ({ target }) => does(target.value));
for (const [id, name] of Object.entries(TICKS)) {
  $(id).addEventListener("change", () => {
    chosen[name] = $(id).checked;
    setSlides();
  });
}
for (const [id, name] of Object.entries(SLIDES)) {
  $(id).addEventListener("input", () => {
    chosen[name] = Number($(id).value);
    setSlides();
  });
}

$("bars").addEventListener("click", ({ target }) => {
  const [first, last] = (target.dataset.bars ?? "").split(" ").map(Number);
  if (first && first === last && target.textContent === String(first)) chooseBar(first);
  else if (first) chooseBars(first, last);
});

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
  else chooseBars(first, last);
});

for (const name of ["pointerdown", "focusin"]) {
  document.addEventListener(name, ({ target }) => {
    if (!(target instanceof Element) || target.closest(".dock") || !document.body.classList.contains("settings-up")) return;
    more(false);
    if (name === "focusin") target.scrollIntoView({ block: "nearest" }); // what stood above it has become lower
  });
}
// After a press of a finger the space bar is the player's again; keyboards keep their focus.
document.addEventListener("click", (event) => {
  const at = /** @type {any} */ (event.target)?.closest("button, input, summary");
  if (at && event.detail > 0 && at.type !== "range") at.blur();
});
document.addEventListener("pointerup", () => {
  const at = /** @type {any} */ (document.activeElement);
  if (at?.type === "range") at.blur();
});

// Who scrolls wants to see something else than what sounds.
for (const name of ["wheel", "touchmove"]) {
  document.addEventListener(name, ({ target }) => {
    if (!(target instanceof Element && target.closest(".ladder, [type=range]"))) leave();
  }, { passive: true });
}

// --- the first screen -------------------------------------------------------------------------

let wide = roomy();
const resized = () => {
  if (wide !== roomy()) drawNeck();
  wide = roomy();
  fit();
  mark();
  if (!now.playing) draw();
};
addEventListener("resize", resized);
// What stands above the music is as high as its letters, which may come late.
document.fonts.ready.then(resized);

$("keys").open = roomy() && innerWidth >= 1080;
recall();
pick();
now.rest = chosen.first;
for (const [id, name] of Object.entries(TICKS)) $(id).checked = chosen[name];
for (const [id, name] of Object.entries(SLIDES)) $(id).value = chosen[name];
$("passes").value = String(chosen.passes);
if (!$("passes").value) $("passes").value = "2";
$("log-on").checked = chosen.log;
$("key-led").hidden = !lesson.session.length;
goTo();
buildChoices();
buildMusic();
fit();
mark();
setSlides();
resume();
draw();
prefetch();

// What a test asks.
/** @type {any} */ (window).practice = {
  sound, chosen, lesson, ready, held, lastReview, listen, review, eventsOf, breaks, came, delay, until,
  now: () => ({ ...now, found: now.playing ? sound.at(sound.heard()) : null }),
};
