// Shows a place of a loop: cursor, chord, count, turn, neck and tip.
import { $, add, all, beside, calm, rect, roomy, text } from "./dom.js";
import { bar, beat, beginning, chosen, now, plays, region, sounds, turnAt } from "./lesson.js";
import { neck } from "./score.js";

const SMALLEST = 6.2; // pixels of a staff space: a staff is 6.6 mm high, as in print
const SOON = 3; // beats that are counted down to a turn
const FREE = 28; // pixels around the music

const current = (list, place) => list.findLastIndex((at) => at !== null && at <= place + 1e-4);

// Return what is above or below a row of music, of the things by these names.
const around = (row, ...names) => {
  const { left, right } = rect(row);
  return names.map((name) => rect(document.querySelector(name)))
    .filter((box) => box.height && box.right > left && box.left < right);
};

// Return the room between what stands still above and below a row.
const room = (row) => {
  const over = around(row, ".stand", ".now");
  const low = Math.min(innerHeight, ...around(row, ".dock").map((box) => box.top));
  return { over, top: Math.max(0, ...over.map((box) => box.height)), low };
};

// Whether the student looks at something else: was there by wheel, finger or key and has not come
// back, or has the keyboard's focus there.
const elsewhere = (row) => {
  if (document.querySelector(":is(.margin, .more) :focus-visible")) return true;
  if (!now.away) return false;
  if (performance.now() - left < 500) return true; // the page may not have moved yet
  const { over, top, low } = room(row);
  const middle = (rect(row).top + rect(row).bottom) / 2;
  const high = over.some((one) => one.top > 0) ? 0 : top; // the stand sticks, or choices are above it
  const others = around(row, ".margin");
  now.away = middle < top || middle > low || others.some((one) => one.bottom > high && one.top < (top + low) / 2);
  return now.away;
};

let left = 0; // when the student last scrolled, in milliseconds
export const leave = () => {
  now.away = now.playing;
  left = performance.now();
};

// Scroll to the music if it is hidden by what stands above or below it; where it is too long, to a
// row and, so that one can read ahead, the next.
const reveal = (row) => {
  const { over, top, low } = room(row);
  const music = rect(row.parentElement);
  const box = music.height + 24 <= low - top ? music : rect(row);
  const next = row.nextElementSibling ? rect(row.nextElementSibling) : box;
  const bottom = next.height && next.bottom - box.top + 24 <= low - top ? Math.max(next.bottom, box.bottom) : box.bottom;
  if (box.top < Math.max(0, ...over.map((one) => one.bottom)) || bottom > low) {
    // Beside the music the player goes with what stands before the rest of the page.
    const most = beside() ? rect(document.querySelector(".more")).top - innerHeight : Infinity;
    scrollBy({ top: Math.min(most, box.top - top - 12), behavior: calm.matches ? "auto" : "smooth" });
  }
};

// Let nothing that gets the focus be hidden by what stands still: WCAG 2.2, 2.4.11.
export const clear = () => {
  const [stand, dock] = [".stand", ".dock"].map((name) => rect(document.querySelector(name)).height);
  document.documentElement.style.scrollPadding = beside() ? "8px" : `${Math.max(stand, dock) + 8}px 0 ${dock + 8}px`;
};
const still = new ResizeObserver(clear);
for (const one of all(".stand, .now, .dock")) still.observe(one);

// Make the music as large as lets all of it be seen at once; where that is too small to read, as it
// is when one has scrolled down to it, or a row and the next.
export const fit = () => {
  if (!roomy()) return;
  const rows = now.systems.wide.map(({ holder }) => holder.firstElementChild.viewBox.baseVal);
  const widest = Math.max(...rows.map((box) => box.width));
  const [stand, dock] = [".stand", ".dock"].map((name) => rect(document.querySelector(name)).height);
  const gap = rows.length > 1 ? rect(now.systems.wide[1].holder.firstElementChild).top - rect(now.systems.wide[0].holder.firstElementChild).bottom : 0;
  const scale = (space, list) => {
    const tall = list.reduce((sum, one) => sum + one.height, 0);
    return (innerHeight - dock - space - FREE - (list.length - 1) * gap) / tall;
  };
  const above = rect($("systems")).top + scrollY;
  const scales = [scale(above, rows), scale(stand, rows), scale(stand, rows.slice(0, 2))];
  const found = scales.find((one) => one >= SMALLEST) ?? SMALLEST;
  all("main")[0].style.setProperty("--widest", `${Math.floor(found * widest)}px`);
};

let seen = null; // the row that was scrolled to last

/** Return the row of the music at a place, and how far into it that is, from 0 to 1. */
export const spot = (one, place, glide = true) => {
  const name = roomy() ? "wide" : "narrow";
  const ways = one[name];
  let at = ways.findLastIndex((way) => way[0][0] <= place + 1e-4);
  if (at < 0) at = 0;
  const way = ways[at];
  const n = way.findLastIndex(([time]) => time <= place + 1e-4);
  let x = way[Math.max(0, n)][1];
  if (glide && n >= 0 && n + 1 < way.length) {
    const [[t0, x0], [t1, x1]] = [way[n], way[n + 1]];
    x = x0 + ((place - t0) / (t1 - t0)) * (x1 - x0);
  }
  const row = now.systems[name][at];
  return { ...row, share: (x / row.shape.width) * (rect(row.holder.firstElementChild).width / rect(row.holder).width) };
};

