"""The lines beside and under the title: key and scale, tempo and swing mark, facts.

Conventions: lengths are in staff spaces, 0 is the baseline of the title.
"""

from __future__ import annotations

from backing.forms import Form
from backing.sheet import ink, lettering
from backing.sheet.ink import Ink
from backing.sheet.score import Score
from phrases.fretboard import TUNINGS
from phrases.phrase import Phrase

__all__ = ["facts", "home", "strung", "tempo", "tempo_words"]

KEY = 2.5  # size of the key, as tall as the title's letters


def facts(score: Score, phrase: Phrase, over: Form | None = None) -> list[str]:
    """Return the facts that stand under the title: feel, form, level and tags.

    `over` is the form, where all of it is written.
    """
    found = [score.groove, *strung(phrase)]
    if phrase.behind is None:
        found.append("laid back")
    elif phrase.behind:
        found.append(f"laid back, {phrase.behind} ms behind the beat")
    if score.slowings:
        found.append("rit.: the band keeps its tempo")
    if over is not None:
        times = len(score.measures) // len(over.bars(phrase.key))
        again = {1: "", 2: ", played twice"}.get(times, f", played {times} times")
        name = over.title.lower()
        found.append(f"over {'an' if name[0] in 'aeiou' else 'a'} {name} chorus{again}")
    return [fact for fact in (*found, score.level, *score.tags) if fact]


def strung(phrase: Phrase) -> list[str]:
    """Return how the guitar is tuned, and on which finger a slide is, in words."""
    found = []
    if phrase.tuning:
        strings = TUNINGS.get(phrase.tuning, "")
        found.append(f"tuned {phrase.tuning}{strings and ': '}{strings}")
    if phrase.slide:
        found.append(f"slide on the {phrase.slide} finger")
    return found


def home(tonic: str, words: str) -> list[Ink]:
    """Draw a key, ``Bb``, its accidental as such, and words after it: ``minor blues scale``."""
    found = [ink.outline("key", lettering.chord_name(tonic, KEY), 0.0, 0.0, 0.0, "")]
    if words:
        left = found[0].box.right + (0.1 if words[0] == "," else 1.1)
        found.append(ink.words("key", words, left, 0.0, KEY, anchor=0.0))
    return found


def tempo_words(score: Score) -> str:
    """Return the tempo and the swing in words, for those who do not see them."""
    beat = "dotted quarter" if score.meter.quarters != 1 else "quarter"
    words = f"Tempo: {beat} = {float(score.tempo):g}"
    return words + (f"; swung eighths, {score.swing:.3g} to 1" if score.swung else "")


def tempo(score: Score) -> list[Ink]:
    """Draw the tempo, and the swing mark: two eighths are a triplet's quarter and eighth."""
    note = ink.music("tempo", "quarter", 0.6, 0.0, 0.8)
    found = [note]
    right = note.box.right
    if score.meter.quarters != 1:
        found.append(ink.music("tempo", "dot", right + 0.5, -0.3))
        right += 0.7
    text = f"= {float(score.tempo):g}"
    found.append(ink.words("tempo", text, right + 0.6, 0.0, 2.0, face="bold", anchor=0.0))
    if score.swung:
        x = found[-1].box.right + 3.0
        found += _pair(x)
        found.append(ink.words("swing", "=", x + 4.0, 0.0, 2.0, anchor=0.0))
        found += _triplet(x + 6.6)
        if abs(score.swing - 2) > 0.15:
            text = f"about {score.swing:.2g} : 1"
            found.append(ink.words("swing", text, x + 11.8, 0.0, 1.7, anchor=0.0))
    return found


def _pair(x: float) -> list[Ink]:
    heads = [ink.music("swing", "head", x + 2.1 * n, -0.1, 0.75) for n in (0, 1)]
    rights = [one.box.right - 0.07 for one in heads]
    found = [*heads, *(ink.line("swing", (r, -0.3, r, -2.7), 0.13) for r in rights)]
    found.append(ink.line("swing", (rights[0] - 0.06, -2.6, rights[1] + 0.06, -2.6), 0.4))
    return found


def _triplet(x: float) -> list[Ink]:
    quarter = ink.music("swing", "quarter", x, -0.1, 0.75)
    eighth = ink.music("swing", "eighth", x + 2.6, -0.1, 0.75)
    left, right, y = quarter.box.left, eighth.box.right, -3.5
    three = ink.words("swing", "3", (left + right) / 2, y + 0.45, 1.35, face="italic")
    found = [quarter, eighth, three]
    for a, b in ((left, three.box.left - 0.3), (three.box.right + 0.3, right)):
        found.append(ink.line("swing", (a, y, b, y), 0.1))
    for at in (left, right):
        found.append(ink.line("swing", (at, y, at, y + 0.5), 0.1))
    return found
