// Hears the student, if asked: a tuner, marks on the tab while it plays, a review after each pass.
import { $, add, complain, say, text } from "./dom.js";
import { beginning, leadIn, now, plays, turnAt } from "./lesson.js";
import { eventsOf } from "./curve.js";
import { listen, middle } from "./ears.js";
import { review } from "./judge.js";
import { LIMITS } from "./limits.js";
import { breaks, delay, isMeasured, listenIn, measure } from "./microphone.js";
import { came, hearNoMore, open, until } from "./recorder.js";
import { halt, replay, sound } from "./player.js";
import { fit, spot } from "./show.js";
import { faultsOf, told } from "./told.js";

const AROUND = 0.3; // seconds that are heard before and after
const LIVE = 0.5; // seconds of a note that its mark waits for
const SILENT = 64; // frames, of a microphone that dropped out
const OFTEN = 120; // milliseconds from one look to the next
const NOTES = ["C", "C sharp", "D", "E flat", "E", "F", "F sharp", "G", "A flat", "A", "B flat", "B"];
const SIGNS = { there: "✓", early: "◂", late: "▸", flat: "♭", sharp: "♯" };

let passes = []; // of which it is not known yet how they were: segment, number, what is marked
let bias = 0; // seconds by which the last pass was late
let busy = false;
/** @type {any} */ let take = null; // the last pass that was heard: its sound, its loop and its bars
let timer = 0;
/** @type {any} */ let last = null;

/** Let the page draw whatever it has to, every few milliseconds. */
const breathe = () => {
  let since = performance.now();
  return async () => {
    if (performance.now() - since < 12) return;
    await new Promise((done) => { setTimeout(done); });
    since = performance.now();
  };
};

// --- what is the student's --------------------------------------------------------------------

/** Return what the student plays in bars [from, to) of a loop. */
export const mine = (loop, from, to) => {
  loop.written ??= eventsOf(loop.events, loop.ratio);
  const lead = leadIn(loop, from, to);
  const start = from - (beginning(loop, from)?.pickup ?? 0);
  return loop.written.filter(({ at }) => {
    if (at < start - 1e-3 || at >= (lead?.cut ?? to) - 0.02) return false;
    const turn = at < from ? beginning(loop, from)?.turn ?? -1 : turnAt(loop, [from, to], at + 0.02);
    return !plays(loop, turn);
  });
};

const startOf = ({ time, place, from, span }, pass) => time + from - place + pass * span;

/** Notice the pass that sounds. */
const notice = () => {
  const found = now.playing && sound.at(sound.context.currentTime);
  if (!found || found.before || now.replay) return;
  const { segment, pass } = found;
  if (passes.some((one) => one.segment === segment && one.pass === pass)) return;
  const { loop, from, to, place } = segment;
  const first = pass ? -Infinity : place - (beginning(loop, place)?.pickup ?? 0) - 1e-3;
  const events = mine(loop, from, to).filter(({ at }) => at >= first);
  passes.push({ segment, pass, events, start: startOf(segment, pass), marked: 0 });
  for (const mark of document.querySelectorAll(".heard")) mark.remove();
};

// --- while it plays ---------------------------------------------------------------------------

const show = (event, loop, sign) => {
  if (loop.version !== now.version) return;
  const { holder, share } = spot(loop, event.at);
  const mark = add(holder, "span", { class: `heard ${sign}`, "aria-hidden": "true" }, SIGNS[sign]);
  mark.style.left = `${(100 * share).toFixed(2)}%`;
};

const cut = async (event, at) => {
  const from = at - AROUND;
  const ears = await listen(came(from, at + event.end - event.at + AROUND), sound.context.sampleRate, breathe());
  return review([{ ...event, at: AROUND, end: AROUND + event.end - event.at }], ears).judged[0];
};

const signOf = (one) => {
  const off = one.off - bias;
  const bend = one.bends.map(({ off: cents }) => cents).find((cents) => Math.abs(cents) > LIMITS.tuning);
  if (bend !== undefined) return bend < 0 ? "flat" : "sharp";
  return Math.abs(off) <= LIMITS.single ? "there" : off < 0 ? "early" : "late";
};

/** Mark the next note that has been played; what is not heard is left to the review. */
const markNext = async ({ events, start, segment, marked }, done) => {
  const event = events[marked];
  const at = start + event.at - segment.from + delay();
  if (until() < at + Math.min(LIVE, event.end - event.at) + AROUND) return false;
  done();
  if (event.kind !== "pick") return true;
  const one = await cut(event, at);
  if (open() && one?.how === "played" && Number.isFinite(one.off)) {
    show(event, segment.loop, signOf(one));
  }
  return true;
};

// --- after a pass -----------------------------------------------------------------------------

