// What the lesson holds, what the student chose, and what follows from both.

const $ = (id) => document.getElementById(id);
const lesson = JSON.parse($("lesson").textContent);
const sound = new Sound(lesson.sounds);
const neck = new Neck($("neck"));
const calm = matchMedia("(prefers-reduced-motion: reduce)");
const roomy = matchMedia("(min-width: 700px) and (min-height: 561px)");
const GUITAR = {
  both: ["both", ""], call: ["the call", "you answer"], response: ["the response", "you call"],
  mine: ["nothing", "all yours"],
};

const NEAR = 1e-3; // seconds; what Python wrote is rounded
const STORE = `practice page: ${lesson.name}`;
const usual = {
  piece: lesson.pieces[0].name, key: "", groove: "", tempo: 0, guitar: "both", first: 1, last: 0, balance: 0,
  level: 40, countIn: true, stepUp: false, passes: 2, letters: true,
  led: true, step: 0, log: true,
};
const chosen = { ...usual };

const remember = () => {
  try {
    localStorage.setItem(STORE, JSON.stringify(chosen));
  } catch {
    // Private windows and some web views have no memory; the page plays all the same.
  }
};

const recall = () => {
  try {
    const found = JSON.parse(localStorage.getItem(STORE) ?? "{}");
    for (const name of Object.keys(usual)) {
      if (typeof found?.[name] === typeof usual[name]) chosen[name] = found[name];
    }
  } catch {
    // As above, or somebody else's text.
  }
};

let piece, version, loop, systems, tips, anchor, playing = false, waiting = false;
let away = false; // whether the student has scrolled to something else than what sounds

const pick = () => {
  piece = lesson.pieces.find((one) => one.name === chosen.piece) ?? lesson.pieces[0];
  const keyed = piece.versions.filter((one) => one.key === chosen.key);
  const near = keyed.length ? keyed : piece.versions.filter((one) => one.key === piece.versions[0].key);
  version = near.find((one) => one.groove === chosen.groove) ?? near[0];
  const distance = (one) => Math.abs(one.tempo - chosen.tempo);
  loop = chosen.tempo
    ? version.loops.reduce((best, one) => (distance(one) < distance(best) ? one : best))
    : version.loops[0];
  const bars = version.bars;
  if (!(chosen.last >= 1 && chosen.last <= bars)) chosen.last = bars;
  if (!(chosen.first >= 1 && chosen.first <= chosen.last)) chosen.first = 1;
  chosen.first = Math.round(chosen.first);
  chosen.last = Math.round(chosen.last);
  const roles = new Set(version.turns);
  if (!Object.hasOwn(GUITAR, chosen.guitar)) chosen.guitar = "both";
  if (["call", "response"].includes(chosen.guitar) && !roles.has(chosen.guitar)) chosen.guitar = "both";
};

const beat = (one = loop) => 60 / one.tempo;
const versionOf = (one) => (version.loops.includes(one) ? version
  : lesson.pieces.flatMap((each) => each.versions).find((each) => each.loops.includes(one)));
const bar = (one = loop) => versionOf(one).beats * beat(one);
const whole = (first = chosen.first, last = chosen.last) => first === 1 && last === version.bars;
const region = (one = loop) => {
  const end = chosen.last === version.bars ? sound.length(one) : chosen.last * bar(one);
  return [(chosen.first - 1) * bar(one), end];
};

// Return the part that begins at a place of a loop and the seconds of its pickup, if one does.
const beginning = (one, place) => {
  const { downbeats } = versionOf(one);
  const turn = downbeats.findIndex((at) => Math.abs(at * bar(one) - place) < NEAR);
  return turn < 0 ? null : { turn, pickup: Math.max(0, place - one.turns[turn][0]) };
};

// Return what comes round at the end of bars [from, to) that begin with a part: that part's own
// pickup. What leads to a part behind them is left out; `cut` is where the guitar leaves them.
const leadIn = (one, from, to) => {
  const found = beginning(one, from);
  if (!found || to - from > sound.length(one) - NEAR) return null;
  const length = sound.length(one);
  const others = one.turns.map(([start]) => (start < -NEAR ? start + length : start));
  const foreign = others.filter((start, turn) => start < to - NEAR && start > from + NEAR
    && (versionOf(one).downbeats[turn] * bar(one) || length) > to - NEAR);
  if (!found.pickup && !foreign.length) return null;
  return { ...found, cut: Math.min(to - found.pickup, ...foreign) };
};

// Return the number of the turn to which a place of bars [from, to) belongs; a pickup belongs to
// what it leads to.
const turnAt = (one, [from, to], place) => {
  const lead = leadIn(one, from, to);
  if (lead && place >= to - lead.pickup - NEAR) return lead.turn;
  const at = lead ? Math.min(place, lead.cut - 2 * NEAR) : place;
  const length = sound.length(one);
  const found = one.turns.findIndex(([start, end]) => start - NEAR <= at && at < end - NEAR);
  if (found >= 0) return found;
  return one.turns.findIndex(([start]) => start < 0 && at >= length + start - NEAR);
};

const plays = (one, turn) => {
  if (chosen.guitar === "both") return true;
  if (chosen.guitar === "mine") return false;
  return turn >= 0 && versionOf(one).turns[turn] === chosen.guitar;
};
const sounds = (one, span, place) => plays(one, turnAt(one, span, place));
