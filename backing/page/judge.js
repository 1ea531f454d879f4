// What was played of what is written: which notes came, when, how far they were bent. The method is
// that of `backing.listening.match` and `judge`. Seconds late are positive, cents sharp are positive.
import { centsAt } from "./curve.js";
import { hann, hertzOf, mean, middle, spectrum } from "./ears.js";
import { LIMITS } from "./limits.js";

const {
  AFTER, ALONE, ASTRAY, BEND_HOLD, BESIDE, BRIEF, CURVED, CUT, FAST, FIND, FLATTENED, HEARD, KNOWN, LOUD, LOWEST_SLIP,
  MISSED, MISSED_SOFT, NEAR, OCTAVES, PARTIAL, PARTIALS, RATES, SLIP, SLIPS, SOFTEST, SOFT_MISS, SPOKEN, SPREAD, STEP,
  STRONG, TOP, TREMBLES, UNHEARD, VIBRATO, WIDTHS, WRONG,
} = LIMITS;
const CLEARLY = 4.5; // standard errors from which a step is believed
const THERE = 2; // the same where it is known when sound broke off
const SPLITS = 4; // notes that must lie before and after a step of the microphone
const JAGGED = 16; // times the rest by which a bow of the wave stands out where it was cut
const NOBODY = -1; // the beginning before is nobody's

const within = (value, most) => Math.abs(value) < most; // false for what is not a number

/** Return the distance in cents of what begins from an event's own curve. */
const pitchOff = (event, onset, hop, tuning) => {
  let best = NaN;
  const room = Math.max(4, Math.floor((event.end - event.at) / hop) - AFTER);
  const seconds = Array.from({ length: Math.min(onset.cents[0].length, room) }, (_, n) => (n + AFTER) * hop);
  for (const part of event.parts) {
    const last = part.since + seconds[seconds.length - 1] + 0.05;
    const moving = part.glides.some(([start, takes]) => start < last && start + takes > part.since);
    for (const late of moving ? FAST : FAST.slice(0, 1)) {
      const apart = seconds.map((at, n) => {
        // The curve is read as far back as before the beginning, where that is a step.
        const wanted = centsAt({ ...part, since: 0 }, Math.max(0, at + late) + part.since) + tuning;
        const [usual, higher] = [onset.cents[0][n] - wanted, onset.cents[1][n] - wanted];
        return within(higher, 60) && !within(usual, 90) ? higher : usual;
      });
      const one = middle(apart);
      if (Number.isNaN(best) || Math.abs(one) < Math.abs(best)) best = one;
    }
  }
  return best;
};

/** Return by how many seconds most of a take is late, from -reach to reach. */
const lag = (events, onsets, reach = 0.25) => {
  const clear = onsets.filter((one) => one.strength > 0.3).map((one) => one.at);
  const counts = new Float64Array(Math.round(reach / 0.001) + 1);
  for (const { at } of events.filter((one) => one.kind === "pick")) {
    for (const one of clear) {
      const bin = Math.round((one - at + reach) / 0.002);
      if (within(one - at, reach) && counts[bin] !== undefined) counts[bin]++;
    }
  }
  let [best, found] = [-1, 0];
  for (const bin of counts.keys()) {
    const at = bin * 0.002 - reach;
    let height = 0; // players wander by some 20 ms
    for (let n = -30; n <= 30; n++) height += (counts[bin + n] ?? 0) * Math.exp(-0.5 * (n / 10) ** 2);
    height *= Math.exp(-0.5 * (at / (0.8 * reach)) ** 2);
    if (height > best + 1e-12) [best, found] = [height, at];
  }
  return found;
};

const pitchCost = (event, off) => {
  if (event.kind === "dead" || event.kind === "rake") return Number.isNaN(off) ? 0 : 0.4;
  const cost = Number.isNaN(off) ? 0.8 : Math.min(2.2, Math.max(0, (Math.abs(off) - 50) / 50));
  return event.parts.length > 1 ? cost * 0.3 : cost;
};

