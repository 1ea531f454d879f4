// Keys, fingers, and the first screen.

const setSlides = () => {
  sound.balance = chosen.balance / 100;
  sound.volume = chosen.level / 100;
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
  v: () => lesson.pieces.length > 1 && choosePiece(cycle(lesson.pieces, piece).name, version.key, version.groove),
  k: () => keysOf(piece).length > 1 && choosePiece(piece.name, cycle(keysOf(piece), version.key), version.groove),
  f: () => groovesOf(piece).length > 1 && choosePiece(piece.name, version.key, cycle(groovesOf(piece), version.groove)),
  0: () => chooseBars(1, version.bars),
};
const ARROWS = {
  ArrowUp: () => stepTempo(1),
  ArrowDown: () => stepTempo(-1),
  ArrowLeft: () => seek(-1),
  ArrowRight: () => seek(1),
};

// In a session a foot pedal that turns pages goes on and comes again.
const PEDAL = {
  ArrowRight: onward, ArrowDown: onward, PageDown: onward, Enter: onward,
  ArrowLeft: again, ArrowUp: again, PageUp: again,
};

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
  const at = event.target;
  const kind = at instanceof HTMLInputElement ? at.type : at.localName;
  if (led() && Object.hasOwn(PEDAL, event.key) && !event.shiftKey) {
    if (["select", "radio", "range"].includes(kind)) return;
    if (event.key === "Enter" && ["button", "summary", "a", "checkbox"].includes(kind)) return;
    event.preventDefault();
    if (!event.repeat) PEDAL[event.key]();
    return;
  }
  if (["PageUp", "PageDown", "Home", "End"].includes(event.key) || (event.shiftKey && Object.hasOwn(ARROWS, event.key))) leave();
  if (event.key === "Escape") {
    more(false);
  } else if (event.key === " ") {
    // A radio that is focused is checked already, so the space bar is the player's there.
    if (["button", "select", "summary", "checkbox"].includes(kind) || (kind === "radio" && !at.checked)) return;
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
$("round").addEventListener("click", chooseRound);
// On a telephone the settings come up over the music.
const more = (open) => {
  document.body.style.setProperty("--main", `${rect(document.querySelector(".main")).height}px`);
  document.body.classList.toggle("settings-up", open);
  $("more").setAttribute("aria-expanded", open);
};
$("more").addEventListener("click", () => more(!document.body.classList.contains("settings-up")));
document.addEventListener("pointerdown", (event) => {
  if (!event.target.closest?.(".dock")) more(false);
});
$("piece").addEventListener("change", () => choosePiece($("piece").value, version.key, version.groove));
$("key").addEventListener("change", () => choosePiece(piece.name, $("key").value, version.groove));
$("groove").addEventListener("change", () => choosePiece(piece.name, version.key, $("groove").value));
for (const id of ["count-in", "step-up", "passes", "letters"]) $(id).addEventListener("change", setTicks);
for (const [id, name] of [["balance", "balance"], ["volume", "level"]]) {
  $(id).addEventListener("input", () => {
    chosen[name] = Number($(id).value);
    setSlides();
  });
}
// Who scrolls wants to see something else than what sounds.
for (const name of ["wheel", "touchmove"]) {
  document.addEventListener(name, (event) => {
    if (!event.target.closest?.(".ladder, [type=range]")) leave();
  }, { passive: true });
}

const resized = () => {
  fit();
  mark();
  if (!playing) draw();
};
roomy.addEventListener("change", () => {
  drawNeck();
  resized();
});
addEventListener("resize", resized);
// What stands above the music is as high as its letters, which may come late.
document.fonts.ready.then(fit);

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
$("volume").value = chosen.level;
goTo();
buildChoices();
buildMusic();
fit();
mark();
setSlides();
if (led()) enter(chosen.step);
showStep();
showLog();
$("log-on").checked = chosen.log;
$("key-led").hidden = !lesson.session.length;
draw();
prefetch();

// What a test asks.
window.practice = { sound, chosen, now: () => ({ loop, version, playing, found: playing ? sound.at(sound.heard()) : null }) };
