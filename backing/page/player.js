// What the student sees and does; sound.js plays, neck.js draws the neck.
"use strict";

const $ = (id) => document.getElementById(id);
const lesson = JSON.parse($("lesson").textContent);
const sound = new window.LoopSound(lesson.sounds);
const neck = new window.Neck($("neck"));
const calm = matchMedia("(prefers-reduced-motion: reduce)");
const roomy = matchMedia("(min-width: 700px)");
const GUITAR = {
  both: ["All", "a"], call: ["Call", "c"], response: ["Response", "r"], mine: ["My turn", "m"],
};

// --- settings -----------------------------------------------------------------------------

const STORE = `practice page: ${lesson.name}`;
const usual = {
  piece: lesson.pieces[0].name, key: "", tempo: 0, guitar: "both", first: 1, last: 0, balance: 0,
  volume: 60, countIn: true, stepUp: false, passes: 2, letters: true,
};
const chosen = { ...usual };

const remember = () => {
  try {
    localStorage.setItem(STORE, JSON.stringify(chosen));
  } catch {
    // Private windows and some web views have no memory; the page plays all the same.
  }
};

const recall = () => {
  try {
    const found = JSON.parse(localStorage.getItem(STORE) ?? "{}");
    for (const name of Object.keys(usual)) {
      if (typeof found?.[name] === typeof usual[name]) chosen[name] = found[name];
    }
  } catch {
    // As above, or somebody else's text.
  }
};

let piece, version, loop, systems, tips, anchor, playing = false, waiting = false;

const pick = () => {
  piece = lesson.pieces.find((one) => one.name === chosen.piece) ?? lesson.pieces[0];
  version = piece.versions.find((one) => one.key === chosen.key) ?? piece.versions[0];
  const distance = (one) => Math.abs(one.tempo - chosen.tempo);
  loop = chosen.tempo
    ? version.loops.reduce((best, one) => (distance(one) < distance(best) ? one : best))
    : version.loops[0];
  const bars = version.bars;
  if (!(chosen.last >= 1 && chosen.last <= bars)) chosen.last = bars;
  if (!(chosen.first >= 1 && chosen.first <= chosen.last)) chosen.first = 1;
  chosen.first = Math.round(chosen.first);
  chosen.last = Math.round(chosen.last);
  const roles = new Set(version.turns);
  if (!Object.hasOwn(GUITAR, chosen.guitar)) chosen.guitar = "both";
  if (["call", "response"].includes(chosen.guitar) && !roles.has(chosen.guitar)) chosen.guitar = "both";
};

const beat = (one = loop) => 60 / one.tempo;
const bar = (one = loop) => version.beats * beat(one);
const whole = (first = chosen.first, last = chosen.last) => first === 1 && last === version.bars;
const region = (one = loop) => {
  const end = chosen.last === version.bars ? sound.length(one) : chosen.last * bar(one);
  return [(chosen.first - 1) * bar(one), end];
};

// Return the number of the turn to which a place belongs; a pickup belongs to what it leads to.
const turnAt = (one, place) => {
  const length = sound.length(one);
  const found = one.turns.findIndex(([from, to]) => from <= place && place < to);
  if (found >= 0) return found;
  return one.turns.findIndex(([from]) => from < 0 && place >= length + from);
};

const sounds = (one, place) => {
  if (chosen.guitar === "both") return true;
  if (chosen.guitar === "mine") return false;
  const turn = turnAt(one, place);
  return turn >= 0 && version.turns[turn] === chosen.guitar;
};

// --- building -----------------------------------------------------------------------------

const add = (parent, name, attributes = {}, text) => {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  parent.append(element);
  return element;
};

const radios = (holder, name, options, value, choose) => {
  const keep = holder.querySelector("legend");
  holder.replaceChildren(keep);
  const row = add(holder, "div", { class: "options" });
  for (const [id, text, disabled] of options) {
    const label = add(row, "label", { class: "option" });
    const input = add(label, "input", { type: "radio", name, value: id });
    input.checked = id === value;
    input.disabled = Boolean(disabled);
    input.addEventListener("change", () => choose(id));
    add(label, "span", {}, text);
  }
};

