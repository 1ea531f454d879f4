"""LICENCES.md against what the product imports and what each package says of itself."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, metadata, packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
OWN = {"backing", "phrases", "soundfonts"}
ROWS = dict(
    re.findall(
        r"^\| ([\w-]+) \| ([A-Z][\w.-]+) \| .+ \|$", (ROOT / "LICENCES.md").read_text(), re.M
    )
)
PERMISSIVE = {"MIT", "BSD-3-Clause", "Apache-2.0"}
LESSER = {"LGPL-3.0-or-later", "LGPL-3.0-only"}


def required() -> set[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    names = ("midi", "cluster", "film", "desk")
    wanted = project["dependencies"] + [one for name in names for one in extras[name]]
    return {re.match(r"[\w-]+", one)[0] for one in wanted}  # type: ignore[index]


def imported() -> set[str]:
    """Return the top modules that are imported anywhere in the product, of others."""
    found = set()
    for package in OWN:
        for path in (ROOT / package).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Import):
                    found |= {alias.name.partition(".")[0] for alias in node.names}
                elif isinstance(node, ast.ImportFrom) and not node.level:
                    found.add(str(node.module).partition(".")[0])
    return found - OWN - set(sys.stdlib_module_names)


def test_the_table_is_what_is_required() -> None:
    assert set(ROWS) == required()
    assert list(ROWS) == sorted(ROWS, key=lambda name: name.lower().replace("_", "-"))


def test_what_is_imported_is_required() -> None:
    known = packages_distributions()
    names = {name for module in imported() for name in known.get(module, [module])}
    assert {name.lower().replace("_", "-") for name in names if name != "rtmidi"} <= {
        name.lower().replace("_", "-") for name in ROWS
    }


def test_nothing_is_under_the_gpl() -> None:
    assert set(ROWS.values()) <= PERMISSIVE | LESSER


@pytest.mark.parametrize("name", ROWS)
def test_a_package_says_the_same(name: str) -> None:
    try:
        about = metadata(name)
    except PackageNotFoundError:
        pytest.skip(f"{name} is not installed")
    fields = ("License-Expression", "License", "Classifier")
    said = [word for field in fields for word in about.get_all(field, [])]
    text = "\n".join(one for one in said if one and "\n" not in one)
    family, _, version = ROWS[name].partition("-")
    assert re.search(rf"\b{family}\b", text), text
    assert version.partition(".")[0] in text or family == "BSD", text
    assert not re.search(r"\bGPL", text), text
