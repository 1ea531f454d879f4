// The microphone of the practice page, on the player's clock, and how late what comes in is.
import { keep, lesson, recalled } from "./lesson.js";
import { sound } from "./player.js";
import { ear } from "./ear.js";
import { fft } from "./ears.js";
import { LIMITS } from "./limits.js";
import { came, guessed, hearIn, microphone, pieces, until } from "./recorder.js";

const LASTS = 100; // seconds of what came in that are kept
const DELAY = "practice delay"; // what the way out and back takes, by what it is called
const BURST = 0.25; // seconds of noise by which that is measured
const GAP = 0.35;
const TIMES = 4;
const LEVEL = 10 ** (-30 / 20); // of the noise
const LATEST = 0.3; // seconds that the way may take
const APART = 0.02; // seconds around a match that belong to it
const CLEAR = 4; // times the highest other place that it must stand out
const AROUND = 8; // pieces of which the one that came first tells how the clocks differ
const SAME = 0.001; // seconds by which the bursts may differ

export const listenIn = () => {
  const ready = async () => { await sound.open(lesson.sounds[0].rate); return sound.context; };
  return hearIn(ready, `data:text/javascript,${encodeURIComponent(`(${ear})()`)}`, LASTS);
};

/** Return when, between two times of the player's clock, that clock stood still, and for how long: it
 * counts frames, and where the machine was too busy to play them, time goes on. */
export const breaks = (from, to) => {
  const rate = sound.context.sampleRate;
  const heard = pieces();
  const lags = heard.map(([first, wave, at]) => at / 1000 - (first + wave.length) / rate);
  const least = (at) => Math.min(...lags.slice(at, at + AROUND)); // they come in bursts
  /** @type {[number, number][]} */
  const found = [];
  for (let n = AROUND; n + AROUND <= lags.length; n++) {
    const by = least(n) - least(n - AROUND);
    const time = heard[n][0] / rate;
    if (by < LIMITS.STEP || time < from || time > to) continue;
    const last = found.at(-1);
    if (!last || time - last[0] > (AROUND * heard[n][1].length) / rate) found.push([time, by]);
    else if (by > last[1]) found[found.length - 1] = [time, by];
  }
  return found;
};

// --- the way out and back ---------------------------------------------------------------------

const measured = () => recalled(DELAY)?.[microphone()];
export const isMeasured = () => typeof measured() === "number";

/** Return the seconds from when the player means a sound to be until it comes in. */
export const delay = () => measured() ?? guessed();

/** Return after how many frames a noise comes in, 0 where it does not stand out. */
const found = (noise, wave, rate) => {
  const size = 2 ** Math.ceil(Math.log2(noise.length + wave.length));
  const [a, b, c, d] = Array.from({ length: 4 }, () => new Float64Array(size));
  a.set(wave);
  c.set(noise);
  fft(a, b);
  fft(c, d);
  for (let n = 0; n < size; n++) {
    [a[n], b[n]] = [a[n] * c[n] + b[n] * d[n], -(b[n] * c[n] - a[n] * d[n])];
  }
  fft(a, b);
  const heights = a.subarray(0, Math.round(LATEST * rate)).map(Math.abs);
  const best = heights.indexOf(heights.reduce((x, y) => Math.max(x, y)));
  const rest = heights.filter((_, n) => Math.abs(n - best) > APART * rate).reduce((x, y) => Math.max(x, y));
  return heights[best] > CLEAR * rest ? best : 0;
};

/** Play noise and hear how late it comes in. */
export const measure = async () => {
  const { context } = sound;
  const rate = context.sampleRate;
  const noise = Float32Array.from({ length: Math.round(BURST * rate) }, () => (2 * Math.random() - 1) * LEVEL);
  const buffer = new AudioBuffer({ length: noise.length, sampleRate: rate });
  buffer.copyToChannel(noise, 0);
  const first = context.currentTime + 0.2;
  const times = Array.from({ length: TIMES }, (_, n) => first + n * (BURST + GAP));
  for (const time of times) {
    const source = new AudioBufferSourceNode(context, { buffer });
    source.connect(context.destination);
    source.start(time);
  }
  const last = times[TIMES - 1] + BURST + LATEST;
  while (until() < last && context.currentTime < last + 10) await new Promise((done) => setTimeout(done, 50));
  const late = times.map((time) => found(noise, came(time, time + BURST + LATEST), rate) / rate).filter(Boolean).sort();
  const middle = late[late.length >> 1];
  if (late.filter((one) => Math.abs(one - middle) <= SAME).length < TIMES - 1) {
    throw new Error("The noise did not come in clearly. Hold the microphone close to the loudspeaker or the headphone, keep quiet, and try again.");
  }
  keep(DELAY, { ...recalled(DELAY), [microphone()]: middle });
  return middle;
};