/** Whether sound breaks off at once to silence without any noise, and comes back. */
const torn = (wave) => {
  let since = 0;
  for (let n = 1; n < wave.length; n++) {
    if (wave[n] === 0 && wave[n - 1] !== 0) since = Math.abs(wave[n - 1]) > 0.01 ? n : Infinity;
    else if (wave[n] !== 0 && wave[n - 1] === 0 && n - since >= SILENT && Math.abs(wave[n]) > 0.01) return true;
  }
  return false;
};

const reviewPass = async ({ segment, events, start }) => {
  const { loop, from, to } = segment;
  const first = Math.min(from, events[0].at) - AROUND;
  const zero = start + first - from + delay();
  const rate = sound.context.sampleRate;
  const wave = came(zero, start + segment.span + delay() + AROUND);
  const moved = events.map((one) => ({ ...one, at: one.at - first, end: one.end - first }));
  const gaps = breaks(zero, zero + wave.length / rate);
  const found = review(moved, await listen(wave, rate, breathe()), gaps.map(([time, by]) => [time - zero, by]));
  bias = found.late;
  take = { wave, rate, loop, from, to, since: first };
  const lines = told(found, isMeasured());
  if (gaps.length || torn(wave)) lines.push("the sound broke off: close what else is busy on this machine");
  $("review").replaceChildren();
  for (const line of lines) add($("review"), "li", {}, line);
  if (now.version === loop.version) {
    for (const mark of document.querySelectorAll(".heard")) mark.remove();
    for (const one of found.judged) {
      if (one.event.kind !== "pick" || one.how !== "played" || !Number.isFinite(one.off)) continue;
      const bad = faultsOf(one, found.late)[0]?.[0];
      const bend = one.bends.some(({ off }) => off < 0) ? "flat" : "sharp";
      const sign = bad === "bend" ? bend : bad === "time" ? (one.off > found.late ? "late" : "early") : "there";
      show({ at: one.event.at + first }, loop, sign);
    }
  }
  $("compare").hidden = false;
  say(lines[0] ?? "");
  last = found;
};

/** Return the last review. */
export const lastReview = () => last;

const look = async () => {
  if (!open() || busy) return;
  busy = true;
  try {
    notice();
    if (!now.playing && !passes.length) return await tune();
    for (const pass of passes.slice()) {
      const { segment, start, events, marked } = pass;
      if (marked < events.length && await markNext(pass, () => { pass.marked += 1; })) return undefined;
      const over = start + segment.span;
      const ended = segment.until < over - 0.1 || (!now.playing && until() < over);
      if (!ended && until() < over + delay() + AROUND + 0.1) continue;
      passes = passes.filter((one) => one !== pass);
      if (!ended && events.length) return await reviewPass(pass);
    }
    return undefined;
  } finally {
    busy = false;
  }
};

const tune = async () => {
  const end = until();
  const rate = sound.context.sampleRate;
  const wave = came(end - 0.3, end);
  const ears = wave.some((one) => Math.abs(one) > 1e-3) ? await listen(wave, rate) : null;
  const cents = ears ? middle(ears.pitched(0.1, 0.25, 0.2)) : NaN;
  if (!Number.isFinite(cents)) return text("tuner", "Play a string to tune it.");
  const note = Math.round(cents / 100);
  const off = Math.round(cents - 100 * note);
  const how = Math.abs(off) <= LIMITS.fretted ? "in tune" : `${Math.abs(off)} cents ${off < 0 ? "flat" : "sharp"}`;
  $("tuner").style.setProperty("--off", `${off}%`);
  return text("tuner", `${NOTES[note % 12]} ${Math.floor(note / 12) - 1}: ${how}`);
};

// --- what is pressed --------------------------------------------------------------------------

export const hearMe = async () => {
  if (open()) {
    clearInterval(timer);
    hearNoMore();
    passes = [];
  } else {
    try {
      complain("");
      await listenIn();
      timer = setInterval(look, OFTEN);
    } catch (error) {
      complain(/** @type {any} */ (error).message);
    }
  }
  $("mic").setAttribute("aria-pressed", open());
  $("ear").hidden = !open();
  fit();
  say(open() ? "Listening" : "Not listening");
};

export const measureDelay = async () => {
  if (now.playing) halt();
  text("delay", "Listening for the noise");
  try {
    text("delay", `${Math.round(1000 * await measure())} ms, remembered`);
  } catch (error) {
    text("delay", /** @type {any} */ (error).message);
  }
};

/** Play the last pass that was heard with the band, or the guitar in its place. */
export const compare = async (own) => {
  if (!take) return;
  const { loop, from, to, wave, rate, since } = take;
  const buffer = new AudioBuffer({ length: wave.length, sampleRate: rate });
  if (own) buffer.copyToChannel(wave, 0);
  await replay(own ? "mine" : "guitar", loop, [from, to], from - since, buffer);
};