/** Pair events with beginnings: one edit distance over both in order. */
const match = (events, ears, late, tuning) => {
  const { onsets } = ears;
  const times = onsets.map((one) => one.at - late);
  const before = (limit, same) => times.findIndex((one) => (same ? one > limit : one >= limit));
  const count = (at) => (at < 0 ? times.length : at);
  let [low, costs] = [0, [0]];
  const rows = [];
  const apart = new Map();
  for (const [number, event] of events.entries()) {
    const first = count(before(event.at - NEAR, false));
    const last = count(before(event.at + NEAR, true));
    const missing = event.soft && event.kind === "pick" ? MISSED_SOFT : MISSED[event.kind];
    /** @type {[number[], (number | null)[]]} */
    const [fresh, who] = [[], []];
    for (let state = first; state <= last; state++) {
      /** @type {[number, number | null]} */
      let [cost, pair] = [costs[Math.min(state - low, costs.length - 1)] + missing, null];
      if (state > first) {
        const onset = onsets[state - 1];
        const off = pitchOff(event, onset, ears.hop, tuning);
        apart.set(`${number} ${state - 1}`, off);
        const paired = costs[Math.min(state - 1 - low, costs.length - 1)]
          + 0.5 * ((times[state - 1] - event.at) / SPREAD) ** 2 + pitchCost(event, off)
          + Math.max(0, 0.6 - 2 * onset.strength) - Math.min(2, Math.max(0, 4 * (onset.strength - 0.25)));
        if (paired < cost) [cost, pair] = [paired, state - 1];
        if (fresh[fresh.length - 1] <= cost) [cost, pair] = [fresh[fresh.length - 1], NOBODY];
      }
      fresh.push(cost);
      who.push(pair);
    }
    rows.push([first, who]);
    [low, costs] = [first, fresh];
  }
  const pairs = new Map();
  let state = onsets.length;
  for (let number = events.length - 1; number >= 0; number--) {
    const [first, who] = rows[number];
    state = Math.min(state, first + who.length - 1);
    while (who[state - first] === NOBODY) state--;
    const pair = who[state - first];
    if (pair === null) continue;
    pairs.set(number, pair);
    state--;
  }
  const used = new Set(pairs.values());
  const off = new Map([...pairs].map(([number, pair]) => [number, apart.get(`${number} ${pair}`)]));
  return { pairs, off, left: [...onsets.keys()].filter((n) => !used.has(n)) };
};

/** Return clear pitch between two times, errors by an octave or a twelfth mended. */
const mended = (ears, start, stop, wanted) => ears.pitched(start, stop).map((one) => {
  for (const error of OCTAVES) if (within(one - wanted - error, 80)) return one - error;
  return one;
});

const still = ({ glides, sways, first }) => !glides.length && !sways.length && first === 0;

/** Return by how many cents fretted notes that do not move are high; 0 from too few. */
const tuningOf = (events, ears, found) => {
  const offs = [];
  for (const [number, pair] of found.pairs) {
    const event = events[number];
    if (event.kind !== "pick" || event.parts.length > 1 || !still(event.parts[0]) || event.end - event.at <= 0.15) continue;
    const { at } = ears.onsets[pair];
    const wanted = centsAt(event.parts[0], 0);
    const off = middle(mended(ears, at + 0.05, at + Math.min(event.end - event.at, 0.4), wanted)) - wanted;
    if (within(off, 60)) offs.push(off);
  }
  return offs.length >= 3 ? middle(offs) : 0;
};

/** Tell, of peaks of a spectrum, which partial of a pitch each is; 0 for none. */
const orders = (found, pitch) => found.map(([hertz]) => {
  const first = hertzOf(100 * pitch);
  const order = Math.max(1, Math.round(hertz / first));
  return within(1200 * Math.log2(hertz / (order * first)), PARTIAL) ? order : 0;
});

