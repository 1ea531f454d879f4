// Leads through a session, a step at a time, and keeps a log of what was played clean.

const LOG = `practice log: ${lesson.name}`;
const PLAYED = { listen: "both", answer: "call", call: "response", along: "both", alone: "mine", faster: "mine", key: "both" };
const MOST = 500; // entries of the log that are kept
let over = false; // whether the step has been played to its end

const led = () => chosen.led && lesson.session.length > 0;
const step = () => lesson.session[Math.min(chosen.step, lesson.session.length - 1)];

// Whether there is what a step asks for.
const possible = ({ do: what }) => {
  if (what === "faster") return version.loops.indexOf(loop) + 1 < version.loops.length;
  if (what === "key") return keysOf(piece).length > 1;
  const roles = new Set(version.turns);
  return !["answer", "call"].includes(what) || (roles.has("call") && roles.has("response"));
};

// --- the log --------------------------------------------------------------------------------

const logged = () => {
  try {
    const found = JSON.parse(localStorage.getItem(LOG) ?? "[]");
    return Array.isArray(found) ? found.filter((one) => typeof one?.day === "string") : [];
  } catch {
    return [];
  }
};

const keep = (list) => {
  try {
    if (list.length) localStorage.setItem(LOG, JSON.stringify(list.slice(-MOST)));
    else localStorage.removeItem(LOG);
  } catch {
    // As for the settings.
  }
  showLog();
};

const entry = ({ day, piece: name, key, tempo, did }) => `${day}  ${name}, ${key}, ${tempo}: ${did}`;

const showLog = () => {
  const list = logged();
  const own = list.filter((one) => one.piece === piece.name && one.key === version.key);
  const last = own.at(-1);
  text("last", last ? `Last time: ${last.tempo} (${last.did.toLowerCase()}, ${last.day})` : "");
  $("log-list").replaceChildren();
  for (const one of list.slice(-20).reverse()) add($("log-list"), "li", {}, entry(one));
  $("log-save").disabled = $("log-forget").disabled = !list.length;
};

const clean = () => {
  const now = new Date();
  const day = [now.getFullYear(), now.getMonth() + 1, now.getDate()].map((n) => String(n).padStart(2, "0")).join("-");
  keep([...logged(), { day, piece: piece.name, key: version.key, tempo: loop.tempo, did: step().name }]);
};

$("log-save").addEventListener("click", () => {
  const blob = new Blob([`${document.title}\n\n${logged().map(entry).join("\n")}\n`], { type: "text/plain" });
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = "practice-log.txt";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
});
$("log-forget").addEventListener("click", () => keep([]));
$("log-on").addEventListener("change", () => {
  chosen.log = $("log-on").checked;
  if (!chosen.log) keep([]);
  remember();
});

// --- the steps ------------------------------------------------------------------------------

const showStep = () => {
  const on = led();
  document.body.classList.toggle("led", on);
  $("card").hidden = !on;
  $("led").hidden = on || !lesson.session.length;
  $("on").hidden = !on;
  $("round").hidden = on || parts().length < 2;
  if (!on) return;
  const at = lesson.session.indexOf(step());
  text("step-count", `Step ${at + 1} of ${lesson.session.length}`);
  text("step-name", step().name);
  text("step-text", step().text);
  const times = step().passes;
  text("step-passes", over ? "Clean? Then go on. If not, again." : `${times} ${times === 1 ? "time" : "times"} round at ${loop.tempo}`);
  $("on").classList.toggle("next", over);
};

// Begin a step that is possible, this one or one after it; false where there is none.
const enter = (number) => {
  const at = lesson.session.findIndex((one, n) => n >= number && possible(one));
  if (at < 0) return false;
  chosen.step = at;
  over = false;
  const what = step().do;
  chosen.guitar = PLAYED[what];
  [chosen.first, chosen.last] = [1, version.bars];
  rest = 1;
  if (what === "faster") chosen.tempo = version.loops[version.loops.indexOf(loop) + 1].tempo;
  if (what === "key") choosePiece(piece.name, cycle(keysOf(piece), version.key), version.groove);
  pick();
  remember();
  mark();
  prefetch();
  showStep();
  showLog();
  if (!playing) draw();
  return true;
};

const restart = async () => {
  over = false;
  showStep();
  rest = chosen.first;
  if (!playing) return play();
  try {
    await begin(rest);
  } catch (error) {
    failed(error);
  }
  return undefined;
};

const again = () => {
  say("Again");
  return restart();
};

const onward = async () => {
  if (!led()) return undefined;
  if (over && chosen.log) clean();
  if (enter(chosen.step + 1)) {
    say(`${$("step-count").textContent}: ${step().name}`);
    return restart();
  }
  if (playing) halt();
  enter(0);
  text("step-passes", "That was the session. From the top?");
  say("That was the session");
  return undefined;
};

const lead = (on) => {
  chosen.led = on;
  remember();
  if (on) enter(chosen.step);
  else showStep();
  fit();
  say(on ? "The session leads" : "Free play");
};

const stepUp = sound.onpass;
sound.onpass = (segment, pass) => {
  if (!led()) return stepUp(segment, pass);
  if (pass < step().passes) return null;
  return { over: true, pickup: beginning(segment.loop, segment.from)?.pickup ?? 0 };
};
sound.onend = () => {
  halt();
  over = led();
  showStep();
  if (over) say("Clean? Then go on. If not, again.");
};

$("again").addEventListener("click", again);
$("on").addEventListener("click", onward);
$("free").addEventListener("click", () => lead(false));
$("led").addEventListener("click", () => lead(true));

// --- a link to a place ----------------------------------------------------------------------

const goTo = () => {
  const words = new URLSearchParams(location.hash.slice(1));
  const tempo = Number(words.get("tempo"));
  const part = parts().find(([role]) => role.toLowerCase() === words.get("part"));
  if (!tempo && !part) return false;
  if (tempo) chosen.tempo = tempo;
  if (part) [, chosen.first, chosen.last] = part;
  chosen.led = false;
  pick();
  rest = chosen.first;
  return true;
};

addEventListener("hashchange", () => {
  if (!goTo()) return;
  showStep();
  follow();
});
