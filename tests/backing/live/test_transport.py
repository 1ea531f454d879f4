from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction

import pytest

import backing
from backing.events import Note, Stream, messages
from backing.live.index import StreamIndex
from backing.live.transport import ACTIONS, EARLY, Due, Transport
from phrases.curve import Curve, Glide
from tests.backing.live.material import bent, clicks, held, section, stream

BAR = 2.0  # seconds, of `clicks`


def started(given: Stream, at: float = 0.0) -> Transport:
    return Transport(StreamIndex(given), at)


def ons(due: Iterable[Due], channel: int = 6) -> list[tuple[float, int]]:
    return [(round(at, 9), data[1]) for at, data in due if data[0] == 0x90 | channel]


def all_of(transport: Transport, step: float = 0.01, start: float = 0.0) -> list[Due]:
    out: list[Due] = []
    number = 0
    while not transport.state.over:
        number += 1
        assert number < 1_000_000
        out += transport.due(start + number * step)
    return out


def left(due: Iterable[Due]) -> tuple[set[tuple[int, int]], dict[int, int]]:
    """Return what still sounds after messages, and where the bends were left."""
    sounding, bends = set(), {}
    for _, data in due:
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0x90:
            assert (channel, data[1]) not in sounding
            sounding.add((channel, data[1]))
        elif kind == 0x80:
            sounding.remove((channel, data[1]))
        elif kind == 0xE0:
            bends[channel] = data[2] << 7 | data[1]
    return sounding, bends


def test_plays_what_the_messages_say() -> None:
    given = backing.demo(bent(), choruses=1, tempo=160)
    due = all_of(started(given))
    expected = sorted(
        float(s.start) + at for s in given.sections for at, _, d in messages(s.notes)
        if d[0] & 0xF0 == 0x90
    )  # fmt: skip
    assert [at for at, d in due if d[0] & 0xF0 == 0x90] == pytest.approx(expected, abs=1e-9)
    assert left(due)[0] == set()
    assert [at for at, _ in due] == sorted(at for at, _ in due)


@pytest.mark.parametrize("step", [0.0013, 0.0053, 0.5, 100.0])
def test_how_often_it_is_asked_changes_nothing(step: float) -> None:
    given = clicks()
    assert all_of(started(given), step) == all_of(started(given), 0.01)


def test_nothing_is_due_twice_or_too_early() -> None:
    transport = started(clicks(), at=5.0)
    assert transport.due(5.0) == []
    assert ons(transport.due(5.4)) == [(5.0, 40)]
    assert ons(transport.due(5.4)) == []
    assert ons(transport.due(4.0)) == []
    assert ons(transport.due(6.01)) == [(5.5, 40), (6.0, 40)]


def test_two_thousand_passes_do_not_drift() -> None:
    """A tempo whose beats are no binary fractions: the last pass starts where it must."""
    one = clicks(passes=1, bars=1, tempo=112).sections[0]
    length = Fraction(4 * 60, 112)
    given = stream(
        *[replace(one, start=n * length, first_beat=Fraction(4 * n)) for n in range(2000)]
    )
    due = ons(all_of(started(given, at=0.1), 0.7, start=0.1))
    assert len(due) == 8000
    assert due[-4][0] == pytest.approx(0.1 + float(1999 * length), abs=1e-8)


def test_next_at_is_the_next_deadline() -> None:
    transport = started(clicks(), at=3.0)
    assert transport.next_at() == 3.0
    transport.due(3.001)
    assert transport.next_at() == pytest.approx(3.25)  # the bass note ends
    transport.do("stop", 3.1)
    while transport.state.going:
        at = transport.next_at()
        assert at is not None
        transport.due(at + 1e-6)
    assert transport.next_at() is None


def test_a_note_that_rings_over_is_cut_by_the_same_pitch() -> None:
    low = Note("bass", 0.5, 1.5, 40, 100)
    again = Note("bass", 0.25, 0.75, 40, 100)
    due = all_of(
        started(
            stream(
                section("a", Fraction(0), 4, 240, low), section("b", Fraction(1), 4, 240, again)
            )
        )
    )
    assert [(at, d[0] >> 4) for at, d in due] == [
        (0.5, 9), (1.25, 8), (1.25, 9), (1.75, 8),
    ]  # fmt: skip


def test_an_old_bend_does_not_bend_the_next_note() -> None:
    bend = Curve(0.0, (Glide(0.0, 1.0, 200.0),))
    first = Note("lead G", 0.5, 2.0, 62, 100, bend)
    then = Note("lead G", 0.0, 0.5, 65, 100, Curve())
    due = all_of(
        started(
            stream(
                section("a", Fraction(0), 4, 240, first), section("b", Fraction(1), 4, 240, then)
            )
        )
    )
    after = [data for at, data in due if at >= 1.0 and data[0] == 0xE2]
    assert after == [(0xE2, 0, 64)]


