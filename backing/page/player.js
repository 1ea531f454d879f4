// Starting, stopping, and what goes on while it plays.
import { $, calm, complain, say } from "./dom.js";
import { bar, chosen, nextLoop, now, pickupTo, region, remember } from "./lesson.js";
import { mark } from "./score.js";
import { draw, showAt } from "./show.js";
import { Sound } from "./sound.js";
import { keepOnly, ready } from "./store.js";

export const sound = new Sound();
let waiting = false; // for sound

export const failed = (error) => {
  halt();
  complain(error.message);
};

/** Get ready what may be played next. */
export const prefetch = () => {
  const near = keepOnly([now.loop, nextLoop(1), nextLoop(-1)].filter((one) => one !== undefined));
  ready(now.loop).then(() => near.forEach((one) => { ready(one).catch(() => {}); }), failed);
};

export const begin = async (from) => {
  const start = Math.min(Math.max(from, chosen.first), chosen.last);
  const place = (start - 1) * bar();
  await sound.play(now.loop, region(), place, chosen.countIn ? now.version.beats : 0, pickupTo(place));
};

// One page of this web site or folder sounds at a time.
const others = "BroadcastChannel" in window ? new BroadcastChannel("a practice page plays") : null;

export const play = () => started(() => begin(now.rest));

/** Play bars of a loop once, and over them a sound that begins some seconds before. */
export const replay = async (what, loop, span, ahead, buffer) => {
  if (now.playing) halt();
  now.replay = what;
  await started(async () => {
    await sound.play(loop, span, span[0], 0, pickupTo(span[0], loop), ahead);
    sound.lay(buffer, sound.segments[0].time - ahead);
  });
};

const started = async (starts) => {
  if (waiting) return;
  // On a telephone its switch for silence is not meant for music that one asks for.
  const { audioSession } = /** @type {any} */ (navigator);
  if (audioSession) audioSession.type = "playback";
  waiting = true;
  now.away = false;
  complain("");
  if (document.readyState === "loading") {
    $("play-name").textContent = "Still loading";
    say("The page is still loading; it plays as soon as it is there");
  }
  try {
    await starts();
    now.playing = true;
    $("play").classList.add("on");
    $("play-name").textContent = "Stop";
    say("Playing");
    awake(true);
    others?.postMessage("");
    requestAnimationFrame(frame);
  } catch (error) {
    failed(error);
  } finally {
    waiting = false;
  }
};

export const halt = (from = chosen.first) => {
  sound.stop();
  awake(false);
  now.playing = false;
  now.replay = "";
  now.rest = from;
  $("play").classList.remove("on");
  $("play-name").textContent = "Play";
  draw();
};

export const toggle = () => {
  if (!now.playing) return play();
  halt();
  return say("Stopped");
};

if (others) {
  others.onmessage = () => {
    if (!now.playing) return;
    halt();
    say("Stopped: another page plays");
  };
}

// Keep the screen on while it plays, where a browser can.
/** @type {any} */ let lock = null;
const awake = async (on) => {
  try {
    if (on && !lock) lock = await navigator.wakeLock?.request("screen");
    else if (!on) [lock] = [null, await lock?.release()];
  } catch {
    // A battery that is low, or a page out of sight.
  }
};
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState !== "visible" || !now.playing) return;
  lock = null; // it was let go when the page went out of sight
  awake(true);
});

// Another program, a call, or sleep has taken the sound.
sound.oninterrupt = () => {
  if (!now.playing) return;
  const { place } = sound.at(sound.context.currentTime) ?? { place: 0 };
  halt(Math.min(chosen.last, Math.max(chosen.first, Math.floor(place / bar() + 1e-6) + 1)));
  complain(`The sound was interrupted. Play goes on from bar ${now.rest}.`);
};

/** At the end of a pass: what plays next, or nothing new. */
export const stepUp = (segment, pass) => {
  const next = nextLoop(1, segment.loop);
  if (!chosen.stepUp || pass < chosen.passes || !next) return null;
  ready(next).catch(() => {});
  const [from, to] = region(next);
  return { loop: next, from, to, place: from, auto: true };
};

const frame = () => {
  if (!now.playing) return;
  const found = sound.at(sound.heard());
  if (found) {
    const { segment, place, before } = found;
    if (segment.auto && segment === sound.segments.at(-1)) stepped(segment);
    // A piece or a key that was just chosen is shown already and comes at the next bar line.
    if (segment.loop.version === now.version) {
      showAt(segment.loop, [segment.from, segment.to], place, before, !calm.matches);
    }
  }
  requestAnimationFrame(frame);
};

// The tempo went up by itself.
const stepped = (segment) => {
  segment.auto = false;
  if (segment.loop.version !== now.version) return;
  now.loop = segment.loop;
  chosen.tempo = now.loop.tempo;
  remember();
  mark();
  prefetch();
  say(`Tempo ${now.loop.tempo}`);
};