/** Return the strings of a double stop that are not heard; none where it is short or moves. */
const lacking = (event, ears, at, tuning) => {
  const [start, stop] = [SPOKEN[0], Math.min(SPOKEN[1], event.end - event.at)];
  const pitches = event.parts.map((part) => (centsAt(part, stop) + tuning) / 100);
  const moves = event.parts.some((part) => Math.abs(centsAt(part, start) - centsAt(part, stop)) > 30);
  if (moves || Math.max(...pitches) - Math.min(...pitches) < 2 || stop - start < 0.06) return [];
  const found = ears.partials(at + start, at + stop);
  if (!found.length) return [];
  const every = pitches.map((pitch) => orders(found, pitch));
  const power = found.map(([, height]) => height ** 2);
  const gone = event.parts.filter((_, number) => {
    const own = power.filter((_one, n) => every[number][n] > 0 && every[number][n] <= PARTIALS
      && every.every((row, other) => other === number || row[n] === 0));
    return own.reduce((a, b) => a + b, 0) < UNHEARD * power.reduce((a, b) => a + b, 0);
  });
  return gone.length < pitches.length ? gone.map((part) => part.string) : [];
};

/** Return by how many cents another note fits best, by how much better, and what is written. */
const slipped = (event, ears, at, off, tuning) => {
  const steps = Array.from({ length: 2 * SLIPS + 1 }, (_, n) => 100 * (n - SLIPS));
  if ((LOWEST_SLIP < off && off < -100 * SLIPS) || off > 100 * SLIPS) steps.push(off);
  const written = event.parts.map((part) => centsAt(part, 0.06) + tuning);
  const shares = ears.shares(at, event.end - event.at, steps.map((step) => written.map((one) => one + step)));
  const own = shares[SLIPS];
  shares[SLIPS] = -1;
  const best = shares.indexOf(Math.max(...shares));
  return [steps[best], shares[best] - own, own];
};

/** Judge an event by its beginning. */
const hear = (one, ears, onset, off, tuning) => {
  const { event } = one;
  const quiet = ears.loud - onset.level - (event.soft ? 8 : 0);
  const sounds = event.kind === "pick" || event.kind === "step";
  // A drum through the air, a touch of the hand: far softer than the rest, at another pitch.
  if (sounds && (quiet > SOFTEST || (quiet > SOFT_MISS && !within(off, WRONG)))) return;
  Object.assign(one, { how: "played", off: onset.at - event.at, pitch: off });
  if (event.kind === "pick" && event.parts.length > 1) one.lacks = lacking(event, ears, onset.at, tuning);
  const several = event.parts.length > 1;
  const moves = (part) => Math.abs(centsAt(part, BRIEF) - centsAt(part, 0)) > 30;
  if (event.kind !== "pick" || (several && event.parts.some(moves))) return; // two strings on their way
  const [steps, apart, own] = slipped(event, ears, onset.at, off, tuning);
  const going = centsAt(event.parts[0], BRIEF) - centsAt(event.parts[0], 0.06);
  const goes = Math.abs(going) > 30 && within(steps - going, WRONG); // where the string itself goes next
  if (apart > SLIP[Number(several)] && event.end - event.at > BRIEF) {
    Object.assign(one, goes ? { how: "unclear", pitch: NaN } : { how: "wrong", pitch: steps });
  } else if (!several && !within(off, WRONG)) Object.assign(one, { how: apart < 0 && own > HEARD ? "played" : "unclear", pitch: NaN });
};

/** Look for the pitch of a note for which no attack was found, near its place. */
const lookAgain = (number, judged, begun, ears, late, tuning) => {
  const { event } = judged[number];
  const low = Math.max(event.at + late - FIND, begun.has(number - 1) ? begun.get(number - 1) + 0.03 : -Infinity);
  const high = Math.min(event.at + late + FIND, begun.has(number + 1) ? begun.get(number + 1) - 0.03 : Infinity);
  const wanted = centsAt(event.parts[0], 0.03) + tuning;
  if (number) {
    const before = judged[number - 1].event;
    if (within(centsAt(before.parts[0], event.at - before.at - 0.02) + tuning - wanted, WRONG)) return; // it may ring
  }
  const row = ears.pitched(low, high + 8 * ears.hop);
  const since = Math.max(0, Math.round(low / ears.hop));
  const near = row.map((one, n) => within(one - wanted, 60) && ears.level[since + n] > ears.loud - SOFTEST);
  const first = near.findIndex((_, n) => n + 6 <= near.length && near.slice(n, n + 6).every(Boolean));
  if (first < 0) return;
  const at = (since + first) * ears.hop - 0.012;
  begun.set(number, at);
  Object.assign(judged[number], {
    how: "played", off: at - event.at, pitch: middle(row.slice(first, first + 6).map((one) => one - wanted)),
  });
};

