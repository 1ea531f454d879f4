from __future__ import annotations

import contextlib
import subprocess
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any, get_type_hints

import pytest

import backing
from backing import pieces
from backing.events import Stream
from phrases.errors import BluesError, ChoiceError, RangeError, TextFileError
from phrases.pitch import parse_key
from phrases.transpose import transpose
from tests.backing.material import ANSWERED, answered, lead, line

SHORT = line("| 1 e8 2 .")


def _tempo(stream: Stream) -> Fraction:
    return stream.sections[-1].tempo


def test_a_track_by_default() -> None:
    stream = backing.track()
    assert str(stream.key) == "A"
    assert stream.facts == {
        "groove": "shuffle", "form": "twelve-bar", "bars": 24, "count_in": 1, "choruses": 2,
        "comp": "organ", "without": [], "looseness": 1.0, "intro": "sticks", "ending": "chord",
    }  # fmt: skip
    assert _tempo(stream) == 104  # the groove's usual tempo
    assert stream.seed == 1


def test_a_track_takes_words_and_numbers() -> None:
    stream = backing.track(
        key="c# minor", groove="slow-blues", form="quick-change", tempo=57.3, choruses=1,
        swing="straight", seed=7, count_in=0,
    )  # fmt: skip
    assert str(stream.key) == "C# minor"
    assert _tempo(stream) == Fraction(573, 10)
    assert stream.sections[0].name == "chorus 1"
    assert stream.sections[0].swing == 1.0
    assert str(stream.meter) == "12/8"


def test_a_demo_takes_what_is_left_out_from_the_phrase() -> None:
    phrase = line("| 1 e8 2 .", 77, key="C", groove="slow-blues", swing="3:2", meter="12/8")
    stream = backing.demo(phrase, choruses=1)
    assert str(stream.key) == "C"
    assert _tempo(stream) == 77
    assert stream.facts["groove"] == "slow-blues"
    assert stream.sections[0].swing == 1.5
    assert stream.title == "Line"


def test_a_demo_in_another_key_moves_the_phrase() -> None:
    home, away = (
        backing.demo(answered(), choruses=1),
        backing.demo(answered(), key="C", choruses=1),
    )
    moved = {b.pitch - a.pitch for a, b in zip(lead(home, 1), lead(away, 1), strict=True)}
    assert moved == {3}  # C is three half steps over A
    same = backing.demo(transpose(answered(), parse_key("C")), choruses=1)
    assert away.sections == same.sections


