// What there is to hear in a take: where notes may begin, and the pitch every five milliseconds. The
// method and its numbers are those of `backing.listening.ears`, which says where they come from.
// Pitch is in cents, 100 times the MIDI pitch; levels in dB below the loudest frame; times in seconds.
import { LIMITS } from "./limits.js";

const {
  AFTER, AHEAD, APART, FAINT, FAINTEST, HIGHEST_PITCH, HOP, LOWEST_PITCH, NEW, NEW_TOP, OVERTONES, STEPS, TRUST, UNSURE,
} = LIMITS;
const TAPS = 63;
const PEAKS = 1 << 16; // bins in which partials are looked for

export const middle = (values, share = 0.5) => {
  const known = [...values].filter(Number.isFinite).sort((a, b) => a - b);
  if (!known.length) return NaN;
  const at = share * (known.length - 1);
  const low = Math.floor(at);
  return known[low] + (at - low) * ((known[low + 1] ?? known[low]) - known[low]);
};

const deep = (sum, one) => sum + one;
export const mean = (values) => [...values].reduce(deep, 0) / Math.max(1, values.length);

// --- transforms -------------------------------------------------------------------------------

const tables = new Map();
const tableOf = (size) => {
  if (!tables.has(size)) {
    const angle = (_, n) => (2 * Math.PI * n) / size;
    const reversed = new Uint32Array(size);
    for (let n = 1; n < size; n++) reversed[n] = (reversed[n >> 1] >> 1) | (n & 1 ? size >> 1 : 0);
    const angles = Float64Array.from({ length: size / 2 }, angle);
    tables.set(size, { cos: angles.map(Math.cos), sin: angles.map(Math.sin), reversed });
  }
  return tables.get(size);
};

/** Transform complex numbers in place (radix 2). */
export const fft = (re, im) => {
  const size = re.length;
  const { cos, sin, reversed } = tableOf(size);
  for (let n = 0; n < size; n++) {
    const m = reversed[n];
    if (m > n) [re[n], re[m], im[n], im[m]] = [re[m], re[n], im[m], im[n]];
  }
  for (let width = 2; width <= size; width <<= 1) {
    const half = width >> 1;
    const turn = size / width;
    for (let at = 0; at < size; at += width) {
      for (let n = 0; n < half; n++) {
        const [a, b] = [at + n, at + n + half];
        const [c, s] = [cos[n * turn], sin[n * turn]];
        const x = re[b] * c + im[b] * s;
        const y = im[b] * c - re[b] * s;
        re[b] = re[a] - x;
        im[b] = im[a] - y;
        re[a] += x;
        im[a] += y;
      }
    }
  }
};

/** Return the heights of the spectrum of what stands from a frame on, under a window, with zeros up to a size. */
export const spectrum = (sound, first, window, size) => {
  const re = new Float64Array(size);
  const im = new Float64Array(size);
  for (let n = 0; n < window.length; n++) re[n] = (sound[first + n] ?? 0) * window[n];
  fft(re, im);
  return re.subarray(0, size / 2 + 1).map((one, n) => Math.hypot(one, im[n]));
};

const highest = (values, least = 0) => values.reduce((a, b) => Math.max(a, b), least);
export const hertzOf = (cents) => 440 * 2 ** ((cents - 6900) / 1200);
const powerOf = (count) => 2 ** Math.ceil(Math.log2(count));
export const hann = (size) => Float64Array.from({ length: size }, (_, n) => 0.5 - 0.5 * Math.cos((2 * Math.PI * n) / (size - 1)));

/** Return the sound at half its rate, low-passed before. */
const thinned = (sound) => {
  const taps = Float64Array.from({ length: TAPS }, (_, n) => {
    const at = ((n - (TAPS >> 1)) / 2) * 0.92;
    const wave = at ? Math.sin(Math.PI * at) / (Math.PI * at) : 1;
    return wave * (0.54 - 0.46 * Math.cos((2 * Math.PI * n) / (TAPS - 1)));
  });
  const sum = taps.reduce(deep, 0);
  return Float32Array.from({ length: Math.ceil(sound.length / 2) }, (_, n) => {
    let out = 0;
    for (let tap = 0; tap < TAPS; tap++) out += taps[tap] * (sound[2 * n + (TAPS >> 1) - tap] ?? 0);
    return out / sum;
  });
};

