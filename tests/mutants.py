"""Small faults put into the product one at a time: do the tests notice? `make mutants`.

Each fault is one change of one expression or statement: a comparison or an operator for its
neighbour, a number by one, a condition turned round, a step left out. The tests of that module run
on a copy of the tree until one fails. A fault that all of them pass is a survivor: it gets a test,
or a line in `survivors.txt` that says why none could tell. `python -m tests.mutants band` tries
modules whose name holds "band", `--each 20` 20 faults of each; a `--seed` is a choice of faults.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[1]
SURVIVORS = Path(__file__).with_name("survivors.txt")
COPIED = ("backing", "phrases", "soundfonts", "tests", "examples", "pyproject.toml", "README.md")
SECONDS = 600  # after which the tests of a fault count as failed: it goes round for ever

# Modules, and the tests that are to notice, the quickest first.
TRIED = {
    "phrases/performance.py": "tests/phrases/test_performance.py tests/phrases/test_even.py",
    "phrases/roles.py": "tests/phrases/test_roles.py tests/phrases/test_check.py",
    "backing/harmony.py": "tests/backing/test_harmony.py tests/backing/test_forms.py",
    "backing/events.py": "tests/backing/test_events.py tests/backing/test_midi.py",
    "backing/midi.py": "tests/backing/test_midi.py tests/backing/practice/test_seamless.py",
    "backing/practice/*.py": "tests/backing/practice tests/cli/test_practice_commands.py",
    "backing/band/*.py": "tests/backing/test_grooves.py tests/backing/test_band.py",
}
SWAPS = {
    "<": "<=", "<=": "<", ">": ">=", ">=": ">", "==": "!=", "!=": "==", "is": "is not",
    "is not": "is", "in": "not in", "not in": "in", "+": "-", "-": "+", "*": "/", "/": "*",
    "//": "*", "%": "*", "and": "or", "or": "and",
}  # fmt: skip

LEFT_OUT = (ast.AugAssign, ast.Continue, ast.Break)


class Fault(NamedTuple):
    """A place in a file, and what is to stand there."""

    path: str
    line: int
    begin: int  # characters of the whole text
    end: int
    instead: str


def faults(path: str, text: str) -> Iterator[Fault]:
    """Yield every fault of a file."""
    starts = [0]
    for line in text.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))

    def at(line: int, column: int) -> int:  # columns are counted in bytes of UTF-8
        row = text[starts[line - 1] : starts[line]].encode()
        return starts[line - 1] + len(row[:column].decode())

    def between(left: ast.expr, right: ast.expr) -> Iterator[Fault]:
        begin = at(left.end_lineno or 0, left.end_col_offset or 0)
        gap = text[begin : at(right.lineno, right.col_offset)]
        found = re.search(r"\b(is not|not in|is|in|and|or)\b|[<>=!]=|//|[-+*/%<>]", gap)
        if found and found[0] in SWAPS:
            yield Fault(path, left.end_lineno or 0, begin + found.start(), begin + found.end(),
                        SWAPS[found[0]])  # fmt: skip

    def whole(node: ast.expr | ast.stmt, instead: str) -> Fault:
        end = at(node.end_lineno or 0, node.end_col_offset or 0)
        return Fault(path, node.lineno, at(node.lineno, node.col_offset), end, instead)

    for node in _running(ast.parse(text)):
        if isinstance(node, ast.Compare):
            yield from between(node.left, node.comparators[0])
        elif isinstance(node, ast.BinOp):
            yield from between(node.left, node.right)
        elif isinstance(node, ast.BoolOp):
            yield from between(node.values[0], node.values[1])
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            yield whole(node, f"({ast.unparse(node.operand)})")
        elif isinstance(node, ast.Constant):
            if isinstance(node.value, int | float) and not isinstance(node.value, bool):
                yield whole(node, repr(node.value + 1))
        elif isinstance(node, ast.If | ast.IfExp):
            yield whole(node.test, f"(not ({ast.unparse(node.test)}))")
        elif isinstance(node, LEFT_OUT) or _calls(node):
            assert isinstance(node, ast.stmt)
            yield whole(node, "pass")


def _calls(node: ast.AST) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)


def _running(node: ast.AST) -> Iterator[ast.AST]:
    """Yield the nodes of what runs: no annotation, nor what is raised or said."""
    skipped = (ast.Raise, ast.JoinedStr, ast.Assert, ast.Import, ast.ImportFrom)
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not isinstance(child, skipped):
                yield child
                yield from _running(child)


def caught(fault: Fault, text: str, tests: str, tree: Path) -> bool:
    """Tell whether tests notice a fault, in a copy of the tree that is put right again."""
    (tree / fault.path).write_text(text[: fault.begin] + fault.instead + text[fault.end :])
    words = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests.split()]
    known = {**os.environ, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1", "CI": "1"}
    try:
        done = subprocess.run(words, cwd=tree, env=known, capture_output=True, timeout=SECONDS)
        return done.returncode in (1, 2)  # a test fails, or nothing can be collected
    except subprocess.TimeoutExpired:
        return True
    finally:
        (tree / fault.path).write_text(text)


def main() -> int:
    """Try faults; fail where less than nine of ten are caught, or a survivor has no reason."""
    parser = argparse.ArgumentParser()
    parser.add_argument("names", nargs="*", default=[""])
    parser.add_argument("--each", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    known = SURVIVORS.read_text() if SURVIVORS.exists() else ""
    hits = count = unknown = 0
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder)
        for name in COPIED:
            copy = shutil.copytree if (ROOT / name).is_dir() else shutil.copy
            copy(ROOT / name, tree / name)
        for pattern, tests in TRIED.items():
            if not any(name in pattern for name in given.names):
                continue
            texts = {str(p.relative_to(ROOT)): p.read_text() for p in sorted(ROOT.glob(pattern))}
            every = [fault for path, text in texts.items() for fault in faults(path, text)]
            chosen = random.Random(given.seed).sample(every, min(given.each, len(every)))
            found = 0
            for fault in sorted(chosen):
                text = texts[fault.path]
                line = " ".join(text.splitlines()[fault.line - 1].split())
                told = f"{fault.path}: {line}: {text[fault.begin : fault.end]} -> {fault.instead}"
                if caught(fault, text, tests, tree):
                    found += 1
                else:
                    why = told in known
                    unknown += not why
                    print(
                        f"survives{' (known)' if why else ''}: {told} (line {fault.line})",
                        flush=True,
                    )
            hits, count = hits + found, count + len(chosen)
            print(f"{pattern}: {found} of {len(chosen)} caught, {len(every)} possible", flush=True)
    print(f"{hits} of {count} caught, {hits / max(1, count):.0%}")
    return int(bool(unknown) or hits < 0.9 * count)


if __name__ == "__main__":
    sys.exit(main())
