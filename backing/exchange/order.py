"""In which order the bars of a file are played: repeats, endings, and jumps by words and signs.

References: common practice: a first and a second ending; D.C. and D.S. go back without repeats,
with the last of the endings, until Fine, or from "To Coda" on to the coda.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.etree import ElementTree as ET

__all__ = ["Signs", "playing_order", "read_signs"]

MOST_PASSES = 16

# What a direction says, in words or as the attribute of a sound element.
_WORDS: dict[str, re.Pattern[str]] = {
    "dacapo": re.compile(r"(d\. ?c\.?|dc|da capo)( .*)?", re.I),
    "dalsegno": re.compile(r"(d\. ?s\.?|ds|dal segno)( .*)?", re.I),
    "tocoda": re.compile(r"(to|al) coda( 1)?", re.I),
    "fine": re.compile(r"fine\.?", re.I),
    "segno": re.compile(r"segno", re.I),
    "coda": re.compile(r"coda( 1)?", re.I),
}


@dataclass(slots=True)
class Signs:
    """What a bar says of the order."""

    # `forward` and `times`: whether a repeat begins with it; how often what ends with it is
    # played, 1 without a repeat.
    forward: bool = False
    times: int = 1
    # `endings` and `closes`: for which passes it is, where a bracket begins with it; whether one
    # ends with it.
    endings: frozenset[int] = frozenset()
    closes: bool = False
    jumps: set[str] = field(default_factory=set)  # keys of the table of words


def read_signs(child: ET.Element, signs: Signs) -> bool:
    """Read an element's repeats and jumps; tell whether a direction's words were a jump."""
    for repeat in child.iter("repeat"):
        if repeat.get("direction") == "forward":
            signs.forward = True
        else:
            times = repeat.get("times", "2")
            signs.times = min(int(times), MOST_PASSES) if times.isdecimal() else 2
    for ending in child.iter("ending"):
        numbers = re.findall(r"\d{1,2}", ending.get("number", "1"))
        if ending.get("type") == "start":
            signs.endings = frozenset(min(int(number), MOST_PASSES) for number in numbers)
        else:
            signs.closes = True
    for sound in child.iter("sound"):
        signs.jumps |= {name for name in _WORDS if sound.get(name) not in (None, "no")}
    for name in ("segno", "coda"):
        if child.find(f"direction-type/{name}") is not None or child.find(name) is not None:
            signs.jumps.add(name)
    found = False
    for words in child.iter("words"):
        text = " ".join((words.text or "").split())
        for name, pattern in _WORDS.items():
            if pattern.fullmatch(text):
                signs.jumps.add(name)
                found = True
    return found


def playing_order(bars: Sequence[Signs], most: int) -> list[int]:
    """Return the numbers of bars, from 0, as they are played; no more than `most` and one."""
    brackets = _brackets(bars)
    order: list[int] = []
    at = start = 0
    number = 1  # of the pass
    jumped = coda = False
    while at < len(bars) and len(order) <= most:
        bar, own = bars[at], brackets[at]
        if bar.forward and start != at and not jumped:
            start, number = at, 1
        last = max((max(one) for one in _group(brackets, at)), default=1)
        if own and (last if jumped else number) not in own:
            at += 1
            continue
        order.append(at)
        if jumped and "fine" in bar.jumps:
            break
        if jumped and not coda and "tocoda" in bar.jumps:
            goal = next((n for n, one in enumerate(bars) if n > at and "coda" in one.jumps), None)
            if goal is not None:
                at, coda = goal, True
                continue
        if bar.times > 1 and not jumped and number < max(bar.times, last):
            at, number = start, number + 1
            continue
        if not jumped and bar.jumps & {"dacapo", "dalsegno"}:
            signed = (n for n, one in enumerate(bars) if "segno" in one.jumps)
            at = next(signed, 0) if "dalsegno" in bar.jumps else 0
            jumped = True
            continue
        if bar.times > 1 or (own and not (at + 1 < len(bars) and brackets[at + 1])):
            start, number = at + 1, 1
        at += 1
    return order


def _brackets(bars: Sequence[Signs]) -> list[frozenset[int]]:
    """Return for each bar the passes of the bracket it is under; none where it is under none."""
    found: list[frozenset[int]] = []
    now: frozenset[int] = frozenset()
    for bar in bars:
        now = bar.endings or now
        found.append(now)
        if bar.closes or bar.times > 1:
            now = frozenset()
    return found


def _group(brackets: Sequence[frozenset[int]], at: int) -> Sequence[frozenset[int]]:
    """Return the brackets that stand in a row around a bar."""
    first = last = at
    while first > 0 and brackets[first - 1] and brackets[at]:
        first -= 1
    while last < len(brackets) and brackets[last]:
        last += 1
    return brackets[first:last]