def test_a_phrase_may_be_a_path(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(ANSWERED.replace("{lines}", "every"), encoding="utf-8")
    for given in (path, str(path)):
        assert backing.demo(given, choruses=1) == backing.demo(answered(), choruses=1)


def test_a_loop_goes_from_sixty_per_cent_to_the_phrase_by_default() -> None:
    stream = backing.loop(line("| 1 e8 2 .", 100))
    tempos = [section.tempo for section in stream.sections if section.name.startswith("pass")]
    assert tempos == [60, 60, 70, 70, 80, 80, 90, 90, 100, 100]


def test_a_loop_takes_exact_steps() -> None:
    stream = backing.loop(line("| 1 e8 2 ."), start=60, goal=60.3, step=0.1, each=1)
    tempos = [section.tempo for section in stream.sections[1:]]
    assert tempos == [60, Fraction(601, 10), Fraction(602, 10), Fraction(603, 10)]


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
@pytest.mark.parametrize("name", ["start", "goal", "step"])
def test_a_tempo_or_a_step_that_is_no_number(name: str, number: float) -> None:
    words: dict[str, Any] = {name: number}
    with pytest.raises(RangeError, match=r"it must (lie from 30 to 240|be more than 0)"):
        backing.loop(line("| 1 e8 2 ."), **words)


def _passes(stream: Stream) -> list[Fraction]:
    return [section.tempo for section in stream.sections if section.name.startswith("pass")]


def test_a_loop_takes_the_words_of_a_plan() -> None:
    phrase = line("| 1 e8 2 .")
    assert _passes(backing.loop(phrase, shape="back", start=60, goal=80, each=1)) == [
        60, 70, 80, 70, 60
    ]  # fmt: skip
    assert _passes(backing.loop(phrase, shape="hold", passes=3)) == [60, 60, 60]
    counted = backing.loop(phrase, shape="hold", passes=2, counted="each")
    assert [s.name for s in counted.sections] == ["count-in", "pass 1", "count-in", "pass 2"]
    stream = backing.loop(answered(), bars=(5, 8))
    assert [label.text for label in stream.sections[1].chords] == ["D7", "D7", "A7", "A7"]
    assert backing.loop(answered(), part="call").sections[1].beats == 8
    with pytest.raises(
        ChoiceError, match=r'^"stat" is not a word of a piece; did you mean "start"'
    ):
        backing.loop(phrase, stat=60)  # type: ignore[call-arg]


def test_what_is_given_goes_before_the_plan_file(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text("from = 60\nto = 90\nstep = 15\neach = 1\n", encoding="utf-8")
    phrase = line("| 1 e8 2 .")
    assert _passes(backing.loop(phrase, plan=path)) == [60, 75, 90]
    assert _passes(backing.loop(phrase, plan=str(path), goal=75, each=2)) == [60, 60, 75, 75]
    assert _passes(backing.loop(phrase, plan=path, goal=None)) == [60, 75, 90]
    path.write_text('gap = "call"\ncue = false\n', encoding="utf-8")
    stream = backing.trade(answered(), plan=path, passes=1)
    assert [label.text for label in stream.sections[1].labels[1:]] == ["Your turn", "Listen"]
    with_cue = backing.trade(answered(), plan=path, gap="response", cue=True, passes=1)
    assert 76 in {note.pitch for note in with_cue.sections[1].notes if note.voice == "drums"}


def test_a_trade_stays_at_the_phrases_tempo_unless_it_is_told_where_to_go() -> None:
    assert _passes(backing.trade(answered())) == [96] * 8
    assert _passes(backing.trade(answered(), goal=80, passes=2)) == [80, 80]
    assert _passes(backing.trade(answered(), start=76, each=1)) == [76, 86, 96]
    assert _passes(backing.trade(answered(), start=76, shape="back", each=1)) == [
        76, 86, 96, 86, 76
    ]  # fmt: skip


def test_a_trade_leaves_the_response_by_default() -> None:
    stream = backing.trade(answered(), passes=1, looseness=0.0)
    texts = [label.text for label in stream.sections[1].labels]
    assert texts[1:3] == ["Listen", "Your turn"]
    assert max(note.start for note in lead(stream, 1)) < 7 * 60 / 96
    with pytest.raises(ChoiceError, match=r'^"Line" has no call and response to trade'):
        backing.trade(line("| 1 e8 2 ."))


def test_loops_and_trades_play_variations_and_other_keys() -> None:
    rows: list[tuple[Any, dict[str, str]]] = [(backing.loop, {}), (backing.trade, {"gap": "echo"})]
    for make, words in rows:
        plain = make("lamp-oil", **words)
        other = make("lamp-oil", variation="low flame", **words)
        assert plain.sections[1].notes != other.sections[1].notes
        assert plain.sections[1].beats == other.sections[1].beats
        moved = make("lamp-oil", key="D", **words)
        assert str(moved.key) == "D"
        assert lead(moved, 1)[0].pitch - lead(plain, 1)[0].pitch in (2, -10)
        with pytest.raises(ChoiceError, match=r'"low flam" is not a variation of "Lamp oil"; did'):
            make("lamp-oil", variation="low flam", **words)
        with pytest.raises(ChoiceError, match=r'^"Line" has no variations; leave '):
            make(line("| 1 e8 2 ."), variation="slow", **words)


@pytest.mark.parametrize(
    ("asked", "error", "message"),
    [
        ({"key": "H"}, ChoiceError, r'^"H" is not a key; write a note name'),
        ({"groove": "shufle"}, ChoiceError, r'^"shufle" is not a groove; did you mean "shuffle"'),
        ({"form": "tvelve-bar"}, ChoiceError, r'did you mean "twelve-bar"\?$'),
        ({"tempo": 300}, RangeError, r"^tempo 300: it must lie from 30 to 240"),
        ({"swing": "2"}, ChoiceError, r'^"2" is not a swing; write long:short such as 2:1'),
        ({"choruses": 0}, RangeError, r"^0 choruses: it must be 1 to 200$"),
        ({"intro": "fve"}, ChoiceError, r'^"fve" is not an intro; did you mean "five"'),
        ({"ending": "slo"}, ChoiceError, r'^"slo" is not an ending; did you mean "slow"'),
        ({"comp": "orgn"}, ChoiceError, r'^"orgn" is not a comping instrument; did you mean "org'),
        ({"without": ["dums"]}, ChoiceError, r'^"dums" is not a part of the band; did you mean'),
        ({"looseness": 2.1}, RangeError, r"^looseness 2\.1: it must be 0 \(exact\) to 2$"),
        ({"looseness": -1}, RangeError, r"^looseness -1: it must be 0 \(exact\) to 2$"),
        ({"looseness": float("nan")}, RangeError, r"^looseness nan: it must be 0"),
        ({"count_in": 9}, RangeError, r"^count-in 9: it must be 0 to 4 bars$"),
    ],
)
def test_what_cannot_be_played(
    asked: dict[str, object], error: type[BluesError], message: str
) -> None:
    with pytest.raises(error, match=message):
        pieces.track(**asked)  # type: ignore[arg-type]


@pytest.mark.parametrize(("comp", "program"), [("organ", 16), ("piano", 0), ("guitar", 26)])
def test_who_comps(comp: str, program: int) -> None:
    # General MIDI 1, programs from 0: drawbar organ, grand piano, jazz guitar.
    stream = backing.track(choruses=1, comp=comp)
    assert stream.programs["comp"] == program
    assert stream.facts["comp"] == comp


def test_parts_stay_at_home_but_the_sticks_count_in() -> None:
    stream = backing.track(choruses=1, without=["drums", "bass"])
    assert stream.sections[0].notes
    assert {n.voice for s in stream.sections[1:] for n in s.notes} == {"comp"}
    assert stream.facts["without"] == ["bass", "drums"]
    quiet = backing.track(choruses=1, comp="none")
    assert quiet.voices == ("bass", "drums")


def test_a_loop_has_the_band_that_was_asked_for() -> None:
    stream = backing.loop(answered(), start=90, comp="guitar", without=["bass"], looseness=0.0)
    assert stream.programs["comp"] == 26
    assert "bass" not in stream.voices


def test_an_intro_and_an_ending_in_words() -> None:
    stream = backing.demo(answered(), choruses=1, intro="five", ending="slow", count_in=0)
    names = [section.name for section in stream.sections]
    assert names == ["intro", "chorus 1", "slow-down", "ending"]
    assert (stream.facts["intro"], stream.facts["ending"]) == ("five", "slow")


def test_a_phrase_that_is_not_there() -> None:
    with pytest.raises(TextFileError, match=r"^nowhere/x\.toml: there is no such folder; write"):
        backing.demo("nowhere/x.toml")


def test_the_same_call_is_the_same_piece() -> None:
    assert backing.track(choruses=1) == backing.track(choruses=1)
    assert backing.track(choruses=1).sections != backing.track(choruses=1, seed=2).sections


def test_the_package_gives_its_names_and_no_others() -> None:
    for name in backing.__all__:
        found = getattr(backing, name)
        assert name == "__version__" or found.__name__ == name
    with pytest.raises(AttributeError, match=r"^module 'backing' has no attribute 'nothing'$"):
        backing.nothing  # noqa: B018


def test_a_piece_is_made_without_the_libraries_of_the_outputs() -> None:
    code = (
        "import sys, backing; backing.track(choruses=1); "
        "print(sorted({'numpy', 'mido', 'fluidsynth', 'soundfile', 'pretty_midi'} "
        "& set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: backing.track(gruve="x"), r'"gruve" is not .*; did you mean "groove"\?$'),  # type: ignore[call-arg]
        (lambda: backing.track(tone="fuzz"), r'"tone" is not a word of a piece'),  # type: ignore[call-arg]
        (lambda: backing.demo(SHORT, tonne="x"), r'did you mean "tone"\?$'),  # type: ignore[call-arg]
        (lambda: backing.trade(SHORT, gap="foo"), r'^"foo" is not a gap; it may be response'),
        (lambda: backing.loop(SHORT, gap="echo"), "^gap is for a trade, not for a loop"),  # type: ignore[call-arg]
        (lambda: backing.trade(SHORT, bars=(1, 2)), "^bars is for a loop, not for a trade"),  # type: ignore[call-arg]
        (lambda: backing.loop(SHORT, tempo=60), '^"tempo" is not a word of a plan; .* goal alone'),  # type: ignore[call-arg]
        (lambda: backing.loop(SHORT, shape="hold", start=50, goal=60), "^hold has one tempo"),
        (lambda: backing.loop(SHORT, shape="ramp", each=2), "^each changes nothing in ramp"),
        (lambda: backing.trade(SHORT, step=5), "^step changes nothing in hold; say from which"),
        (lambda: backing.loop(SHORT, bars=(1, 2), part="line"), "^bars and part are two choices"),
        (lambda: backing.loop(SHORT, counted="each", count_in=0), "^count each has nothing to"),
        (lambda: backing.loop(SHORT, passes=3, phrase_rests=4), "N = 4: there are only 3$"),
        (lambda: backing.track(comp="piano", without=["comp"]), "do not go together; keep one"),
    ],
)
def test_a_word_that_would_change_nothing_is_refused(make: Any, message: str) -> None:
    with pytest.raises(BluesError, match=message):
        make()


def test_a_plan_is_overruled_by_words_beside_it(tmp_path: Path) -> None:
    """The file's words that mean nothing then are overruled with the one that gave them sense."""
    plan = tmp_path / "plan.toml"
    plan.write_text("from = 60\nto = 80\neach = 3\n", encoding="utf-8")
    stream = backing.loop(SHORT, plan=plan, shape="hold", start=70, passes=2)
    assert [section.tempo for section in stream.sections] == [70, 70, 70]  # with a count-in


def test_a_piece_shows_itself_in_a_line() -> None:
    assert repr(backing.track(choruses=1, count_in=1, ending="none")) == (
        "<Stream 'Ride shuffle' in A, 2 sections, 0:30>"
    )  # 52 beats at 104


VALUES: tuple[Any, ...] = (
    None, 5, -1, 0, 2.5, "x", "", [], (), (1,), (5, 2), (0, 3), (1, "x"), True, float("nan"),
    float("inf"), 10**9, b"x", {"a": 1}, Fraction(1, 3),
)  # fmt: skip


@pytest.mark.parametrize("value", VALUES, ids=repr)
def test_whatever_a_word_is_given_the_error_is_one_that_is_promised(value: Any) -> None:
    """What the docstrings say: a `BluesError`, whatever the value."""
    one: dict[str, Any] = {"choruses": 1, "form": "turnaround-loop"}
    two: dict[str, Any] = {"passes": 2}
    calls: list[tuple[Any, type, dict[str, Any]]] = [
        (backing.track, pieces.BandOptions, one),
        (lambda **more: backing.demo(SHORT, **more), pieces.LeadOptions, one),
        (lambda **more: backing.loop(SHORT, **more), pieces.LoopOptions, two),
        (lambda **more: backing.trade(SHORT, **more), pieces.TradeOptions, {**two, "gap": "echo"}),
    ]
    for call, words, usual in calls:
        more = ["tempo", "choruses", "intro", "ending"] if usual is one else ["plan"]
        for name in [*get_type_hints(words), *more]:
            with contextlib.suppress(BluesError):
                call(**{**usual, name: value})
    with contextlib.suppress(BluesError):
        backing.demo(value, choruses=1)
