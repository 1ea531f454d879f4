// Leads through a session, a step at a time, and keeps a log of what was played clean.
import { $, add, say, text } from "./dom.js";
import { beginning, chosen, keep, keysOf, lesson, nextLoop, now, parts, pick, recalled, remember } from "./lesson.js";
import { choosePiece, cycle, follow } from "./choose.js";
import { begin, failed, halt, play, prefetch, sound, stepUp } from "./player.js";
import { mark } from "./score.js";
import { draw, fit } from "./show.js";

const LOG = `practice log: ${lesson.name}`;
const PLAYED = { listen: "both", answer: "call", call: "response", along: "both", alone: "mine", faster: "mine", key: "both" };
const MOST = 500; // entries of the log that are kept
let over = false; // whether the step has been played to its end

export const led = () => chosen.led && lesson.session.length > 0;
const step = () => lesson.session[Math.min(chosen.step, lesson.session.length - 1)];

/** Whether there is what a step asks for. */
const possible = ({ do: what }) => {
  if (what === "faster") return nextLoop() !== undefined;
  if (what === "key") return keysOf(now.piece).length > 1;
  return !["answer", "call"].includes(what) || ["call", "response"].every((role) => now.version.turns.includes(role));
};

// --- the log ----------------------------------------------------------------------------------

const logged = () => {
  const found = recalled(LOG);
  return Array.isArray(found) ? found.filter((one) => typeof one?.day === "string") : [];
};

const keepLog = (list) => {
  keep(LOG, list.length ? list.slice(-MOST) : undefined);
  showLog();
};

const entry = ({ day, piece: name, key, tempo, did }) => `${day}  ${name}, ${key}, ${tempo}: ${did}`;

export const showLog = () => {
  const list = logged();
  const last = list.findLast((one) => one.piece === now.piece.name && one.key === now.version.key);
  text("last", last ? `Last time: ${last.tempo} (${last.did.toLowerCase()}, ${last.day})` : "");
  $("log-list").replaceChildren();
  for (const one of list.slice(-20).reverse()) add($("log-list"), "li", {}, entry(one));
  $("log-save").disabled = $("log-forget").disabled = !list.length;
};

const clean = () => {
  const today = new Date();
  const day = [today.getFullYear(), today.getMonth() + 1, today.getDate()].map((n) => String(n).padStart(2, "0")).join("-");
  keepLog([...logged(), { day, piece: now.piece.name, key: now.version.key, tempo: now.loop.tempo, did: step().name }]);
};

$("log-save").addEventListener("click", () => {
  const blob = new Blob([`${document.title}\n\n${logged().map(entry).join("\n")}\n`], { type: "text/plain" });
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = "practice-log.txt";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
});
$("log-forget").addEventListener("click", () => keepLog([]));
$("log-on").addEventListener("change", () => {
  chosen.log = $("log-on").checked;
  if (!chosen.log) keepLog([]);
  remember();
});

// --- the steps --------------------------------------------------------------------------------

export const showStep = () => {
  const on = led();
  document.body.classList.toggle("led", on);
  $("card").hidden = !on;
  $("led").hidden = on || !lesson.session.length;
  $("on").hidden = !on;
  $("round").hidden = on || parts().length < 2;
  if (!on) return;
  const { name, text: told, passes } = step();
  text("step-count", `Step ${lesson.session.indexOf(step()) + 1} of ${lesson.session.length}`);
  text("step-name", name);
  text("step-text", told);
  const times = `${passes} ${passes === 1 ? "time" : "times"} round at ${now.loop.tempo}`;
  text("step-passes", over ? "Clean? Then go on. If not, again." : times);
  $("on").classList.toggle("next", over);
};

/** Begin a step that is possible, this one or one after it; false where there is none. */
const enter = (number) => {
  const at = lesson.session.findIndex((one, n) => n >= number && possible(one));
  if (at < 0) return false;
  chosen.step = at;
  over = false;
  const what = step().do;
  chosen.guitar = PLAYED[what];
  [chosen.first, chosen.last] = [1, now.version.bars];
  now.rest = 1;
  if (what === "faster") chosen.tempo = nextLoop()?.tempo ?? 0;
  if (what === "key") choosePiece({ key: cycle(keysOf(now.piece), now.version.key) });
  pick();
  remember();
  mark();
  prefetch();
  showStep();
  showLog();
  if (!now.playing) draw();
  return true;
};

const restart = async () => {
  over = false;
  showStep();
  now.rest = chosen.first;
  if (!now.playing) return play();
  try {
    await begin(now.rest);
  } catch (error) {
    failed(error);
  }
  return undefined;
};

export const again = () => {
  say("Again");
  return restart();
};

export const onward = async () => {
  if (!led()) return undefined;
  if (over && chosen.log) clean();
  if (enter(chosen.step + 1)) {
    say(`${$("step-count").textContent}: ${step().name}`);
    return restart();
  }
  if (now.playing) halt();
  enter(0);
  text("step-passes", "That was the session. From the top?");
  return say("That was the session");
};

export const lead = (on) => {
  chosen.led = on;
  remember();
  if (on) enter(chosen.step);
  else showStep();
  fit();
  say(on ? "The session leads" : "Free play");
};

/** Begin as it was left. */
export const resume = () => {
  if (led()) enter(chosen.step);
  showStep();
  showLog();
};

sound.onpass = (segment, pass) => {
  if (!led() && !now.replay) return stepUp(segment, pass);
  if (pass < (now.replay ? 1 : step().passes)) return null;
  return { over: true, pickup: beginning(segment.loop, segment.from)?.pickup ?? 0 };
};
sound.onend = () => {
  const again = now.replay !== "";
  halt();
  if (again) return;
  over = led();
  showStep();
  if (over) say("Clean? Then go on. If not, again.");
};

// --- a link to a place ------------------------------------------------------------------------

export const goTo = () => {
  const words = new URLSearchParams(location.hash.slice(1));
  const tempo = Number(words.get("tempo"));
  const part = parts().find(([role]) => role.toLowerCase() === words.get("part"));
  if (!tempo && !part) return false;
  if (tempo) chosen.tempo = tempo;
  if (part) [, chosen.first, chosen.last] = part;
  chosen.led = false;
  pick();
  now.rest = chosen.first;
  return true;
};

addEventListener("hashchange", () => {
  if (!goTo()) return;
  showStep();
  follow();
});