const buildChoices = () => {
  const select = (id, names, value) => {
    $(id).replaceChildren();
    for (const name of names) add($(id), "option", { value: name }, name);
    $(id).value = value;
    $(`pick-${id}`).hidden = names.length < 2;
  };
  select("piece", lesson.pieces.map((one) => one.name), piece.name);
  select("key", piece.versions.map((one) => one.key), version.key);
  const roles = new Set(version.turns);
  const answers = roles.has("call") && roles.has("response");
  radios($("guitar"), "guitar",
    Object.entries(GUITAR).map(([id, [text]]) => [id, text]).filter(([id]) => answers || id === "both" || id === "mine"),
    chosen.guitar, chooseGuitar);
  radios($("tempo"), "tempo", version.loops.map((one) => [String(one.tempo), String(one.tempo)]),
    String(loop.tempo), (tempo) => chooseTempo(Number(tempo)));
  $("bars").replaceChildren();
  const all = add($("bars"), "button", { type: "button", class: "bar-all" }, "All");
  all.addEventListener("click", () => chooseBars(1, version.bars));
  for (let number = 1; number <= version.bars; number++) {
    const button = add($("bars"), "button", { type: "button", "aria-label": `Bar ${number}` }, number);
    button.addEventListener("click", () => chooseBar(number));
  }
  $("beats").replaceChildren();
  for (let number = 1; number <= version.beats; number++) add($("beats"), "span", {}, number);
};

const drawNeck = () => neck.draw(version.notes, ...(roomy.matches ? [640, 18] : [380, 25]));

const buildMusic = () => {
  const shown = $(version.template).content.cloneNode(true);
  const sets = { wide: [], narrow: [] };
  const holders = [...shown.querySelectorAll(".system")];
  for (const holder of holders) {
    const set = sets[holder.dataset.set];
    const shape = version[holder.dataset.set][set.length];
    const number = set.length;
    const cover = shape.bars.map(([name, left, right]) => {
      const shade = add(holder, "div", { class: "shade" });
      const share = holder.firstElementChild.width.baseVal.valueInSpecifiedUnits;
      shade.style.left = `${(left / shape.width) * share}%`;
      shade.style.width = `${((right - left) / shape.width) * share}%`;
      return [name, shade];
    });
    const cursor = add(holder, "div", { class: "cursor" });
    cursor.hidden = true;
    holder.addEventListener("click", (event) => {
      const box = holder.firstElementChild.getBoundingClientRect();
      const x = ((event.clientX - box.left) / box.width) * shape.width;
      const found = shape.bars.find(([name, left, right]) => name > 0 && left <= x && x < right);
      if (found) chooseBar(found[0]);
    });
    set.push({ holder, shape, cursor, cover, number });
  }
  systems = sets;
  $("systems").replaceChildren(...holders);
  const margin = shown.querySelector(".tips");
  tips = [...margin.querySelectorAll("li.tip")];
  $("margin").hidden = !margin.childElementCount;
  $("margin").replaceChildren();
  add($("margin"), "h2", {}, "In the margin");
  $("margin").append(margin);
  drawNeck();
  $("words").replaceChildren();
  version.notes.forEach(([string, fret, name, , how], at) => {
    const where = fret === null ? `${string} string, muted` : `${string} string, fret ${fret}, ${name}`;
    add($("words"), "li", {}, `${version.places[at]}: ${where}${how === "pick" || how === "muted" ? "" : `, ${how}`}`);
  });
};

const mark = () => {
  for (const input of document.querySelectorAll("#tempo input")) input.checked = input.value === String(loop.tempo);
  for (const input of document.querySelectorAll("#guitar input")) input.checked = input.value === chosen.guitar;
  const buttons = [...$("bars").children];
  buttons.forEach((button, number) => {
    const on = number === 0 ? whole() : !whole() && number >= chosen.first && number <= chosen.last;
    button.setAttribute("aria-pressed", on);
  });
  for (const set of Object.values(systems)) {
    for (const { cover } of set) {
      for (const [number, shade] of cover) {
        const inside = number === 0 ? chosen.first === 1 : number >= chosen.first && number <= chosen.last;
        shade.classList.toggle("off", !inside);
      }
    }
  }
};

// --- choosing -----------------------------------------------------------------------------

const say = (text) => { $("status").textContent = text; };

const complain = (text) => {
  $("problem").textContent = text;
  $("problem").hidden = !text;
};

