"""A film, decoded again: what is heard, what is seen, and both at the same time."""

from __future__ import annotations

import os
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import backing
from backing import pieces
from backing.events import Stream
from backing.film.picture import COLOURS, fitted
from backing.film.shape import Shape, shape
from backing.film.story import tell
from backing.film.write import RATE, TITLE, film
from phrases.files import read_phrase

av = pytest.importorskip("av")
HARD = bool(os.environ.get("HARD"))

# Short notes between rests, so that each is heard to begin.
PHRASE = read_phrase("""
title = "Gate <b>latch</b> & #hinge"
key = "A"
groove = "shuffle"
tempo = 150
[[part]]
role = "call"
notes = '| 1 G7 & . 2& B5 3 . 4 e5 & .'
[[part]]
role = "response"
notes = '| 1 e8 & . 3 B5 & .'
[[tip]]
at = "call 1 1"
text = "Let *both* notes stop & ring: <i>no</i> more."
""")
ALONE: Any = {"without": ("drums", "bass", "comp"), "looseness": 0.0}


@dataclass(frozen=True)
class Made:
    """A film and what it was made from."""

    path: Path
    stream: Stream
    shape: Shape
    fps: int


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Return a film of a guitar alone."""
    passes = 1120 if HARD else 2  # an hour
    stream = pieces.loop(PHRASE, goal=150, shape="hold", passes=passes, **ALONE)
    path = tmp_path_factory.mktemp("film") / "gate.mp4"
    film(stream, path, shape("1920x1080"), 30)
    return Made(path, stream, shape("1920x1080"), 30)


def heard(path: Path) -> NDArray[np.float32]:
    """Return a file's sound as it is played, one side."""
    with av.open(str(path)) as file:
        blocks = [(f.pts * f.time_base, f.to_ndarray()[0]) for f in file.decode(audio=0)]
    out = np.zeros(round(blocks[-1][0] * RATE) + blocks[-1][1].size, np.float32)
    for at, block in blocks:
        first = round(at * RATE)
        out[max(0, first) : first + block.size] = block[max(0, -first) :]
    return out


def cursors(one: Made) -> list[tuple[float, float]]:
    """Return each frame's time and the x of its cursor in the panel, where there is one.

    The cursor's line is the only rust in the panel, and has columns of its own.
    """
    place = one.shape.places["music"]
    rust = [int(COLOURS["rust"][n : n + 2], 16) for n in (1, 3, 5)]
    red = (rust[0] - (0.2126 * rust[0] + 0.7152 * rust[1] + 0.0722 * rust[2])) / 255
    wanted = 128 + 224 * red / (2 * (1 - 0.2126))  # ITU-R BT.709-6, 3.4
    found = []
    with av.open(str(one.path)) as file:
        for frame in file.decode(video=0):
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


def test_the_cursor_is_on_a_note_when_it_is_heard(made: Made) -> None:
    """Half a frame is what the issue of sound and picture may be, and what is checked."""
    story = tell(made.stream, made.shape)
    sound = np.abs(heard(made.path))
    seen = np.array(cursors(made))
    checked = 0
    late = []
    for section in made.stream.sections:
        for note in section.notes:
            if not note.voice.startswith("lead") or note.beat is None:
                continue
            at = TITLE + float(section.start) + note.start
            # Where the sound comes out of silence.
            first = round((at - 0.05) * RATE)
            loud = sound[first : first + round(0.1 * RATE)]
            onset = (first + int(np.argmax(loud > 0.2 * loud.max()))) / RATE
            xs = [
                (size, left, x)
                for one in story.systems
                for size, left, _ in [fitted(one, made.shape.places["music"])]
                for beat, x in one.places
                if beat == note.beat
            ]
            size, left, x = xs[0]
            target = left + x * size
            # When the cursor is there: on the line through the two frames that are nearest.
            here = seen[np.abs(seen[:, 0] - at) < 0.2]
            near = here[np.argsort(np.abs(here[:, 1] - target))[:2]]
            (t0, x0), (t1, x1) = near
            when = t0 if x1 == x0 else t0 + (t1 - t0) * (target - x0) / (x1 - x0)
            late.append(when - onset)
            checked += 1
    assert checked >= 10
    assert max(map(abs, late)) < 0.5 / made.fps, late


def test_the_sound_is_that_of_the_piece_and_as_long_as_the_pictures(
    made: Made, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    import soundfile

    backing.write(made.stream, tmp_path / "piece.wav", rate=RATE)
    told, _ = soundfile.read(tmp_path / "piece.wav", dtype="int16")
    given: list[NDArray[np.int16]] = []
    kept = av.AudioFrame.from_ndarray

    def spy(array: NDArray[np.int16], **words: Any) -> Any:
        given.append(array.reshape(-1, 2).copy())
        return kept(array, **words)

    class Frame:
        from_ndarray = staticmethod(spy)

    monkeypatch.setattr(av, "AudioFrame", Frame)
    film(made.stream, tmp_path / "again.mp4", shape("1920x1080"), 25)
    pcm = np.concatenate(given)
    assert not pcm[: TITLE * RATE].any()
    assert np.array_equal(pcm[TITLE * RATE :], told)
    with av.open(str(tmp_path / "again.mp4")) as file:
        pictures, sound = file.streams.video[0], file.streams.audio[0]
        assert pictures.average_rate == 25
        long = Fraction(len(pcm), RATE)
        assert 0 <= pictures.frames * Fraction(1, 25) - long < Fraction(1, 25)
        assert abs(sound.duration * sound.time_base - long) < Fraction(1, 25)


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