const showMusic = (one, place, glide) => {
  const { holder, cursor, share } = spot(one, place, glide);
  for (const other of Object.values(now.systems).flat()) other.cursor.hidden = other.cursor !== cursor;
  cursor.style.transform = `translateX(${(share * rect(holder).width).toFixed(2)}px)`;
  if (now.playing && seen !== holder) {
    seen = holder;
    if (!elsewhere(holder)) reveal(holder);
  }
};

const showTurn = (one, [from, to], place) => {
  const turn = turnAt(one, [from, to], place);
  const role = turn >= 0 ? now.version.turns[turn] : "";
  const heard = plays(one, turn);
  const named = role && role !== "line" ? role[0].toUpperCase() + role.slice(1) : "Phrase";
  let label = heard ? `Listen: ${named.toLowerCase()}` : `Your turn${role && role !== "line" ? `: ${role}` : ""}`;
  if (heard && chosen.guitar !== "both") {
    const inside = (at) => (at >= to ? from + ((at - from) % (to - from)) : at);
    for (let beats = 1; beats <= now.version.beats; beats++) {
      if (beats <= SOON && !sounds(one, [from, to], inside(place + beats * beat(one)))) {
        label = `Your turn in ${beats}`;
        break;
      }
    }
  }
  if (now.replay === "mine" && !heard) label = "You, as you played";
  if ($("turn").textContent !== label) {
    const [words, part] = label.split(/(?<=Your turn: )/);
    $("turn").textContent = words;
    if (part) add($("turn"), "small", {}, part);
  }
  document.body.classList.toggle("mine", !heard && !now.replay);
  document.body.classList.toggle("soon", label.startsWith("Your turn in"));
};

// Show a place of a loop of which the part [from, to) is played.
export const showAt = (one, span, place, before, glide) => {
  const [from, to] = span;
  const pickup = beginning(one, from)?.pickup ?? 0;
  const leads = !before && place >= to - pickup - 1e-4;
  const counting = before && place < from - pickup - 1e-4;
  const written = counting ? from - pickup : leads ? place - to + from : place;
  showMusic(one, written, glide);
  showChord(one, span, place);
  showCount(one, place, before);
  showTurn(one, span, before ? Math.max(from, place) : place);
  const at = one.notes.flatMap(([begin, end], n) => (!counting && begin <= written && written < end ? [n] : []));
  showNotes(at.map((n) => now.version.notes[n]));
  let tip = -1;
  const places = one.tips.filter((when) => when !== null);
  places.forEach((when, n) => { if (when <= written + 1e-4 && written - when < bar(one)) tip = n; });
  if (!now.playing || counting) tip = -1;
  for (const [n, item] of now.tips.entries()) item.classList.toggle("on", n === tip);
  showHint(tip);
};

const showChord = (one, [from, to], place) => {
  const names = now.version.chords;
  const chord = Math.max(0, current(one.chords, Math.max(0, place)));
  text("chord", names[chord]);
  const others = one.chords.flatMap((at, n) => (at >= from - 1e-4 && at < to - 1e-4 && names[n] !== names[chord] ? [n] : []));
  const later = others.find((n) => one.chords[n] > place) ?? others[0];
  if (later === undefined) return text("next", "");
  const wait = one.chords[later] - place;
  const beats = Math.ceil((wait > 0 ? wait : wait + to - from) / beat(one) - 1e-3);
  return text("next", `then ${names[later]}${beats <= now.version.beats ? ` in ${beats} ${beats === 1 ? "beat" : "beats"}` : ""}`);
};

const showCount = (one, place, before) => {
  const count = Math.floor(place / beat(one) + 1e-3);
  text("bar", before ? "Count-in" : `Bar ${Math.floor(count / now.version.beats) + 1}`);
  const on = ((count % now.version.beats) + now.version.beats) % now.version.beats;
  for (const [n, dot] of [...$("beats").children].entries()) dot.classList.toggle("on", now.playing && n === on);
};

const showNotes = (notes) => {
  neck.show(notes);
  text("note", notes.map(([, fret, name, degree, how]) => {
    if (fret === null) return "muted";
    return `${name.replace(/\d+/, "")} · ${degree}${how === "pick" ? "" : ` · ${how}`}`;
  }).join("   "));
};

// The tip again, for a screen on which the margin is out of sight.
const showHint = (tip) => {
  if ($("hint").dataset.tip === String(tip)) return;
  $("hint").dataset.tip = tip;
  $("hint").replaceChildren();
  if (tip < 0) return;
  const line = add($("hint"), "span", {});
  add(line, "span", { class: "sign" }, tip + 1);
  const words = [...now.tips[tip].children].slice(1).map((one) => one.textContent.trim());
  line.append(` ${words.join(" ")}`);
};

export const draw = () => {
  const place = (now.rest - 1) * bar();
  seen = null;
  showAt(now.loop, region(), place, false, false);
  text("bar", `From bar ${now.rest}`);
  showNotes([]);
  text("turn", "Ready");
  document.body.classList.remove("mine", "soon");
};
