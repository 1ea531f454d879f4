"""Small faults put into the product one at a time: do the tests notice? `make mutants`.

Each fault is one change of one expression or statement: a comparison or an operator for its
neighbour, a number by one, a condition turned round, a step left out. A child of this process
imports the module with its fault and runs its tests until one fails: first those that enter the
function where the fault is, as a run without a fault has shown. A fault that all of them pass is a
survivor: it gets a test, or a line in `survivors.txt` that says why none could tell.
`python -m tests.mutants band` tries modules whose name holds "band", `--each 20` 20 faults of
each; a `--seed` is a choice of faults, `--part 2/5` the second of five parts of it.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import re
import signal
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator, Mapping
from contextlib import suppress
from importlib import import_module
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_file_location
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

import pytest

ROOT = Path(__file__).parents[1]
SURVIVORS = Path(__file__).with_name("survivors.txt")
OWN = ("tests", "backing", "phrases", "soundfonts")
SECONDS = 600  # after which the tests of a fault count as failed: it goes round for ever

# Modules, and the tests that are to notice, the quickest first.
TRIED = {
    "phrases/performance.py": " ".join(
        f"tests/phrases/test_{name}.py"
        for name in ("performance", "even", "gestures", "dynamics", "slide", "techniques")
    ),
    "phrases/roles.py": "tests/phrases/test_roles.py tests/phrases/test_check.py",
    "backing/harmony.py": "tests/backing/test_harmony.py tests/backing/test_forms.py",
    "backing/events.py": "tests/backing/test_events.py tests/backing/practice/test_seamless.py "
    "tests/backing/test_midi.py tests/phrases/test_deliberate.py",
    "backing/midi.py": "tests/backing/test_midi.py tests/backing/practice/test_seamless.py",
    "backing/practice/*.py": "tests/backing/practice tests/cli/test_practice_commands.py",
    "backing/band/*.py": "tests/backing/test_players.py tests/backing/test_grooves.py "
    "tests/backing/test_band.py "
    "tests/backing/test_choruses.py",
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
    """Yield the nodes of what runs: no annotation or decorator, nor what is raised or said."""
    skipped = (ast.Raise, ast.JoinedStr, ast.Assert, ast.Import, ast.ImportFrom)
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not isinstance(child, skipped):
                yield child
                yield from _running(child)


class Instead(MetaPathFinder, Loader):
    """Imports modules from texts that stand for their files."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self.texts = {
            path.removesuffix(".py").removesuffix("/__init__").replace("/", "."): (path, text)
            for path, text in texts.items()
        }

    def find_spec(self, name: str, path: Any, target: Any = None) -> ModuleSpec | None:
        if name not in self.texts:
            return None
        file = ROOT / self.texts[name][0]
        inside = [str(file.parent)] if file.name == "__init__.py" else None
        return spec_from_file_location(name, file, loader=self, submodule_search_locations=inside)

    def exec_module(self, module: ModuleType) -> None:
        path, text = self.texts[module.__name__]
        module.__dict__[ENTERED] = ENTERINGS.add
        exec(compile(text, str(ROOT / path), "exec", dont_inherit=True), module.__dict__)


ENTERED, ENTERINGS = "_entered", set[tuple[str, int]]()
Where = dict[tuple[str, int], set[str]]  # a function's file and line: the tests that enter it


def _functions(text: str) -> list[ast.FunctionDef]:
    return [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef)]


def _watched(path: str, text: str) -> str:
    """Return a module's text whose functions say that they are entered."""
    rows = text.splitlines(keepends=True)
    for function in sorted(_functions(text), key=lambda f: -f.lineno):
        body = function.body[ast.get_docstring(function) is not None :]
        if body and body[0].lineno > function.lineno:
            above = min(d.lineno for d in [body[0], *getattr(body[0], "decorator_list", [])])
            call = f"{ENTERED}(({path!r}, {function.lineno}))"
            rows.insert(above - 1, " " * body[0].col_offset + call + "\n")
    return "".join(rows)


def _places(fault: Fault, text: str) -> list[int]:
    """Return the first lines of the functions that a fault is in, or that read its constant."""
    found = [f for f in _functions(text) if f.lineno <= fault.line <= (f.end_lineno or 0)]
    if found:
        return [max(f.lineno for f in found)]
    for node in ast.parse(text).body:
        if node.lineno <= fault.line <= (node.end_lineno or 0):
            names = {n.id for n in ast.walk(node) if isinstance(n, ast.Name)}
            return [
                f.lineno
                for f in _functions(text)
                if any(isinstance(n, ast.Name) and n.id in names for n in ast.walk(f))
            ]
    return []


