"""A film, decoded again: what is heard, what is seen, and both at the same time."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from fractions import Fraction
from functools import partial
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from numpy.typing import NDArray
from scipy.signal import resample

import backing
from backing import pieces
from backing.cli import main
from backing.events import Section
from backing.film.picture import COLOURS, fitted
from backing.film.shape import SIZES, shape
from backing.film.story import tell
from backing.film.write import RATE, TITLE, FilmError, film
from backing.lesson.take import with_take
from tests.backing.film.material import ALONE, HARD, PHRASE, Made, filmed

av = pytest.importorskip("av")
TINY = ("--choruses", "1", "--tempo", "240", "--form", "turnaround-loop")


def heard(path: Path, low: float, high: float) -> tuple[float, NDArray[np.float32]]:
    """Return one side of a file's sound as it is played, about from one second to another."""
    blocks = []
    with av.open(str(path)) as file:
        file.seek(max(0, round((low - 1) * 1e6)))
        for frame in file.decode(audio=0):
            if frame.time > high:
                break
            blocks.append((frame.pts * frame.time_base, frame.to_ndarray()[0]))
    start = round(blocks[0][0] * RATE)
    out = np.zeros(round(blocks[-1][0] * RATE) - start + blocks[-1][1].size, np.float32)
    for at, block in blocks:
        out[round(at * RATE) - start :][: block.size] = block
    return start / RATE, out