// --- frame by frame ---------------------------------------------------------------------------

/** Return by how much the spectrum grows, by frame: 24 bands an octave, logarithmic. */
const flux = async (sound, rate, hop, breathe) => {
  const size = rate > 14000 ? 1024 : 512;
  const bins = [];
  for (let step = 0; step < 9.2 * 24; step++) {
    const bin = Math.round((27.5 * 2 ** (step / 24) * size) / rate);
    if (bin > 1 && bin < size / 2 && bin !== bins.at(-1)) bins.push(bin);
  }
  const bands = bins.length - 1;
  const count = 1 + Math.floor(sound.length / hop);
  const heights = [];
  const window = hann(size);
  const out = new Float64Array(count);
  for (let frame = 0; frame < count; frame++) {
    if (frame % 64 === 0) await breathe();
    const found = spectrum(sound, frame * hop - size / 2, window, size);
    const row = new Float64Array(bands);
    for (let band = 0; band < bands; band++) {
      for (let bin = bins[band]; bin < bins[band + 1]; bin++) row[band] += found[bin];
      // The gain before makes the active level 1; a sine of that level reaches about size / 3 here.
      row[band] = Math.log10(1 + (row[band] / Math.sqrt(bins[band + 1] - bins[band])) * ((30 * 3) / size));
    }
    heights.push(row);
    const was = heights[frame - 3];
    if (!was) continue;
    for (let band = 0; band < bands; band++) {
      const widest = Math.max(was[Math.max(0, band - 1)], was[band], was[Math.min(bands - 1, band + 1)]);
      out[frame] += Math.max(0, row[band] - widest) / bands;
    }
  }
  return out;
};

const cents = (hertz) => 6900 + 1200 * Math.log2(hertz / 440);

/** Return pitch, the highest pitch nearly as good, aperiodicity and power, by frame (YIN). */
const yin = async (sound, rate, hop, breathe) => {
  const width = Math.round(0.03 * rate);
  const top = Math.ceil(rate / LOWEST_PITCH) + 2;
  const low = Math.floor(rate / HIGHEST_PITCH);
  const size = width + top;
  const whole = powerOf(size + width);
  const count = 1 + Math.floor(sound.length / hop);
  const out = Array.from({ length: 4 }, () => new Float64Array(count));
  const [re, im, apart, normal] = [whole, whole, top, top].map((length) => new Float64Array(length));
  const [a, b] = [new Float64Array(whole), new Float64Array(whole)];
  for (let frame = 0; frame < count; frame++) {
    if (frame % 32 === 0) await breathe();
    // Both transforms at once: the longer piece is the real part, the shorter one the imaginary.
    const first = frame * hop - (size >> 1);
    re.fill(0);
    im.fill(0);
    for (let n = 0; n < size; n++) re[n] = sound[first + n] ?? 0;
    for (let n = 0; n < width; n++) im[n] = re[n];
    const wave = re.slice(0, size);
    fft(re, im);
    for (let n = 0; n < whole; n++) {
      const m = (whole - n) % whole;
      const [xr, xi] = [(re[n] + re[m]) / 2, (im[n] - im[m]) / 2];
      const [yr, yi] = [(im[n] + im[m]) / 2, (re[m] - re[n]) / 2];
      a[n] = xr * yr + xi * yi;
      b[n] = -(xi * yr - xr * yi); // conjugate, so that it is transformed back
    }
    fft(a, b);
    let power = 0;
    for (let n = 0; n < width; n++) power += wave[n] ** 2;
    const own = power;
    let sum = 0;
    normal[0] = 1;
    for (let lag = 1; lag < top; lag++) {
      power += wave[lag - 1 + width] ** 2 - wave[lag - 1] ** 2;
      apart[lag] = Math.max(0, own + power - (2 * a[lag]) / whole);
      sum += apart[lag];
      normal[lag] = (apart[lag] * lag) / Math.max(sum, 1e-12);
    }
    const dip = (lag) => lag > low && lag < top - 2 && normal[lag] <= normal[lag - 1] && normal[lag] < normal[lag + 1];
    let best = 9;
    let lowest = low;
    for (let lag = low; lag < top - 1; lag++) {
      if (dip(lag)) best = Math.min(best, normal[lag]);
      if (normal[lag] < normal[lowest]) lowest = lag;
    }
    const find = (good) => {
      for (let lag = low; lag < top - 1; lag++) if (dip(lag) && good(normal[lag])) return lag;
      return 0;
    };
    const lag = Math.min(Math.max(find((one) => one < Math.max(0.12, best + 0.06)) || lowest, 1), top - 2);
    const [left, here, right] = [apart[lag - 1], apart[lag], apart[lag + 1]];
    const bow = left - 2 * here + right;
    const finer = Math.abs(bow) > 1e-12 ? Math.max(-0.5, Math.min(0.5, (0.5 * (left - right)) / bow)) : 0;
    const higher = find((one) => one < best + 0.3 && one < 0.5);
    out[0][frame] = cents(rate / (lag + finer));
    out[1][frame] = higher ? cents(rate / higher) : NaN;
    out[2][frame] = normal[lag];
    out[3][frame] = own / width;
  }
  return out;
};

