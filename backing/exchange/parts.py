"""The parts of a MusicXML file: which there are, and which one to read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as ET

from backing.exchange.part import PartReader
from backing.exchange.xmlfile import read_xml
from phrases.errors import BluesError, ChoiceError, Problem, TextFileError
from phrases.words import expected

__all__ = ["Listed", "chosen_part", "list_parts", "read_score", "score_parts"]


@dataclass(frozen=True, slots=True)
class Listed:
    """A part as `list_parts` tells of it."""

    key: str  # and `name`: its id and its name
    name: str
    bars: int = 0  # how many, with repeats
    # Of each voice the staff, its name, how many notes it has, and how many with a fret.
    voices: tuple[tuple[str, str, int, int], ...] = ()
    fault: str = ""  # why it cannot be read; empty where it can


def read_score(path: Path) -> ET.Element:
    """Return a file's root, by parts; raises `TextFileError` if it is no MusicXML."""
    root = read_xml(path)
    if root.tag == "score-timewise":
        return _by_parts(root)
    if root.tag != "score-partwise":
        message = f"expected MusicXML (score-partwise), got <{root.tag:.40}>"
        raise TextFileError(str(path), (Problem(message),))
    return root


def _by_parts(root: ET.Element) -> ET.Element:
    """Turn a score that goes bar by bar into one that goes part by part."""
    parts: dict[str, ET.Element] = {}
    for measure in root.findall("measure"):
        for part in measure.findall("part"):
            key = part.get("id", "")
            own = parts.setdefault(key, ET.Element("part", id=key))
            bar = ET.SubElement(own, "measure", dict(measure.attrib))
            bar.extend(part)
        root.remove(measure)
    root.extend(parts.values())
    root.tag = "score-partwise"
    return root


def score_parts(root: ET.Element) -> dict[str, str]:
    """Return the names of the parts that a score has, by their ids."""
    names = {
        one.get("id", ""): (one.findtext("part-name") or one.get("id") or "").strip()
        for one in root.iter("score-part")
    }
    return {
        key: names.get(key, key) for key in (one.get("id", "") for one in root.findall("part"))
    }


def list_parts(path: Path) -> list[Listed]:
    """Return the parts of a file."""
    root = read_score(path)
    names = score_parts(root)
    found = []
    for one in root.findall("part"):
        key = one.get("id", "")
        try:
            reader = PartReader(one, str(path))
        except BluesError as error:
            fault = str(error).removeprefix(f"{path}: ")
            found.append(Listed(key, names[key], fault=fault))
        else:
            found.append(Listed(key, names[key], reader.bars, tuple(reader.voices())))
    return found


def chosen_part(root: ET.Element, wanted: str, path: str) -> tuple[str, ET.Element]:
    """Return the part to read and its name; raises `ChoiceError` for none or several."""
    names = score_parts(root)
    parts = {one.get("id", ""): one for one in root.findall("part")}
    if wanted:
        for key, one in parts.items():
            if wanted.casefold() in (key.casefold(), names[key].casefold()):
                return names[key], one
        raise ChoiceError(f"{path}: {expected('a part', wanted, list(names.values()))}")
    fretted = [key for key, one in parts.items() if one.find(".//technical/fret") is not None]
    if len(fretted) == 1:
        return names[fretted[0]], parts[fretted[0]]
    if fretted:
        listed = ", ".join(f'"{names[key]}" ({key})' for key in fretted)
        raise ChoiceError(f"{path}: several parts have strings and frets; say which: {listed}")
    raise ChoiceError(
        f"{path}: no part has strings and frets; export it with its tablature, "
        "or name a part, whose notes are then given a string and a fret"
    )
