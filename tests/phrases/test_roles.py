from __future__ import annotations

from fractions import Fraction

import music21
import pytest

from phrases.files import read_phrase
from phrases.phrase import Phrase
from phrases.pitch import KEYS, Key
from phrases.roles import Chords, Row, chord_roles, hits, rows

DOMINANT, MINOR = ("1", "3", "5", "b7"), ("1", "b3", "5", "b7")
A, C, D, E = 9, 0, 2, 4


def written(*notes: str, key: str = "A", scale: str = "minor blues", roles: str = "cr") -> Phrase:
    words = {"c": "call", "r": "response", "l": "line"}
    parts = "".join(
        f"[[part]]\nrole = \"{words[role]}\"\nnotes = '{line}'\n"
        for role, line in zip(roles, notes, strict=False)
    )
    return read_phrase(
        f'title = "T"\nkey = "{key}"\nscale = "{scale}"\ngroove = "shuffle"\ntempo = 96\n{parts}'
    )


def seven(*roots: int, members: tuple[str, ...] = DOMINANT) -> Chords:
    """Return a chord for each bar of four beats."""
    return [(Fraction(4 * n), root, chord_roles(root, members)) for n, root in enumerate(roots)]


def looked(phrase: Phrase, chords: Chords = ()) -> list[Row]:
    return rows(phrase, hits(phrase), chords)


def column(found: list[Row], name: str) -> list[object]:
    return [getattr(row, name) for row in found]


def test_the_chord_names_its_own() -> None:
    # A7 is A C# E G (common practice).
    assert chord_roles(A, DOMINANT) == {9: "root", 1: "third", 4: "fifth", 7: "seventh"}
    assert chord_roles(E, ("1", "3", "5", "b7", "#9"))[7] == "ninth"
    assert chord_roles(C, ("1", "b3", "b5", "bb7"))[9] == "seventh"


@pytest.mark.parametrize(
    ("notes", "roles"),
    [
        # Over A7, then the same notes over D7: the key's b3 is the seventh of IV7.
        ("| 1 e5 2 e8 3 e9 4 e10", ["root", "blue note", "third", "fourth"]),
        ("| 1 e11 2 e12 3 e14 4 e3", ["blue note", "fifth", "sixth", "seventh"]),
        ("| 1 e7 2 e6 3 e13 4 e4", ["ninth", "tension", "tension", "tension"]),
    ],
)
def test_roles_over_the_tonic_seventh(notes: str, roles: list[str]) -> None:
    assert column(looked(written(notes), seven(A)), "role") == roles


def test_the_key_s_blue_notes_are_blue_over_any_chord() -> None:
    # The flat fifth of A over D7, where it is no chord tone (common practice); beside it a fifth
    # of the key, which is a ninth there. Then D7's own flat third and fifth, blue over it alone.
    phrase = written("| 1 e11 2 e12 3 e13 4 e4")
    found = column(looked(phrase, seven(D)), "role")
    assert found == ["blue note", "ninth", "blue note", "blue note"]
    assert column(looked(phrase, seven(A)), "role")[2:] == ["tension", "tension"]


def test_roles_follow_the_chord() -> None:
    phrase = written("| 1 e8 2 e5 | 1 e8 2 e5 | 1 e8 2 e5")
    found = column(looked(phrase, seven(A, D, E)), "role")
    assert found == ["blue note", "root", "seventh", "fifth", "blue note", "fourth"]
    found = column(looked(phrase, seven(A, A, A, members=MINOR)), "role")
    assert found == ["third", "root"] * 3


def test_without_chords_there_are_no_roles() -> None:
    found = looked(written("| 1 e8 2 e5"))
    assert {(row.role, row.resolves) for row in found} == {("", "")}


def test_degrees_and_names_are_those_of_the_key() -> None:
    found = looked(written("| 1 G4 2 G5 3 D10 4 E6", key="C", scale="minor blues"))
    assert column(found, "name") == ["B3", "C4", "C4", "Bb2"]
    assert column(found, "degree") == ["7", "1", "1", "b7"]
    # The letter of a name keeps its octave: C flat is the B below it.
    (row,) = looked(written("| 1 G4", key="Gb"))
    assert (row.name, row.degree) == ("Cb4", "4")
    (row,) = looked(written("| 1 G2", key="Gb"))
    assert (row.name, row.degree) == ("A3", "b3")


@pytest.mark.parametrize("key", KEYS, ids=str)
def test_a_name_says_the_pitch_in_every_key(key: Key) -> None:
    # Of music21, an outside authority on which pitch a name is: B sharp lies above its B.
    notes = " | ".join(f"1 D{fret} 2 D{fret + 1} 3 D{fret + 2}" for fret in range(3, 15, 3))
    for row in looked(written(f"| {notes}", key=str(key))):
        assert music21.pitch.Pitch(row.name.replace("b", "-")).midi == row.pitch, row.name


def test_a_harmonic_is_what_it_sounds() -> None:
    # In quarters a string rings two octaves above the open one, in thirds a twelfth (acoustics).
    found = looked(written("| 1 e5{harmonic} 2 D7{harmonic} 3 ."))
    assert column(found, "name") == ["E6", "A4"]
    # A pinched one lies an octave up, from where it is bent and slid.
    found = looked(written("| 1 G7b(full){pinch} 2 G7/9{pinch}"))
    assert column(found, "name") == ["D5", "E5", "D5", "E5"]


