// What the lesson holds, what the student chose, and what follows from both.
import { $ } from "./dom.js";

/** @import { Lesson, Loop, Piece, Row, Version } from "./types.d.ts" */

/** @type {Lesson} */
export const lesson = JSON.parse($("lesson").textContent);
for (const { versions } of lesson.pieces) {
  for (const version of versions) for (const loop of version.loops) Object.assign(loop, { version, ratio: 1 });
}

export const GUITAR = {
  both: ["both", ""], call: ["the call", "you answer"], response: ["the response", "you call"],
  mine: ["nothing", "all yours"],
};
const STRETCH = 0.12; // share by which a tempo may differ from the nearest one that was rendered
const NEAR = 1e-3; // seconds; what Python wrote is rounded

// --- what is remembered -----------------------------------------------------------------------

export const usual = {
  piece: lesson.pieces[0].name, key: "", groove: "", tempo: 0, guitar: "both", first: 1, last: 0, balance: 0,
  level: 40, countIn: true, stepUp: false, passes: 2, letters: true,
  led: true, step: 0, log: true, alone: false, clicks: false,
};
export const chosen = { ...usual };
const STORE = `practice page: ${lesson.name}`;

/** Return what is remembered by a name, undefined if there is nothing. */
export const recalled = (name) => {
  try {
    return JSON.parse(localStorage.getItem(name) ?? "null") ?? undefined;
  } catch {
    return undefined; // no memory, as in private windows and some web views, or somebody else's text
  }
};

/** Remember a value by a name, nothing if it is undefined. */
export const keep = (name, value) => {
  try {
    if (value === undefined) localStorage.removeItem(name);
    else localStorage.setItem(name, JSON.stringify(value));
  } catch {
    // As above; the page plays all the same.
  }
};

export const remember = () => keep(STORE, chosen);

export const recall = () => {
  const found = recalled(STORE);
  for (const name of Object.keys(usual)) {
    if (typeof found?.[name] === typeof usual[name]) chosen[name] = found[name];
  }
};

// --- what is there now ------------------------------------------------------------------------

/** @type {{ piece: Piece, version: Version, loop: Loop, systems: Record<string, Row[]>, tips: any[],
 *   playing: boolean, replay: string, rest: number, away: boolean }} */
export const now = {
  piece: lesson.pieces[0], version: lesson.pieces[0].versions[0], loop: lesson.pieces[0].versions[0].loops[0],
  systems: { wide: [], narrow: [] },
  tips: [],
  playing: false,
  rest: 1, // the bar from which play starts
  replay: "", // what is heard again: what was `mine`, or the `guitar` in its place
  away: false, // whether the student has scrolled to something else than what sounds
};

const different = (names) => [...new Set(names)];
export const keysOf = (one) => different(one.versions.map((each) => each.key));
export const groovesOf = (one) => different(one.versions.map((each) => each.groove));
export const answers = () => ["call", "response"].every((role) => now.version.turns.includes(role));

/** Return the rendered loop whose tempo is nearest. */
export const nearest = (version, tempo) => {
  const distance = (one) => Math.abs(Math.log(one.tempo / tempo));
  return version.loops.reduce((best, one) => (distance(one) < distance(best) ? one : best));
};

const between = new Map(); // loops that are made of others by stretching, by version and tempo

/** Return a version's loop at a tempo; the nearest rendered one where that is too far to stretch. */
export const loopAt = (version, tempo) => {
  const near = nearest(version, tempo);
  const share = tempo / near.tempo;
  if (share === 1 || !(Math.abs(share - 1) <= STRETCH)) return near;
  const name = `${lesson.pieces.indexOf(now.piece)} ${now.piece.versions.indexOf(version)} ${tempo}`;
  if (!between.has(name)) {
    const longer = (value) => (typeof value === "number" ? value / share : value?.map(longer));
    const ways = (list) => list.map((way) => way.map(([time, x]) => [time / share, x]));
    const { chords, turns, notes, tips, wide, narrow } = near;
    between.set(name, {
      ...near, tempo, ratio: 1 / share, wide: ways(wide), narrow: ways(narrow),
      chords: longer(chords), turns: longer(turns), notes: longer(notes), tips: longer(tips),
    });
  }
  return between.get(name);
};

/** Return the slowest tempo and the fastest that can be played. */
export const range = ({ loops }) => [
  Math.ceil(loops[0].tempo * (1 - STRETCH)), Math.floor(loops[loops.length - 1].tempo * (1 + STRETCH)),
];

/** Return a tempo in words; one that was not rendered is said to be stretched. */
export const pace = ({ tempo, ratio }) => (ratio === 1 ? `${tempo}` : `${tempo}, stretched from ${Math.round(tempo * ratio * 100) / 100}`);