// --- a whole take -----------------------------------------------------------------------------

/** All that is heard in a take. */
export class Ears {
  constructor(sound, rate, hop, rows, level) {
    this.sound = sound;
    this.rate = rate;
    this.hop = hop;
    this.cents = rows[0];
    this.higher = rows[1];
    this.unsure = rows[2];
    this.level = level;
    /** @type {any[]} */ this.onsets = [];
    this.loud = -30;
  }

  /** Return the pitch between two times, not a number where it is not clear. */
  pitched(start, stop, unsure = 0.3) {
    const [low, high] = [start, stop].map((at) => Math.max(0, Math.round(at / this.hop)));
    return Array.from(this.cents.subarray(low, high), (one, n) => (this.unsure[low + n] < unsure ? one : NaN));
  }

  /** Return the pitch that sounds just before a time. */
  before(at) {
    return middle(this.pitched(at - 16 * this.hop, at - 4 * this.hop, 0.25));
  }

  /** Return the peaks of the spectrum between two times: hertz and height, the highest is 1.
   * @returns {[number, number][]} */
  partials(start, stop) {
    const [from, to] = [start, stop].map((at) => Math.floor(at * this.rate));
    if (to - from < 0.05 * this.rate) return [];
    const heights = spectrum(this.sound, from, hann(to - from), PEAKS);
    const [low, high] = [70, Math.min(4000, 0.45 * this.rate)].map((hertz) => Math.floor((hertz * PEAKS) / this.rate));
    const most = highest(heights.subarray(low, high), 1e-12);
    const found = [];
    for (let n = low; n < high; n++) {
      const here = heights[n];
      if (here > heights[n - 1] && here >= heights[n + 1] && here / most > FAINTEST) found.push([(n * this.rate) / PEAKS, here / most]);
    }
    return found;
  }

