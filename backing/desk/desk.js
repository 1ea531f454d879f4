// The desk: a folder at one side, a text in the middle, what it is and sounds like beside it.
import {
  autocompletion, bracketMatching, classHighlighter, closeBrackets, closeBracketsKeymap, completionKeymap, Decoration,
  defaultKeymap, drawSelection, EditorState, EditorView, highlightActiveLine, highlightSelectionMatches, history,
  historyKeymap, keymap, lineNumbers, lintGutter, MergeView, redo, searchKeymap, setDiagnostics, StateEffect,
  StateField, syntaxHighlighting, undo,
} from "./vendor/codemirror.js";
import { completions, language, written } from "./notes.js";
import { Neck } from "./neck.js";
import { Sound } from "./sound.js";
import { $, ask, Gone, headers, line, make, say, show, trying, windowName } from "./ask.js";
import { progress, row } from "./jobs.js";
import { Take } from "./take.js";

const trusted = globalThis.trustedTypes?.createPolicy("desk", { createHTML: (text) => text }) ?? { createHTML: (text) => text };
const nonce = document.querySelector("script[data-nonce]").dataset.nonce;
const QUIET = 40; // milliseconds without a key before the text is looked at

let known; // the folder: its name, digest, files and words
let open = null; // the file: name, kind, stamp, and its text as saved
let shown = null; // what was last seen of it without a mistake
let alive = true;

// ---- the editor

const light = StateEffect.define();
const lights = StateField.define({
  create: () => Decoration.none,
  update(marks, change) {
    marks = marks.map(change.changes);
    for (const effect of change.effects) {
      if (effect.is(light)) marks = Decoration.set(effect.value.map(([from, to]) => Decoration.mark({ class: "lit" }).range(from, to)));
    }
    return marks;
  },
  provide: (field) => EditorView.decorations.from(field),
});
const complete = (context) => (open?.kind === "lesson" || !known ? null : completions(known.words)(context));
const extensions = [
  lineNumbers(), history(), drawSelection(), highlightActiveLine(), bracketMatching(), closeBrackets(), highlightSelectionMatches(),
  language, syntaxHighlighting(classHighlighter), lintGutter(), lights, autocompletion({ override: [complete] }),
  EditorView.lineWrapping, EditorView.cspNonce.of(nonce),
  EditorView.contentAttributes.of({ "aria-label": "Text of the file", spellcheck: "false", tabindex: "0" }),
  keymap.of([
    { key: "Mod-Enter", run: () => { playOrStop(); return true; } },
    ...closeBracketsKeymap, ...completionKeymap, ...historyKeymap, ...searchKeymap, ...defaultKeymap,
  ]),
  EditorView.updateListener.of((update) => {
    if (update.docChanged) changed();
    if (update.selectionSet || update.docChanged) atCursor();
  }),
];
const view = new EditorView({ parent: $("editor"), state: EditorState.create({ extensions: [EditorState.readOnly.of(true), extensions] }) });
const text = () => view.state.doc.toString();
const unsaved = () => open !== null && text() !== open.saved;
const kept = (name) => `draft:${known.digest}:${name}:`; // in the browser, for when the server has gone

const mark = () => {
  $("save").disabled = !unsaved();
  $("undo").disabled = $("redo").disabled = open === null;
  document.title = `${unsaved() ? "• " : ""}${open?.name ?? "The desk"}`;
};
let pause;
const changed = () => {
  if (open === null) return;
  const key = kept(open.name) + windowName;
  localStorage.setItem(key, JSON.stringify({ text: text(), stamp: open.stamp, at: Date.now() / 1000, sent: open.sent }));
  say(unsaved() ? "Not saved yet; kept as a draft." : "");
  mark();
  clearTimeout(pause);
  pause = setTimeout(look, QUIET);
};

// Put another text in place of this one as one step that can be undone, changing only what differs.
const become = (next, options = {}) => {
  const now = text();
  let [from, end] = [0, 0];
  while (from < now.length && now[from] === next[from]) from++;
  while (end < Math.min(now.length, next.length) - from && now[now.length - 1 - end] === next[next.length - 1 - end]) end++;
  if (now !== next) view.dispatch({ changes: { from, to: now.length - end, insert: next.slice(from, next.length - end) }, userEvent: "input", ...options });
};