/** Put a hammer-on, pull-off or slide where the pitch is half-way, not where a flux peaked. */
const settle = (one, begun, number, ears, tuning) => {
  const [part] = one.event.parts;
  const wanted = centsAt(part, 0.02) + tuning;
  const before = centsAt({ ...part, since: 0 }, Math.max(0, part.since - 0.001)) + tuning;
  const was = begun.get(number);
  const low = Math.max(0, Math.round((was - NEAR / 3) / ears.hop));
  const row = [...ears.cents.subarray(low, Math.round((was + 0.07) / ears.hop))];
  const there = row.map((cents) => Math.abs(cents - wanted) < Math.abs(cents - before));
  let best = NaN;
  for (let n = 1; n < there.length - 1; n++) {
    const at = (low + n) * ears.hop - ears.hop / 2;
    if (there[n] && there[n + 1] && !there[n - 1] && !(Math.abs(at - was) >= Math.abs(best - was))) best = at;
  }
  if (!Number.isFinite(best)) return;
  begun.set(number, best);
  one.off = best - one.event.at;
};

/** Return bends as rows: start, seconds it takes, cents before and after, when it is left. */
const bendsOf = ({ first, glides }, length) => {
  const ends = [...glides.map(([start]) => start), length];
  const out = [];
  if (first > 0 && first % 50 === 0 && (!glides.length || glides[0][2] < first)) out.push([0, 0, 0, first, ends[0]]);
  let before = first;
  for (const [number, [start, takes, cents, kind]] of glides.entries()) {
    if (takes > 0 && kind === "bend" && cents > before) out.push([start, takes, before, cents, ends[number + 1]]);
    before = cents;
  }
  return out;
};

const bendOf = (one, [start, takes, before, cents, left], at, last, ears, tuning) => {
  const up = before <= 0 ? cents - Math.min(before, 0) : cents - before;
  const [part] = one.event.parts;
  const [low, high] = [at + start + 0.6 * takes, Math.min(at + left, last) - 0.01];
  if (one.how === "wrong") return { cents: up, off: NaN, why: "it begins on another note" };
  if (high - low < 0.05) return { cents: up, off: NaN, why: "too short" };
  const wanted = 100 * part.pitch + cents + tuning;
  const held = mended(ears, low, high, wanted).filter(Number.isFinite).sort((a, b) => a - b);
  const clear = ears.pitched(low, high, 0.2);
  const unclear = { cents: up, off: NaN, why: "not clear enough" };
  if (held.length < BEND_HOLD || clear.filter(Number.isFinite).length < 0.7 * clear.length) return unclear;
  const sways = part.sways.some(([from, to]) => from < left && to > start);
  const off = middle(held, sways ? 0.85 : held.length < 30 ? 0.6 : 0.5) - wanted;
  if (!(off > -up - ASTRAY && off < ASTRAY)) return unclear;
  const cut = off < 0 && last < at + Math.min(left, start + takes + TOP);
  return cut ? { cents: up, off: NaN, why: "something else sounds before it is up" } : { cents: up, off, why: "" };
};