class Seen:
    """Writes down which functions each test enters."""

    def __init__(self, file: Path) -> None:
        self.file = file

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        ENTERINGS.clear()
        yield
        with self.file.open("a", encoding="utf-8") as out:
            for path, line in ENTERINGS:
                out.write(f"{path}\t{line}\t{item.nodeid}\n")

    def pytest_sessionfinish(self) -> None:
        with self.file.open("a", encoding="utf-8") as out:
            out.writelines(f"\t\t{name}\n" for name in list(sys.modules))


class First:
    """Has some tests run before the others, one of every function before its other parameters."""

    def __init__(self, tests: set[str]) -> None:
        self.tests = tests

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        met = set()

        def order(item: pytest.Item) -> tuple[bool, bool]:
            row = item.nodeid not in self.tests, item.nodeid.partition("[")[0]
            again = row in met
            met.add(row)
            return row[0], again

        items.sort(key=order)


def failed(texts: Mapping[str, str], tests: str, plugin: object) -> bool:
    """Tell whether tests notice what stands in place of modules: one fails, or does not end."""
    child = os.fork()
    if child:
        return os.waitpid(child, 0)[1] != 0
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)
    sys.meta_path.insert(0, Instead(texts))
    signal.alarm(SECONDS)
    # No test that was to be run is as bad as one that fails.
    words = "-q -x -p no:cacheprovider -W ignore::pytest.PytestAssertRewriteWarning"
    os._exit(int(pytest.main([*words.split(), *tests.split()], plugins=[plugin])))


def entered(texts: Mapping[str, str], tests: str) -> Where | None:
    """Return the tests by the functions that they enter; None if one fails.

    What they import besides is imported here, once for all.
    """
    where: Where = defaultdict(set)
    with tempfile.NamedTemporaryFile("r", encoding="utf-8") as file:
        if failed(
            {p: _watched(p, text) for p, text in texts.items()}, tests, Seen(Path(file.name))
        ):
            return None
        for row in file:
            path, line, test = row.rstrip("\n").split("\t")
            if line:
                where[path, int(line)].add(test)
            elif test.partition(".")[0] not in (*OWN, "__main__"):
                with suppress(Exception):
                    import_module(test)
    return where


def caught(fault: Fault, text: str, tests: str, where: Where) -> bool:
    """Tell whether tests notice a fault; those that enter its function are asked first."""
    likely = set[str]().union(*(where[fault.path, n] for n in _places(fault, text)))
    faulty = text[: fault.begin] + fault.instead + text[fault.end :]
    return failed({fault.path: faulty}, tests, First(likely))


def main() -> int:
    """Try faults; fail where less than nine of ten are caught, or a survivor has no reason."""
    parser = argparse.ArgumentParser()
    parser.add_argument("names", nargs="*", default=[""])
    parser.add_argument("--each", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--part", default="1/1")
    given = parser.parse_args()
    part, parts = map(int, given.part.split("/"))
    os.environ["CI"] = "1"
    known = SURVIVORS.read_text() if SURVIVORS.exists() else ""
    hits = count = unknown = 0
    for pattern, tests in TRIED.items():
        if not any(name in pattern for name in given.names):
            continue
        texts = {str(p.relative_to(ROOT)): p.read_text() for p in sorted(ROOT.glob(pattern))}
        every = [fault for path, text in texts.items() for fault in faults(path, text)]
        chosen = random.Random(given.seed).sample(every, min(given.each, len(every)))
        chosen = sorted(chosen[part - 1 :: parts])
        found = 0
        where = entered(texts, tests)
        if where is None:
            sys.exit(f"{pattern}: its tests fail without a fault")
        for fault in chosen:
            text = texts[fault.path]
            line = " ".join(text.splitlines()[fault.line - 1].split())
            told = f"{fault.path}: {line}: {text[fault.begin : fault.end]} -> {fault.instead}"
            if caught(fault, text, tests, where):
                found += 1
                print(".", end="", file=sys.stderr, flush=True)
                continue
            why = told in known
            unknown += not why
            print(f"survives{' (known)' if why else ''}: {told} (line {fault.line})", flush=True)
        hits, count = hits + found, count + len(chosen)
        print(f"{pattern}: {found} of {len(chosen)} caught, {len(every)} possible", flush=True)
    print(f"{hits} of {count} caught, {hits / max(1, count):.0%}")
    return int(bool(unknown) or hits < 0.9 * count)


if __name__ == "__main__":
    sys.exit(main())
