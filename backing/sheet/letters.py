"""Letters that the sheet's own font lacks: which of them another font of the machine draws.

Conventions: what cannot be drawn is left blank by typst, so it is told in words. Signs that are
never seen, such as joiners, are no letters.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from functools import lru_cache
from typing import Any

from backing.sheet import lettering
from backing.sheet.markup import quoted
from phrases.phrase import Phrase

__all__ = ["blank", "blanks", "foreign", "places"]

UNSEEN = ("Cc", "Cf", "Zl", "Zp", "Zs")  # Unicode general categories
_SELECTOR = re.compile("[\ufe00-\ufe0f\U000e0100-\U000e01ef]")
_DRAWN = re.compile("<(?:use|image|path|svg)")
MOST = 12  # letters that are named of one place


def foreign(text: str) -> frozenset[str]:
    """Return the letters of a text that the sheet's own font has not."""
    own = lettering.letters()
    return frozenset(
        letter
        for letter in set(text)
        if ord(letter) not in own
        and unicodedata.category(letter) not in UNSEEN
        and not _SELECTOR.match(letter)
    )


@lru_cache(maxsize=64)
def _blank(letters: frozenset[str]) -> frozenset[str]:
    """Return which letters no font of the machine draws: typst is asked, as it will choose."""
    import typst

    every = sorted(letters)
    text = "".join(f"#box[#{quoted(f'A{letter}A')}]" for letter in every)
    folders: Any = [str(lettering.FONTS)]
    drawing = typst.compile(
        f'#set text(font: "{lettering.FAMILY}")\n{text}'.encode(), font_paths=folders, format="svg"
    )
    assert isinstance(drawing, bytes)
    # Each box is a group of its own, in which two letters are drawn in any case.
    boxes = drawing.decode().partition("<defs")[0].split('<g transform="translate(')[1:]
    drawn = zip(every, boxes, strict=True)
    return frozenset(letter for letter, box in drawn if len(_DRAWN.findall(box)) <= 2)


def blank(text: str) -> frozenset[str]:
    """Return the letters of a text that no font of the machine draws."""
    letters = foreign(text)
    return _blank(letters) if letters else letters


def places(phrase: Phrase) -> Iterator[tuple[str, str]]:
    """Yield each text of a phrase that is printed as it stands, after the place where it is."""
    yield "title", phrase.title
    yield "tags", " ".join(phrase.tags)
    yield "author and rights", f"{phrase.credits.author}{phrase.credits.rights}"
    number = 0
    for tip in phrase.tips:
        number += tip.at is not None
        yield f"tip {number}" if tip.at is not None else "tips", tip.text
    for name, _ in phrase.variations:
        yield "name of a variation", name


def blanks(texts: Iterable[tuple[str, str]]) -> str:
    """Return in words which letters of some texts are left blank, and where; empty if none is.

    Each text stands after its place, as `places` gives them.
    """
    told = []
    for place, text in texts:
        left = sorted(blank(text))
        if left:
            told.append(f"{place}: {' '.join(left[:MOST])}{' ...' * (len(left) > MOST)}")
    if not told:
        return ""
    return (
        f"no font here has these letters, which stay blank in PDF and SVG ({'; '.join(told)}); "
        "install one, such as Noto (Debian: fonts-noto-cjk, fonts-noto-color-emoji)"
    )