/** Measure a bend beside another string by the partials that only the bent one has. */
const bendBeside = (event, part, [start, takes, , cents, left], at, last, ears, tuning) => {
  const [low, high] = [start + takes, Math.min(left, last - at, start + takes + BESIDE[1]) - 0.01];
  const others = event.parts.filter((other) => other !== part);
  if (others.some((other) => Math.abs(centsAt(other, low) - centsAt(other, high)) > 10)) {
    return { cents, off: NaN, why: "another string moves with it" };
  }
  if (high - low < BESIDE[0]) return { cents, off: NaN, why: "too short" };
  const apart = (one, other) => 1200 * Math.log2(one / other);
  const found = ears.partials(at + low, at + high);
  const wanted = hertzOf(100 * part.pitch + cents + tuning);
  const own = others.map((other) => hertzOf(centsAt(other, low) + tuning));
  const offs = [];
  for (let order = 1; order < 9; order++) {
    const near = found.filter(([hertz]) => within(apart(hertz, order * wanted), ASTRAY));
    if (!near.length) continue;
    const [hertz] = near.reduce((a, b) => (b[1] > a[1] ? b : a));
    if (own.every((one) => Math.abs(apart(hertz, Math.max(1, Math.round(hertz / one)) * one)) > 45)) {
      offs.push(apart(hertz, order * wanted));
    }
  }
  const off = middle(offs);
  const agree = offs.filter((one) => within(one - off, 12)).length;
  if (agree < Math.max(2, 0.6 * offs.length)) return { cents, off: NaN, why: "another string rings with it" };
  return { cents, off, why: "" };
};

/** Return the values with a straight line through what is not known. */
const filled = (row) => row.map((one, n) => {
  if (Number.isFinite(one)) return one;
  const low = row.findLastIndex((other, at) => at < n && Number.isFinite(other));
  const high = row.findIndex((other, at) => at > n && Number.isFinite(other));
  if (low < 0 || high < 0) return row[Math.max(low, high)];
  return row[low] + ((row[high] - row[low]) * (n - low)) / (high - low);
});

/** Return the values without the line, or the bow, that fits them best. */
const levelled = (row, bowed) => {
  const at = row.map((_, n) => n - (row.length - 1) / 2);
  const square = mean(at.map((one) => one ** 2));
  const shapes = [at.map(() => 1), at, ...(bowed ? [at.map((one) => one ** 2 - square)] : [])];
  return shapes.reduce((left, shape) => {
    const share = mean(shape.map((one, n) => one * left[n])) / mean(shape.map((one) => one ** 2));
    return left.map((one, n) => one - share * shape[n]);
  }, row);
};

/** Return the rate and the width of a vibrato, null where there is none that is clear. */
const vibratoOf = (ears, start, stop, centre) => {
  const found = mended(ears, start, stop, centre);
  const known = found.filter(Number.isFinite).length;
  if (!known || known < KNOWN * found.length) return null;
  const row = levelled(filled(found), (found.length - 1) * ears.hop > CURVED);
  const size = 4096;
  const window = hann(row.length);
  const weight = window.reduce((sum, one) => sum + one + 1e-9, 0);
  const rest = row.reduce((sum, one, n) => sum + one * (window[n] + 1e-9), 0) / weight;
  const heights = Array.from(spectrum(row.map((one) => one - rest), 0, window.subarray(0, size), size), (one) => (one * 2) / mean(window) / window.length);
  const hertz = (n) => n / (size * ears.hop);
  const inside = ([low, high], n) => low < hertz(n) && hertz(n) < high;
  const peak = heights.reduce((best, one, n) => (inside(RATES, n) && !(one <= heights[best]) ? n : best), -1);
  const power = (list) => list.reduce((sum, one) => sum + one ** 2, 0);
  const share = power(heights.slice(Math.max(0, peak - 60), peak + 60)) / Math.max(1e-9, power(heights.filter((_, n) => inside(TREMBLES, n))));
  const turn = Math.PI * hertz(peak) * FLATTENED;
  const width = (2 * heights[peak]) / Math.max(0.3, Math.sin(turn) / turn);
  return share < ALONE || !(WIDTHS[0] < width && width < WIDTHS[1]) ? null : { hertz: hertz(peak), cents: width };
};

