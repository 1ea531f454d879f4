// What the student does: choosing, playing, keys.

// --- choosing -----------------------------------------------------------------------------

const say = (text) => { $("status").textContent = text; };

const complain = (text) => {
  $("problem").textContent = text;
  $("problem").hidden = !text;
};

const failed = (error) => {
  halt();
  complain(error.message);
};

const neighbours = () => {
  const at = version.loops.indexOf(loop);
  return version.loops.slice(Math.max(0, at - 1), at + 2);
};

const prefetch = () => {
  const near = neighbours();
  sound.keep(near);
  sound.ready(loop).then(() => near.forEach((one) => sound.ready(one).catch(() => {})), failed);
};

// Let what plays follow the settings; `jump` is a bar to go to.
const follow = async (jump) => {
  remember();
  mark();
  prefetch();
  if (!playing) return draw();
  const target = loop;
  try {
    await sound.ready(target);
  } catch (error) {
    return failed(error);
  }
  // Somebody was quicker, or it is played already.
  if (!playing || target !== loop) return undefined;
  const [from, to] = region();
  const old = sound.segments.at(-1)?.loop;
  if (!old) return undefined;
  const next = (line) => {
    const at = Math.round(line / bar(old)) + 1;
    const wanted = jump ?? at;
    const number = wanted < chosen.first || wanted > chosen.last ? chosen.first : wanted;
    const place = (number - 1) * bar();
    return { place, pickup: number === at && versionOf(old) === version ? 0 : pickupTo(place) };
  };
  if (!sound.change(loop, from, to, bar(old), next)) await begin(chosen.first);
  return undefined;
};

const chooseTempo = (tempo) => {
  chosen.tempo = tempo;
  pick();
  say(`Tempo ${loop.tempo}`);
  return follow();
};

const stepTempo = (way) => {
  const at = version.loops.indexOf(loop) + way;
  if (version.loops[at]) chooseTempo(version.loops[at].tempo);
};

const chooseGuitar = (guitar) => {
  if (![...document.querySelectorAll("#guitar input")].some((input) => input.value === guitar)) return;
  chosen.guitar = guitar;
  say(`Guitar plays ${GUITAR[guitar].join(" ")}`);
  remember();
  mark();
  sound.turned();
  if (!playing) draw();
};

const chooseBars = (first, last) => {
  anchor = 0;
  chosen.first = first;
  chosen.last = last;
  say(whole() ? "All bars" : first === last ? `Bar ${first}` : `Bars ${first} to ${last}`);
  return follow();
};

// Go round all, then one part after the other.
const chooseRound = () => {
  const rounds = [[1, version.bars], ...parts().map(([, ...bars]) => bars)];
  const at = rounds.findIndex(([first, last]) => first === chosen.first && last === chosen.last);
  chooseBars(...rounds[(at + 1) % rounds.length]);
};

const chooseBar = (number) => {
  if (number < 1 || number > version.bars) return;
  if (anchor && anchor !== number) {
    chooseBars(Math.min(anchor, number), Math.max(anchor, number));
  } else {
    chooseBars(number, number);
    anchor = number;
  }
};

const choosePiece = (name, key, groove) => {
  chosen.piece = name;
  chosen.key = key;
  chosen.groove = groove;
  const before = version.bars;
  const all = whole();
  const tempo = loop.tempo;
  chosen.tempo = chosen.tempo || tempo;
  pick();
  if (all || version.bars !== before) [chosen.first, chosen.last] = [1, version.bars];
  anchor = 0;
  sound.regions.clear();
  buildChoices();
  buildMusic();
  fit();
  say([piece.name, version.key, version.groove].filter(Boolean).join(", "));
  return follow();
};

const cycle = (list, value) => list[(list.indexOf(value) + 1) % list.length];

const seek = (way) => {
  if (playing) {
    const { place } = sound.at(sound.heard()) ?? { place: 0 };
    const now = Math.floor(Math.max(0, place) / bar() + 1e-6) + 1;
    const span = chosen.last - chosen.first + 1;
    // The change comes at the next bar line, so a bar back is this one again.
    const next = way > 0 ? now + 2 : now;
    follow(chosen.first + ((((next - chosen.first) % span) + span) % span));
  } else {
    const span = chosen.last - chosen.first + 1;
    rest = chosen.first + ((((rest + way - chosen.first) % span) + span) % span);
    draw();
    say(`From bar ${rest}`);
  }
};

// --- playing ------------------------------------------------------------------------------

let rest = 1; // the bar from which play starts

// Return the seconds of the pickup that the guitar plays to a place.
const pickupTo = (place) => {
  const found = beginning(loop, place);
  return found && plays(loop, found.turn) ? found.pickup : 0;
};

const begin = async (from) => {
  const start = Math.min(Math.max(from, chosen.first), chosen.last);
  const place = (start - 1) * bar();
  await sound.play(loop, ...region(), place, {
    sticks: chosen.countIn ? version.beats : 0, beat: beat(),
    pickup: pickupTo(place),
  });
};

// One page of this web site or folder sounds at a time.
const others = "BroadcastChannel" in window ? new BroadcastChannel("a practice page plays") : null;

const play = async () => {
  if (waiting) return;
  // On a telephone its switch for silence is not meant for music that one asks for.
  if (navigator.audioSession) navigator.audioSession.type = "playback";
  waiting = true;
  away = false;
  complain("");
  if (document.readyState === "loading") {
    $("play-name").textContent = "Still loading";
    say("The page is still loading; it plays as soon as it is there");
  }
  try {
    await begin(rest);
    playing = true;
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

// Keep the screen on while it plays, where a browser can.
let lock = null;
const awake = async (on) => {
  try {
    if (on && !lock) lock = await navigator.wakeLock?.request("screen");
    else if (!on) [lock] = [null, await lock?.release()];
  } catch {
    // A battery that is low, or a page out of sight.
  }
};
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState !== "visible" || !playing) return;
  lock = null; // it was let go when the page went out of sight
  awake(true);
});

const halt = (from = chosen.first) => {
  sound.stop();
  awake(false);
  playing = false;
  rest = from;
  $("play").classList.remove("on");
  $("play-name").textContent = "Play";
  draw();
};

const toggle = () => {
  if (!playing) return play();
  halt();
  say("Stopped");
  return undefined;
};

if (others) {
  others.onmessage = () => {
    if (!playing) return;
    halt();
    say("Stopped: another page plays");
  };
}

// Another program, a call, or sleep has taken the sound.
sound.oninterrupt = () => {
  if (!playing) return;
  const { place } = sound.at(sound.context.currentTime) ?? { place: 0 };
  halt(Math.min(chosen.last, Math.max(chosen.first, Math.floor(place / bar() + 1e-6) + 1)));
  complain(`The sound was interrupted. Play goes on from bar ${rest}.`);
};

// At the end of a pass: what plays next, or nothing new.
sound.onpass = (segment, pass) => {
  if (!chosen.stepUp || pass < chosen.passes) return null;
  const at = version.loops.indexOf(segment.loop);
  const next = version.loops[at + 1];
  if (at < 0 || !next) return null;
  sound.ready(next).catch(() => {});
  const [from, to] = region(next);
  return { loop: next, from, to, place: from, auto: true };
};
sound.sounding = ({ loop: one, from, to }, place) => sounds(one, [from, to], place);
sound.leadIn = leadIn;
sound.beat = beat;