// ---- what is seen

let number = Date.now(); // of the questions; a reload goes on counting
let looking = false;
let again = false;
const look = trying(async () => {
  if (open === null) return;
  if (looking) { again = true; return; }
  looking = true;
  try {
    const [file, now] = [open, text()];
    const told = await ask("look", { name: file.name, kind: file.kind, text: now, stamp: file.stamp, variation: $("variation").value, number: ++number });
    if (file === open && !told.stale) {
      if (now === text()) problems(told.problems);
      if (!told.problems.length) see(told, now);
      else $("sheet").classList.add("old");
      if (told.problems.length && !shown) { $("title").textContent = file.name; $("facts").textContent = "The sheet comes when the mistakes are mended."; }
    }
  } finally {
    looking = false;
    if (again) { again = false; look(); }
  }
});

const fix = ({ from, to, text: insert }) => {
  view.dispatch({ changes: { from, to, insert }, selection: { anchor: from + insert.length }, scrollIntoView: true });
  view.focus();
};
const problems = (found) => {
  view.dispatch(setDiagnostics(view.state, found.map(({ from, to, message, fixes }) => ({
    from, to, severity: "error", message, actions: fixes.map((one) => ({ name: one.text, apply: () => fix(one) })),
  }))));
  $("problems").replaceChildren(...found.map(({ line, from, message, fixes }) => make("li", {},
    make("button", { type: "button", class: "place", press: () => { view.dispatch({ selection: { anchor: from }, scrollIntoView: true }); view.focus(); } }, `Line ${line}`),
    make("span", {}, message),
    ...fixes.map((one) => make("button", { type: "button", class: "fix", press: () => fix(one) }, `Write ${one.text}`)))));
};

const drawing = (svg, told, share) => {
  const made = document.importNode(new DOMParser().parseFromString(trusted.createHTML(svg), "image/svg+xml").documentElement, true);
  made.setAttribute("role", "img");
  made.setAttribute("width", `${100 * share}%`);
  made.setAttribute("aria-label", told);
  return made;
};
const rich = (html) => [...new DOMParser().parseFromString(trusted.createHTML(html), "text/html").body.childNodes];
const neck = new Neck($("neck"), (place, byKey) => write(place, byKey));

const see = (told, of) => {
  shown = { ...told, of };
  $("sheet").classList.remove("old");
  $("title").textContent = told.title;
  $("facts").textContent = told.facts;
  const lesson = open.kind === "lesson";
  $("neck-holder").hidden = lesson;
  if (lesson) {
    $("sheet").replaceChildren(...rich(told.text), make("ul", { class: "studies" }, ...told.studies.map((one) => make("li", {},
      make("button", { type: "button", press: () => visit(folderOf(open.name) + one.name) }, one.title), ` in ${one.keys}, at ${one.tempos} beats a minute`,
      one.versions.length ? `, also ${one.versions.join(", ")}` : ""))));
    $("remarks").replaceChildren();
    $("pick-variation").hidden = true;
    return;
  }
  const chosen = $("variation").value;
  $("variation").replaceChildren(make("option", { value: "" }, "as written"), ...told.variations.map((name) => make("option", {}, name)));
  $("variation").value = told.variations.includes(chosen) ? chosen : "";
  $("pick-variation").hidden = !told.variations.length;
  $("sheet").replaceChildren(...told.systems.map(({ svg, told: words, share }) => drawing(svg, words, share)));
  neck.use(told.spots.flatMap((one) => one.notes));
  for (const id of ["tempo", "key", "groove", "tone"]) {
    const field = $(id);
    if (field.dataset.own === "yes") continue;
    field.value = id === "tone" ? told.tone || "clean" : told[id];
  }
  $("remarks").replaceChildren(
    ...(told.remarks.length ? [make("h3", {}, "What check says"), make("ul", {}, ...told.remarks.map(({ weight, text: words, place }) =>
      make("li", {}, ...(weight ? [make("b", {}, `${weight[0].toUpperCase()}${weight.slice(1)}${place ? `, ${place}` : ""}: `)] : []), words)))] : []),
    ...(told.tips.length ? [make("h3", {}, "In the margin"), ...told.tips.map((tip) => make("div", { class: "tip" }, ...rich(tip)))] : []));
  atCursor();
};
const folderOf = (name) => name.slice(0, name.lastIndexOf("/") + 1);