# --- stop and go --------------------------------------------------------------


def test_stop_comes_at_the_bar_line_and_go_goes_on_there() -> None:
    transport = started(clicks())
    due = transport.due(0.7)
    due += transport.do("stop", 0.7)
    assert transport.where(0.8).stopping
    due += transport.due(10)
    assert ons(due) == [(0.0, 40), (0.5, 40), (1.0, 40), (1.5, 40)]
    assert left(due)[0] == set()
    assert max(at for at, _ in due) <= BAR - float(EARLY) + 1e-9
    where = transport.where(10)
    assert (where.going, where.bar, where.beat) == (False, 2, 1)
    due = transport.do("stop", 20.0) + transport.due(21.0)
    assert ons(due) == [(20.02, 40), (20.52, 40)]
    assert transport.where(20.5).bar == 2


def test_a_second_press_before_the_bar_line_takes_it_back() -> None:
    transport = started(clicks())
    transport.do("stop", 0.7)
    transport.do("stop", 0.9)
    assert ons(transport.due(2.1))[-1] == (2.0, 40)


def test_stop_at_the_end_of_a_section_goes_on_with_the_next() -> None:
    transport = started(clicks())
    transport.due(3.0)
    transport.do("stop", 3.0)
    transport.due(9.0)
    assert transport.where(9.0).name == "Pass 2: 120"
    assert ons(transport.do("stop", 9.0) + transport.due(9.1)) == [(9.02, 41)]


def test_a_stopped_long_note_is_ended_and_its_bend_centred() -> None:
    transport = started(held())
    due = transport.due(0.5)
    assert left(due)[1][2] > 8192
    due += transport.do("stop", 0.5) + transport.due(2.0)
    assert left(due) == (set(), {2: 8192})


def test_notes_that_come_early_belong_to_the_bar_they_are_early_for() -> None:
    early = Note("bass", 0.99, 1.2, 45, 100)
    given = stream(section("a", Fraction(0), 8, 240, Note("bass", 0.0, 0.2, 40, 100), early))
    transport = started(given)
    assert ons(transport.do("stop", 0.1) + transport.due(3.0)) == [(0.0, 40)]
    assert ons(transport.do("stop", 5.0) + transport.due(5.5)) == [(5.01, 45)]


# --- sections -----------------------------------------------------------------


def test_next_jumps_at_the_bar_line_on_time() -> None:
    transport = started(clicks(bars=4))
    transport.due(0.3)
    transport.do("next", 0.3)
    assert transport.where(0.4).target == "Pass 2: 120"
    due = transport.due(2.6)
    assert ons(due)[-2:] == [(2.0, 41), (2.5, 41)]
    assert transport.where(2.1).target == ""


def test_previous_and_several_presses() -> None:
    transport = started(clicks(passes=4))
    for _ in range(3):
        transport.do("next", 0.1)
    transport.do("previous", 0.2)
    assert transport.where(0.3).target == "Pass 3: 120"
    assert ons(transport.due(2.1))[-1] == (2.0, 42)
    transport.do("previous", 2.2)
    assert ons(transport.due(4.1))[-1] == (4.0, 41)
    for _ in range(9):
        transport.do("previous", 4.2)
    assert transport.where(4.3).target == "Pass 1: 120"


def test_there_and_back_is_no_jump() -> None:
    transport = started(clicks())
    transport.do("next", 0.1)
    transport.do("previous", 0.2)
    assert transport.where(0.3).target == ""
    assert ons(transport.due(2.1))[-1] == (2.0, 40)


def test_next_in_the_last_bar_cuts_nothing_off() -> None:
    given = clicks()
    transport = started(given)
    transport.due(3.0)
    transport.do("next", 3.0)
    assert all_of(transport) == [one for one in all_of(started(given)) if one[0] >= 3.0]


def test_next_just_before_the_bar_line_is_not_done_twice() -> None:
    transport = started(clicks())
    transport.due(3.99)
    transport.do("next", 3.99)
    assert ons(transport.due(7.9))[-1] == (7.5, 41)


def test_a_jump_while_stopped_is_at_once() -> None:
    transport = started(clicks())
    transport.do("stop", 0.1)
    transport.due(5.0)
    transport.do("next", 5.0)
    assert transport.where(5.1).name == "Pass 2: 120"
    assert ons(transport.do("stop", 6.0) + transport.due(6.1)) == [(6.02, 41)]


# --- tempo --------------------------------------------------------------------