  /** Return which share of what is new after a time the partials of some pitches are. */
  shares(at, seconds, chords) {
    const size = Math.floor(Math.min(NEW[1], Math.max(NEW[0], seconds - 0.02)) * this.rate);
    const { was, is, count } = this.around(at, size);
    const [low, high] = [LOWEST_PITCH, NEW_TOP].map((hertz) => Math.floor((hertz * count) / this.rate));
    const fresh = is.map((one, n) => (n < low || n >= high ? 0 : Math.max(0, one ** 2 - was[n] ** 2)));
    const [bins, broad] = [count / this.rate, (1.5 * count) / size]; // a partial is as broad as its window
    const whole = fresh.reduce((a, b) => a + b, 1e-12);
    return chords.map((chord) => {
      const theirs = new Set();
      for (const pitch of chord) {
        const first = hertzOf(pitch) * bins;
        for (let n = 1; n <= OVERTONES && n <= Math.floor((NEW_TOP * bins) / first); n++) {
          const half = Math.max(broad, n * first * (2 ** (35 / 1200) - 1));
          for (let bin = Math.floor(n * first - half); bin < Math.floor(n * first + half) + 2; bin++) theirs.add(bin);
        }
      }
      return [...theirs].reduce((sum, bin) => sum + (fresh[bin] ?? 0), 0) / whole;
    });
  }

  /** Return the spectra of so many frames before and after a time, and the frames of each. */
  around(at, size) {
    const here = Math.floor(at * this.rate);
    const window = hann(size);
    const count = powerOf(4 * size + 1);
    const [was, is] = [here - size - Math.floor(0.004 * this.rate), here + Math.floor(0.012 * this.rate)]
      .map((start) => spectrum(this.sound, start, window, count));
    return { was, is, count };
  }

  /** Return by how many dB the partials of a pitch grow at a time (2nd to 8th, median). */
  grown(at, pitch) {
    const { was, is, count } = this.around(at, Math.floor(0.075 * this.rate));
    const first = hertzOf(pitch);
    const floor = 1e-2 * Math.sqrt(mean(is.map((one) => one ** 2))) + 1e-12;
    const edge = (n, by) => Math.floor((n * first * 2 ** (by / 1200) * count) / this.rate);
    const grown = [];
    for (let n = 1; n < 9 && n * first <= 6000; n++) {
      const [before, top] = [was, is].map((row) => highest(row.subarray(edge(n, -35), edge(n, 35) + 2)));
      grown.push(top > floor ? 20 * Math.log10(top / (before + 0.3 * floor)) : 0);
    }
    return grown.length ? middle(grown.length > 3 ? grown.slice(1) : grown) : 0;
  }
}

/** Hear a take from end to end; `breathe` is awaited now and then, so that a page stays alive.
 * @returns {Promise<Ears>} */
export const listen = async (whole, frames, breathe = async () => {}) => {
  const by = frames > 30000 ? 2 : 1;
  const rate = frames / by;
  const hop = Math.max(1, Math.round(HOP * rate));
  const gain = 1 / Math.max(1e-9, active(whole, frames));
  const loud = whole.map((one) => one * gain);
  const sound = by > 1 ? thinned(loud) : loud;
  const rows = await yin(sound, rate, hop, breathe);
  const power = rows[3];
  const most = highest(power, 1e-20);
  const level = power.map((one) => 10 * Math.log10(one / most + 1e-12));
  const ears = new Ears(loud, frames, hop / rate, rows, level);
  ears.onsets = onsets(ears, await flux(sound, rate, hop, breathe));
  const clear = ears.onsets.filter((one) => one.strength > 0.3).map((one) => one.level);
  if (clear.length) ears.loud = middle(clear);
  return ears;
};

/** Return the root mean square of the tenths of a second that are not silent. */
const active = (sound, rate) => {
  const size = Math.max(1, Math.floor(rate / 10));
  const powers = [0];
  for (let at = 0; at + size <= sound.length; at += size) powers.push(mean(sound.subarray(at, at + size).map((one) => one ** 2)));
  const most = Math.max(...powers);
  return Math.sqrt(mean(powers.filter((one) => one >= 0.1 * most)));
};