// A note in the text, on the sheet and on the neck: whatever is pointed at lights up in all three.
let lit = "";
const lightUp = (numbers, { inText = false } = {}) => {
  if (!shown?.spots) return;
  const name = `${numbers} ${inText} ${shown.of.length}`;
  if (name === lit && document.querySelector("#sheet .lit")) return;
  lit = name;
  for (const old of document.querySelectorAll("#sheet .lit")) old.classList.remove("lit");
  const spots = numbers.map((one) => shown.spots[one]);
  for (const one of numbers) for (const ink of document.querySelectorAll(`#sheet [data-spot="${one}"]`)) ink.classList.add("lit");
  neck.light(spots.flatMap((one) => one.notes));
  const ranges = inText && shown.of === text() ? spots.map(({ from, to }) => [from, to]).sort((a, b) => a[0] - b[0]) : [];
  view.dispatch({ effects: light.of(ranges) });
};
const under = (from, to) => (shown?.spots ?? []).flatMap((one, at) => (one.from <= to && from <= one.to ? [at] : []));
const atCursor = () => {
  if (!shown?.spots || open?.kind === "lesson") return;
  const { from, to } = view.state.selection.main;
  queueMicrotask(() => lightUp(under(from, to)));
};
const spotOf = (event) => { const ink = event.target.closest?.("[data-spot]"); return ink ? Number(ink.dataset.spot) : null; };
$("sheet").addEventListener("pointerover", (event) => { const at = spotOf(event); if (at !== null) lightUp([at], { inText: true }); });
$("sheet").addEventListener("pointerleave", () => { if (shown?.spots) { lightUp([], { inText: true }); atCursor(); } });
$("sheet").addEventListener("click", (event) => {
  const at = spotOf(event);
  if (at === null || shown.of !== text()) return;
  const { from, to } = shown.spots[at];
  view.dispatch({ selection: { anchor: from, head: to }, scrollIntoView: true });
  view.focus();
});
const write = (place, byKey) => {
  if (open === null) return;
  const { from, to } = view.state.selection.main;
  const change = written(text(), from, to, place, Number($("step").value));
  if (!change) { say("Put the cursor between the quotes of notes first."); return; }
  view.dispatch({ changes: change, selection: { anchor: change.from + change.insert.trimEnd().length }, scrollIntoView: true, userEvent: "input" });
  if (!byKey) view.focus();
};

// ---- files