/** Measure bends and vibratos. */
const measureMoves = (judged, begun, others, ears, tuning) => {
  const order = [...begun].sort(([, a], [, b]) => a - b);
  for (const [place, [number, at]] of order.entries()) {
    const one = judged[number];
    const { event } = one;
    if (event.kind !== "pick") continue;
    const several = event.parts.length > 1;
    const then = Math.min(order[place + 1]?.[1] ?? Infinity, others.find((other) => other > at + 0.1) ?? Infinity);
    const last = Math.min(at + event.end - event.at, then - 0.015);
    one.bends = event.parts.flatMap((part) => bendsOf(part, event.end - event.at).map((bend) => (several
      ? bendBeside(event, part, bend, at, last, ears, tuning)
      : bendOf(one, bend, at, last, ears, tuning))));
    for (const [start, end] of several ? [] : event.parts[0].sways) {
      const stop = Math.min(at + end, last) - 0.02;
      if (stop - at - start < VIBRATO) continue;
      one.vibrato = vibratoOf(ears, at + start, stop, centsAt(event.parts[0], start) + tuning) ?? one.vibrato;
    }
  }
};

/** Tell whether a beginning is only how the note before goes on: a bend, a slide, a release. */
const belongs = (event, at, onset, ears, tuning) => {
  const since = onset.at - at;
  let nearest = NaN;
  for (const part of event.parts) {
    for (const [begins, takes] of part.glides) {
      const start = begins - part.since;
      if (Math.abs(start - since) < 0.09 || (start <= since && since <= start + takes + 0.05)) return true;
    }
    const off = middle(onset.cents[0].map((one, n) => one - tuning - centsAt(part, since + (n + AFTER) * ears.hop)));
    if (Number.isNaN(nearest) || Math.abs(off) < Math.abs(nearest)) nearest = off;
  }
  if (within(nearest, 60) && onset.level < onset.before + 2 && onset.strength < 0.8) return true;
  return since > event.end - event.at - 0.06 && onset.level < onset.before - 1; // the hand that damps it
};

/** Return the notes that nobody wrote: strong, pitched, new, and lasting. */
const extras = (judged, begun, ears, found, tuning) => {
  const order = [...begun].sort(([, a], [, b]) => a - b);
  return found.left.map((number) => ears.onsets[number]).filter((onset) => {
    if (onset.at < CUT || onset.strength < STRONG || onset.level < ears.loud - LOUD) return false;
    if (order.some(([, at]) => Math.abs(at - onset.at) < 0.06)) return false;
    const heard = onset.cents[0].filter(Number.isFinite);
    if (heard.length < 0.5 * onset.cents[0].length) return false;
    const last = order.findLast(([, at]) => at <= onset.at);
    if (last && belongs(judged[last[0]].event, last[1], onset, ears, tuning)) return false;
    const fresh = middle(heard);
    const here = Math.round(onset.at / ears.hop);
    const lasts = ears.level.subarray(here + 16, here + 22);
    const steady = lasts.length > 0 && mean(lasts) > onset.level - 12
      && mean(heard.map((one) => Number(within(one - fresh, 40)))) > 0.6;
    const rang = within(ears.before(onset.at) - fresh, 60) && onset.level < onset.before + 3;
    return steady && !rang && ears.grown(onset.at, fresh) >= 6;
  }).map((onset) => ({ at: onset.at, cents: middle(onset.cents[0]) - tuning }));
};

/** Return the seconds at which a piece of a sound is missing: one frame does not follow the other, and
 * what is around them is smooth. */
const cutsIn = ({ sound, rate }) => {
  const near = Math.round(0.01 * rate);
  const bows = sound.map((one, n) => (n > 1 ? (one - 2 * sound[n - 1] + sound[n - 2]) ** 2 : 0));
  const found = [];
  let power = 0; // of what is within `near` frames
  for (let n = 0; n < bows.length + near; n++) {
    power += (bows[n] ?? 0) - (bows[n - 2 * near] ?? 0);
    const at = n - near;
    if (at < near || bows[at] < 1e-4 || bows[at] < (JAGGED ** 2 * (power - bows[at] - bows[at + 1])) / (2 * near)) continue;
    if (!(at / rate - found.at(-1) < 0.005)) found.push(at / rate);
  }
  return found;
};