/** Return the peaks of the flux that stand out from what is around them. */
const onsets = (ears, heights) => {
  const top = Math.max(1e-12, middle(heights, 0.99));
  const mirrored = (at) => heights[at < 0 ? -at : at >= heights.length ? 2 * heights.length - 2 - at : at] ?? heights[0];
  const strength = heights.map((one, frame) => {
    const around = Float64Array.from({ length: 201 }, (_, n) => mirrored(frame + n - 100)).sort();
    return (one - around[100]) / top;
  });
  const found = [];
  for (const [frame, one] of strength.entries()) {
    if (one <= FAINT || one < highest(strength.subarray(Math.max(0, frame - 5), frame + 6))) continue;
    const at = began(ears, frame * ears.hop);
    const here = Math.round(at / ears.hop);
    const steps = Array.from({ length: STEPS }, (_, n) => here + AFTER + n);
    const before = ears.level.subarray(Math.max(0, here - 9), Math.max(1, here - 3));
    found.push({
      at,
      strength: one,
      cents: [steps.map((n) => (ears.unsure[n] <= UNSURE ? ears.cents[n] : NaN)), steps.map((n) => ears.higher[n] ?? NaN)],
      level: highest(ears.level.subarray(Math.max(0, here + 3), here + 14), -120),
      before: before.length ? mean(before) : -120,
    });
  }
  found.sort((a, b) => a.at - b.at);
  const kept = [];
  for (const one of found) { // two that were refined to one place are one
    const last = kept.at(-1);
    if (!last || one.at - last.at >= APART) kept.push(one);
    else if (one.strength > last.strength) kept[kept.length - 1] = one;
  }
  return kept;
};

/** Return where what comes can no longer be foretold from what was, near a peak of the flux. */
const began = ({ sound, rate }, near) => {
  const order = 24;
  const start = Math.floor((near - 0.012) * rate);
  const stop = Math.floor((near + 0.018) * rate);
  const past = Math.floor(0.04 * rate);
  if (start - past < 0 || stop > sound.length) return near + AHEAD;
  const known = sound.subarray(start - past, start);
  const lags = Array.from({ length: order + 1 }, (_, lag) => {
    let sum = 0;
    for (let n = lag; n < past; n++) sum += known[n] * known[n - lag];
    return sum;
  });
  lags[0] = lags[0] * 1.0001 + 1e-9;
  const weights = foretelling(lags, order);
  const errors = new Float64Array(stop - start);
  const powers = new Float64Array(stop - start);
  let power = 1e-10;
  for (let n = 0; n < errors.length; n++) {
    let error = sound[start + n];
    for (let lag = 1; lag <= order; lag++) error -= weights[lag - 1] * sound[start + n - lag];
    errors[n] = error ** 2;
    power += errors[n];
    powers[n] = power;
  }
  const count = errors.length;
  let [best, change] = [Infinity, 16];
  for (let n = 16; n < count - 16; n++) {
    const cost = n * Math.log(powers[n] / n) + (count - n) * Math.log((power - powers[n]) / (count - n) + 1e-12);
    if (cost < best) [best, change] = [cost, n];
  }
  // A pick touches the string before it lets go: a quarter of the error's height is what counts.
  const width = Math.max(1, Math.floor(0.001 * rate));
  const heights = errors.map((_, n) => {
    let sum = 0;
    for (let m = n - (width >> 1); m < n - (width >> 1) + width; m++) sum += errors[m] ?? 0;
    return sum;
  });
  const most = highest(heights);
  const at = (start + Math.max(change, heights.findIndex((one) => one > most / 16))) / rate;
  return Math.abs(at - near - AHEAD) < TRUST ? at : near + AHEAD;
};

/** Return the weights of a linear prediction (Levinson's recursion). */
const foretelling = (lags, order) => {
  let weights = [];
  let left = lags[0];
  for (let n = 0; n < order; n++) {
    const turn = (lags[n + 1] - weights.reduce((sum, one, m) => sum + one * lags[n - m], 0)) / left;
    weights = [...weights.map((one, m) => one - turn * weights[n - 1 - m]), turn];
    left *= 1 - turn ** 2;
  }
  return weights;
};