let listed = "";
const list = (files) => {
  known.files = files;
  const told = JSON.stringify([files, open?.name]);
  if (told === listed) return;
  listed = told;
  const held = document.activeElement?.dataset.name; // a list that is made anew keeps the focus
  $("files").replaceChildren(...files.map(({ name, title, kind }) => make("li", {},
    make("button", { type: "button", "aria-current": name === open?.name && "true", "data-name": name, press: () => visit(name) },
      title || name, make("small", {}, `${kind === "lesson" ? "a lesson, " : kind ? "" : "with a slip, "}${name}`)))));
  if (held) document.querySelector(`#files [data-name="${CSS.escape(held)}"]`)?.focus();
  if (open) { const kind = files.find((one) => one.name === open.name)?.kind; if (kind && kind !== open.kind) { open.kind = kind; look(); } }
};
const visit = trying(async (name) => {
  hush();
  if (open && unsaved()) await look();
  const told = await ask("open", { name });
  let drafts = told.draft ? [told.draft] : [];
  for (const key of Object.keys(localStorage)) {
    if (!key.startsWith(kept(name))) continue;
    const own = { ...JSON.parse(localStorage[key]), window: key.slice(kept(name).length), key };
    // It is written at every letter, the server's a little later, so of one window the browser's is the newer.
    drafts = drafts.filter((one) => one.window !== own.window);
    if (own.text === told.text) localStorage.removeItem(key);
    else if (!told.windows.includes(own.window)) drafts.push(own);
  }
  drafts.sort((a, b) => b.at - a.at);
  const kind = known.files.find((one) => one.name === name)?.kind || (/^\s*\[\[phrase\]\]/m.test(told.text) ? "lesson" : "phrase");
  open = null;
  shown = null;
  view.setState(EditorState.create({ doc: told.text, extensions }));
  for (const id of ["tempo", "key", "groove", "tone"]) delete $(id).dataset.own;
  $("variation").replaceChildren(make("option", { value: "" }, "as written"));
  $("title").textContent = name;
  $("facts").textContent = "";
  $("sheet").replaceChildren();
  $("remarks").replaceChildren();
  $("problems").replaceChildren();
  neck.use([]);
  open = { name, kind, stamp: told.stamp, saved: view.state.doc.toString() };
  $("name").textContent = name;
  $("draft").hidden = true;
  say("");
  if (drafts.length) resume(drafts[0], told);
  list(known.files);
  mark();
  history_(name);
  await look();
  view.focus();
});
const history_ = (name) => window.history.replaceState(null, "", `#file=${encodeURIComponent(name)}`);

// Go on with what was typed and never saved; the file's own text is one press away.
const resume = (draft, told) => {
  become(draft.text);
  const when = new Date(draft.at * 1000).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
  $("draft").replaceChildren(make("p", {}, `This is what you typed at ${when} and did not save.`),
    make("button", { type: "button", press: trying(async () => {
      become(told.text);
      forget(draft);
      $("draft").hidden = true;
    }) }, "Take the saved text"));
  $("draft").hidden = false;
  open.draft = draft;
  // What is in the file may be what was on its way there when this window went.
  if (draft.stamp && draft.stamp !== told.stamp && draft.sent !== told.text) differ(told);
};
const forget = (draft) => {
  if (draft?.key) localStorage.removeItem(draft.key);
  if (draft && draft.window !== windowName) ask("drop", { name: open.name, window: draft.window }).catch(() => {});
};

let saving = Promise.resolve(); // one after the other: each sends the stamp that the one before has got
const save = () => { saving = saving.catch(() => {}).then(saveNow); return saving; };
const saveNow = trying(async () => {
  if (!unsaved()) return;
  const file = open;
  if ($("tidy").checked && file.kind !== "lesson") {
    try {
      const [before, tidied] = [text(), (await ask("tidy", { name: file.name, text: text() })).text];
      if (file === open && before === text()) become(tidied); // else it was typed on meanwhile
    } catch (error) { if (error instanceof Gone) throw error; }
    if (file !== open) return;
  }
  const now = text();
  file.sent = now;
  changed();
  const told = await ask("save", { name: file.name, text: now, stamp: file.stamp, number: ++number });
  if (told.changed) { if (file === open) differ(told.changed); return; }
  Object.assign(file, { stamp: told.stamp, saved: now });
  forget(file.draft);
  file.draft = null;
  if (file !== open || text() === now) localStorage.removeItem(kept(file.name) + windowName);
  if (file !== open) return;
  $("draft").hidden = true;
  if (text() !== now) { changed(); return; }
  say(`Saved ${new Date().toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" })}.`);
  mark();
});

let merge = null;
const differ = (theirs) => {
  open.theirs = theirs;
  merge?.destroy();
  $("both-file").textContent = open.name;
  const fixed = [EditorState.readOnly.of(true), EditorView.lineWrapping, EditorView.cspNonce.of(nonce), language, syntaxHighlighting(classHighlighter)];
  const side = (doc, label) => ({ doc, extensions: [...fixed, EditorView.contentAttributes.of({ "aria-label": label, tabindex: "0" })] });
  merge = new MergeView({ a: side(theirs.text, "The file's"), b: side(text(), "Yours"), parent: $("versions"), collapseUnchanged: { margin: 2 } });
  show($("both"));
};
const settle = (mine) => {
  const { theirs } = open;
  open.stamp = theirs.stamp;
  open.saved = theirs.text;
  if (!mine) become(theirs.text);
  $("both").close();
  changed();
  if (mine) save();
};
$("keep-mine").addEventListener("click", () => settle(true));
$("take-theirs").addEventListener("click", () => settle(false));
$("later").addEventListener("click", () => $("both").close());

