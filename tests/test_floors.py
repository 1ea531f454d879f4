"""Which module may import which: the house has floors, and imports go down."""

from __future__ import annotations

import ast
import importlib
import itertools
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# Lowest first; modules that share a floor may import each other, but not in a circle. A name
# stands for a module or for a package with everything in it; `backing` for its front door only.
FLOORS: tuple[tuple[str, ...], ...] = (
    ("phrases", "soundfonts"),
    (
        "backing.cautions",
        "backing.harmony",
        "backing.sound.fluid",
        "backing.hush",
        "backing.lanes",
        "backing.processes",
        "backing.tempo",
        "backing.feel",
        "backing.sound.filters",
        "backing.sound.limiter",
        "backing.sound.loudness",
    ),
    ("backing.events",),
    ("backing.formats", "backing.forms", "backing.grooves", "backing.roll"),
    ("backing.forms.turnarounds",),
    ("backing.band",),
    ("backing.setting",),
    ("backing.arrangement",),
    ("backing.practice.plan",),
    ("backing.practice.region",),
    ("backing.practice.looper", "backing.practice.picture"),
    ("backing.practice",),
    ("backing.sheet", "backing.page.words"),
    ("backing.exchange",),
    (
        "backing.midi",
        "backing.mp3",
        "backing.ogg",
        "backing.sound.synth",
        "backing.tags",
        "backing.sound.tone",
    ),
    ("backing.sound.voices",),
    ("backing.sound.mix", "backing.sound.spool"),
    ("backing.sound.peaks",),
    ("backing.sound.rendered",),
    ("backing.sound",),
    ("backing.sound_files",),
    ("backing.output",),
    ("backing.live",),
    ("backing.notebook",),
    ("backing.recording",),
    ("backing.listening",),
    ("backing.page",),
    ("backing.film",),
    ("backing.pieces",),
    ("backing",),
    ("backing.lesson",),
    ("backing.desk",),
    ("backing.cli",),
)