const failed = () => {
  halt();
  complain("This browser cannot decode the sound of this page. Try a newer Chromium, Firefox or Safari.");
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
  } catch {
    return failed();
  }
  if (!playing || target !== loop) return undefined;
  const [from, to] = region();
  const old = sound.segments.at(-1)?.loop;
  if (!old) return undefined;
  const next = (place) => {
    const number = jump ?? Math.round(place / bar(old)) + 1;
    return number < chosen.first || number > chosen.last ? from : (number - 1) * bar();
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
  say(guitar === "mine" ? "My turn" : `Guitar plays ${GUITAR[guitar][0]}`);
  remember();
  mark();
  sound.turned();
  if (!playing) draw();
};

const chooseBars = (first, last) => {
  chosen.first = first;
  chosen.last = last;
  say(whole() ? "All bars" : first === last ? `Bar ${first}` : `Bars ${first} to ${last}`);
  return follow();
};

const chooseBar = (number) => {
  if (number < 1 || number > version.bars) return;
  if (anchor && anchor !== number) {
    chooseBars(Math.min(anchor, number), Math.max(anchor, number));
    anchor = 0;
  } else {
    anchor = number;
    chooseBars(number, number);
  }
};

const choosePiece = (name, key) => {
  chosen.piece = name;
  chosen.key = key;
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
  say(`${piece.name}, ${version.key}`);
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

const begin = async (from) => {
  const start = Math.min(Math.max(from, chosen.first), chosen.last);
  const place = (start - 1) * bar();
  const pickups = loop.turns.map(([first], number) => {
    const length = Math.ceil(first / bar() - 1e-6) * bar() - first;
    return Math.abs(first + length - place) < 1e-3 && (number > 0 || first < 0) ? length : 0;
  });
  await sound.play(loop, ...region(), place, {
    sticks: chosen.countIn ? version.beats : 0, beat: beat(), pickup: Math.max(0, ...pickups),
  });
};

const play = async () => {
  if (waiting) return;
  waiting = true;
  complain("");
  try {
    await begin(rest);
    playing = true;
    $("play").classList.add("on");
    $("play-name").textContent = "Stop";
    say("Playing");
    requestAnimationFrame(frame);
  } catch {
    failed();
  } finally {
    waiting = false;
  }
};

const halt = () => {
  sound.stop();
  playing = false;
  rest = chosen.first;
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

// At the end of a pass: what plays next, or nothing new.
sound.onpass = (segment, pass) => {
  if (!chosen.stepUp || pass < chosen.passes) return null;
  const at = version.loops.indexOf(segment.loop);
  const next = version.loops[at + 1];
  if (at < 0 || !next) return null;
  sound.ready(next).catch(() => {});
  const [from, to] = region(next);
  return { loop: next, from, to, place: from };
};
sound.sounding = sounds;

// --- showing ------------------------------------------------------------------------------

const text = (id, value) => {
  if ($(id).textContent !== value) $(id).textContent = value;
};

const current = (list, place) => list.findLastIndex((at) => at !== null && at <= place + 1e-4);

const showMusic = (place, glide) => {
  const name = roomy.matches ? "wide" : "narrow";
  const ways = loop[name];
  let at = ways.findLastIndex((way) => way[0][0] <= place + 1e-4);
  if (at < 0) at = 0;
  const way = ways[at];
  let n = way.findLastIndex(([time]) => time <= place + 1e-4);
  let x = way[Math.max(0, n)][1];
  if (glide && n >= 0 && n + 1 < way.length) {
    const [[t0, x0], [t1, x1]] = [way[n], way[n + 1]];
    x = x0 + ((place - t0) / (t1 - t0)) * (x1 - x0);
  }
  for (const set of Object.values(systems)) {
    for (const one of set) one.cursor.hidden = set !== systems[name] || one.number !== at;
  }
  const { holder, shape, cursor } = systems[name][at];
  const wide = holder.firstElementChild.getBoundingClientRect().width;
  cursor.style.transform = `translateX(${((x / shape.width) * wide).toFixed(2)}px)`;
  if (playing && showMusic.seen !== holder) {
    showMusic.seen = holder;
    const box = holder.getBoundingClientRect();
    const top = document.querySelector(roomy.matches ? ".stand" : ".now").getBoundingClientRect().bottom;
    const low = document.querySelector(roomy.matches ? ".dock" : ".main").getBoundingClientRect().top;
    if (box.top < top || box.bottom > low) {
      scrollBy({ top: box.top - top - 12, behavior: calm.matches ? "auto" : "smooth" });
    }
  }
};

const showTurn = (place) => {
  const turn = turnAt(loop, place);
  const role = turn >= 0 ? version.turns[turn] : "";
  const heard = sounds(loop, place);
  const named = role && role !== "line" ? role[0].toUpperCase() + role.slice(1) : "Phrase";
  let label = heard ? `Listen: ${named.toLowerCase()}` : `Your turn${role && role !== "line" ? `: ${role}` : ""}`;
  if (heard && chosen.guitar !== "both") {
    const [from, to] = region();
    const inside = (at) => (at >= to ? from + ((at - from) % (to - from)) : at);
    for (let beats = 1; beats <= version.beats; beats++) {
      if (!sounds(loop, inside(place + beats * beat()))) {
        label = `Your turn in ${beats}`;
        break;
      }
    }
  }
  text("turn", label);
  $("turn").classList.toggle("yours", !heard);
};

const showAt = (place, before, glide) => {
  const length = sound.length(loop);
  const [from, to] = region();
  const first = loop.turns[0]?.[0] ?? 0;
  const pickup = first < 0 && chosen.first === 1 ? -first : 0;
  const leads = whole() && place >= length - pickup - 1e-4;
  const counting = before && place < from - pickup - 1e-4;
  const written = counting ? from - pickup : leads ? place - length : place;
  showMusic(written, glide);
  const chord = Math.max(0, current(loop.chords, Math.max(0, place)));
  text("chord", version.chords[chord]);
  const own = loop.chords.flatMap((at, n) => (at >= from && at < to ? [n] : []));
  const later = own.find((n) => loop.chords[n] > place && version.chords[n] !== version.chords[chord]) ?? own.find((n) => version.chords[n] !== version.chords[chord]);
  if (later === undefined) text("next", "");
  else {
    const wait = loop.chords[later] - place;
    const beats = Math.ceil((wait > 0 ? wait : wait + to - from) / beat() - 1e-3);
    text("next", `then ${version.chords[later]}${beats <= version.beats ? ` in ${beats}` : ""}`);
  }
  const count = Math.floor(place / beat() + 1e-3);
  const number = Math.floor(count / version.beats);
  const bars = before ? "Count-in" : `Bar ${number + 1}`;
  text("bar", bars);
  const on = ((count % version.beats) + version.beats) % version.beats;
  [...$("beats").children].forEach((dot, n) => dot.classList.toggle("on", (playing || before) && n === on));
  showTurn(before ? Math.max(from, place) : place);
  const at = counting ? [] : loop.notes.flatMap(([begin, end], n) => (begin <= written && written < end ? [n] : []));
  neck.show(at.map((n) => version.notes[n]));
  text("note", at.map((n) => {
    const [, fret, name, degree, how] = version.notes[n];
    if (fret === null) return "muted";
    return `${name.replace(/\d+/, "")} · ${degree}${how === "pick" ? "" : ` · ${how}`}`;
  }).join("   "));
  const places = loop.tips.filter((one) => one !== null);
  let tip = -1;
  if (!counting) places.forEach((one, n) => { if (one <= written + 1e-4 && written - one < bar()) tip = n; });
  tips.forEach((item, n) => item.classList.toggle("on", n === tip && playing));
};

const draw = () => {
  const place = (rest - 1) * bar();
  showMusic.seen = null;
  showAt(place, false, false);
  text("bar", `From bar ${rest}`);
  neck.show([]);
  text("note", "");
  text("turn", "Ready");
  $("turn").classList.remove("yours");
};

const frame = () => {
  if (!playing) return;
  const found = sound.at(sound.heard());
  if (found) {
    const { segment, place, before } = found;
    if (segment.loop !== loop && version.loops.includes(segment.loop) && segment === sound.segments.at(-1) && !before) {
      loop = segment.loop;
      chosen.tempo = loop.tempo;
      remember();
      mark();
      prefetch();
      say(`Tempo ${loop.tempo}`);
    }
    if (segment.loop === loop) showAt(place, before, !calm.matches);
  }
  requestAnimationFrame(frame);
};

// --- hands --------------------------------------------------------------------------------

const setSlides = () => {
  sound.balance = chosen.balance / 100;
  sound.volume = chosen.volume / 100;
  sound.levels();
  const more = chosen.balance > 0 ? `guitar ${chosen.balance} % more` : `band ${-chosen.balance} % more`;
  $("balance").setAttribute("aria-valuetext", chosen.balance ? more : "even");
  remember();
};

const setTicks = () => {
  chosen.countIn = $("count-in").checked;
  chosen.stepUp = $("step-up").checked;
  chosen.passes = Number($("passes").value);
  chosen.letters = $("letters").checked;
  remember();
};

const flip = (id) => {
  $(id).checked = !$(id).checked;
  setTicks();
  say(`${id === "count-in" ? "Count-in" : "Step up"} ${$(id).checked ? "on" : "off"}`);
};

const tilt = (by) => {
  chosen.balance = Math.max(-100, Math.min(100, chosen.balance + by));
  $("balance").value = chosen.balance;
  setSlides();
};

const LETTERS = {
  a: () => chooseGuitar("both"),
  c: () => chooseGuitar("call"),
  r: () => chooseGuitar("response"),
  m: () => chooseGuitar("mine"),
  g: () => tilt(10),
  b: () => tilt(-10),
  n: () => flip("count-in"),
  s: () => flip("step-up"),
  v: () => lesson.pieces.length > 1 && choosePiece(cycle(lesson.pieces, piece).name, version.key),
  k: () => piece.versions.length > 1 && choosePiece(piece.name, cycle(piece.versions, version).key),
  0: () => chooseBars(1, version.bars),
};
const ARROWS = {
  ArrowUp: () => stepTempo(1),
  ArrowDown: () => stepTempo(-1),
  ArrowLeft: () => seek(-1),
  ArrowRight: () => seek(1),
};

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
  const at = event.target;
  const kind = at instanceof HTMLInputElement ? at.type : at.localName;
  if (event.key === " ") {
    if (["button", "select", "summary", "checkbox", "radio"].includes(kind)) return;
    event.preventDefault();
    if (!event.repeat) toggle();
  } else if (Object.hasOwn(ARROWS, event.key)) {
    if (["select", "radio", "range"].includes(kind) || event.shiftKey) return;
    event.preventDefault();
    ARROWS[event.key]();
  } else if (chosen.letters && kind !== "select") {
    const letter = event.key.toLowerCase();
    if (/^[1-9]$/.test(letter)) chooseBar(Number(letter));
    else if (Object.hasOwn(LETTERS, letter)) LETTERS[letter]();
    else return;
    event.preventDefault();
  }
});