// Another program, or another window, has written something.
const outside = trying(async (files) => {
  list(files);
  await saving;
  if (!open) return;
  if (!files.some((one) => one.name === open.name)) { say(`${open.name} is gone from the folder; saving writes it again.`); open.stamp = ""; open.saved = null; mark(); return; }
  const [file, { stamp }] = [open, open];
  const told = await ask("open", { name: file.name });
  await saving;
  if (file !== open || file.stamp !== stamp || told.stamp === stamp) return; // it was opened or saved meanwhile
  if (!unsaved()) { open.saved = told.text; open.stamp = told.stamp; become(told.text); say("Changed outside, and shown as it is now."); } else if (told.text === text()) { open.saved = told.text; open.stamp = told.stamp; changed(); } else differ(told);
});

const begin = async (name, lesson, phrase = "") => {
  const told = await ask("new", { name, lesson, phrase });
  list((await ask("folder")).files);
  await visit(told.name);
};
$("new").addEventListener("submit", trying(async (event) => {
  event.preventDefault();
  const name = $("new-name").value;
  await begin(name, event.submitter?.value === "lesson", open?.kind === "phrase" ? open.name : "");
  $("new-name").value = "";
}));

// ---- what is heard

const sound = new Sound(headers);
let sounding = null; // what is being heard: the button that began it, and which word on it says so
let turn = 0;
const playing = (now) => {
  if (sounding) { sounding.word.textContent = sounding.was; sounding.button.classList.remove("on"); }
  sounding = now;
  if (now) { now.word.textContent = "Stop"; now.button.classList.add("on"); }
};
const hush = () => { turn++; sound.stop(); playing(null); };
const follow = (told, now, spots = shown?.of === text() && shown.spots || []) => {
  const beat = told.times.filter(([, at]) => at <= now + 0.02).at(-1);
  if (beat) lightUp(spots.flatMap((one, at) => (Math.abs(one.beat - nearest(spots, beat[0])) < 1e-4 ? [at] : [])), { inText: true });
};
const chosen = () => ({ name: open.name, key: $("key").value, groove: $("groove").value, tone: $("tone").value, band: $("band").checked,
  text: text(), variation: $("variation").value, tempo: Number($("tempo").value) || null });
const hear = async (button, word, asked, spots) => {
  hush();
  const mine = turn;
  const done = () => { if (mine === turn) { playing(null); lightUp([], { inText: true }); atCursor(); } };
  playing({ button, word, was: word.textContent });
  try {
    const told = await ask("play", { ...chosen(), ...asked });
    if (mine !== turn) return;
    await sound.play(told, $("band").checked ? ["lead", "band"] : ["lead"], (now) => follow(told, now, spots), done);
  } catch (error) { done(); if (error.name !== "AbortError") throw error; }
};
const playOrStop = trying(async () => {
  if (sounding) { hush(); atCursor(); return; }
  if (!open || open.kind === "lesson") { say("Open a phrase to hear it."); return; }
  const here = shown?.spots?.find((one) => one.to >= view.state.selection.main.head) ?? shown?.spots?.[0];
  const asked = {};
  if ($("what").value === "from" && here) asked.from = here.beat;
  if ($("what").value === "part" && here) asked.part = here.part;
  await hear($("play"), $("play-word"), asked, shown?.of === text() ? shown.spots : []);
});
const nearest = (spots, beat) => spots.reduce((best, one) => (one.beat <= beat + 1e-4 && one.beat > best ? one.beat : best), -1e9);
$("play").addEventListener("click", playOrStop);
$("volume").addEventListener("input", () => sound.volume(Number($("volume").value) / 100));
for (const id of ["tempo", "key", "groove", "tone"]) $(id).addEventListener("change", () => { $(id).dataset.own = "yes"; });

