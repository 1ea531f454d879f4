"""A practice session: the steps through which a page leads the student."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["DOES", "PASSES", "Step", "usual_session"]

# What the student does in a step: its name on the page, and what is said of it.
DOES: dict[str, tuple[str, str]] = {
    "listen": ("Listen", "The guitar plays all of it. Hum along."),
    "answer": ("Answer", "The guitar plays the call, you play the response."),
    "call": ("Call", "You play the call, the guitar plays the response."),
    "along": ("Play along", "You and the guitar play all of it."),
    "alone": ("All yours", "You play all of it; the guitar is silent."),
    "faster": ("The next tempo", "You play all of it, a little faster."),
    "key": ("Another key", "The same in another key, with the guitar."),
}
PASSES = (1, 32)


@dataclass(frozen=True, slots=True)
class Step:
    """One step."""

    do: str  # a key of `DOES`
    passes: int = 4  # how many times round it lasts
    text: str = ""  # what the teacher says of it; the words of `DOES` if empty


def usual_session(roles: Iterable[str]) -> tuple[Step, ...]:
    """Return the session of a phrase whose parts have these roles, as a teacher would lead it.

    The page leaves out what there is not: a next tempo, another key.
    """
    parts = ("answer", "call") if {"call", "response"} <= set(roles) else ("along",)
    return (Step("listen", 2), *map(Step, parts), Step("alone"), Step("faster"), Step("key"))
