"""What a shell offers when Tab is pressed: phrases, variations, ports and sound cards.

What cannot be looked up, because a library or a card is missing, is offered as nothing.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable
from typing import Any

import click
from click.shell_completion import CompletionItem

__all__ = ["cards", "inputs", "outputs", "phrases", "sources", "variations"]

Complete = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def _of(found: Callable[[click.Context], Iterable[str]], *, files: bool = False) -> Complete:
    def complete(ctx: click.Context, _: click.Parameter, incomplete: str) -> list[CompletionItem]:
        items = [CompletionItem(incomplete, type="file")] if files else []
        with contextlib.suppress(Exception):
            items += [CompletionItem(name) for name in found(ctx) if name.startswith(incomplete)]
        return items

    return complete


def _phrases(_: click.Context) -> Iterable[str]:
    from phrases.files import shipped

    return shipped()


def _variations(ctx: click.Context) -> Iterable[str]:
    from phrases.files import load_phrase

    # An option that still lacks its value keeps click from telling arguments apart.
    found: Any = (ctx.params.get("phrase"), *(ctx.params.get("phrases") or ()), *ctx.args)
    phrase = next(name for name in found if name)
    return [name for name, _ in load_phrase(phrase).variations]


def _ports(way: str) -> Callable[[click.Context], Iterable[str]]:
    def found(_: click.Context) -> Iterable[str]:
        from backing.live import ports

        return ports.outputs() if way == "output" else ports.inputs()

    return found


def _cards(way: int) -> Callable[[click.Context], Iterable[str]]:
    def found(_: click.Context) -> Iterable[str]:
        from backing.live.card import cards

        return [card[0] for card in cards() if card[way]]

    return found


phrases = _of(_phrases, files=True)
variations = _of(_variations)
outputs, inputs = _of(_ports("output")), _of(_ports("input"))
sources, cards = _of(_cards(1)), _of(_cards(2))