// ---- what somebody plays

const take = new Take(sound, {
  asked: chosen, follow, hush,
  saved: async () => { await save(); return !unsaved(); },
  catch: ({ said, text: draft, files }, name) => {
    const [file] = files.map(({ path }) => path);
    if (name !== open?.name) { say(`What was played is written in ${file}.`); return; }
    const title = text().match(/^title\s*=.*$/m)?.[0];
    become(title ? draft.replace(/^title\s*=.*$/m, () => title) : draft);
    take.close();
    say(`${said[0]}: written down, and as ${file}. Undo brings back what was here.`);
    view.focus();
  },
  hear: ({ said, text: picture, files }) => {
    const words = said.filter((one) => !one.startsWith("  takes/"));
    $("heard-words").replaceChildren(...words.map((one) => make("li", {}, one)));
    Object.assign($("heard-picture"), { src: `data:image/svg+xml,${encodeURIComponent(picture)}`, alt: `A picture of the take: ${words.join(" ")}` });
    $("heard").hidden = false;
    take.close();
    say(`Heard; the picture is ${files[0].path}.`);
    $("scroll").scrollTop = 0;
    $("heard-name").focus();
  },
});
for (const how of ["catch", "hear"]) {
  $(how).addEventListener("click", ({ currentTarget }) => {
    if (!open || open.kind === "lesson") say("Open a phrase first, or begin one.");
    else take.show(how, currentTarget);
  });
}
$("heard-close").addEventListener("click", () => { $("heard").hidden = true; view.focus(); });
for (const kind of ["dragover", "drop"]) {
  addEventListener(kind, (event) => {
    const file = [...event.dataTransfer.items].find((one) => one.kind === "file");
    if (!file) return;
    event.preventDefault();
    if (kind !== "drop" || !open || open.kind === "lesson") return;
    if ($("taking").hidden) take.show("catch", $("catch"));
    take.file(file.getAsFile());
  });
}

// ---- variations

let seed = 1;
const vary = trying(async () => {
  if (!open || open.kind === "lesson") { say("Open a phrase first."); return; }
  const now = text();
  const { proposals } = await ask("vary", { name: open.name, text: now, seed });
  if (now !== text()) return;
  $("varying-name").textContent = `Variations of ${shown?.title ?? open.name}`;
  $("proposals").replaceChildren(...proposals.map(({ name, words, more }, at) => {
    const about = { type: "button", "aria-describedby": `proposal-${at}` };
    const own = $("tempo").dataset.own && Number($("tempo").value);
    const hearIt = trying(async ({ currentTarget: button }) => {
      if (sounding?.button === button) hush();
      else await hear(button, button, { text: text() + more, variation: name, tempo: own || null }, []);
    });
    return make("li", {}, make("h3", { id: `proposal-${at}` }, name), make("p", {}, words), make("div", { class: "row" },
      make("button", { ...about, class: "hear", press: hearIt }, "Hear"),
      make("button", { ...about, class: "keep", press: () => keep(name, more) }, "Keep")));
  }));
  show($("varying"));
});
const keep = (name, more) => {
  const next = text() + more; // the text may have been changed outside meanwhile
  $("varying").close();
  $("variation").append(make("option", {}, name));
  $("variation").value = name; // what is seen and played next
  become(next, { selection: { anchor: next.length }, scrollIntoView: true });
  view.focus();
};
$("vary").addEventListener("click", () => { seed = 1; vary(); });
$("others").addEventListener("click", () => { seed++; hush(); vary(); });
$("varying-close").addEventListener("click", () => $("varying").close());
$("varying").addEventListener("close", hush);

// ---- what is made