def test_what_the_hands_do_besides_aims_at_nothing() -> None:
    found = looked(
        written("| 1 e5{d harmonic} 2 G7{pinch accent} 3 G7~ & G7\\ 4 G7b(full)~{ghost}")
    )
    assert column(found, "also") == [
        ("natural harmonic",), ("pinch harmonic",), ("vibrato",), ("slide down to nowhere",), (),
        ("vibrato",),
    ]  # fmt: skip


def test_rows_are_in_the_order_in_which_they_are_heard() -> None:
    # Both strings of a double stop are picked before either of them goes on.
    found = looked(written("| 1 G7+B8 & h9+p5"))
    assert column(found, "string") == ["G", "B", "G", "B"]
    assert column(found, "at") == [0, 0, Fraction(1, 2), Fraction(1, 2)]


def test_a_curl_lies_above_its_note() -> None:
    found = looked(written("| 1 G5b(1/4)"), seven(A))
    assert column(found, "name") == ["C4", "C4+"]
    assert column(found, "degree") == ["b3", "b3+"]
    assert column(found, "pitch") == [60.0, 60.5]
    assert column(found, "role") == ["blue note", "blue note"]
    assert column(found, "resolves") == ["curl", ""]


def test_every_target_has_a_row_and_nothing_else() -> None:
    found = looked(
        written("| 1 e5/7~ 2 e8p5h8 3 G7b(full)r~ 4 Gx | 1 e10 trip /12 2 B5tr8 3 B8\\")
    )
    assert column(found, "how") == [
        "pick", "slide up", "pick", "pull-off", "hammer-on", "pick", "bend full", "release",
        "muted", "pick", "slide up", "pick", "trill", "pick",
    ]  # fmt: skip
    assert found[8].pitch is None
    assert (found[8].name, found[8].role) == ("", "")
    assert (found[10].count, found[10].fret, found[10].at) == ("1trip", 12, Fraction(13, 3))


def test_a_pre_bend_sounds_bent_from_the_pick() -> None:
    found = looked(written("| 1 G7pb(full)r | 1 B8b10"))
    assert column(found, "how") == ["pre-bend full", "release", "pick", "bend full"]
    assert column(found, "pitch") == [64.0, 62.0, 67.0, 69.0]


def test_places_are_counted_in_their_part() -> None:
    found = looked(written("4& e5 | 1 e8 2trip e5 | 1 .", "4 e5 | 3let B8"))
    assert column(found, "place") == [
        "call 0 4&", "call 1 1", "call 1 2trip", "response 0 4", "response 1 3let",
    ]  # fmt: skip
    assert column(found, "at") == [Fraction(-1, 2), 0, Fraction(4, 3), 7, Fraction(32, 3)]


def test_parts_of_one_role_are_numbered() -> None:
    found = looked(written("| 1 e5", "| 1 e8", roles="ll"))
    assert column(found, "part") == ["line 1", "line 2"]


@pytest.mark.parametrize(
    ("notes", "resolves"),
    [
        ("| 1 G7 2 G6", "step"),  # 4 to 3
        ("| 1 G7 2 B5", "step"),  # 4 to 5
        ("| 1 G7b(full)", "bend"),  # 4 to 5
        ("| 1 G8 2 B5", "step"),  # b5 to 5
        ("| 1 G5p2", "step"),  # b3 to 1, neighbours in the pentatonic
        ("| 1 G3 2 G6", "hangs"),  # b2 to 3, as far and neighbours in no scale
        ("| 1 G7 2 G7 3 G6", "step"),  # repeated on the way
        ("| 1 G8 2 G8 3 B5", "step"),
        ("| 1 G7 2 e5", "hangs"),  # too far
        ("| 1 G7 2 G5 3 D7", "passes"),  # to a note that is not the chord's
        ("| 1 G8p7p5", "passes"),  # b5 to 4
        ("| 1 G7", "hangs"),
        ("| 1 G5h6 2 G7", "step"),  # b3 to 3
        ("| 1 G7 2 G9+B8", "step"),  # one note of a double stop
        ("| 1 G7+B5", "hangs"),  # what sounds with it is no way out of it
        ("| 1 G7tr9 2 B5", "step"),  # a trill comes back
        ("| 1 G7tr9 2 e5", "hangs"),
        ("| 1 G7 2 Gx 3 G6", "step"),  # a muted string is no note
        ("| 1 B5 2 G7", ""),  # a chord tone is at rest
    ],
)
def test_a_tension_resolves(notes: str, resolves: str) -> None:
    assert looked(written(notes), seven(A))[0].resolves == resolves


def test_the_chord_may_come_to_the_note() -> None:
    # 4 over I7 is the root of IV7.
    phrase = written("| 4 G7 | 1 G7")
    assert looked(phrase, seven(A, D))[0].resolves == "step"
    assert looked(phrase, seven(A, A))[0].resolves == "hangs"


def test_another_part_resolves_nothing() -> None:
    assert looked(written("| 1 G7", "| 1 G6"), seven(A, A))[0].resolves == "hangs"


def test_a_slide_takes_the_hand_along() -> None:
    found = looked(written("| 1 e8/10h12p10\\8 2 e0 3 Gx"))
    first = found[0].position
    assert column(found, "position")[:5] == [first, first + 2, first + 2, first + 2, first]
    assert [row.stretch for row in found[:5]] == [
        (row.fret or 0) - row.position for row in found[:5]
    ]
    assert [row.stretch for row in found[5:]] == [0, 0]
