"""The options of a practice plan, which `loop` and `trade` share."""

from __future__ import annotations

from pathlib import Path

import click

from backing.cli.options import STEP, TEMPO, Choice, Whole, WordType, options_of
from backing.practice.plan import COUNTS, GAPS, GUIDES, IN_GAPS, RANGES, SHAPES, Plan, parse_bars
from phrases.phrase import ROLES

__all__ = ["gap_options", "plan_options", "region_options"]

USUAL = Plan()


BARS = WordType("bars", parse_bars, parsed=True)
EVERY = Whole(*RANGES["phrase_rests"][:2])

PLAN = (
    click.option("--from", "start", type=TEMPO, help="First tempo."),
    click.option("--to", "goal", type=TEMPO, help="Last tempo; the phrase's if left out."),
    click.option(
        "--step", type=STEP,
        help=f"Beats a minute from one tempo to the next; {USUAL.step} if left out.",
    ),
    click.option(
        "--each", type=Whole(*RANGES["each"][:2]),
        help=f"Passes at each tempo; {USUAL.each} if left out.",
    ),
    click.option(
        "--shape", type=Choice(list(SHAPES)),
        help="; ".join(f"{word}: {what}" for word, what in SHAPES.items()) + ".",
    ),
    click.option("--passes", type=Whole(*RANGES["passes"][:2]), help="How many in all."),
    click.option(
        "--count", "counted", type=Choice(list(COUNTS)),
        help="Count in before the first pass or before each.",
    ),
    click.option(
        "--phrase-rests", type=EVERY, metavar="N", help="Every Nth pass is without the phrase."
    ),
    click.option(
        "--band-rests", type=EVERY, metavar="N",
        help="Every Nth pass is without the band: do you keep time?",
    ),
    click.option(
        "--plan", type=click.Path(path_type=Path, dir_okay=False),
        help="A plan file; options given besides go before it.",
    ),
    click.option(
        "--hands-free", is_flag=True,
        help="Count in before each pass; one press of the stop key there plays the last one "
        "again, doing nothing goes on.",
    ),
    click.option("--dry-run", is_flag=True, help="Show the plan and make nothing."),
)  # fmt: skip

REGION = (
    click.option(
        "--part", type=Choice(ROLES), help="One part of the phrase alone, over its bars."
    ),
    click.option(
        "--bars", type=BARS, metavar="A-B", help="Bars of the form, with what sounds in them."
    ),
    click.option(
        "--seamless", is_flag=True,
        help="One pass whose end runs into its start, to be repeated by any player.",
    ),
)  # fmt: skip

GAP = (
    click.option(
        "--gap", type=Choice(list(GAPS)),
        help="; ".join(f"{word}: {what}" for word, what in GAPS.items()) + ".",
    ),
    click.option(
        "--in-gap", type=Choice(list(IN_GAPS)),
        help="; ".join(f"{word}: {what}" for word, what in IN_GAPS.items()) + ".",
    ),
    click.option(
        "--guide", type=Choice(list(GUIDES)),
        help="In your turn: " + "; ".join(f"{w}: {what}" for w, what in GUIDES.items()) + ".",
    ),
    click.option("--cue/--no-cue", default=None, help="A stroke on wood before your turn."),
)  # fmt: skip

plan_options = options_of(*PLAN)  # how the tempo goes from pass to pass
region_options = options_of(*REGION)  # which bars a loop plays
gap_options = options_of(*GAP)  # what is left open and what happens there