const publish = trying(async () => {
  if (!open) { say("Open a phrase or a lesson first."); return; }
  await save();
  if (unsaved()) return;
  const { offers } = await ask("offers", { name: open.name, kind: open.kind });
  $("making-name").textContent = `Publish ${shown?.title ?? open.name}`;
  $("making-about").textContent = "Each button runs the command beside it, in this folder. What has not changed is not made again.";
  const { name, kind } = open;
  $("offers").replaceChildren(...offers.map((offer) => row(offer, () => ask("make", { name, kind, what: offer.what }))));
  $("lesson-of").hidden = kind === "lesson";
  show($("making"));
});
$("publish").addEventListener("click", publish);
$("begin-lesson").addEventListener("click", trying(async () => {
  const name = open.name.replace(/\.toml$/, "-lesson");
  if (known.files.some((one) => one.name === `${name}.toml`)) await visit(`${name}.toml`);
  else await begin(name, true, open.name);
  $("making").close();
  await publish();
}));
$("making-close").addEventListener("click", () => $("making").close());

// ---- the line to the server

const lost = () => {
  if (!alive) return;
  alive = false;
  $("ended").hidden = false;
  $("ended").textContent = "The desk has ended. What you typed is kept in this browser: start it again with `backing desk`, and go on here.";
};
line.lost = lost;
const back = async () => {
  alive = true;
  $("ended").hidden = true;
  const told = await ask("folder");
  if (known && told.digest !== known.digest) { location.reload(); return; }
  known = told;
  list(told.files);
  if (open) { number = Date.now(); await look(); await outside(told.files); }
};
const events = async () => {
  for (;;) {
    try {
      const answer = await fetch(`/api/events?window=${windowName}`, { headers: headers() });
      if (!answer.ok) throw new Gone();
      if (!alive) await back();
      const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
      let rest = "";
      for (;;) {
        const { value, done } = await reader.read();
        if (done) break;
        const pieces = (rest + value).split("\n\n");
        rest = pieces.pop();
        for (const piece of pieces) {
          const found = piece.match(/^event: (\w+)\ndata: (.*)$/);
          if (!found) continue;
          const told = JSON.parse(found[2]);
          if (found[1] === "job") progress(told);
          else if (found[1] === "folder") await outside(told.files);
          else if (found[1] === "saved" && told.window !== windowName && told.name === open?.name) await outside(known.files);
        }
      }
    } catch (error) { if (!(error instanceof TypeError || error instanceof Gone)) console.error(error); }
    lost();
    await new Promise((done) => setTimeout(done, 1000));
  }
};

$("save").addEventListener("click", save);
$("undo").addEventListener("click", () => { undo(view); view.focus(); });
$("redo").addEventListener("click", () => { redo(view); view.focus(); });
$("variation").addEventListener("change", look);
addEventListener("keydown", (event) => {
  if (event.key === "F2") { event.preventDefault(); if ($("taking").hidden) playOrStop(); else take.record(); }
  if (event.key === "Escape" && take.over) take.stop(true);
  if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "s") { event.preventDefault(); save(); }
});
addEventListener("hashchange", () => location.reload()); // another address of the desk, in the same window
addEventListener("beforeunload", (event) => { if (unsaved() && !alive) event.preventDefault(); });

const start = trying(async () => {
  const place = location.hash.slice(1);
  const file = new URLSearchParams(place).get("file");
  if (place && file === null) {
    window.history.replaceState(null, "", location.pathname);
    const told = await ask("", { token: place }, "/enter").catch((error) => { if (!localStorage.getItem("key")) throw error; });
    if (told) localStorage.setItem("key", told.key);
  }
  known = await ask("folder");
  $("folder").textContent = known.name;
  const choices = (id, words) => $(id).replaceChildren(...words.map(([name, about]) => make("option", { value: name }, about || name)));
  for (const id of ["key", "groove", "tone"]) choices(id, known.words.values[id]);
  sound.volume(0.5);
  list(known.files);
  mark();
  events();
  const first = known.files.find((one) => one.name === file) ?? known.files.find((one) => one.kind === "phrase") ?? known.files[0];
  if (first) await visit(first.name);
  else { say("Name your first phrase, and press Enter."); $("new-name").focus(); }
});
start();