/** Return from which number on the notes are later by how many seconds, as after a drop-out of the
 * microphone: all at once, by much more than they wander before and after, or where the sound broke off. */
const stepOf = (offs, breaks) => {
  let [best, found] = [0, { from: Infinity, by: 0 }];
  for (let at = SPLITS; at <= offs.length - SPLITS; at++) {
    const rows = [offs.slice(0, at), offs.slice(at)].map((row) => row.map(([, off]) => off));
    const middles = rows.map((row) => middle(row));
    const apart = rows.flatMap((row, n) => row.map((one) => Math.abs(one - middles[n])));
    const scatter = 0.003 + 1.48 * middle(apart); // median deviations are so many standard deviations
    // Without what is far out a mean errs less than a median.
    const [before, after] = rows.map((row, n) => mean(row.filter((one) => within(one - middles[n], 2.5 * scatter))));
    const clear = Math.abs(after - before) / (scatter * Math.sqrt(1 / at + 1 / (offs.length - at)));
    const broke = breaks.find(([one]) => offs[at - 1][2] <= one && one <= offs[at][2] + 0.01);
    const enough = clear / (broke ? THERE : CLEARLY);
    const known = broke?.[1]; // then it is all of that or nothing
    const by = known ? Math.sign(after - before) * known : after - before;
    const more = known ? Math.abs(after - before) > known / 2 : enough > 1;
    if (more && Math.abs(by) >= STEP && enough > best) [best, found] = [enough, { from: offs[at][0], by }];
  }
  return found;
};

/** Compare what is written, in order of time, with what is heard; `breaks` say at which seconds
 * sound is known to have broken off, and for how many. */
export const review = (written, ears, breaks = []) => {
  let events = written;
  let late = lag(events, ears.onsets);
  let found = match(events, ears, late, 0);
  const offs = () => [...found.pairs].filter(([number]) => events[number].kind === "pick")
    .map(([number, pair]) => [number, ears.onsets[pair].at - events[number].at, ears.onsets[pair].at]).sort(([a], [b]) => a - b);
  const jump = stepOf(offs(), [...breaks, ...cutsIn(ears).map((one) => [one])]);
  if (jump.by) { // the recording, not the player
    events = events.map((one, n) => (n < jump.from ? one : { ...one, at: one.at + jump.by, end: one.end + jump.by }));
    found = match(events, ears, late, 0);
  }
  late = offs().length ? middle(offs().map(([, off]) => off)) : late;
  const tuning = tuningOf(events, ears, match(events, ears, late, 0));
  found = match(events, ears, late, tuning);
  const judged = events.map((event) => ({ event, how: "missed", off: NaN, pitch: NaN, /** @type {any[]} */ bends: [], /** @type {string[]} */ lacks: [], /** @type {any} */ vibrato: null }));
  const begun = new Map();
  for (const [number, pair] of [...found.pairs].sort(([a], [b]) => a - b)) {
    const onset = ears.onsets[pair];
    hear(judged[number], ears, onset, found.off.get(number), tuning);
    if (judged[number].how !== "missed") begun.set(number, onset.at);
  }
  for (const [number, one] of judged.entries()) {
    const { kind, parts } = one.event;
    if (one.how === "missed" && (kind === "pick" || kind === "step") && parts.length === 1) {
      lookAgain(number, judged, begun, ears, late, tuning);
    }
    if (kind === "step" && begun.has(number)) settle(one, begun, number, ears, tuning);
  }
  const others = found.left.map((n) => ears.onsets[n]).filter((one) => one.strength >= STRONG);
  measureMoves(judged, begun, others.map((one) => one.at), ears, tuning);
  for (const [number, one] of judged.entries()) {
    const before = judged[number - 1];
    if (before && one.how === "missed" && one.event.kind === "step" && before.how !== "played") one.how = "unclear";
  }
  const added = extras(judged, begun, ears, found, tuning);
  return { judged: judged.filter((one) => one.event.kind !== "rake"), extra: added, late, tuning, step: jump.by };
};