def cursors(one: Made, low: float, high: float) -> list[tuple[float, float]]:
    """Return times of frames and the x of the cursor in the panel, where there is one.

    The cursor's line is the only rust in the panel, and has columns of its own.
    """
    place = one.shape.places["music"]
    rust = [int(COLOURS["rust"][n : n + 2], 16) for n in (1, 3, 5)]
    red = (rust[0] - (0.2126 * rust[0] + 0.7152 * rust[1] + 0.0722 * rust[2])) / 255
    wanted = 128 + 224 * red / (2 * (1 - 0.2126))  # ITU-R BT.709-6, 3.4
    found = []
    with av.open(str(one.path)) as file:
        file.seek(max(0, round((low - 1) * 1e6)))
        for frame in file.decode(video=0):
            if frame.time > high:
                break
            plane = frame.planes[2]
            view = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
            rows = slice((place.y + 40) // 2, (place.y + place.height - 40) // 2)
            share = np.median(view[rows, place.x // 2 : (place.x + place.width) // 2], axis=0)
            columns = np.flatnonzero(share > (128 + wanted) / 2)
            if columns.size:
                weight = share[columns].astype(float) - 128
                found.append(
                    (float(frame.time), 1 + 2 * float(np.average(columns, weights=weight)))
                )
    return found


def late(one: Made, section: Section) -> Iterator[float]:
    """Yield by how many seconds the cursor passes each note of a section after it is heard."""
    begins = TITLE + float(section.start)
    ends = begins + float(section.seconds)
    first_heard, sound = heard(one.path, begins - 0.5, ends + 0.5)
    seen = np.array(cursors(one, begins - 0.5, ends + 0.5))
    for note in section.notes:
        if not note.voice.startswith("lead") or note.beat is None:
            continue
        at = begins + note.start
        # Where the sound comes out of silence.
        first = round((at - 0.05 - first_heard) * RATE)
        loud = np.abs(sound[first : first + round(0.1 * RATE)])
        onset = first_heard + (first + int(np.argmax(loud > 0.2 * loud.max()))) / RATE
        size, left, x = next(
            (size, left, x)
            for one_system in tell(one.stream, one.shape).systems
            for size, left, _ in [fitted(one_system, one.shape.places["music"])]
            for beat, x in one_system.places
            if beat == note.beat
        )
        target = left + x * size
        # When the cursor is there: on the line through the two frames that are nearest.
        here = seen[np.abs(seen[:, 0] - at) < 0.2]
        (t0, x0), (t1, x1) = here[np.argsort(np.abs(here[:, 1] - target))[:2]]
        when = t0 if x1 == x0 else t0 + (t1 - t0) * (target - x0) / (x1 - x0)
        yield when - onset


def test_the_cursor_is_on_a_note_when_it_is_heard(made: Made) -> None:
    """Half a frame is what sound and picture may differ by: at the start, middle and end."""
    passes = [section for section in made.stream.sections if section.kind == "pass"]
    middle = len(passes) // 2
    some = {passes[n].start: passes[n] for n in (0, 1, middle, len(passes) - 2, len(passes) - 1)}
    found = [by for section in some.values() for by in late(made, section)]
    print("late by", found)
    assert len(found) >= 10
    assert max(map(abs, found)) < 0.5 / made.fps, found


@pytest.mark.skipif(HARD, reason="an hour is much to keep")
def test_the_sound_is_that_of_the_piece(made: Made, tmp_path: Path) -> None:
    backing.write(made.stream, tmp_path / "piece.wav", rate=RATE)
    told, _ = soundfile.read(tmp_path / "piece.wav", dtype="int16")
    assert not made.pcm[: TITLE * RATE].any()
    assert np.array_equal(made.pcm[TITLE * RATE :], told)


def test_pictures_and_sound_are_as_long(made: Made) -> None:
    with av.open(str(made.path)) as file:
        pictures, sound = file.streams.video[0], file.streams.audio[0]
        assert pictures.average_rate == made.fps
        long = pictures.frames * Fraction(1, made.fps)
        assert abs(sound.duration * sound.time_base - long) <= Fraction(1, made.fps)
        assert long >= TITLE + made.stream.seconds


def test_what_players_ask_of_the_file(made: Made) -> None:
    """By ISO/IEC 14496-12 and ITU-T H.273, 1 being BT.709; `moov` before `mdat` starts fast."""
    data = made.path.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")
    with av.open(str(made.path)) as file:
        picture = file.streams.video[0].codec_context
        assert (picture.name, picture.pix_fmt) == ("h264", "yuv420p")
        assert (picture.color_primaries, picture.color_trc, picture.colorspace) == (1, 1, 1)
        assert picture.color_range == 1  # narrow
        assert file.streams.audio[0].codec_context.name == "aac"
        names = [one["metadata"]["title"] for one in file.chapters()]
        assert names[:2] == [PHRASE.title, "Count-in"]
        assert names[2] == "Pass 1: 150, call"
        assert file.metadata["title"] == PHRASE.title


def test_captions_say_title_turns_and_tips_as_text(made: Made) -> None:
    """W3C WebVTT: what is not markup is escaped."""
    text = made.path.with_suffix(".vtt").read_text()
    assert text.startswith("WEBVTT\n")
    assert "Gate &lt;b&gt;latch&lt;/b&gt; &amp; #hinge in A\nStart with the volume low" in text
    assert "Listen: call" in text
    assert "Let both notes stop &amp; ring: &lt;i&gt;no&lt;/i&gt; more." in text


def lightness(path: Path) -> NDArray[np.float64]:
    """Return the relative luminance (WCAG 2.2) of every sixteenth pixel of every frame."""
    found = []
    with av.open(str(path)) as file:
        for frame in file.decode(video=0):
            plane = frame.planes[0]
            view = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
            found.append(view[::16, ::16].copy())
    light = np.clip((np.array(found).astype(np.float64) - 16) / 219, 0, 1)
    return np.where(light <= 0.04045, light / 12.92, ((light + 0.055) / 1.055) ** 2.4)


@pytest.mark.skipif(HARD, reason="an hour is much to keep")
def test_nothing_flashes(made: Made) -> None:
    """WCAG 2.2, 2.3.1: more than three flashes a second only in less than 21,824 pixels.

    A flash is a pair of opposing changes by a tenth of the lightest, the darker one below 0.8.
    """
    light = lightness(made.path)
    last, way = light[0].copy(), np.zeros(light[0].shape)
    turns = np.zeros(light.shape, np.int16)
    for number, now in enumerate(light):
        change = now - last
        dark = np.minimum(now, last) < 0.8
        here = (np.abs(change) >= 0.1) & dark
        turns[number] = here & (np.sign(change) != way)
        way = np.where(here, np.sign(change), way)
        same = (np.sign(change) == way) | here
        last = np.where(same, now, last)
    summed = np.cumsum(turns, axis=0)
    seconds = summed[made.fps :] - summed[: -made.fps]
    often = (seconds > 2 * 3).sum(axis=(1, 2)) * 256
    assert turns.sum() > 0
    assert often.max() < 21_824


def ratio(one: str, other: str) -> float:
    """Return the contrast of two colours by WCAG 2.2, 1.4.3."""

    def light(name: str) -> float:
        parts = [int(COLOURS[name][n : n + 2], 16) / 255 for n in (1, 3, 5)]
        red, green, blue = (
            p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts
        )
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    high, low = sorted((light(one), light(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_letters_stand_out_from_what_is_under_them() -> None:
    for under in ("paper", "sheet", "yours", "glow"):
        assert ratio("ink", under) >= 7
    assert ratio("sheet", "rust") >= 7
    assert ratio("sheet", "pine") >= 7


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("strip", [False, True])
def test_places_are_apart_even_and_inside_the_margins(size: str, strip: bool) -> None:
    one = shape(size, strip=strip)
    wide, high = one.width // one.scale, one.height // one.scale
    assert one.letters >= high / 40
    places = list(one.places.values())
    for number, place in enumerate(places):
        assert all(side % 2 == 0 for side in place)
        assert wide / 20 <= place.x <= place.x + place.width <= wide * 19 / 20
        assert high / 20 <= place.y <= place.y + place.height <= high * 19 / 20
        for other in places[:number]:
            across = place.x < other.x + other.width and other.x < place.x + place.width
            down = place.y < other.y + other.height and other.y < place.y + place.height
            assert not (across and down)


@pytest.mark.parametrize("suffix", [".webm", *[".mov"] * HARD])  # ProRes takes its time
def test_a_strip_is_transparent_where_it_shows_nothing(tmp_path: Path, suffix: str) -> None:
    stream = pieces.trade(PHRASE, goal=240, passes=1, count_in=0, gap="response", **ALONE)
    one = filmed(stream, tmp_path / f"strip{suffix}", shape(SIZES[0], strip=True), 25)
    assert len(one.pcm) / RATE >= stream.seconds
    with av.open(str(one.path)) as file:
        codec = "libvpx-vp9" if suffix == ".webm" else "prores"
        reader = av.CodecContext.create(codec, "r")
        reader.extradata = file.streams.video[0].codec_context.extradata
        reader.width, reader.height = 1920, 1080
        if suffix == ".mov":
            frames = list(file.decode(video=0))
        else:
            frames = [f for p in file.demux(video=0) for f in reader.decode(p)]
    assert frames[9].format.name.startswith("yuva4")
    alpha = frames[9].to_ndarray(format="rgba")[:, :, 3]
    place = one.shape.grounds[0]
    inside = np.zeros(alpha.shape, bool)
    inside[place.y : place.y + place.height, place.x : place.x + place.width] = True
    tip = one.shape.places["tip"]
    beside = ~inside
    beside[tip.y : tip.y + tip.height, tip.x : tip.x + tip.width] = False
    assert np.median(alpha[inside]) >= 250
    assert (alpha[inside] > 200).mean() > 0.99
    assert (alpha[beside] < 50).mean() > 0.99


def test_a_take_is_heard_where_the_guitar_was(tmp_path: Path) -> None:
    """A phrase's own guitar, quieter, on one side, at another rate, is the film's sound again."""
    rate, sides = 44100, 1
    stream = pieces.demo(PHRASE, tempo=200, choruses=1, form="turnaround-loop", **ALONE)
    backing.write(stream, tmp_path / "own.wav", rate=RATE)
    own, _ = soundfile.read(tmp_path / "own.wav", dtype="float32")
    other = resample(own[RATE // 3 :], round((len(own) - RATE // 3) * rate / RATE))
    soundfile.write(tmp_path / "take.wav", 0.4 * other[:, :sides], rate, subtype="FLOAT")
    taken = partial(with_take, tmp_path / "take.wav", PHRASE, stream)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "backing.film.write.put_film", lambda d, p, r, blocks, n, t: sound.extend(blocks)
        )
        sound: list[NDArray[np.int16]] = []
        film(stream, tmp_path / "x.mp4", shape(SIZES[0]), 25, take=taken)
    pcm = np.concatenate(sound)
    assert pcm.shape == own.shape
    here = slice(RATE, -RATE)  # a window of the whole, moved by up to 5 ms
    best = max(
        np.corrcoef(np.roll(own[:, 0], n)[here], pcm[here, 0])[0, 1] for n in range(-240, 241, 4)
    )
    assert best > 0.9


def test_what_is_no_take_leaves_nothing(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take.wav", np.zeros(RATE), RATE)
    made = ["film", "pot-lid", *TINY, "-o", str(tmp_path / "x.mp4"), "--take"]
    told = CliRunner().invoke(main, [*made, str(tmp_path / "take.wav")])
    assert told.exit_code == 1
    assert "take.wav: nothing is heard in it; is it the right recording?" in told.output
    told = CliRunner().invoke(main, [*made, str(tmp_path / "none.wav")])
    assert told.exit_code == 2
    assert [one.name for one in tmp_path.iterdir()] == ["take.wav"]


def test_without_pyav_it_says_how_to_get_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setitem(sys.modules, "av", None)
    stream = pieces.loop(PHRASE, goal=240, passes=1)
    with pytest.raises(FilmError, match=r"PyAV, .* get it with: \.venv/bin/pip install"):
        film(stream, tmp_path / "x.mp4", shape(SIZES[0]), 25)
    assert not list(tmp_path.iterdir())
