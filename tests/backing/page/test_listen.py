"""The page hears a student through a microphone: Chromium's, which plays a file.

The witness is `backing hear`'s own method in Python, on the same file.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

import backing
from backing.listening.ears import listen
from backing.listening.judge import review
from backing.listening.judged import Review
from backing.listening.source import Memory
from backing.listening.thresholds import Limits
from backing.listening.words import summary
from backing.listening.written import Event, WrittenNote
from backing.page.data import PageData, PagePiece
from backing.page.hearing import note_rows
from backing.page.page import render_page
from phrases.curve import Curve, Sway
from phrases.files import load_phrase
from tests.backing.listening.material import RATE, Slips, lead, sound, sounded, student
from tests.backing.page.browser import Browser, missing
from tests.backing.page.material import clicked
from tests.backing.page.opened import fresh
from tests.waiting import until

NAMES = ("cinder-path", "sugar-tin")
# As in benchmarks/hearing.py, and more of it: what is played well is easily judged alike.
STUDENT = Slips(
    spread=0.03, dropped=0.08, wrong=0.08, bends=(0, -25, -45, -80, 25), added=0.1, ring=0.35,
    noises=0.5,
)  # fmt: skip
BEFORE = 1.6  # seconds of silence before a pass, with a marker at their start


@dataclass(frozen=True)
class Take:
    """One pass of a student: what is written in seconds of the take, and the sound."""

    name: str
    tempo: int
    events: tuple[Event, ...]
    wave: NDArray[np.float32]
    zero: float


def take(name: str, slips: Slips = STUDENT) -> Take:
    """Return one pass, with a marker at its start that is louder than any string."""
    phrase = load_phrase(name)
    # What goes through the microphone takes its time; in a slow take there is time for vibratos.
    tempo = round((1.2 if name == NAMES[0] else 0.9) * float(phrase.tempo))
    version = clicked(phrase, (tempo,))
    events = version.written[0]
    stream = backing.loop(name, goal=tempo, seamless=True)
    section = stream.sections[1]
    zero = BEFORE + max(0.0, -events[0].at)
    starts = np.array([event.at for event in events])
    notes = []
    for note in lead(stream):
        at = note.start - float(section.start)
        if np.abs(starts - at).min() < 2e-3:
            notes.append(replace(note, start=zero + at, end=zero + note.end - note.start + at))
    assert len(notes) >= sum(event.kind == "pick" for event in events)
    strokes = student(notes, replace(slips, seed=sum(map(ord, name))))
    wave = sound(sounded(strokes, slips), stream)
    wave[:220] = np.where(np.arange(220) % 4 < 2, 0.95, -0.95)
    whole = np.zeros(round((zero + float(section.seconds) + 1.5) * RATE), np.float32)
    whole[: len(wave)] = wave[: len(whole)]
    moved = tuple(replace(one, at=one.at + zero, end=one.end + zero) for one in events)
    return Take(name, tempo, moved, whole, zero)


@pytest.fixture(scope="module")
def takes() -> list[Take]:
    return [take(name) for name in NAMES]


@pytest.fixture(scope="module")
def microphone(takes: list[Take], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """Chromium with a microphone that plays the first take again and again."""
    if why := missing():
        pytest.skip(why)
    folder = tmp_path_factory.mktemp("microphone")
    soundfile.write(folder / "take.wav", takes[0].wave, RATE, subtype="PCM_16")
    with Browser(
        folder / "profile", "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-audio-capture={folder / 'take.wav'}",
    ) as browser:  # fmt: skip
        yield browser


@pytest.fixture
def ear(microphone: Browser, takes: list[Take], tmp_path: Path) -> Browser:
    """A page of the first take's phrase, all the student's."""
    one = takes[0]
    path = tmp_path / "ear.html"
    version = clicked(load_phrase(one.name), (one.tempo,))
    path.write_text(
        render_page(PageData("Ear", (PagePiece(one.name, (version,)),))), encoding="utf-8"
    )
    page = fresh(microphone, path)
    page.keys("m", "n")  # the guitar plays nothing, and no count-in
    return page


def python(one: Take, late: float = 0.0) -> Review:
    """Return how a take is judged of which what is written comes so much later."""
    moved = [replace(event, at=event.at + late, end=event.end + late) for event in one.events]
    return review(moved, listen(Memory(one.wave, RATE)))


def words(one: Any, late: float) -> list[str]:
    """Return how a note was judged, as it is told: there or not, in time or not, its bends."""
    limits = Limits.usual()
    how, off, bends = one
    time = ""
    if off is not None and not math.isnan(off):
        apart = off - late
        time = "in time" if abs(apart) <= limits.single else "late" if apart > 0 else "early"
    tuned = [
        "unknown" if off is None or math.isnan(off) else "in tune" if abs(off) <= limits.tuning
        else "flat" if off < 0 else "sharp" for off in bends
    ]  # fmt: skip
    return [how, time, *tuned]


def alike(found: dict[str, Any], known: Review) -> tuple[int, int]:
    """Return how many notes of a take are judged alike, and how many there are."""
    assert len(found["judged"]) == len(known.judged)
    same = 0
    for (how, off, bends), one in zip(found["judged"], known.judged, strict=True):
        mine = (one.how, one.off, [bend.off for bend in one.bends])
        same += words((how, off, bends), found["late"]) == words(mine, known.late)
    return same, len(known.judged)


TOLD = """
const plain = ({ judged, late, tuning, step, extra }) => ({
  late, tuning, step, extra: extra.length,
  judged: judged.map((one) => [one.how, one.off, one.bends.map(({ off }) => off)]),
  lacks: judged.map((one) => one.lacks),
  vibratos: judged.map(({ vibrato }) => vibrato && [vibrato.hertz, vibrato.cents]),
});
"""


def heard_by_page(
    page: Browser,
    wave: NDArray[np.float32],
    events: Sequence[Event],
    breaks: Sequence[tuple[float, float]] = (),
) -> Any:
    text = base64.b64encode(wave.astype(np.float32).tobytes()).decode()
    return page.run(
        TOLD + "const bytes = Uint8Array.from(atob(arguments[0]), (one) => one.charCodeAt(0));"
        "const ears = await practice.listen(new Float32Array(bytes.buffer), arguments[1]);"
        "return plain(practice.review(practice.eventsOf(arguments[2]), ears, arguments[3]));",
        text, RATE, note_rows(events), list(breaks),
    )  # fmt: skip


def test_takes_are_judged_as_python_judges_them(ear: Browser, takes: list[Take]) -> None:
    counts, swayed = [], 0
    for one in takes:
        known = python(one)
        found = heard_by_page(ear, one.wave, one.events)
        counts.append(alike(found, known))
        assert found["late"] == pytest.approx(known.late, abs=1e-3)
        assert found["extra"] == len(known.extra)
        hows = {row[0] for row in found["judged"]}
        pairs = zip(found["vibratos"], [row.vibrato for row in known.judged], strict=True)
        for mine, his in pairs:
            assert (mine is None) == (his is None)
            if his is not None:
                assert mine == pytest.approx([his.hertz, his.cents], rel=0.02)
                swayed += 1
    assert {"played", "missed"} <= hows  # the student does slip
    assert swayed >= 2
    assert sum(same for same, _ in counts) >= 0.9 * sum(count for _, count in counts)


def test_a_string_that_a_double_stop_lacks_is_told_alike(ear: Browser) -> None:
    at = np.arange(round(0.45 * RATE)) / RATE
    wave = np.zeros(4 * RATE, np.float32)
    events = []
    for number, gone in enumerate(("", "G", "B", "", "B")):
        begin = 0.5 + 0.6 * number
        parts = (WrittenNote("G", 60 + number % 3), WrittenNote("B", 67))
        events.append(Event(begin, begin + 0.45, parts, "pick", 100.0, Fraction(number)))
        for part in parts:
            hertz = 440 * 2 ** ((part.pitch - 69) / 12)
            tone = sum(np.sin(2 * np.pi * hertz * n * at) / n for n in range(1, 9))
            tone = 0.1 * tone * np.exp(-at * 3) * np.minimum(1, at / 0.002)
            first = round(begin * RATE)
            wave[first : first + len(at)] += 0 if part.string == gone else tone
    found = heard_by_page(ear, wave, events)["lacks"]
    known = [list(one.lacks) for one in review(events, listen(Memory(wave, RATE))).judged]
    assert found == known == [[], ["G"], ["B"], [], ["B"]]


@pytest.mark.parametrize(("hertz", "cents"), [(5.5, 50.0), (4.0, 100.0), (0.0, 0.0)])
def test_a_vibrato_is_measured_in_rate_and_width(ear: Browser, hertz: float, cents: float) -> None:
    """The witness is the tone itself: its frequency is known at each moment."""
    at = np.arange(round(1.6 * RATE)) / RATE
    bend = cents / 2 * (1 - np.cos(2 * np.pi * hertz * at))
    phase = np.cumsum(440 * 2 ** ((64 - 69 + bend / 100) / 12)) / RATE
    tone = sum(np.sin(2 * np.pi * n * phase) / n for n in range(1, 7)) * np.exp(-at)
    wave = np.zeros(3 * RATE, np.float32)
    wave[RATE // 2 :][: len(at)] = 0.2 * tone * np.minimum(1, at / 0.002)
    curve = Curve(sways=(Sway(0.1, 1.5, 5.0, 60.0),))
    event = Event(0.5, 2.1, (WrittenNote("B", 64, curve),), "pick", 100.0, Fraction(0))
    [found] = heard_by_page(ear, wave, [event])["vibratos"]
    if cents:
        assert found == [pytest.approx(hertz, abs=0.1), pytest.approx(cents, rel=0.08)]
    else:
        assert found is None


@pytest.mark.parametrize(
    ("spread", "known", "shares"),
    [(0.008, False, (0.5,)), (0.03, True, (0.35, 0.65))],
    ids=["heard", "told by the clock"],
)
def test_a_drop_out_of_the_microphone_is_seen_and_allowed_for(
    ear: Browser, spread: float, known: bool, shares: tuple[float, ...]
) -> None:
    """Where the notes scatter by 30 ms, only the clocks tell that 40 are missing, and where."""
    one = take(NAMES[0], replace(STUDENT, spread=spread))
    whole = heard_by_page(ear, one.wave, one.events)
    assert whole["step"] == 0
    lost = 0.04
    for share in shares:
        cut = one.events[int(share * len(one.events))].at - 0.05
        at, size = round(cut * RATE), round(lost * RATE)
        wave = np.concatenate([one.wave[:at], one.wave[at + size :]])
        told = [(cut, lost)] if known else []
        found = heard_by_page(ear, wave, one.events, told)
        assert found["step"] == pytest.approx(-lost, abs=0.012)
        hows = [[row[0] for row in review["judged"]] for review in (found, whole)]
        assert sum(a == b for a, b in zip(*hows, strict=True)) >= 0.9 * len(hows[0])
    # What did not drop out is not moved because a clock stumbled.
    assert heard_by_page(ear, one.wave, one.events, told)["step"] == 0


def test_a_clock_that_stands_still_is_noticed(ear: Browser) -> None:
    """The machine's clock goes 90 ms on, and no frame is played meanwhile: so the worklet sees it.

    (Chromium without a loudspeaker catches up on frames, so it cannot be held up in earnest.)
    """
    ear.click("#mic")
    ear.until("return practice.until() > 0.9")
    assert all(abs(by - 0.09) > 0.03 for _, by in ear.run("return practice.breaks(0, 1e9)"))
    ear.run("""
        const code = "const was = Date.now; Date.now = () => was() + 90;";
        const { context } = practice.sound;
        await context.audioWorklet.addModule(`data:text/javascript,${encodeURIComponent(code)}`);
        window.before = context.currentTime;
    """)
    ear.until("return practice.until() > before + 0.8")
    found = ear.run("return practice.breaks(before - 0.4, 1e9)")
    before = ear.run("return before")
    assert any(abs(time - before) < 0.4 and abs(by - 0.09) < 0.03 for time, by in found)
    ear.click("#mic")


PLAY = """
const { sound, came, until } = practice;
const wait = (ms) => new Promise((done) => setTimeout(done, ms));
// The marker is louder than any string.
let marker = 0;
for (const from = Math.max(0, until() - 1.5); !marker; await wait(20)) {
  const wave = came(from, until());
  const first = wave.findIndex((one) => Math.abs(one) > 0.8);
  if (first >= 0) marker = from + first / sound.context.sampleRate;
}
const [zero, length] = arguments;
let start = marker + zero - practice.delay();
if (start < sound.context.currentTime + 0.1) start += length; // the next time round
while (sound.context.currentTime < start - 0.085) await wait(2);
document.querySelector("#play").click();
while (!sound.segments.length) await wait(2);
const [{ time, from, place }] = sound.segments;
return time + from - place - start; // the seconds by which a busy machine pressed too late
"""


def test_a_pass_is_heard_through_the_microphone(ear: Browser, takes: list[Take]) -> None:
    page, one = ear, takes[0]
    page.click("#mic")
    page.until("return document.querySelector('#mic').ariaPressed === 'true'")
    told = page.run("return document.querySelector('#ear').textContent")
    assert "Nothing that is heard leaves this machine" in told
    review = "return [...document.querySelectorAll('#review li')].map((e) => e.textContent)"

    def heard() -> tuple[float, list[str]] | None:
        """Play a pass; none where the page tells that the machine was too busy for the sound."""
        page.run("window.last = practice.lastReview()")
        late = page.run(PLAY, one.zero, len(one.wave) / RATE)
        page.until("return document.querySelectorAll('.heard').length >= 3")  # while it plays
        page.until("return practice.lastReview() !== last")
        page.keys("space")
        lines = page.run(review)
        return None if any("broke off" in line for line in lines) else (late, lines)

    # A browser that gets no time loses of its fake microphone what no page can see: then again.
    for _ in range(5):
        pressed = until(heard)
        assert pressed is not None
        late, lines = pressed
        found = page.run(TOLD + "return plain(practice.lastReview());")
        known = python(one, late)
        same, count = alike(found, known)
        if same >= 0.9 * count:
            break
    assert same >= 0.9 * count
    said = summary(known, Limits.usual(), aligned=False)
    assert [line for line in lines if line.startswith("work on: ")] == [
        f"work on: {line}" for line in said.work
    ]
    # One's own pass is heard again, over the band.
    page.run("document.querySelector('#hear-me').click()")
    page.until("return practice.now().replay === 'mine'")
    page.until("return Boolean(practice.now().found)")
    page.keys("space")
    page.until("return practice.now().replay === '' && !practice.now().playing")
    assert page.log("browser") == []
    page.click("#mic")
    assert page.run("return document.querySelector('#ear').hidden")


def test_the_delay_is_measured_by_the_round_trip(ear: Browser) -> None:
    """The microphone is the loudspeaker, 37 ms later."""
    ear.run("""
        navigator.mediaDevices.getUserMedia = async () => {
          const { sound } = practice;
          await sound.open(48000);
          const { context } = sound;
          const end = context.createMediaStreamDestination();
          const late = new DelayNode(context, { delayTime: 0.037 });
          const { connect } = AudioNode.prototype;
          AudioNode.prototype.connect = function (to, ...more) {
            if (to === context.destination) connect.call(this, late);
            return connect.call(this, to, ...more);
          };
          late.connect(end);
          return end.stream;
        };
    """)
    ear.click("#mic")
    ear.until("return document.querySelector('#mic').ariaPressed === 'true'")
    ear.run("document.querySelector('#measure').click()")
    ear.until("return document.querySelector('#delay').textContent.includes('remembered')")
    found = ear.run("return practice.delay()")
    # A media stream has a delay of its own in the browser.
    assert 0.037 <= found < 0.2
    ear.click("#mic")


def test_a_microphone_that_is_not_allowed_is_told(ear: Browser) -> None:
    ear.run("""
        navigator.mediaDevices.getUserMedia = async () => {
          throw new DOMException("no", "NotAllowedError");
        };
    """)
    ear.click("#mic")
    ear.until("return !document.querySelector('#problem').hidden")
    told = ear.run("return document.querySelector('#problem').textContent")
    assert told.startswith("The microphone is not allowed")
    assert ear.run("return document.querySelector('#mic').ariaPressed") == "false"


def test_the_tuner_says_how_far_a_string_is_off(ear: Browser) -> None:
    hertz = 110 * 2 ** (-12 / 1200)  # an A, 12 cents flat
    ear.run(
        """
        navigator.mediaDevices.getUserMedia = async () => {
          const { sound } = practice;
          await sound.open(48000);
          const end = sound.context.createMediaStreamDestination();
          const tone = new OscillatorNode(sound.context,
            { frequency: arguments[0], type: "triangle" });
          tone.connect(end);
          tone.start();
          return end.stream;
        };
        """,
        hertz,
    )
    ear.click("#mic")
    ear.until(
        "return /^A 2: 1[123] cents flat$/.test(document.querySelector('#tuner').textContent)"
    )
    ear.click("#mic")
