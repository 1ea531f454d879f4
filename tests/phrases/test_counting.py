from __future__ import annotations

import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from phrases.counting import (
    METERS,
    PLACES,
    auto_swing,
    count_word,
    parse_count,
    parse_swing,
    spoken_count,
    swung,
)
from phrases.errors import BluesError, ChoiceError, RangeError

# Places that a player thinks of as halves and quarters of the beat, and thirds and sixths.
BINARY = [Fraction(n, 8) for n in range(8)]
TERNARY = [
    Fraction(1, 3),
    Fraction(2, 3),
    Fraction(1, 6),
    Fraction(5, 6),
    Fraction(1, 12),
    Fraction(7, 12),
]


def test_meters_as_common_practice_counts_them() -> None:
    # 4/4 has four quarter beats; 12/8 has four beats of a dotted quarter each.
    assert (METERS["4/4"].beats, METERS["4/4"].quarters) == (4, Fraction(1))
    assert (METERS["12/8"].beats, METERS["12/8"].quarters) == (4, Fraction(3, 2))
    for name, meter in METERS.items():
        assert str(meter) == name
        # A bar holds the same whether counted in printed or in felt notes.
        assert meter.beats * meter.quarters == Fraction(4 * meter.numerator, meter.denominator)


def test_the_syllables_of_the_beat() -> None:
    # "one e and a" counts quarters, "one trip let" counts thirds, common practice.
    assert {word: PLACES[word] for word in ("e", "&", "a")} == {
        "e": Fraction(1, 4),
        "&": Fraction(1, 2),
        "a": Fraction(3, 4),
    }
    assert (PLACES["trip"], PLACES["let"]) == (Fraction(1, 3), Fraction(2, 3))


@pytest.mark.parametrize(
    ("text", "beat", "wanted"),
    [
        ("3", 0, (3, Fraction(0))),
        ("&", 2, (2, Fraction(1, 2))),
        ("4trip", 1, (4, Fraction(1, 3))),
        ("let", 4, (4, Fraction(2, 3))),
        ("1e", 0, (1, Fraction(1, 4))),
        ("a", 3, (3, Fraction(3, 4))),
        ("2+1/6", 1, (2, Fraction(1, 6))),
        ("+5/6", 2, (2, Fraction(5, 6))),
        ("+95/96", 2, (2, Fraction(95, 96))),
        ("04", 0, (4, Fraction(0))),
    ],
)
def test_counts(text: str, beat: int, wanted: tuple[int, Fraction]) -> None:
    assert parse_count(text, beat, 4) == wanted


@pytest.mark.parametrize(
    ("text", "beat", "kind", "message"),
    [
        ("", 1, ChoiceError, '"" is not a count; it may be 1, 2, 3, 4, e, trip, &, let, a'),
        ("trp", 1, ChoiceError, '"trp" is not a count; did you mean "trip"?'),
        ("&&", 1, ChoiceError, '"&&" is not a count; did you mean "&"?'),
        ("+1/1000", 1, ChoiceError, '"+1/1000" is not a count'),
        ("&", 0, ChoiceError, '"&" needs its beat here; write "1&" or "4&"'),
        ("5", 0, RangeError, 'count "5": the bar has beats 1 to 4; is a bar line | missing'),
        ("0&", 0, RangeError, 'count "0&": the bar has beats 1 to 4'),
        ("9" * 5000, 0, RangeError, "the bar has beats 1 to 4"),
        ("2+6/6", 0, RangeError, 'count "2+6/6": the part after + must lie between 0 and 1'),
        ("2+0/6", 0, RangeError, "must lie between 0 and 1, as in +1/6"),
        ("2+1/0", 0, RangeError, "must lie between 0 and 1, as in +1/6"),
        ("2+1/97", 0, RangeError, "and divide the beat by at most 96"),
    ],
)
def test_what_is_not_a_count_is_refused(
    text: str, beat: int, kind: type[BluesError], message: str
) -> None:
    with pytest.raises(kind, match=re.escape(message)):
        parse_count(text, beat, 4)


@given(beat=st.integers(1, 4), place=st.fractions(0, Fraction(95, 96), max_denominator=96))
def test_a_written_count_reads_back(beat: int, place: Fraction) -> None:
    for last in range(5):
        assert parse_count(count_word(beat, place, last), last, 4) == (beat, place)


def test_a_beat_counted_last_is_left_out() -> None:
    assert count_word(2, Fraction(1, 2), 2) == "&"
    assert count_word(2, Fraction(1, 2), 1) == "2&"
    assert count_word(2, Fraction(0), 2) == "2"


def test_two_to_one_puts_and_where_let_is() -> None:
    # A 2:1 swing is the first and last note of a triplet, common practice.
    assert swung(PLACES["&"], Fraction(2)) == float(PLACES["let"])
    assert swung(7 + PLACES["&"], Fraction(2)) == pytest.approx(7 + 2 / 3, abs=1e-12)


