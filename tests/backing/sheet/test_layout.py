"""Nothing on a sheet overlaps: over the library in several keys, and over phrases made to hurt."""

from __future__ import annotations

from itertools import product

import pytest

from backing.forms import find_form
from backing.sheet.layout import STAVES, Style, pictures
from backing.sheet.writing import over_form, write
from phrases.errors import RangeError
from phrases.files import load_phrase, read_phrase, shipped
from phrases.hands import suggest
from phrases.phrase import Phrase
from phrases.pitch import parse_key
from phrases.transpose import transpose
from tests.backing.sheet.dense import CHORDS
from tests.backing.sheet.overlaps import clashes
from tests.hard.material import in_turn

TORTURE = {
    "sixteenths": """| 1 B12 e B14 & B17 a B15 2 G12 e G14 & G17 a G15 3 B12 e B14 & B17 a B15
        4 e12 e e14 & e17 a e15
        | 1 G12b(full)~ e B15b(full) & e15b(1/2)~ a e12 2 G14b(full)r e G12 & D14 a D12
        3 e15p12 e B15p12 & G14p12 a D14h15 4 E12{pm} e E15{pm} & A12{pm} a A14{pm}""",
    "double stops": """4 B12+e12 & B15b(full)+e15~ | 1 G14b(full)+B15b(1/2) e G12+B13 & G14+B15
        a D12+G12{accent} 2 G12/14+B13/15 & D14+G14~~ 3 E10+A12+D12 e E12+A14+D14 & Gx+Bx+ex
        a Ax+Dx 4 G14pb(full)+B15 & r+- | 1 B15b(full)+e15 2 r+- 3 .""",
    "bends": """| 1 G12b(1/4) & G12b(1/2)~ 2 G12b(full)~~ & G12b(3/2)r 3 B15pb(full)r~
        & B15b(1/2) a b(full) 4 e17b(full) e r(1/2) & r a e15b(1/4)
        | 1 B15b(full) 2 - 3 r(1/2) 4 r~ | 1 B18b(3/2)~ 3 r""",
    "slides": """3 /e12 & e15\\ | 1 /G14 e G12/14 & G14\\12 a G12/ 2 \\B15 & B13/15~ 3 D12/14p12
        & D10 4 G12 | 1 /14 2 \\12 3 D12/14/15 4 G12 & /17 | 1 G12/17 2 \\5 3 /e10~~ 4 B12\\""",
    "marks": """| 1 e12{d3 accent} & e15{u1 ghost} 2 B12tr15{d} 3 e12{rake} & e15{ring} a B13{ring}
        4 G12{45ms d1} e G12{slow} & G14b(full){slow supported 3 u} a G12{short}
        | 1 B15~{tremolo} 2 B13tr15~ 3 G12{pm} e G12{pm} & G12{pm} a G12{pm} 4 B17p15p12""",
    "finer": """| 1 e12 +1/8 e14 e e15 +3/8 e17 & e15 +5/8 e14 a e12 +7/8 B15 2 e12 +1/6 e14
        trip e15 & e17 let e15 +5/6 e14 3 B12h13h15 & B15p13p12 4 e20 trip e22 let e24
        | 1 e12 let B15 2trip e12 3 e10h12p10 trip e12p10 let B13b(full)r 4 e12b(1/4)""",
    "ghosts": r"""| 1 G12{ghost} a B12+e13{ghost} 2 D14{ghost}+G14 a B15 3 \e15{ghost} a e12
        4 /D12\+G10{ghost} | 1 G12b(full){ghost} 2& B13~{ghost} 4 .""",
    "graces": """| 1 E10h12 e A12 & E12h15p12 a E10 2 E12 e E13h15 & A10b(full) a E12b(1/2)
        3 e20 e e22p20 & B20h22p20 a e17/20 4 E1 e E3h5p3 & A1h3 a E1h3+D2
        | 1 E11h13p11+G12 trip e12+A11 let A12b(full)+B13 2 E5 e /E7h10 & E12/15 a A10p8""",
    "trills": """| 1 G12tr13 e G12tr15 & G14+B13tr15 a B12tr16 2 E1tr4 & E3h5tr7{accent}
        3 A2tr4+D2tr5 e D12tr14~ & - a G12b(1/2)r 4 G12tr14{ghost} & e12h15tr17 | 1 - 2 tr20
        3 p12 4 D14tr17/""",
    "high": """4 e12 & e20h22p20 | 1 e20 e e22tr24 & e24 a e19{accent} 2 e20b(full)~ & B20+e22
        3 /e24 & e22\\ 4 e20/22h24p20 e E1 & e17 a e22 | 1 B22b(full)r~ 2 G21+B22+e24 & e10 3 e22
        & e19h21 4 -""",
}  # fmt: skip


def torture(notes: str, meter: str = "4/4", key: str = "F#") -> Phrase:
    text = (
        f'title = "Torture"\nkey = "{key}"\ngroove = "shuffle"\nmeter = "{meter}"\ntempo = 80\n'
        f"[[part]]\nrole = \"line\"\nnotes = '''{notes}'''\n"
    )
    return suggest(read_phrase(text))


@pytest.mark.parametrize(("crowd", "staves"), in_turn(product(TORTURE, [100.0, 76.0]), STAVES))
def test_nothing_overlaps_in_a_crowd(crowd: tuple[str, float], staves: str) -> None:
    name, width = crowd
    score = write(torture(TORTURE[name]), CHORDS)
    found = [clash for one in pictures(score, Style(width, staves)) for clash in clashes(one)]
    assert found == []


# The last two are the narrowest line that is printed, and that of A4.
WAYS = (("A", "both", 101.0), ("Eb", "both", 101.0), ("F#", "both", 101.0),
        ("C", "notation", 79.0), ("B", "tab", 101.0))  # fmt: skip


@pytest.mark.parametrize(("name", "way"), in_turn(shipped(), WAYS))
def test_nothing_overlaps_in_the_library(name: str, way: tuple[str, str, float]) -> None:
    key, staves, width = way
    phrase = load_phrase(name)
    mode = " minor" if phrase.key.mode == "minor" else ""
    try:
        phrase = suggest(transpose(phrase, parse_key(key + mode)))
    except RangeError:
        pytest.skip("does not fit on the neck there")
    form = find_form("twelve-bar")
    for one in (phrase, *(other for _, other in phrase.variations)):
        for picture in pictures(over_form(one, form), Style(width, staves)):
            assert clashes(picture) == []