def modules(root: Path) -> dict[str, str]:
    """Return the text of every module under a folder by its dotted name."""
    found = {}
    for package in ("phrases", "soundfonts", "backing"):
        for path in sorted((root / package).rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path.read_text(
                encoding="utf-8"
            )
    return found


def imports(name: str, text: str, known: Mapping[str, str]) -> Iterator[str]:
    """Yield the modules of the house that a module imports, wherever in its text."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            every = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                outer = name.split(".")
                package = f"{name}.__init__" in known or any(
                    other.startswith(name + ".") for other in known
                )
                outer = outer[: len(outer) - node.level + package]
                base = ".".join([*outer, *([base] if base else [])])
            inside = [f"{base}.{alias.name}" for alias in node.names]
            every = [one for one in inside if one in known]
            if len(every) < len(inside):
                every.append(base)
        else:
            continue
        yield from (one for one in every if one in known)


def floor(name: str) -> tuple[int, str] | None:
    """Return a module's floor and the entry of the table it falls under."""
    for number, names in enumerate(FLOORS):
        if name in names:
            return number, name
    best: tuple[int, str] | None = None
    for number, names in enumerate(FLOORS):
        for entry in names:
            inside = name.startswith(entry + ".") and entry != "backing"
            if inside and (best is None or len(entry) > len(best[1])):
                best = (number, entry)
    return best


def faults(known: Mapping[str, str]) -> list[str]:
    """Return what is wrong with the imports of some modules."""
    found = []
    below: dict[str, set[str]] = {}
    for name, text in known.items():
        here = floor(name)
        if here is None:
            found.append(f"{name} is not in the table of floors")
            continue
        below[name] = set()
        for other in imports(name, text, known):
            there = floor(other)
            if there is None or other == name:
                continue
            below[name].add(other)
            if there[0] > here[0]:
                found.append(f"{name} imports {other}, which is on a floor above")
            outside = name.split(".")[0] != other.split(".")[0]
            if here[0] == there[0] == 0 and outside and name.startswith("phrases"):
                found.append(f"{name} imports {other}; phrases stand alone")
    return found + [f"circle: {' -> '.join(path)}" for path in circles(below)]


def circles(below: Mapping[str, set[str]]) -> list[list[str]]:
    """Return the ways round through modules; a package's own front door does not count."""
    graph = {
        name: {other for other in others if not name.startswith(other + ".")}
        for name, others in below.items()
    }
    found: list[list[str]] = []
    done: set[str] = set()

    def visit(name: str, path: list[str]) -> None:
        if name in path:
            found.append([*path[path.index(name) :], name])
        elif name not in done:
            for other in sorted(graph.get(name, ())):
                visit(other, [*path, name])
            done.add(name)

    for name in graph:
        visit(name, [])
    return found


HOUSE = modules(ROOT)


def test_imports_go_down() -> None:
    assert faults(HOUSE) == []


def test_every_name_in_the_table_is_there() -> None:
    assert set(itertools.chain(*FLOORS)) <= set(HOUSE)


def test_enough_was_read() -> None:
    read = {other for name, text in HOUSE.items() for other in imports(name, text, HOUSE)}
    assert len(HOUSE) > 50
    # Lazy imports inside functions and those for types only.
    assert {
        "backing.midi",
        "backing.sound.synth",
        "backing.tags",
        "backing.pieces",
        "phrases._places",
    } <= read


@pytest.mark.parametrize(
    ("made_up", "fault"),
    [
        (
            {"backing.band": "from backing.arrangement import arrange", "backing.arrangement": ""},
            "backing.band imports backing.arrangement, which is on a floor above",
        ),
        (
            {"backing.tempo": "from backing.events import Note", "backing.events": ""},
            "backing.tempo imports backing.events, which is on a floor above",
        ),
        (
            {
                "backing.sound.loudness": "from backing.sound import mix",
                "backing.sound.mix": "",
                "backing.sound": "",
            },
            "backing.sound.loudness imports backing.sound.mix, which is on a floor above",
        ),
        (
            {
                "backing.forms.form": "from backing.forms import turnarounds",
                "backing.forms.turnarounds": "",
                "backing.forms": "",
            },
            "backing.forms.form imports backing.forms.turnarounds, which is on a floor above",
        ),
        (
            {"backing.feel": "import backing.band.drums", "backing.band.drums": ""},
            "backing.feel imports backing.band.drums, which is on a floor above",
        ),
        (
            {
                "backing.sound.mix": "def f():\n    import backing.sound.audio",
                "backing.sound.audio": "",
            },
            "backing.sound.mix imports backing.sound.audio, which is on a floor above",
        ),
        (
            {
                "backing.events": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n"
                "    from backing import pieces",
                "backing.pieces": "",
                "backing": "",
            },
            "backing.events imports backing.pieces, which is on a floor above",
        ),
        (
            {"phrases.pitch": "from backing.harmony import Chord", "backing.harmony": ""},
            "phrases.pitch imports backing.harmony, which is on a floor above",
        ),
        (
            {"soundfonts.find": "import backing.tempo", "backing.tempo": ""},
            "soundfonts.find imports backing.tempo, which is on a floor above",
        ),
        (
            {"phrases.pitch": "import soundfonts.find", "soundfonts.find": ""},
            "phrases.pitch imports soundfonts.find; phrases stand alone",
        ),
        (
            {
                "backing.harmony": "from backing import lanes",
                "backing.lanes": "import backing.tempo",
                "backing.tempo": "from .harmony import Chord",
                "backing": "",
            },
            "circle: backing.harmony -> backing.lanes -> backing.tempo -> backing.harmony",
        ),
        ({"backing.attic": ""}, "backing.attic is not in the table of floors"),
    ],
)
def test_a_fault_is_found(made_up: dict[str, str], fault: str) -> None:
    assert fault in faults(made_up)


def test_going_down_is_no_fault() -> None:
    made_up = {
        "backing.sound.audio": "from backing.sound.mix import mix\nfrom phrases.pitch import Key",
        "backing.sound.mix": "import numpy",
        "phrases.pitch": "",
    }
    assert faults(made_up) == []


@pytest.mark.parametrize("name", [name for name in HOUSE if not name.endswith("__main__")])
def test_all_is_sorted_and_true(name: str) -> None:
    module = importlib.import_module(name)
    names = getattr(module, "__all__", None)
    if names is None:
        assert name.split(".")[-1].startswith("_") or name == "backing.cli" or not _public(name)
        return
    assert list(names) == sorted(names, key=_isort)
    assert len(set(names)) == len(names)
    assert all(hasattr(module, one) for one in names)


def test_no_class_name_occurs_twice() -> None:
    where: dict[str, list[str]] = {}
    for module, text in HOUSE.items():
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.ClassDef):
                where.setdefault(node.name, []).append(module)
    assert {name: found for name, found in where.items() if len(found) > 1} == {}


def test_no_module_asks_the_words_that_are_shown_what_they_mean() -> None:
    # A label has `kind` and `yours`, a voice is in `LEAD` or not.
    asked = re.compile(
        r'(startswith|removeprefix)\("lead|== "?(Your turn|Listen|Call|Response|YOURS|LISTEN)\b'
    )
    assert [name for name, text in HOUSE.items() if asked.search(text)] == []


def _public(name: str) -> list[str]:
    """Return the public functions and classes that a module defines."""
    return [
        node.name
        for node in ast.parse(HOUSE[name]).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
    ]


def _isort(name: str) -> tuple[int, str]:
    """Sort as the linter does: constants, then classes, then the rest."""
    kind = 0 if name.isupper() and len(name) > 1 else 1 if name[0].isupper() else 2
    return kind, name
