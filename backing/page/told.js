// A review in a teacher's words: those of `backing.listening.words`, for one pass.
import { mean, middle } from "./ears.js";
import { LIMITS } from "./limits.js";

const { EVEN, FEW, MOST, WEIGHTS, all, fretted, single, tuning } = LIMITS;

const timed = (one) => one.event.kind === "pick" && !one.event.raked && Number.isFinite(one.off);
const spread = (values) => Math.sqrt(mean(values.map((one) => (one - mean(values)) ** 2)));
const ms = (seconds) => `${Math.round(Math.abs(seconds) * 1000)} ms`;
const several = (count, word) => `${count} ${word}${count === 1 ? "" : "s"}`;
const semitones = (count) => (count === 1 ? "a semitone" : `${count} semitones`);

const interval = (cents) => {
  if (cents < 38) return `a little (${Math.round(cents)} cents)`;
  const named = [[50, "a quarter tone"], [100, "a semitone"], [200, "a tone"]];
  return named.find(([middleOf]) => Math.abs(cents - Number(middleOf)) <= 12)?.[1]
    ?? `${Math.round(cents)} cents (100 are a semitone)`;
};

/** Return what is wrong with a note: its kind and the words for it. */
export const faultsOf = (one, late) => {
  const found = [];
  const strings = one.event.parts.map((part) => part.string).reverse();
  const what = { step: "the note after it", dead: "the muted stroke" }[one.event.kind]
    ?? `the note on the ${strings.join(" and ")} string${strings.length > 1 ? "s" : ""}`;
  if (one.how === "missed") found.push(["missed", `${what} is not heard`]);
  for (const string of one.lacks.slice(0, 1)) found.push(["missed", `the ${string} string of the double stop is not heard`]);
  if (one.how === "wrong") {
    const steps = Math.round(one.pitch / 100);
    found.push(["wrong", `another note, ${semitones(Math.abs(steps))} too ${steps > 0 ? "high" : "low"}`]);
  }
  for (const sign of [-1, 1]) {
    const offs = one.bends.map((bend) => bend.off).filter((off) => Math.abs(off) > tuning && off * sign > 0);
    const far = interval(Math.abs(middle(offs)));
    if (offs.length) found.push(["bend", sign < 0 ? `the bend stops ${far} short` : `the bend goes ${far} too far`]);
  }
  const off = one.off - late;
  if (timed(one) && Math.abs(off) > single) found.push(["time", `${ms(off)} ${off > 0 ? "late" : "early"}`]);
  return found;
};

/** Return what is said of a pass; `measured` says whether the way of the sound was measured. */
export const told = ({ judged, extra, late, tuning: sharp, step }, measured) => {
  const known = judged.filter((one) => one.how !== "unclear");
  const picks = known.filter((one) => one.event.kind === "pick");
  const there = picks.filter((one) => one.how === "played").length;
  const open = judged.some((one) => one.how === "unclear" && one.event.kind === "pick");
  const good = [];
  if (picks.length && there === picks.length) good.push(`every one of the ${several(picks.length, "note")}${open ? " that could be judged" : ""} is there`);
  else if (picks.length && there >= 0.8 * picks.length) good.push(`${there} of ${several(picks.length, "note")} are there`);
  const bends = picks.flatMap((one) => one.bends).map((bend) => bend.off).filter(Number.isFinite);
  const tuned = bends.filter((off) => Math.abs(off) <= tuning).length;
  if (bends.length && tuned >= 0.8 * bends.length) {
    good.push(`the bends are in tune, ${tuned} of ${bends.length} within ${Math.round(tuning)} cents`);
  }
  const times = picks.filter(timed).map((one) => one.off - late);
  if (times.length >= FEW && spread(times) <= EVEN) good.push(`the time is even, within ${ms(spread(times))}`);

  const work = known.flatMap((one) => faultsOf(one, late).map(([kind, said]) => [WEIGHTS[kind], `${one.event.place}: ${said}`]));
  work.sort(([a], [b]) => b - a);
  const lines = work.slice(0, MOST).map(([, said]) => said);
  if (lines.length < MOST && extra.length) {
    lines.push(extra.length === 1 ? "a note that is not written" : `${extra.length} notes that are not written`);
  }

  const rest = [];
  if (Math.abs(late) > all) {
    rest.push(`all of it is ${ms(late)} ${late > 0 ? "late" : "early"}${measured ? "" : ": you, or a delay that is not measured"}`);
  }
  if (Math.abs(sharp) > fretted * 2) {
    rest.push(`the guitar is ${Math.round(Math.abs(sharp))} cents ${sharp > 0 ? "sharp" : "flat"} of A4 = 440 Hz; bends are measured against it`);
  }
  for (const { event, vibrato } of known) {
    if (vibrato) rest.push(`${event.place}: vibrato ${vibrato.hertz.toFixed(1)} Hz, ${Math.round(vibrato.cents)} cents wide`);
  }
  const unsaid = [[judged.filter((one) => one.how === "unclear").length, "note"],
    [judged.flatMap((one) => one.bends).filter((bend) => bend.why).length, "bend"]];
  const unclear = unsaid.filter(([count]) => count).map(([count, word]) => several(count, word));
  if (unclear.length) rest.push(`not judged, because it is not clear enough: ${unclear.join(" and ")}`);
  if (step) rest.push(`the microphone dropped out and was ${ms(step)} off from there; it was allowed for`);
  return [...good.map((line) => `good: ${line}`), ...lines.map((line) => `work on: ${line}`), ...rest];
};
