// The microphone: what comes in stands on the player's clock, frame by frame, and leaves no machine.
import { keep, lesson, recalled } from "./lesson.js";
import { sound } from "./player.js";
import { fft } from "./ears.js";

const LASTS = 100; // seconds of what came in that are kept
const DELAY = "practice delay"; // what the way out and back takes, by what it is called
const BURST = 0.25; // seconds of noise by which that is measured
const GAP = 0.35;
const TIMES = 4;
const LEVEL = 10 ** (-30 / 20); // of the noise
const LATEST = 0.3; // seconds that the way may take
const APART = 0.02; // seconds around a match that belong to it
const CLEAR = 4; // times the highest other place that it must stand out
const SAME = 0.001; // seconds by which the bursts may differ

const EAR = `
registerProcessor("ear", class extends AudioWorkletProcessor {
  constructor() {
    super();
    this.wave = new Float32Array(2048);
    this.at = 0;
  }
  process([input]) {
    if (this.at === 0) this.first = currentFrame;
    if (input[0]) this.wave.set(input[0], this.at);
    this.at += 128;
    if (this.at < this.wave.length) return true;
    this.port.postMessage([this.first, this.wave]);
    this.wave = new Float32Array(2048);
    this.at = 0;
    return true;
  }
});`;

const WHY = {
  NotAllowedError: "The microphone is not allowed. Allow it for this page in your browser, and press again.",
  NotFoundError: "No microphone is found.",
  NotReadableError: "Another program has the microphone.",
};

/** @type {[number, Float32Array][]} */
let heard = []; // pieces with their first frames, in order
/** @type {any} */ let stream = null;
/** @type {any} */ let nodes = [];
let name = "";

export const open = () => stream !== null;

export const listenIn = async () => {
  if (!navigator.mediaDevices?.getUserMedia) {
    throw new Error("This page hears only where it is opened from disk or comes by https.");
  }
  const { audioSession } = /** @type {any} */ (navigator);
  if (audioSession) audioSession.type = "play-and-record";
  try {
    stream = await navigator.mediaDevices.getUserMedia({
      audio: { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 },
    });
    await sound.open(lesson.sounds[0].rate);
    const { context } = sound;
    await context.audioWorklet.addModule(`data:text/javascript,${encodeURIComponent(EAR)}`);
    const source = new MediaStreamAudioSourceNode(context, { mediaStream: stream });
    const ear = new AudioWorkletNode(context, "ear", { numberOfOutputs: 0, channelCount: 1, channelCountMode: "explicit" });
    ear.port.onmessage = ({ data }) => {
      heard.push(data);
      const old = data[0] - LASTS * context.sampleRate;
      if (heard[0][0] < old) heard = heard.filter(([first]) => first >= old);
    };
    source.connect(ear);
    nodes = [source, ear];
    name = stream.getAudioTracks()[0]?.label ?? "";
  } catch (error) {
    hearNoMore();
    throw new Error(WHY[/** @type {any} */ (error).name] ?? `The microphone cannot be heard: ${/** @type {any} */ (error).message}`);
  }
};

export const hearNoMore = () => {
  for (const node of nodes) node.disconnect();
  for (const track of stream?.getTracks() ?? []) track.stop();
  [stream, nodes, heard] = [null, [], []];
  const { audioSession } = /** @type {any} */ (navigator);
  if (audioSession) audioSession.type = "playback";
};

/** Return what came in between two times of the player's clock; silence where nothing did. */
export const came = (from, to) => {
  const rate = sound.context.sampleRate;
  const [start, stop] = [Math.round(from * rate), Math.round(to * rate)];
  const out = new Float32Array(Math.max(0, stop - start));
  for (const [first, wave] of heard) {
    if (first + wave.length <= start || first >= stop) continue;
    const skip = Math.max(0, start - first);
    out.set(wave.subarray(skip, Math.min(wave.length, stop - first)), Math.max(0, first - start));
  }
  return out;
};

/** Return the time on the player's clock until which all has come in. */
export const until = () => {
  const last = heard.at(-1);
  return last ? (last[0] + last[1].length) / sound.context.sampleRate : 0;
};

// --- the way out and back ---------------------------------------------------------------------

const measured = () => recalled(DELAY)?.[name];
export const isMeasured = () => typeof measured() === "number";

/** Return the seconds from when the player means a sound to be until it comes in. */
export const delay = () => {
  const { outputLatency = 0, baseLatency = 0 } = sound.context;
  return measured() ?? (outputLatency || baseLatency) + baseLatency;
};

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
  keep(DELAY, { ...recalled(DELAY), [name]: middle });
  return middle;
};