/** Find what was chosen, or what comes nearest. */
export const pick = () => {
  now.piece = lesson.pieces.find((one) => one.name === chosen.piece) ?? lesson.pieces[0];
  const { versions } = now.piece;
  const keyed = versions.filter((one) => one.key === chosen.key);
  const near = keyed.length ? keyed : versions.filter((one) => one.key === versions[0].key);
  now.version = near.find((one) => one.groove === chosen.groove) ?? near[0];
  const { loops, bars, turns } = now.version;
  now.loop = chosen.tempo ? loopAt(now.version, chosen.tempo) : loops[0];
  if (!(chosen.last >= 1 && chosen.last <= bars)) chosen.last = bars;
  if (!(chosen.first >= 1 && chosen.first <= chosen.last)) chosen.first = 1;
  chosen.first = Math.round(chosen.first);
  chosen.last = Math.round(chosen.last);
  if (!Object.hasOwn(GUITAR, chosen.guitar)) chosen.guitar = "both";
  if (["call", "response"].includes(chosen.guitar) && !turns.includes(chosen.guitar)) chosen.guitar = "both";
};

/** Return the tempo after or before the one that is chosen. */
export const nextLoop = (way = 1, one = now.loop) => {
  const { loops } = one.version;
  return way > 0 ? loops.find((each) => each.tempo > one.tempo) : loops.findLast((each) => each.tempo < one.tempo);
};

export const beat = (one = now.loop) => 60 / one.tempo;
export const bar = (one = now.loop) => one.version.beats * beat(one);
export const length = (one) => {
  const { frames, rate } = lesson.sounds[one.band];
  return (frames * one.ratio) / rate;
};

export const whole = (first = chosen.first, last = chosen.last) => first === 1 && last === now.version.bars;

/** Return the places in a loop between which it is played.
 * @returns {[number, number]} */
export const region = (one = now.loop) => {
  const end = chosen.last === one.version.bars ? length(one) : chosen.last * bar(one);
  return [(chosen.first - 1) * bar(one), end];
};

/** Return the parts that have a role: what they are called, their first bar and their last. */
export const parts = () => {
  const { turns, downbeats, bars } = now.version;
  return turns.flatMap((role, turn) => {
    const last = downbeats[turn + 1] ?? bars;
    /** @type {[string, number, number][]} */
    const found = role === "line" ? [] : [[role[0].toUpperCase() + role.slice(1), downbeats[turn] + 1, last]];
    return found;
  });
};

// --- whose turn it is -------------------------------------------------------------------------

/** Return the part that begins at a place of a loop and the seconds of its pickup, if one does. */
export const beginning = (one, place) => {
  const turn = one.version.downbeats.findIndex((at) => Math.abs(at * bar(one) - place) < NEAR);
  return turn < 0 ? null : { turn, pickup: Math.max(0, place - one.turns[turn][0]) };
};

/** Return what comes round at the end of bars [from, to) that begin with a part: that part's own
 * pickup. What leads to a part behind them is left out; `cut` is where the guitar leaves them. */
export const leadIn = (one, from, to) => {
  const found = beginning(one, from);
  if (!found || to - from > length(one) - NEAR) return null;
  const others = one.turns.map(([start]) => (start < -NEAR ? start + length(one) : start));
  const foreign = others.filter((start, turn) => start < to - NEAR && start > from + NEAR
    && (one.version.downbeats[turn] * bar(one) || length(one)) > to - NEAR);
  if (!found.pickup && !foreign.length) return null;
  return { ...found, cut: Math.min(to - found.pickup, ...foreign) };
};

/** Return the number of the turn to which a place of bars [from, to) belongs; a pickup belongs to
 * what it leads to. */
export const turnAt = (one, [from, to], place) => {
  const lead = leadIn(one, from, to);
  if (lead && place >= to - lead.pickup - NEAR) return lead.turn;
  const at = lead ? Math.min(place, lead.cut - 2 * NEAR) : place;
  const found = one.turns.findIndex(([start, end]) => start - NEAR <= at && at < end - NEAR);
  if (found >= 0) return found;
  return one.turns.findIndex(([start]) => start < 0 && at >= length(one) + start - NEAR);
};

/** Whether the guitar plays in a turn, and at a place of bars. */
export const plays = (one, turn) => {
  if (chosen.guitar === "both" || now.replay === "guitar") return true;
  if (chosen.guitar === "mine") return false;
  return turn >= 0 && one.version.turns[turn] === chosen.guitar;
};
export const sounds = (one, span, place) => plays(one, turnAt(one, span, place));

/** Return the seconds of the pickup that the guitar plays to a place. */
export const pickupTo = (place, one = now.loop) => {
  const found = beginning(one, place);
  return found && plays(one, found.turn) ? found.pickup : 0;
};
