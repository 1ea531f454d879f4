// The sounds of the page: parts of the file, decoded when they are needed and forgotten again.
import { lesson } from "./lesson.js";
import { load } from "./load.js";
import { decodeOpus } from "./opus.js";
import { stretchedBuffer } from "./stretch.js";

export const JOIN = 0.005; // seconds over which a loop's end is joined to its start
const POLL = 60; // milliseconds from one look for what is loading to the next
const REGIONS = 4; // parts of loops that are remembered
const ROOM = 60e6; // bytes that decoded sounds may take
export const EARLY = 0.02; // a player may be this much before the beat

/** Return a part of the file once all of it is there, as it is when something stands behind it. */
const arrived = async (id) => {
  for (;;) {
    const element = document.getElementById(id);
    if (element?.nextElementSibling || document.readyState !== "loading") return element;
    await new Promise((done) => setTimeout(done, POLL));
  }
};

let beside = { file: "", texts: Promise.resolve({}) }; // what was loaded last
/** @type {any} */ (window).practiceSounds = (file, texts) => { brought = { file, texts }; };
let brought = { file: "", texts: {} };

const bring = async (file) => {
  try {
    await load(encodeURI(`./${file}`));
  } catch {
    beside.file = "";
    throw new Error(`The sounds of this key stand in ${file}, which is missing. Copy it into the folder of this page.`);
  }
  return brought.texts;
};

/** Return the sounds of a file beside the page. */
const loaded = (file) => {
  if (beside.file !== file) beside = { file, texts: bring(file) };
  return beside.texts;
};

const textOf = async (number) => {
  const { file } = lesson.sounds[number];
  if (file) return (await loaded(file))[number];
  return (await arrived(`sound-${number}`))?.textContent;
};

const read = async (number) => {
  const text = await textOf(number);
  if (!text) throw new Error("A part of this page is missing. Load it again, or copy the file again.");
  const words = atob(text.trim());
  const bytes = Uint8Array.from(words, (letter) => letter.charCodeAt(0));
  const reader = new OfflineAudioContext(2, 1, lesson.sounds[number].rate);
  try {
    return await reader.decodeAudioData(bytes.slice().buffer); // a buffer of its own, as it is taken away
  } catch {
    // An older Safari has no Ogg Opus.
  }
  await arrived("opus");
  return decodeOpus(bytes).catch(() => {
    throw new Error("This browser cannot decode the sound of this page. Update it, or open the page in another one.");
  });
};

/** Return where a loop begins in a sound, how many frames it has, and their rate. */
export const facts = (number, ratio) => {
  const { start, frames, rate } = lesson.sounds[number];
  return { start: Math.round(start * ratio), frames: Math.round(frames * ratio), rate };
};

/** @type {Map<string, Promise<AudioBuffer>>} */
const decoded = new Map();
/** @type {Map<string, AudioBuffer>} */
const regions = new Map();
const named = (number, ratio) => `${number} ${ratio}`;

/** Let what ends in `piece` at a frame run into what begins in `wave` at `first`. */
const join = (wave, first, piece, end, rate) => {
  const count = Math.min(Math.round(JOIN * rate), first, end);
  for (let n = 1; n <= count; n++) {
    const at = end - count + n - 1;
    piece[at] += (wave[first - count + n - 1] - piece[at]) * (n / count);
  }
};

/** Return a decoded sound, `ratio` times as long as it was rendered. */
const decode = (number, ratio) => {
  const name = named(number, ratio);
  const known = decoded.get(name);
  if (known) return known;
  const found = (ratio === 1 ? read(number) : longer(number, ratio)).then((buffer) => {
    const { start, frames, rate } = facts(number, ratio);
    for (let channel = 0; channel < buffer.numberOfChannels; channel++) {
      const wave = buffer.getChannelData(channel);
      join(wave, start, wave, start + frames, rate);
    }
    return buffer;
  });
  found.catch(() => decoded.delete(name)); // it is tried again
  decoded.set(name, found);
  return found;
};

