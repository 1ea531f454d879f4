"""MusicXML in: a guitar part with strings and frets to the text of a phrase file.

Conventions: one voice of one part becomes one phrase, with its repeats played out. What a phrase
cannot say is told with its bars, never dropped in silence. Plain-text tablature comes in alike.

References: MusicXML 4.0, W3C Community Group Final Report; tunings are common practice.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree as ET

from backing.exchange.notes import number
from backing.exchange.part import PartReader
from backing.exchange.parts import chosen_part, read_score, score_parts
from backing.exchange.tabtext import TabReader
from backing.exchange.unwriting import strokes
from backing.grooves import find_groove, groove_names
from backing.sheet.score import EVEN
from backing.tempo import swing_for
from phrases.counting import METERS
from phrases.errors import BluesError, ChoiceError, RangeError, TextFileError
from phrases.files import LINES, TEMPOS, read_phrase
from phrases.notation import write_line
from phrases.phrase import (
    DYNAMICS,
    LATEST,
    LEVELS,
    MOST_DRAG,
    PICKS,
    ROLES,
    SLIDES_ON,
    TONES,
    Phrase,
    Stroke,
)
from phrases.pitch import SCALES, Key
from phrases.rewrite import tidy
from phrases.textfile import NO_CHARACTER, blank, toml_value

__all__ = ["Imported", "import_musicxml", "import_tab"]

TEMPO = Fraction(90)  # where a file says none
OURS = "porchband"
WORDS: dict[str, Collection[str]] = {
    "scale": SCALES, "level": LEVELS, "lines": LINES, "slide": SLIDES_ON, "tone": TONES,
    "pick": PICKS,
}  # fmt: skip
UNLIKE = 0.06  # swing ratios that differ by more are not the groove's
_PLACE = re.compile(r"(\w+)(?: \d+)?, (?:bar (\d+)|pickup), (\S+): (.*)", re.S)


@dataclass(frozen=True, slots=True)
class Imported:
    """A phrase read from MusicXML or plain-text tablature."""

    text: str  # a phrase file
    phrase: Phrase  # what it says
    part: str  # the name of the part it was
    told: tuple[str, ...]  # what could not be carried over, a line each


def import_musicxml(path: Path, part: str = "", voice: str = "") -> Imported:
    """Read a part with strings and frets from a MusicXML file.

    `part` is a name or an id, needed where several have strings and frets; `voice` a number, that
    of the voice with most frets if left out.

    Raises `TextFileError` for a file that is not MusicXML that can be read; `ChoiceError` where
    the part or voice is not there or has to be chosen, is in another meter or has fewer strings
    than a guitar; `RangeError` for what a phrase cannot hold: bars longer than their meter, tempos
    out of range.
    """
    root = read_score(path)
    name, element = chosen_part(root, part, str(path))
    reader = PartReader(element, str(path))
    for other in root.findall("part"):
        key = other.get("id", "")
        if other is not element and not reader.joined(other):
            reader.told.add(f'part "{score_parts(root)[key]}" ({key}); one part is read')
    return _Text(root, reader, path).imported(name, voice)


def import_tab(path: Path) -> Imported:
    """Read plain-text tablature: six lines, with counts over them or spacing for a rhythm.

    Raises `TextFileError` if there is none in the file, `RangeError` if it holds what a phrase
    cannot.
    """
    reader = TabReader(path)
    root = ET.Element("score-partwise")
    ET.SubElement(root, "movement-title").text = reader.title
    about = ET.SubElement(ET.SubElement(root, "identification"), "miscellaneous")
    for name, text in reader.fields.items():
        ET.SubElement(about, "miscellaneous-field", name=name).text = text
    return _Text(root, reader, path).imported("", "")


@dataclass(slots=True)
class _Text:
    """Makes the phrase file."""

    root: ET.Element
    reader: PartReader | TabReader
    path: Path

    def imported(self, part: str, voice: str) -> Imported:
        reader = self.reader
        assert reader.meter is not None
        lines = self._parts(strokes(reader.voice(voice), reader.told, reader.capo, reader.tuning))
        whole = "\n".join([*self._head(), *lines, *self._tips()]) + "\n"
        text = NO_CHARACTER.sub("", whole)
        if text != whole:
            reader.told.add("sign in a text that is no character; left out")
        try:
            text = tidy(text, str(self.path))
        except TextFileError as error:
            why = "; ".join(dict.fromkeys(problem.message for problem in error.problems))
            raise RangeError(f"{self.path}: it makes no phrase: {why}") from None
        return Imported(text, read_phrase(text, str(self.path)), part, reader.told.lines())

    def _field(self, name: str) -> str:
        return next(iter(self._fields(name)), "")

    def _fields(self, name: str) -> list[str]:
        return [
            (one.text or "").strip()
            for one in self.root.iterfind("identification/miscellaneous/miscellaneous-field")
            if one.get("name") == name
        ]

    def _said(self, what: str) -> list[tuple[Fraction, str]]:
        return [(at, words) for at, kind, words in self.reader.said if kind == what]

    def _head(self) -> Iterator[str]:
        reader = self.reader
        assert reader.meter is not None
        names = (self.root.findtext(tag) or "" for tag in ("work/work-title", "movement-title"))
        work = next((name.strip() for name in names if not blank(name)), self.path.stem)
        yield f"title = {toml_value(work)}"
        if reader.key is None:
            reader.told.add("no key signature; taken as C")
        yield f"key = {toml_value(str(reader.played_key or Key('C')))}"
        tempo = reader.tempo or TEMPO
        if reader.tempo is None:
            reader.told.add(f"no tempo; taken as {float(TEMPO):g}")
        low, high = TEMPOS
        if not low <= tempo <= high:
            reader.told.add(f"tempo {float(tempo):g}, brought to {low} to {high}")
        tempo = min(max(tempo, Fraction(low)), Fraction(high))
        yield f"tempo = {float(tempo):g}"
        yield f"meter = {toml_value(str(reader.meter))}"
        yield from self._feel(tempo)
        if tuning := reader.tuning.name:
            yield f"tuning = {toml_value(tuning)}"
        for name, known in WORDS.items():
            if (word := self._field(name)) in known:
                yield f"{name} = {toml_value(word)}"
        for key, text in self._credits():
            yield f"{key} = {toml_value(text)}"
        if behind := self._behind():
            yield f"behind = {behind}"
        if tags := self._field("tags"):
            yield f"tags = [{', '.join(toml_value(tag) for tag in tags.split(', '))}]"
        whole = [tip for tip in self._fields("tip") if not _PLACE.fullmatch(tip)]
        if whole:
            yield f"tips = {toml_value(whole[0])}"

    def _credits(self) -> Iterator[tuple[str, str]]:
        """Yield who made it, as a phrase file says it; tell who else is named."""
        found: dict[str, str] = {}
        about = self.root.find("identification")
        for one in about if about is not None else ():
            text = " ".join((one.text or "").split())
            kind = one.get("type") or one.tag
            key = {"composer": "author", "rights": "rights", "source": "link"}.get(kind, "")
            if not text or one.tag not in ("creator", "rights", "source", "relation"):
                continue
            if key and key not in found and _credit(key, text):
                found[key] = text
            else:
                self.reader.told.add(f"{kind:.40}: {text[:80]}")
        software = {
            (one.text or "") for one in self.root.iterfind("identification/encoding/software")
        }
        date = self.root.findtext("identification/encoding/encoding-date") or ""
        if software == {OURS} and _credit("date", date):
            found["date"] = date
        for one in self.root.iterfind("credit/credit-words"):
            text = " ".join((one.text or "").split())
            known = (*found.values(), self.root.findtext("work/work-title") or "",
                     self.root.findtext("movement-title") or "")  # fmt: skip
            if text and not any(text in word or word == text for word in known):
                self.reader.told.add(f"words on the page: {text[:80]}")
        yield from found.items()

    def _behind(self) -> str:
        """Return how far behind the beat a file of our own lies, as a phrase file writes it."""
        word = self._field("behind")
        if word == "auto":
            return toml_value(word)
        return word if word in map(str, range(1, LATEST + 1)) else ""

    def _feel(self, tempo: Fraction) -> Iterator[str]:
        """Yield the groove, and the swing where it is not the groove's own."""
        reader = self.reader
        titles = {find_groove(name).title: name for name in groove_names()}
        name = titles.get(self._field("groove"), "")
        if name:
            yield f"groove = {toml_value(name)}"
        elif reader.meter == METERS["12/8"]:
            yield 'groove = "slow-blues"'
        swung = self._field("swung")  # of a text sheet, which says no more than that
        if reader.swing is None and name and not swung:
            return
        groove = find_groove(name or "shuffle")
        found = min(reader.swing, Fraction(4)) if reader.swing is not None else None
        if reader.meter == METERS["4/4"] and found is None and not swung:
            reader.told.add("no swing mark; taken as straight")
        usual = swing_for(groove.swing, tempo, groove.swing_limit)
        if swung and (swung == "yes") == (usual > EVEN):
            return
        found = Fraction(2) if swung == "yes" else found
        if reader.meter == METERS["4/4"] and (found is None or abs(float(found) - usual) > UNLIKE):
            ratio = found or Fraction(1)
            yield f"swing = {toml_value('straight' if ratio <= 1 else f'{float(ratio):.4g}:1')}"

    def _parts(self, played: tuple[Stroke, ...]) -> Iterator[str]:
        reader = self.reader
        assert reader.meter is not None
        beats = reader.meter.beats
        if not played:
            raise ChoiceError(f"{self.path}: the part has no notes")
        spans = self._spans(beats)
        for number_, (role, first, last, since) in enumerate(spans):
            until = spans[number_ + 1][3] if number_ + 1 < len(spans) else Fraction(last * beats)
            own = tuple(
                replace(stroke, end=min(stroke.end, Fraction(last * beats))).moved(-first * beats)
                for stroke in played
                if (since <= stroke.at or not number_) and stroke.at < until
            )
            if not own:
                raise ChoiceError(f"{self.path}: the {role} has no notes; rename its label")
            own = (*own[:-1], self._ended(own[-1], number_, len(spans), until - first * beats))
            yield "\n[[part]]"
            yield f"role = {toml_value(role)}"
            yield f"notes = '{_line(own, last - first, beats, self.path)}'"
            drag = self._drag((number_, len(spans)), (since, own[-1].end + first * beats, until))
            if drag:
                yield f"drag = {float(drag):.15g}"
            dynamics = self._dynamics((number_, len(spans)), since, until)
            if dynamics:
                yield f"dynamics = {toml_value(dynamics)}"

    def _ended(self, last: Stroke, part: int, count: int, until: Fraction) -> Stroke:
        """Return the last stroke of a part with the end that a file of our own tells besides."""
        ends = [number(word) for word in self._field("ends").split(", ")]
        if not self._field("parts") or len(ends) != count:
            return last
        cut = last.end == until < ends[part]
        muted = all(note.fret is None for note in last.notes) and last.at < ends[part]
        return replace(last, end=ends[part]) if cut or muted else last

    def _dynamics(self, part: tuple[int, int], since: Fraction, until: Fraction) -> str:
        """Return how loud a part becomes; `since` and `until` are the beats of the part.

        What words say of one place only is told as lost.
        """
        own, count = part
        said = [(at, word) for at, word in self._said("louder") if since <= at < until]
        exact = self._field("dynamics").split(", ")
        if len(exact) == count and self._field("parts") and exact[own] in DYNAMICS and said:
            return exact[own]
        words = [word for _, word in said]
        fits = [name for name, rows in DYNAMICS.items() if [word for _, word in rows] == words]
        for at, word in said:
            what = "taken as its whole part's" if fits else "left out"
            self.reader.lose(f"{word}, {what}", at)
        return fits[0] if fits else ""

    def _drag(self, part: tuple[int, int], beats: tuple[Fraction, Fraction, Fraction]) -> Fraction:
        """Return over how many beats a part slows down, where a mark says that it does.

        A file of our own also says exactly how many. `part` is its number, from 0, and how many
        there are; `beats` from which on it is the part's, where its last note ends, and where the
        next part begins.
        """
        (own, count), (since, end, until) = part, beats
        reader = self.reader
        slower = self._said("slower")
        marks = [at for at, _ in slower if (since <= at or not own) and at < until]
        exact = [number(word) for word in self._field("drag").split(", ")]
        told = exact[own] if len(exact) == count and self._field("parts") else Fraction(0)
        if told > 0:
            if not marks:
                reader.lose("slowing end without its rit., left out", max(since, end - told))
            return min(told, Fraction(MOST_DRAG)) if marks else Fraction(0)
        drag = Fraction(0)
        for start in marks:
            stop = min((at for at, _ in self._said("in time") if at > start), default=end)
            if start >= end or end - stop >= 1:
                reader.lose("rit. within a part; only its end can slow down", start)
                continue
            drag = min(end - start, Fraction(MOST_DRAG))
            reader.lose(
                "rit., taken as the last beats of its part that slow down while the band goes on",
                start,
            )
        return drag

    def _spans(self, beats: int) -> list[tuple[str, int, int, Fraction]]:
        """Return the parts: role, first bar, bar after the last, and from which beat on."""
        reader = self.reader
        labels = [
            (at, words[0].lower())
            for at, text in self._said("label")
            if (words := text.split()) and words[0].lower() in ROLES
        ]
        for at, text in self._said("label"):
            if not text.lower().startswith(ROLES):
                reader.lose(f'rehearsal mark "{text[:40]}"', at)
        own = re.findall(r"(\w+) (\d+)", self._field("parts"))
        roles = [role for role, _ in own]
        if own and set(roles) <= set(ROLES) and sum(int(n) for _, n in own) == reader.bars:
            spans, first = [], 0
            for role, count in own:
                near = [at for at, word in labels if word == role]
                start = Fraction(first * beats)
                since = min((at for at in near if start - beats < at <= start), default=start)
                spans.append((role, first, first + int(count), since))
                first += int(count)
            return spans
        firsts = [max(0, -int(-at // beats)) for at, _ in labels]
        if not labels or firsts[0] != 0 or len(set(firsts)) < len(firsts):
            for at, _ in labels:
                reader.lose("the name of a part, which must stand at the first bar, too", at)
            return [("line", 0, max(1, reader.bars), Fraction(-beats))]
        lasts = [*firsts[1:], reader.bars]
        return [
            (role, first, last, at)
            for (at, role), first, last in zip(labels, firsts, lasts, strict=True)
        ]

    def _tips(self) -> Iterator[str]:
        for tip in self._fields("tip"):
            found = _PLACE.fullmatch(tip)
            if found:
                yield "\n[[tip]]"
                yield f"at = {toml_value(f'{found[1].lower()} {found[2] or 0} {found[3]}')}"
                yield f"text = {toml_value(found[4])}"


def _credit(key: str, text: str) -> bool:
    """Tell whether a phrase file may say this of its maker."""
    try:
        read_phrase(
            f'title = "t"\nkey = "C"\ntempo = 90\n{key} = {toml_value(text)}\n'
            "[[part]]\nnotes = '| 1 e5'\n"
        )
    except BluesError:
        return False
    return bool(text)


def _line(own: tuple[Stroke, ...], bars: int, beats: int, path: Path) -> str:
    try:
        return write_line(own, bars, beats)
    except BluesError as error:
        raise ChoiceError(f"{path}: {error}") from None
