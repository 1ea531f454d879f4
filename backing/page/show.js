// Shows a place of a loop: cursor, chord, count, turn, neck and tip.

const SMALLEST = 6.2; // pixels of a staff space: a staff is 6.6 mm high, as in print
const SOON = 3; // beats that are counted down to a turn
const FREE = 28; // pixels around the music

const text = (id, value) => {
  if ($(id).textContent !== value) $(id).textContent = value;
};

const current = (list, place) => list.findLastIndex((at) => at !== null && at <= place + 1e-4);

const rect = (element) => element.getBoundingClientRect();

// Return what is above or below a row of music, of the things by these names.
const around = (row, ...names) => {
  const { left, right } = rect(row);
  return names.map((name) => rect(document.querySelector(name)))
    .filter((box) => box.height && box.right > left && box.left < right);
};

// Return the room between what stands still above and below a row.
const room = (row) => {
  const over = around(row, ".stand", ".now");
  const low = Math.min(innerHeight, ...around(row, ".dock", ".main").map((box) => box.top));
  return { over, top: Math.max(0, ...over.map((box) => box.height)), low };
};

// Whether the student looks at something else: was there by wheel, finger or key and has not come
// back, or has the keyboard's focus there.
const elsewhere = (row) => {
  if (document.querySelector(":is(.choose, .margin, .more) :focus-visible")) return true;
  if (!away) return false;
  const { over, top, low } = room(row);
  const middle = (rect(row).top + rect(row).bottom) / 2;
  const high = over.some((one) => one.top > 0) ? 0 : top; // the stand sticks, or choices are above it
  const others = around(row, ".choose", ".margin");
  away = middle < top || middle > low || others.some((one) => one.bottom > high && one.top < (top + low) / 2);
  return away;
};

const leave = () => { away = playing; };

// Scroll to the music if it is hidden by what stands above or below it; where it is too long, to a
// row and, so that one can read ahead, the next.
const reveal = (row) => {
  const { over, top, low } = room(row);
  const music = rect(row.parentElement);
  const box = music.height + 24 <= low - top ? music : rect(row);
  const next = row.nextElementSibling ? rect(row.nextElementSibling) : box;
  const bottom = next.height && next.bottom - box.top + 24 <= low - top ? Math.max(next.bottom, box.bottom) : box.bottom;
  if (box.top < Math.max(0, ...over.map((one) => one.bottom)) || bottom > low) {
    scrollBy({ top: box.top - top - 12, behavior: calm.matches ? "auto" : "smooth" });
  }
};

// Make the music as large as lets all of it be seen at once; where that is too small to read, as it
// is when one has scrolled down to it, or a row and the next.
const fit = () => {
  if (!roomy.matches) return;
  const rows = systems.wide.map(({ holder }) => holder.firstElementChild.viewBox.baseVal);
  const widest = Math.max(...rows.map((box) => box.width));
  const [stand, dock] = [".stand", ".dock"].map((name) => rect(document.querySelector(name)).height);
  const gap = rows.length > 1 ? rect(systems.wide[1].holder).top - rect(systems.wide[0].holder).bottom : 0;
  const scale = (space, list) => {
    const tall = list.reduce((sum, one) => sum + one.height, 0);
    return (innerHeight - dock - space - FREE - (list.length - 1) * gap) / tall;
  };
  const above = rect($("systems")).top + scrollY;
  const scales = [scale(above, rows), scale(stand, rows), scale(stand, rows.slice(0, 2))];
  const found = scales.find((one) => one >= SMALLEST) ?? SMALLEST;
  document.querySelector("main").style.setProperty("--widest", `${Math.floor(found * widest)}px`);
};

const showMusic = (one, place, glide) => {
  const name = roomy.matches ? "wide" : "narrow";
  const ways = one[name];
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
    for (const { cursor, number } of set) cursor.hidden = set !== systems[name] || number !== at;
  }
  const { holder, shape, cursor } = systems[name][at];
  const wide = holder.firstElementChild.getBoundingClientRect().width;
  cursor.style.transform = `translateX(${((x / shape.width) * wide).toFixed(2)}px)`;
  if (playing && showMusic.seen !== holder) {
    showMusic.seen = holder;
    if (!elsewhere(holder)) reveal(holder);
  }
};