def test_tempo_moves_by_two_at_the_bar_line_and_keeps_its_place() -> None:
    transport = started(clicks())
    due = transport.due(0.25) + transport.do("slower", 0.25) + transport.due(1.9)
    assert (transport.where(0.3).tempo, transport.where(0.3).coming) == (120, 118)
    assert ons(due) == [(0.0, 40), (0.5, 40), (1.0, 40), (1.5, 40)]
    due = transport.due(3.9)
    assert (transport.where(3.0).tempo, transport.where(3.0).coming) == (118, 118)
    assert transport.where(3.0).written == 120
    line = BAR - float(EARLY)  # from here on it is slower
    assert [at for at, _ in ons(due)] == pytest.approx(
        [line + (float(EARLY) + 0.5 * n) * 120 / 118 for n in range(4)]
    )


def test_tempo_there_and_back_before_the_bar_line_is_no_change() -> None:
    transport = started(clicks())
    due = transport.do("faster", 0.1) + transport.do("slower", 0.2)
    assert transport.where(0.3).coming == 120
    assert ons(due + transport.due(2.6)) == ons(started(clicks()).due(2.6))


def test_tempo_and_next_at_one_bar_line() -> None:
    transport = started(clicks(bars=4))
    transport.do("faster", 0.1)
    transport.do("next", 0.2)
    due = ons(transport.due(2.6))
    assert due[-2:][0][1] == 41
    assert due[-1][0] - due[-2][0] == pytest.approx(60 / 122)


def test_tempo_stays_within_its_bounds() -> None:
    transport = started(clicks())
    for _ in range(100):
        transport.do("faster", 0.1)
    assert transport.where(0.1).coming == 240
    for _ in range(300):
        transport.do("slower", 0.1)
    assert transport.where(0.1).coming == 30
    transport.due(2.5)
    assert transport.where(2.5).tempo == 30


def test_every_tempo_of_a_slow_down_is_shown() -> None:
    given = backing.track(choruses=1, ending="slow", tempo=100)
    slow = next(s for s in given.sections if s.name == "slow-down")
    transport = started(given)
    end = float(slow.start + slow.seconds)
    transport.due(end - 0.1)
    assert transport.where(end - 0.1).tempo == pytest.approx(float(slow.steps[-1][1]))
    assert transport.where(end - 0.1).bar == 2


# --- mute ---------------------------------------------------------------------


def test_mute_ends_the_phrase_and_leaves_the_band() -> None:
    transport = started(clicks())
    due = transport.due(0.1) + transport.do("mute", 0.1)
    assert left(due)[0] == {(6, 40)}
    due += transport.due(1.1)
    assert ons(due, 0) == [(0.0, 70)]
    assert ons(due) == [(0.0, 40), (0.5, 40), (1.0, 40)]
    due += transport.do("mute", 1.1) + all_of(transport)
    assert ons(due, 0)[1] == (1.5, 70)
    assert left(due)[0] == set()


# --- whatever happens ---------------------------------------------------------


@pytest.mark.parametrize("seed", range(20))
def test_nothing_is_left_whatever_is_pressed(seed: int) -> None:
    import random

    chance = random.Random(seed)
    transport = started(backing.demo(bent(), choruses=2, tempo=200))
    due: list[Due] = []
    now = 0.0
    for _ in range(60):
        now += chance.random()
        due += transport.due(now)
        due += transport.do(chance.choice([*ACTIONS]), now)
    due += transport.silence(now)
    sounding, bends = left(due)
    assert sounding == set()
    assert set(bends.values()) <= {8192}
    assert [at for at, _ in due] == pytest.approx(sorted(at for at, _ in due), abs=1e-6)


def test_after_the_end_nothing_is_done() -> None:
    transport = started(clicks(passes=1))
    all_of(transport)
    before = transport.state
    for action in ACTIONS:
        assert transport.do(action, 100) == []
    assert transport.state == before
    assert transport.where(100).over


# --- where --------------------------------------------------------------------


def test_where_says_bar_beat_chord_and_what_comes() -> None:
    transport = started(clicks())
    where = transport.where(2.6)
    assert (where.bar, where.bars, where.beat, where.beats) == (2, 2, 2, 4)
    assert (where.chord, where.soon) == ("D7", "A7")
    assert where.wait == pytest.approx(2.8)
    assert (where.name, where.turn) == ("Pass 1: 120", "Call")
    assert where.place == pytest.approx(5.2)


def test_the_last_chord_has_none_after_it() -> None:
    transport = started(clicks(passes=1))
    assert transport.where(3.0).chord == "D7"
    assert transport.where(3.0).wait is None