const longer = async (number, ratio) => {
  const [was, is] = [facts(number, 1), facts(number, ratio)];
  const fixed = [[was.start, is.start], [was.start + was.frames, is.start + is.frames]];
  return stretchedBuffer(await decode(number, 1), ratio, fixed);
};

/** Return the decoded band and guitar of a loop. */
export const ready = (loop) => Promise.all([decode(loop.band, loop.ratio), decode(loop.phrase, loop.ratio)]);

const bytes = ({ band, phrase, ratio }) => [band, phrase].reduce((sum, number) => {
  const { start, frames } = facts(number, ratio);
  return sum + 2 * 4 * (frames + 2 * start);
}, 0);

/** Return as many loops as there is room for, the first in any case, and forget all others. */
export const keepOnly = (loops) => {
  let room = ROOM;
  const kept = loops.filter((one, n) => {
    room -= bytes(one);
    return n === 0 || room >= 0;
  });
  const wanted = new Set(kept.flatMap(({ band, phrase, ratio }) => [named(band, ratio), named(phrase, ratio)]));
  for (const name of decoded.keys()) if (!wanted.has(name)) decoded.delete(name);
  for (const name of regions.keys()) if (!wanted.has(name.split(" ", 2).join(" "))) regions.delete(name);
  return kept;
};

/** Return the bytes that decoded sounds take now. */
export const held = async () => {
  const buffers = [...await Promise.all(decoded.values()), ...regions.values()];
  return buffers.reduce((sum, one) => sum + 4 * one.length * one.numberOfChannels, 0);
};

/** Return part of a loop as a buffer, and the seconds in it from and to which it is looped; its
 * end runs into its start without a step. `lead` is what comes round at its end, as `leadIn` says it. */
export const excerpt = (number, ratio, whole, from, to, lead) => {
  const all = facts(number, ratio);
  const { start, rate } = all;
  const first = start + Math.round(from * rate);
  const count = Math.round(to * rate) - Math.round(from * rate);
  if (count === all.frames) return { buffer: whole, loopStart: first / rate, loopEnd: (first + count) / rate };
  const looped = (buffer) => ({ buffer, loopStart: 0, loopEnd: buffer.duration });
  const name = `${named(number, ratio)} ${first} ${count} ${lead ? lead.turn : ""}`;
  const known = regions.get(name);
  if (known) return looped(known);
  const buffer = new AudioBuffer({ length: count, sampleRate: rate, numberOfChannels: whole.numberOfChannels });
  for (let channel = 0; channel < whole.numberOfChannels; channel++) {
    const wave = whole.getChannelData(channel);
    const piece = wave.slice(first, first + count);
    if (lead) leadBack(piece, wave, all, from, lead);
    join(wave, first, piece, count, rate);
    buffer.copyToChannel(piece, channel);
  }
  regions.set(name, buffer);
  if (regions.size > REGIONS) regions.delete(regions.keys().next().value ?? "");
  return looped(buffer);
};

/** Let bars of the guitar end with the pickup that leads to their start, and with nothing else. */
const leadBack = (piece, all, { start, frames, rate }, from, { cut, pickup }) => {
  const ramp = Math.round(JOIN * rate);
  const fade = (edge, n) => (n < edge ? 0 : Math.min(1, (n - edge) / ramp));
  const out = Math.round((cut - from - EARLY) * rate);
  const own = piece.length - Math.round((pickup + EARLY) * rate);
  const ahead = Math.round(from * rate) - piece.length;
  for (let n = Math.max(0, Math.min(out, own)); n < piece.length; n++) {
    const before = pickup > 0 ? all[start + ((ahead + n + frames) % frames)] * fade(own, n) : 0;
    piece[n] = piece[n] * (1 - fade(out, n)) + before;
  }
};
