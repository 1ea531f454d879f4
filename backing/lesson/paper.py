"""What is read of a lesson: its sheets and its practice pages, made from what was rendered."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

from backing.events import LEAD
from backing.forms import find_form
from backing.grooves import groove_titles
from backing.lesson.data import Lesson, Study
from backing.lesson.items import (
    ORDER,
    Item,
    digest,
    file_digest,
    key_word,
    program_digest,
    shelved,
    slug,
    stem,
)
from backing.page.session import usual_session
from phrases.errors import BluesError, RangeError
from phrases.phrase import Phrase
from phrases.pitch import Key
from phrases.transpose import transpose

if TYPE_CHECKING:
    from backing.page.data import PageData
    from backing.sheet.typeset import Sheet

__all__ = ["Leaf", "leaves"]

TOGETHER = 3  # keys that stand in a page; of more, each but the first is a file beside it
MOST_KEPT = 60  # sheets that are not laid out again for the one PDF of all
LayerOf = Callable[[Item], tuple[Path, Path]]


@dataclass(frozen=True, slots=True)
class Leaf:
    """A sheet or a page."""

    kind: str  # ``sheet`` or ``page``, or ``sounds`` of a page
    # The number of its phrase in the lesson, from 0; None for what holds them all.
    study: int | None
    key: Key | None  # of a sheet or of sounds; a page has them all
    name: str  # its path in the lesson's folder
    digest: str  # of all it depends on
    make: Callable[[], bytes]  # returns its bytes


def leaves(
    lesson: Lesson, loops: Mapping[Item, tuple[str, Mapping[str, Any]]], layers: LayerOf
) -> Iterator[Leaf]:
    """Yield the sheets and pages of a lesson.

    `loops` are the rendered loops, each with its digest and its facts: its ``swing``; `layers`
    returns the files of a loop's band and phrase.
    """
    known: dict[tuple[int, Key], Sheet] = {}
    for number, study in enumerate(lesson.studies):
        if "sheet" in lesson.make:
            for key in study.keys:
                yield _sheet(number, study, key, known)
        if "page" in lesson.make:
            yield from _pages(lesson, number, study, loops, layers)
    if "sheet" in lesson.make and sum(len(study.keys) for study in lesson.studies) > 1:
        yield _book(lesson, known)


def _told(study: Study, phrase: Phrase, groove: str = "") -> Phrase:
    """Return a phrase with the swing and one groove, else the first, that the lesson gives it."""
    groove = groove or study.grooves[0] or phrase.groove
    return replace(phrase, groove=groove, swing=study.swing or phrase.swing)


def _tipped(phrase: Phrase, variation: Phrase) -> Phrase:
    """Return a variation with the phrase's tips that hold for it, where it does not say others.

    On the sheet it stands under the phrase; on the page it is seen alone.
    """
    own = {tip.at is None for tip in variation.tips}
    same = [one == other for one, other in zip(phrase.parts, variation.parts, strict=True)]
    kept = [
        tip for tip in phrase.tips if (True not in own if tip.part is None else same[tip.part])
    ]
    return replace(variation, tips=(*kept, *variation.tips))


def _written(study: Study) -> Phrase:
    """Return a phrase as its sheets have it, with the chosen variations."""
    chosen = tuple((name, _told(study, one)) for name, one in study.versions if name)
    return replace(_told(study, study.phrase), variations=chosen)


def _laid_out(study: Study, key: Key) -> Sheet:
    from backing.sheet.page import Paper, laid_out
    from phrases.hands import suggest

    hands = suggest(transpose(_written(study), key))
    return laid_out(hands, find_form(study.form), Paper(tempos=study.tempos))


def _book(lesson: Lesson, known: Mapping[tuple[int, Key], Sheet]) -> Leaf:
    """Return all sheets of a lesson as one PDF under a cover."""
    every = [(n, key) for n, study in enumerate(lesson.studies) for key in study.keys]

    def make() -> bytes:
        from backing.sheet.markup import markdown
        from backing.sheet.typeset import book

        sheets = [known.get((n, key)) or _laid_out(lesson.studies[n], key) for n, key in every]
        return book(lesson.title, markdown(lesson.text), lesson.credits, sheets)

    told = [(_written(one), one.keys, one.tempos, shelved(one.form)) for one in lesson.studies]
    found = digest(
        program_digest("sheet"), program_digest(), _text_digest(), lesson.title, lesson.text,
        lesson.credits, told,
    )  # fmt: skip
    return Leaf("sheets", None, None, f"{slug(lesson.title)}_sheets.pdf", found, make)


def _sheet(number: int, study: Study, key: Key, known: dict[tuple[int, Key], Sheet]) -> Leaf:
    phrase = _written(study)

    def make() -> bytes:
        made = _laid_out(study, key)
        if len(known) < MOST_KEPT:
            known[number, key] = made
        return made.compiled()

    words = [stem(number, study), key_word(key), f"{ORDER['sheet']}-sheet"]
    name = f"{stem(number, study)}/{key_word(key)}/{'_'.join(words)}.pdf"
    told = phrase, key, study.tempos, shelved(study.form)
    found = digest(program_digest("sheet"), program_digest(), *told)
    return Leaf("sheet", number, key, name, found, make)


def _pages(
    lesson: Lesson,
    number: int,
    study: Study,
    loops: Mapping[Item, tuple[str, Mapping[str, Any]]],
    layers: LayerOf,
) -> Iterator[Leaf]:
    """Yield a practice page and, where there are many keys, the files of sounds beside it."""
    own = {item: told for item, told in loops.items() if item.study == number}
    several = len(lesson.studies) > 1
    title = f"{lesson.title}: {study.phrase.title}" if several else lesson.title
    text = "\n\n".join(text for text in (lesson.text.strip(), study.text.strip()) if text)
    name = f"{slug(lesson.title)}/{stem(number, study)}"
    others = tuple(
        (other.phrase.title, f"../{_page_name(at, other)}")
        for at, other in enumerate(lesson.studies)
        if at != number
    )

    session = lesson.session or usual_session(part.role for part in study.phrase.parts)
    page = _page_name(number, study)
    away = study.keys[1:] if len(study.keys) > TOGETHER else ()
    files = {key: f"{Path(page).stem}_{key_word(key)}.js" for key in away}

    @cache
    def data() -> PageData:
        from backing.page.data import PageData, PagePiece
        from backing.page.music import version
        from backing.sheet.heading import strung
        from phrases.hands import suggest

        # Strokes and fingers as on the sheet.
        hands = {key: suggest(transpose(_written(study), key)) for key in study.keys}
        pieces = []
        band = _shared_bands(own, layers)
        form = find_form(study.form)
        for variation, phrase in study.versions:
            versions = []
            for key, (groove, called) in product(study.keys, _named(study.grooves)):
                whole = _tipped(study.phrase, phrase) if variation else phrase
                moved = replace(transpose(_told(study, whole, groove), key), variations=())
                marked = dict(hands[key].variations).get(variation, hands[key])
                here = [
                    item
                    for item in own
                    if (item.version, item.key, item.groove) == (variation, key, moved.groove)
                ]
                made = [_loop(item, own[item][1], band[item], layers(item)[1]) for item in here]
                feel = ", ".join([groove_titles([moved.groove])[0], *strung(moved)])
                shown = replace(moved, parts=marked.parts)
                versions.append(replace(version(shown, form, made), groove=called, feel=feel))
            pieces.append(PagePiece(phrase.title, tuple(versions)))
        apart = tuple((str(key), file) for key, file in files.items())
        return PageData(
            title, tuple(pieces), text, name, others, study.phrase.credits, session, apart
        )

    def make() -> bytes:
        from backing.page.page import render_page

        try:
            return render_page(data()).encode()
        except ValueError as error:
            if isinstance(error, BluesError):
                raise
            raise RangeError(f"{study.phrase.title}: no practice page: {error}") from None

    told = [(item.version, item.key, item.groove, found) for item, (found, _) in own.items()]
    found = digest(
        program_digest("page", "sheet"), program_digest(), _text_digest(), title, text, name,
        told, [_told(study, phrase) for _, phrase in study.versions], study.grooves,
        shelved(study.form), others, session,
    )  # fmt: skip
    yield Leaf("page", number, None, page, found, make)
    for key, file in files.items():

        def sounds(key: Key = key) -> bytes:
            from backing.page.page import sound_file

            return sound_file(data(), str(key)).encode()

        yield Leaf("sounds", number, key, str(Path(page).with_name(file)), found, sounds)


def _named(grooves: Sequence[str]) -> list[tuple[str, str]]:
    """Return grooves with their titles, empty where there is one alone."""
    titles = groove_titles(grooves) if len(grooves) > 1 else [""]
    return list(zip(grooves, titles, strict=True))


def _page_name(number: int, study: Study) -> str:
    return f"{stem(number, study)}/{stem(number, study)}_practice.html"


def _shared_bands(items: Iterable[Item], layers: LayerOf) -> dict[Item, Path]:
    """Return the file of each loop's band, the same one where the bands play the same notes."""
    first: dict[str, Path] = {}
    found = {}
    for item in items:
        stream = item.stream()
        notes = [
            [note for note in section.notes if note.voice not in LEAD]
            for section in stream.sections
        ]
        played = digest(stream.programs, notes)
        found[item] = first.setdefault(played, layers(item)[0])
    return found


def _loop(item: Item, facts: Mapping[str, Any], band: Path, phrase: Path) -> Any:
    from backing.lesson.sound import PAD, RATE, layer_frames
    from backing.page.data import EncodedSound, PageLoop

    sounds = [
        EncodedSound(path.read_bytes(), PAD, layer_frames(path), RATE) for path in (band, phrase)
    ]
    return PageLoop(item.tempo, float(facts["swing"]), *sounds)


def _text_digest() -> str:
    """Return a digest of this module, whose changes change its leaves."""
    return file_digest(Path(__file__))