// After a press of a finger the space bar is the player's again; keyboards keep their focus.
document.addEventListener("click", (event) => {
  const at = event.target.closest("button, input, summary");
  if (at && event.detail > 0 && at.type !== "range") at.blur();
});
document.addEventListener("pointerup", () => {
  if (document.activeElement?.type === "range") document.activeElement.blur();
});

$("play").addEventListener("click", toggle);
$("piece").addEventListener("change", () => choosePiece($("piece").value, version.key));
$("key").addEventListener("change", () => choosePiece(piece.name, $("key").value));
for (const id of ["count-in", "step-up", "passes", "letters"]) $(id).addEventListener("change", setTicks);
for (const id of ["balance", "volume"]) {
  $(id).addEventListener("input", () => {
    chosen[id] = Number($(id).value);
    setSlides();
  });
}
const resized = () => { if (!playing) draw(); };
roomy.addEventListener("change", () => {
  drawNeck();
  resized();
});
addEventListener("resize", resized);

$("keys").open = matchMedia("(min-width: 1080px)").matches;
recall();
pick();
rest = chosen.first;
$("count-in").checked = chosen.countIn;
$("step-up").checked = chosen.stepUp;
$("passes").value = String(chosen.passes);
if (!$("passes").value) $("passes").value = "2";
$("letters").checked = chosen.letters;
$("balance").value = chosen.balance;
$("volume").value = chosen.volume;
buildChoices();
buildMusic();
mark();
setSlides();
draw();
if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", prefetch);
else prefetch();

// What a test asks.
window.practice = { sound, chosen, now: () => ({ loop, version, playing, found: playing ? sound.at(sound.heard()) : null }) };