@pytest.mark.parametrize("place", [Fraction(n, 16) for n in range(16)])
def test_smaller_notes_share_the_long_and_the_short_half_evenly(place: Fraction) -> None:
    # At 2:1 the first half of the beat lasts two thirds of it, the second one third.
    if place <= Fraction(1, 2):
        wanted = place * Fraction(4, 3)
    else:
        wanted = Fraction(2, 3) + (place - Fraction(1, 2)) * Fraction(2, 3)
    assert swung(5 + place, Fraction(2)) == pytest.approx(5 + float(wanted), abs=1e-12)


@pytest.mark.parametrize("ratio", [Fraction(1), Fraction(3, 2), Fraction(2), Fraction(7, 2)])
def test_long_and_short_stand_in_the_ratio(ratio: Fraction) -> None:
    long = swung(Fraction(1, 2), ratio)
    assert long / (1 - long) == pytest.approx(float(ratio))


@pytest.mark.parametrize("ratio", [Fraction(3, 2), Fraction(2), Fraction(7, 2)])
@pytest.mark.parametrize("place", TERNARY)
def test_triplets_are_triplets_already(place: Fraction, ratio: Fraction) -> None:
    assert swung(3 + place, ratio) == float(3 + place)


@pytest.mark.parametrize("place", BINARY)
def test_straight_moves_nothing(place: Fraction) -> None:
    assert swung(2 + place, Fraction(1)) == float(2 + place)


@given(st.integers(-8, 64), st.fractions(1, 4))
def test_swing_keeps_beats_and_order(beat: int, ratio: Fraction) -> None:
    heard = [swung(beat + place, ratio) for place in BINARY]
    assert heard[0] == beat
    assert heard == sorted(set(heard))
    assert heard[-1] < beat + 1


# Friberg & Sundstrom 2002, Music Perception 19(3), 333-349: ratios as high as 3.5:1 near 120
# beats a minute, even eighths at fast tempos, and a short note of about 100 ms from medium to
# fast tempos.
def test_auto_swing_is_as_high_as_published_near_120() -> None:
    assert auto_swing(120) == 3.5


def test_auto_swing_is_even_at_fast_tempos() -> None:
    assert auto_swing(300) == pytest.approx(1.0)
    assert auto_swing(340) == 1.0


@pytest.mark.parametrize("tempo", [140, 170, 200, 240, 280])
def test_the_short_note_lasts_about_100_ms(tempo: float) -> None:
    ratio = auto_swing(tempo)
    assert 60 / tempo / (1 + ratio) == pytest.approx(0.100, abs=0.005)


def test_auto_swing_never_rises_with_the_tempo() -> None:
    ratios = [auto_swing(tempo) for tempo in range(30, 400)]
    assert ratios == sorted(ratios, reverse=True)


def test_a_shuffle_caps_auto_swing_at_a_triplet() -> None:
    # A shuffle is felt in triplets, 2:1 at most, common practice.
    assert auto_swing(100, cap=2) == 2.0
    assert auto_swing(280, cap=2) == auto_swing(280)


@pytest.mark.parametrize(
    ("text", "ratio"),
    [
        ("2:1", Fraction(2)),
        ("3:2", Fraction(3, 2)),
        ("1.8:1", Fraction(9, 5)),
        (" Straight ", Fraction(1)),
        ("4:1", Fraction(4)),
        ("auto", None),
    ],
)
def test_swing_as_written(text: str, ratio: Fraction | None) -> None:
    assert parse_swing(text) == ratio


@pytest.mark.parametrize(
    ("text", "kind", "message"),
    [
        ("2", ChoiceError, '"2" is not a swing; write long:short such as 2:1 or 3:2'),
        ("", ChoiceError, '"" is not a swing'),
        ("2:0", ChoiceError, '"2:0" is not a swing'),
        ("two to one", ChoiceError, "or straight, or auto"),
        ("1:2", RangeError, 'swing "1:2" must lie from 1:1 (straight) to 4:1'),
        ("9:2", RangeError, 'swing "9:2" must lie from 1:1 (straight) to 4:1'),
    ],
)
def test_what_is_not_a_swing_is_refused(text: str, kind: type[BluesError], message: str) -> None:
    with pytest.raises(kind, match=re.escape(message)):
        parse_swing(text)


@pytest.mark.parametrize(
    ("place", "said"),
    [
        ("0", "beat 2"), ("1/4", "the e of 2"), ("1/3", "the trip of 2"), ("1/2", "the and of 2"),
        ("2/3", "the let of 2"), ("3/4", "the a of 2"), ("1/8", "just after beat 2"),
        ("5/8", "just after the and of 2"),
    ],
)  # fmt: skip
def test_a_count_as_it_is_spoken(place: str, said: str) -> None:
    assert spoken_count(2, Fraction(place)) == said