def test_a_demo_tells_whose_turn_it_is() -> None:
    given = backing.demo("lamp-oil", choruses=1)
    chorus = given.sections[1]
    at = float(chorus.start) + next(b.seconds for b in chorus.labels if b.text == "Response")
    transport = started(given)
    transport.due(at + 0.1)
    assert transport.where(at - 0.1).turn == "Call"
    assert transport.where(at + 0.1).turn == "Response"
    assert transport.where(at + 0.1).name == "Chorus 1"


# --- two busy hands -------------------------------------------------------------


def test_going_on_counts_in_a_bar_at_the_tempo_that_is_played() -> None:
    """Common practice: nobody comes in without a bar of four first."""
    transport = Transport(StreamIndex(clicks()), counts=True)
    transport.due(0.7)
    transport.do("stop", 0.7)
    transport.due(10)
    due = transport.do("stop", 20.0)
    assert [transport.where(20.1 + n * 0.5).beat for n in range(4)] == [1, 2, 3, 4]
    assert transport.where(20.6).counting
    due += transport.due(22.6)
    assert [at for at, _ in ons(due, 9)] == [20.0, 20.5, 21.0, 21.5]
    assert ons(due) == [(22.0, 40), (22.5, 40)]  # the bar it was stopped in, on time
    where = transport.where(22.1)
    assert (where.counting, where.bar, where.beat) == (False, 2, 1)


def test_a_stop_while_it_counts_is_at_once_and_goes_on_from_the_same_bar() -> None:
    transport = Transport(StreamIndex(clicks()), counts=True)
    transport.do("stop", 0.7)
    transport.due(10)
    due = transport.do("stop", 20.0) + transport.due(20.7) + transport.do("stop", 20.7)
    due += transport.due(30.0)
    assert not transport.where(25).going
    assert left(due)[0] == set()
    assert ons(due) == []
    assert ons(transport.do("stop", 40.0) + transport.due(42.1)) == [(42.0, 40)]


def test_held_a_pass_goes_round_in_time_and_then_on() -> None:
    transport = started(clicks())
    due = transport.do("hold", 0.3) + transport.due(9.0)
    assert transport.where(9.0).held
    due += transport.do("hold", 9.0) + transport.due(12.6)
    # Passes last 4 seconds: the first three times, then the second.
    assert ons(due) == [(n * 0.5, 40 + (n >= 24)) for n in range(26)]
    assert left(due + transport.silence(12.6))[0] == set()


def test_what_rings_over_a_held_pass_is_cut_once() -> None:
    given = stream(section("a", Fraction(0), 4, 240, Note("bass", 0.5, 1.5, 40, 100)))
    transport = Transport(StreamIndex(given), round=True)
    due = transport.due(3.2)
    assert [(at, d[0] >> 4) for at, d in due] == [
        (0.5, 9), (1.5, 8), (1.5, 9), (2.5, 8), (2.5, 9),
    ]  # fmt: skip
    assert not transport.state.over


def test_again_begins_the_pass_anew_at_the_bar_line() -> None:
    transport = started(clicks())
    due = transport.due(4.7) + transport.do("again", 4.7) + transport.due(6.1)
    assert ons(due)[-1] == (6.0, 41)
    assert (transport.where(6.1).name, transport.where(6.1).bar) == ("Pass 2: 120", 1)


def test_again_goes_back_to_the_count_in_of_a_pass() -> None:
    given = backing.loop("lamp-oil", start=60, goal=60, each=2, counted="each")
    transport = started(given)
    assert [section.kind for section in given.sections] == ["count-in", "pass"] * 2
    transport.due(5.0)
    transport.do("again", 5.0)
    assert transport.where(5.1).target == "Count-in"


def test_the_next_tempo_comes_at_the_bar_line() -> None:
    given = backing.loop("lamp-oil", start=40, goal=56, step=8, each=3)
    transport = started(given)
    transport.due(7.0)
    transport.do("tempo", 7.0)
    transport.due(13.0)
    assert transport.where(13.0).written == 48
    transport.do("tempo", 13.0)
    transport.do("tempo", 13.0)
    transport.due(30.0)
    assert transport.where(30.0).written == 56
    transport.do("tempo", 30.0)
    assert transport.where(30.0).target == ""  # there is none after it


def test_hands_free_one_key_asks_for_the_pass_again() -> None:
    """In the bar between two passes doing nothing goes on; the stop key plays the last again."""
    given = backing.loop("lamp-oil", start=60, goal=60, each=2, counted="each")
    transport = Transport(StreamIndex(given), asks=True)
    second = float(given.sections[2].start)
    transport.due(second + 0.5)
    assert transport.state.section == 2
    transport.do("stop", second + 0.5)
    assert transport.where(second + 0.6).target == "Count-in"
    transport.due(second + 5)
    assert transport.state.section == 0
    onward = Transport(StreamIndex(given), asks=True)
    onward.due(second + 5)
    assert onward.state.section == 3
