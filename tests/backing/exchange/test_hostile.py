"""MusicXML files made to hurt: refused in a moment, with little memory and a message."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from backing.exchange.importing import import_musicxml
from phrases.errors import BluesError

NOTE = (
    "<note>{}<pitch><step>G</step><octave>4</octave></pitch><duration>{}</duration>"
    "<notations><technical><string>3</string><fret>12</fret></technical></notations></note>"
)
SECONDS = 20  # of the processor
BYTES = 1_000_000_000  # of addresses; the program takes a quarter of it for itself


def score(bars: str, divisions: str = "1", beats: str = "4") -> str:
    first = (
        f'<measure number="1"><attributes><divisions>{divisions}</divisions><time>'
        f"<beats>{beats}</beats><beat-type>4</beat-type></time></attributes>"
    )
    return (
        '<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>G</part-name>'
        f'</score-part></part-list><part id="P1">{first}{bars}</measure></part></score-partwise>'
    )


def bounded() -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
    resource.setrlimit(resource.RLIMIT_AS, (BYTES, BYTES))


BAR = NOTE.format("", 1) * 4
WORDS = (
    "<direction><direction-type><words>P.M.</words></direction-type><direction-type>"
    '<dashes type="start" number="1"/></direction-type></direction>'
)
LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 12))
HUGE = {
    "laughs": (
        f'<!DOCTYPE x [<!ENTITY l0 "ha">{LAUGHS}]><score-partwise>&l11;</score-partwise>',
        "it declares entities",
    ),
    "bars": (
        score(BAR + f"</measure><measure>{BAR}" * 20_000),
        "20001 bars: at most 256 are read",
    ),
    "notes": (score(NOTE.format("", 1) * 80_000), "it holds 80001 elements, at most 1000"),
    "words": (score(f"{WORDS * 300}{BAR}</measure><measure>" * 66 + BAR), "67 bars: a part has"),
    "file": ("<score-partwise>" + " " * 20_000_000, "the file is over 20 MB"),
}


@pytest.mark.skipif(os.name != "posix", reason="limits of processes")
@pytest.mark.parametrize("name", HUGE)
def test_a_huge_file_is_refused_within_bounds(name: str, tmp_path: Path) -> None:
    text, message = HUGE[name]
    path, new = tmp_path / "in.musicxml", tmp_path / "new.toml"
    path.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "backing.cli", "import", path, "-o", new],
        capture_output=True, text=True, preexec_fn=bounded, check=False,
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    assert message in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            score(BAR, divisions="9" * 100_000),
            r'divisions "9{20}" must be a number .* of fewer than 20 digits',
        ),
        (score(BAR, divisions="1e-999999999"), "must be a number more than 0"),
        (score(BAR, beats="1000000000"), "meter 1000000000/4: a phrase is in 4/4 or 12/8"),
        (score(BAR, beats="+".join(["4"] * 100_000)), r"meter [4+]{20}: a phrase"),
        (score("<forward><duration>1000000000</duration></forward>" + BAR), "is longer than"),
    ],
)
def test_a_huge_number_is_refused_in_few_words(text: str, message: str, tmp_path: Path) -> None:
    path = tmp_path / "in.musicxml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BluesError, match=message) as caught:
        import_musicxml(path)
    assert len(str(caught.value)) < 200 + len(str(path))


def test_a_chord_of_too_many_notes_keeps_six(tmp_path: Path) -> None:
    path = tmp_path / "in.musicxml"
    path.write_text(score(NOTE.format("", 4) + NOTE.format("<chord/>", 4) * 9), encoding="utf-8")
    found = import_musicxml(path)
    [stroke] = found.phrase.strokes()
    assert sorted(note.string for note in stroke.notes) == sorted("EADGBe")
    assert "bar 1: note of a chord for which no string is left" in found.told
