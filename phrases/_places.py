"""Where the values of a TOML text stand in it."""

from __future__ import annotations

import re

import tree_sitter
import tree_sitter_toml

__all__ = ["Places"]

KEYS = ("bare_key", "quoted_key", "dotted_key")
_JOIN = re.compile(r"\\[ \t]*\n[ \t\n]*")
NAMED = 4  # as deep as a checked table lies; more would only cost
HEADED = ("table", "table_array_element")


class Places:
    """An index from paths such as ``("part", 0, "notes")`` to places in a TOML text."""

    def __init__(self, text: str) -> None:
        self._source = text.encode()
        language = tree_sitter.Language(tree_sitter_toml.language())
        tree = tree_sitter.Parser(language).parse(self._source)
        self._values: dict[tuple[str | int, ...], tree_sitter.Node] = {}
        self._keys: dict[tuple[str | int, ...], tree_sitter.Node] = {}
        counts: dict[tuple[str | int, ...], int] = {}
        for node in tree.root_node.named_children:
            if node.type == "pair":
                self._pair((), node)
            elif node.type in HEADED:
                self._headed(node, counts)

    def _headed(self, node: tree_sitter.Node, counts: dict[tuple[str | int, ...], int]) -> None:
        head, *pairs = [child for child in node.named_children if child.type != "comment"]
        path: tuple[str | int, ...] = ()
        words = self._words(head)
        for word in words:
            path = (*path, word)
            if path in counts and (node.type == "table" or path[-1] != words[-1]):
                path = (*path, counts[path] - 1)
            if len(path) <= NAMED:
                self._keys.setdefault(path, node)
        if node.type == "table_array_element":
            number = counts.get(path, 0)
            counts[path] = number + 1
            self._values.setdefault(path, node)
            path = (*path, number)
        self._values[path] = self._keys[path] = node
        for pair in pairs:
            self._pair(path, pair)

    def _pair(self, path: tuple[str | int, ...], node: tree_sitter.Node) -> None:
        if node.type != "pair":
            return
        children = [child for child in node.named_children if child.type != "comment"]
        words = self._words(children[0])
        self._keys.setdefault((*path, words[0]), children[0])
        path = (*path, *words)
        self._keys[path] = children[0]
        if len(children) > 1:
            self._value(path, children[1])

    def _value(self, path: tuple[str | int, ...], node: tree_sitter.Node) -> None:
        self._values[path] = node
        children = [child for child in node.named_children if child.type != "comment"]
        if node.type == "inline_table":
            for child in children:
                self._pair(path, child)
        elif node.type == "array":
            for number, child in enumerate(children):
                self._value((*path, number), child)

    def _words(self, node: tree_sitter.Node) -> list[str]:
        words: list[str] = []
        waiting = [node]
        while waiting:  # no recursion: a long dotted key is a deep tree
            node = waiting.pop()
            if node.type == "dotted_key":
                waiting += node.named_children
            else:
                words.append(self._text(node).strip("\"'"))
        return words[::-1]

    def _text(self, node: tree_sitter.Node) -> str:
        return self._source[node.start_byte : node.end_byte].decode()

    def find(
        self, path: tuple[str | int, ...], offset: int | None = None, *, key: bool = False
    ) -> tuple[int, int]:
        """Return line and column, from 1, of a value, of a place in a string, or of a key."""
        index = self._keys if key else self._values
        while path and path not in index:
            path, offset = path[:-1], None
        if not path:
            return 1, 1
        node = index[path]
        start = node.start_byte
        if offset is not None and node.type == "string":
            start += len(_before(self._text(node), offset).encode())
        before = self._source[:start].decode()
        return before.count("\n") + 1, len(before) - before.rfind("\n")

    def span(self, path: tuple[str | int, ...]) -> tuple[int, int] | None:
        """Return where a value begins and ends, in characters; None where there is none."""
        node = self._values.get(path)
        if node is None:
            return None
        start = len(self._source[: node.start_byte].decode())
        return start, start + len(self._text(node))


def _before(raw: str, offset: int) -> str:
    """Return the part of a raw TOML string that stands before its value's character `offset`."""
    quote = raw[:3] if raw[:3] in ('"""', "'''") else raw[:1]
    at = len(quote)
    if len(quote) == 3 and raw[at : at + 1] == "\n":
        at += 1
    end = len(raw) - len(quote)
    if quote[0] == "'":
        return raw[: min(at + offset, end)]
    at = _joined(raw, at)
    for _ in range(offset):
        if at >= end:
            break
        at = _joined(raw, at + _width(raw, at))
    return raw[:at]


def _width(raw: str, at: int) -> int:
    if raw[at] != "\\":
        return 1
    return {"u": 6, "U": 10}.get(raw[at + 1 : at + 2], 2)


def _joined(raw: str, at: int) -> int:
    """Return where the value goes on after backslashes that join lines."""
    while found := _JOIN.match(raw, at):
        at = found.end()
    return at
