// What the student chooses; what plays follows at the next bar line.
import { $, say } from "./dom.js";
import {
  GUITAR, bar, chosen, loopAt, nearest, nextLoop, now, pace, parts, pick, pickupTo, range, region, remember, whole,
} from "./lesson.js";
import { begin, failed, prefetch, sound } from "./player.js";
import { buildChoices, buildMusic, mark } from "./score.js";
import { draw, fit } from "./show.js";
import { ready } from "./store.js";

let anchor = 0; // the bar that was pressed first

/** Let what plays follow the settings; `jump` is a bar to go to. */
export const follow = async (jump = 0) => {
  remember();
  mark();
  prefetch();
  if (!now.playing) return draw();
  const target = now.loop;
  try {
    await ready(target);
  } catch (error) {
    return failed(error);
  }
  const old = sound.segments.at(-1)?.loop;
  if (!now.playing || target !== now.loop || !old) return undefined; // somebody was quicker
  const next = (line) => {
    const at = Math.round(line / bar(old)) + 1;
    const wanted = jump || at;
    const number = wanted < chosen.first || wanted > chosen.last ? chosen.first : wanted;
    const place = (number - 1) * bar();
    return { place, pickup: number === at && old.version === now.version ? 0 : pickupTo(place) };
  };
  if (!sound.change(target, region(), bar(old), next)) await begin(chosen.first);
  return undefined;
};

export const chooseTempo = (tempo) => {
  chosen.tempo = tempo;
  pick();
  say(`Tempo ${pace(now.loop)}`);
  return follow();
};

/** Go a beat a minute on, as far as can be stretched. */
export const nudgeTempo = (by) => {
  const [low, high] = range(now.version);
  for (let tempo = Math.round(now.loop.tempo + by); tempo >= low && tempo <= high; tempo += by) {
    const found = loopAt(now.version, tempo);
    if ((found.tempo - now.loop.tempo) * by > 0) return chooseTempo(found.tempo);
  }
  return undefined;
};

export const stepTempo = (way) => {
  const next = nextLoop(way);
  if (next) chooseTempo(next.tempo);
};

export const chooseGuitar = (guitar) => {
  if (!$("guitar").querySelector(`[value="${guitar}"]`)) return;
  chosen.guitar = guitar;
  say(`Guitar plays ${GUITAR[guitar].join(" ")}`);
  remember();
  mark();
  sound.turned();
  if (!now.playing) draw();
};

export const chooseBars = (first, last) => {
  anchor = 0;
  [chosen.first, chosen.last] = [Math.min(first, last), Math.max(first, last)];
  say(whole() ? "All bars" : first === last ? `Bar ${first}` : `Bars ${chosen.first} to ${chosen.last}`);
  return follow();
};

/** Go round all, then one part after the other. */
export const chooseRound = () => {
  const rounds = [[1, now.version.bars], ...parts().map(([, first, last]) => [first, last])];
  const at = rounds.findIndex(([first, last]) => first === chosen.first && last === chosen.last);
  const [first, last] = rounds[(at + 1) % rounds.length];
  return chooseBars(first, last);
};

/** Choose a bar; another one right after it: from bar to bar. */
export const chooseBar = (number) => {
  if (number > now.version.bars) return;
  const first = anchor && anchor !== number ? anchor : 0;
  chooseBars(first || number, number);
  anchor = first ? 0 : number;
};

/** Choose a piece, a key, a groove; what is not named stays. */
export const choosePiece = (wanted) => {
  const { piece: { name }, version: { key, groove, bars }, loop } = now;
  Object.assign(chosen, { piece: name, key, groove }, wanted);
  const all = whole();
  chosen.tempo ||= loop.tempo;
  pick();
  if (loop.ratio === 1 && now.loop.ratio !== 1) chosen.tempo = nearest(now.version, loop.tempo).tempo;
  pick();
  if (all || now.version.bars !== bars) [chosen.first, chosen.last] = [1, now.version.bars];
  anchor = 0;
  buildChoices();
  buildMusic();
  fit();
  say([now.piece.name, now.version.key, now.version.groove].filter(Boolean).join(", "));
  return follow();
};

export const cycle = (list, value) => list[(list.indexOf(value) + 1) % list.length];

/** Go a bar on or back. */
export const seek = (way) => {
  const span = chosen.last - chosen.first + 1;
  const inside = (number) => chosen.first + ((((number - chosen.first) % span) + span) % span);
  if (now.playing) {
    const { place } = sound.at(sound.heard()) ?? { place: 0 };
    const here = Math.floor(Math.max(0, place) / bar() + 1e-6) + 1;
    // The change comes at the next bar line, so a bar back is this one again.
    return follow(inside(way > 0 ? here + 2 : here));
  }
  now.rest = inside(now.rest + way);
  draw();
  return say(`From bar ${now.rest}`);
};