const showTurn = (one, [from, to], place) => {
  const turn = turnAt(one, [from, to], place);
  const role = turn >= 0 ? version.turns[turn] : "";
  const heard = plays(one, turn);
  const named = role && role !== "line" ? role[0].toUpperCase() + role.slice(1) : "Phrase";
  let label = heard ? `Listen: ${named.toLowerCase()}` : `Your turn${role && role !== "line" ? `: ${role}` : ""}`;
  if (heard && chosen.guitar !== "both") {
    const inside = (at) => (at >= to ? from + ((at - from) % (to - from)) : at);
    for (let beats = 1; beats <= version.beats; beats++) {
      if (beats <= SOON && !sounds(one, [from, to], inside(place + beats * beat(one)))) {
        label = `Your turn in ${beats}`;
        break;
      }
    }
  }
  if ($("turn").textContent !== label) {
    const [words, part] = label.split(/(?<=Your turn: )/);
    $("turn").textContent = words;
    if (part) add($("turn"), "small", {}, part);
  }
  document.body.classList.toggle("mine", !heard);
  document.body.classList.toggle("soon", label.startsWith("Your turn in"));
};

// Show a place of a loop of which the stretch [from, to) is played.
const showAt = (one, span, place, before, glide) => {
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
  showNotes(at.map((n) => version.notes[n]));
  let tip = -1;
  const places = one.tips.filter((when) => when !== null);
  places.forEach((when, n) => { if (when <= written + 1e-4 && written - when < bar(one)) tip = n; });
  if (!playing || counting) tip = -1;
  tips.forEach((item, n) => item.classList.toggle("on", n === tip));
  showHint(tip);
};

const showChord = (one, [from, to], place) => {
  const names = version.chords;
  const chord = Math.max(0, current(one.chords, Math.max(0, place)));
  text("chord", names[chord]);
  const others = one.chords.flatMap((at, n) => (at >= from - 1e-4 && at < to - 1e-4 && names[n] !== names[chord] ? [n] : []));
  const later = others.find((n) => one.chords[n] > place) ?? others[0];
  if (later === undefined) return text("next", "");
  const wait = one.chords[later] - place;
  const beats = Math.ceil((wait > 0 ? wait : wait + to - from) / beat(one) - 1e-3);
  return text("next", `then ${names[later]}${beats <= version.beats ? ` in ${beats} ${beats === 1 ? "beat" : "beats"}` : ""}`);
};

const showCount = (one, place, before) => {
  const count = Math.floor(place / beat(one) + 1e-3);
  text("bar", before ? "Count-in" : `Bar ${Math.floor(count / version.beats) + 1}`);
  const on = ((count % version.beats) + version.beats) % version.beats;
  [...$("beats").children].forEach((dot, n) => dot.classList.toggle("on", playing && n === on));
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
  const words = [...tips[tip].children].slice(1).map((one) => one.textContent.trim());
  line.append(` ${words.join(" ")}`);
};

const draw = () => {
  const place = (rest - 1) * bar();
  showMusic.seen = null;
  showAt(loop, region(), place, false, false);
  text("bar", `From bar ${rest}`);
  showNotes([]);
  text("turn", "Ready");
  document.body.classList.remove("mine", "soon");
};

const frame = () => {
  if (!playing) return;
  const found = sound.at(sound.heard());
  if (found) {
    const { segment, place, before } = found;
    if (segment.auto && segment === sound.segments.at(-1)) stepped(segment);
    // A piece or a key that was just chosen is shown already and comes at the next bar line.
    if (version.loops.includes(segment.loop)) {
      showAt(segment.loop, [segment.from, segment.to], place, before, !calm.matches);
    }
  }
  requestAnimationFrame(frame);
};

// The tempo went up by itself.
const stepped = (segment) => {
  segment.auto = false;
  if (!version.loops.includes(segment.loop)) return;
  loop = segment.loop;
  chosen.tempo = loop.tempo;
  remember();
  mark();
  prefetch();
  say(`Tempo ${loop.tempo}`);
};
