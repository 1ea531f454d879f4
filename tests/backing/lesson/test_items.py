"""What a lesson makes: names that sort, and digests that change when the sound may."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from backing.grooves.groove import GROOVES
from backing.lesson.items import (
    Item,
    check_items,
    font_digest,
    key_word,
    program_digest,
    slug,
    sounds,
    tempo_word,
)
from phrases.errors import RangeError
from phrases.pitch import parse_key
from tests.backing.lesson.material import LESSON, PHRASE, small


def names(items: list[Item]) -> list[str]:
    return [item.name.rpartition("/")[2] for item in items]


def test_names_sort_in_the_order_of_use_and_say_what_they_are(tmp_path: Path) -> None:
    lesson = small(tmp_path, LESSON.replace('["A"]', '["A", "F#"]'))
    made = sounds(lesson)
    assert names([item for item in made if str(item.key) == "A"]) == [
        "01-two-bars_A_1-demo_240bpm",
        "01-two-bars_A_1-demo_240bpm_other-end",
        "01-two-bars_A_2-loop_200bpm",
        "01-two-bars_A_2-loop_200bpm_other-end",
        "01-two-bars_A_2-loop_240bpm",
        "01-two-bars_A_2-loop_240bpm_other-end",
        "01-two-bars_A_3-trade-response_240bpm",
        "01-two-bars_A_3-trade-response_240bpm_other-end",
        "01-two-bars_A_4-backing_240bpm",
    ]
    every = [item.name for item in made]
    assert every == sorted(every)
    assert len(set(every)) == len(every)
    assert made[-1].name.startswith("01-two-bars/F-sharp/01-two-bars_F-sharp_")


def test_a_page_needs_loops_that_nobody_asked_for(tmp_path: Path) -> None:
    (first, *rest) = sounds(small(tmp_path, 'make = ["page"]\n' + LESSON))
    assert {item.kind for item in [first, *rest]} == {"loop"}
    assert first.layers
    assert first.formats == ()
    assert not sounds(small(tmp_path, 'make = ["sheet"]\n' + LESSON))


def test_another_voice_is_another_sound(tmp_path: Path) -> None:
    lesson = small(tmp_path)
    (one, *_), (other, *_) = sounds(lesson), sounds(replace(lesson, voice="soundfont"))
    assert (one.stream().voice, other.stream().voice) == ("strings", "soundfont")
    assert one.digest("") != other.digest("")


def test_a_variation_of_another_groove_has_its_own_backing(tmp_path: Path) -> None:
    phrase = PHRASE.replace('name = "Other End!"', 'name = "Other End!"\ngroove = "jump"')
    made = [item for item in sounds(small(tmp_path, LESSON, phrase)) if item.kind == "backing"]
    assert [item.groove for item in made] == ["shuffle", "jump"]


def test_each_groove_has_its_sounds(tmp_path: Path) -> None:
    grooves = 'grooves = ["shuffle", "jump"]\nmake = ["demo", "loop", "backing"]\n'
    made = [item for item in sounds(small(tmp_path, grooves + LESSON)) if not item.version]
    names = [item.name.rpartition("/")[2] for item in made if item.tempo == 240]
    assert names == [
        "01-two-bars_A_1-demo_shuffle_240bpm",
        "01-two-bars_A_1-demo_jump_240bpm",
        "01-two-bars_A_2-loop_shuffle_240bpm",
        "01-two-bars_A_2-loop_jump_240bpm",
        "01-two-bars_A_4-backing_shuffle_240bpm",
        "01-two-bars_A_4-backing_jump_240bpm",
    ]
    played = {item.name: item.stream() for item in made}
    shuffle, jump = (played[f"01-two-bars/A/{name}"] for name in names[-2:])
    assert shuffle.sections[-1].notes != jump.sections[-1].notes


def test_grooves_of_one_name_have_files_of_their_own(tmp_path: Path) -> None:
    (tmp_path / "jump.toml").write_bytes((GROOVES.folder / "jump.toml").read_bytes())
    grooves = 'grooves = ["jump", "jump.toml"]\nmake = ["backing"]\n'
    made = sounds(small(tmp_path, grooves + LESSON))
    assert [item.name.rpartition("/")[2] for item in made] == [
        "01-two-bars_A_4-backing_jump_240bpm",
        "01-two-bars_A_4-backing_jump-2_240bpm",
    ]


def test_variations_of_like_names_have_files_of_their_own(tmp_path: Path) -> None:
    more = PHRASE + '\n[[variation]]\nname = "other end"\n'
    made = sounds(small(tmp_path, 'make = ["demo"]\n' + LESSON, more))
    assert [name.rpartition("_")[2] for name in names(made)] == [
        "240bpm", "other-end", "other-end-2"
    ]  # fmt: skip


CHANGES: dict[str, tuple[Callable[[str], str], Callable[[str], str], bool]] = {
    "a tip": (lambda text: text, lambda text: text.replace("Up here", "Up there"), False),
    "the tips": (lambda text: text, lambda text: text.replace("Play it", "Sing it"), False),
    "a level": (lambda text: text, lambda text: 'level = "easy"\n' + text, False),
    "the text": (lambda text: text.replace("Slowly", "Fast"), lambda text: text, False),
    "a note": (lambda text: text, lambda text: text.replace("D7~", "D7"), True),
    "the title": (lambda text: text, lambda text: text.replace("Two bars", "2 bars"), True),
    "the tone": (lambda text: text, lambda text: 'tone = "fuzz"\n' + text, True),
    "the groove": (lambda text: text + 'grooves = ["jump"]', lambda text: text, True),
    "the formats": (lambda text: text.replace('"wav"', '"flac"'), lambda text: text, True),
}


@pytest.mark.parametrize("what", CHANGES)
def test_what_changes_a_digest(tmp_path: Path, what: str) -> None:
    lesson, phrase, heard = CHANGES[what]
    before = sounds(small(tmp_path / "a"))[0].digest("font")
    after = sounds(small(tmp_path / "b", lesson(LESSON), phrase(PHRASE)))[0].digest("font")
    assert (before != after) is heard


def test_a_soundfont_and_a_take_change_digests(tmp_path: Path) -> None:
    item = sounds(small(tmp_path))[0]
    assert item.digest("a") != item.digest("b")
    take = tmp_path / "take.wav"
    take.write_bytes(b"1")
    taken = replace(item, take=take)
    one = taken.digest("a")
    take.write_bytes(b"2")
    assert len({one, taken.digest("a"), item.digest("a")}) == 3


def test_a_groove_file_is_part_of_the_digest(tmp_path: Path) -> None:
    shuffle = GROOVES.folder / "shuffle.toml"
    own = tmp_path / "mine.toml"
    text = LESSON + 'grooves = ["mine.toml"]\n'
    own.write_text(shuffle.read_text(encoding="utf-8"), encoding="utf-8")
    one = sounds(small(tmp_path, text))[0].digest("")
    own.write_text(own.read_text(encoding="utf-8") + "# same\n", encoding="utf-8")
    assert sounds(small(tmp_path, text))[0].digest("") != one


def test_a_soundfont_is_known_by_its_content(tmp_path: Path, soundfont: Path) -> None:
    data = soundfont.read_bytes()
    copy, changed = tmp_path / "copy.sf2", tmp_path / "changed.sf2"
    copy.write_bytes(data)
    changed.write_bytes(data[:-9] + b"!" + data[-8:])
    assert font_digest(copy) == font_digest(soundfont)
    assert font_digest(changed) != font_digest(soundfont)


def test_the_programs_digests() -> None:
    assert len({program_digest(), program_digest("page"), program_digest("sheet")}) == 3


def test_too_many(tmp_path: Path) -> None:
    tempos = ", ".join(map(str, range(30, 240)))
    keys = '"A", "E", "D", "G", "C"'
    text = LESSON.replace("200, 240", tempos).replace('"A"', keys)
    with pytest.raises(RangeError, match="more than 2000 sounds"):
        sounds(small(tmp_path, text))


def test_what_cannot_be_played_is_told_before_anything_sounds(tmp_path: Path) -> None:
    lesson = small(tmp_path, LESSON.replace('"turnaround-loop"', '"one-chord-vamp"'))
    check_items(lesson, sounds(lesson))
    phrase = PHRASE.replace("G5 3 D7~ 4 .'\n\n[[tip", "G5 3 D7~ 4& G5'\n\n[[tip")
    phrase = phrase.replace("'| 1 B5", "'4& e5 | 1 B5", 1)
    lesson = small(tmp_path, LESSON, phrase)
    with pytest.raises(RangeError, match=r"demo of Two bars in A: .*last bar still plays"):
        check_items(lesson, sounds(lesson))


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("Other End!", "other-end"),
        ("  Ünter–den  Straße ", "unter-den-strasse"),
        ("../../etc", "etc"),
        ("雨", "phrase"),
        ("a" * 90, "a" * 40),
    ],
)
def test_slugs(text: str, word: str) -> None:
    assert slug(text) == word


def test_words_of_names() -> None:
    assert key_word(parse_key("C# minor")) == "C-sharp-minor"
    assert key_word(parse_key("Bb")) == "Bb"
    assert tempo_word(Fraction(72)) == "072bpm"
    assert tempo_word(Fraction("92.5")) == "092.5bpm"
