"""`backing check`."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import click

from backing import pieces
from backing.cli.options import FORM, KEY, TEMPO, json_option, phrase_argument
from backing.cli.report import SORE
from phrases.hands import REACH

if TYPE_CHECKING:
    from backing.forms import Form
    from phrases.check import Report
    from phrases.phrase import Phrase
    from phrases.roles import Row

__all__ = ["command"]

Names = list[tuple[Fraction, str]]
COLUMNS = "{:>3}  {:<6} {:<5} {:<21} {:<5} {:<6}  {:<7} {:<10} {:<8} {:>4}  {}"
HEADS = ("bar", "count", "place", "how", "note", "degree", "over", "role", "resolves", "hand", "")
RESOLVES = {"step": "by step", "bend": "by bend", "curl": "curls up"}


@click.command("check", epilog="\b\nFor example:\n  backing check examples/porch-light.toml")
@phrase_argument
@click.option("--key", type=KEY, help="Key: Bb, F#, Cm, 'C# minor'; the phrase's if left out.")
@click.option(
    "--form",
    type=FORM,
    default=pieces.FORM,
    show_default=True,
    help="The form whose chords it is heard against.",
)
@click.option("--tempo", type=TEMPO, help="Felt beats a minute; the phrase's if left out.")
@click.option("--variation", metavar="NAME", help="Look at a variation of the phrase.")
@click.option("--strict", is_flag=True, help="Exit with 1 if something cannot be played.")
@json_option
def command(
    phrase: str,
    key: str | None,
    form: str,
    tempo: Fraction | None,
    variation: str | None,
    strict: bool,
    as_json: bool,
) -> None:
    """Look a phrase over before a lesson.

    PHRASE is a file or the name of a shipped phrase. Shows each note's degree and its role
    against the chord, where the hand is, what cannot be played or is hard, and what the bends
    cost.
    """
    from backing.forms import find_form
    from backing.grooves import find_groove, groove_names
    from backing.tempo import swing_for
    from phrases.check import check
    from phrases.counting import parse_swing
    from phrases.files import load_phrase
    from phrases.pitch import parse_key
    from phrases.transpose import transpose

    found = load_phrase(phrase, groove_names())
    if variation is not None:
        found = found.variation(variation)
    if key is not None:
        found = transpose(found, parse_key(key))
    found = replace(found, tempo=tempo or found.tempo)
    groove = find_groove(found.groove)
    asked = parse_swing(found.swing) if found.swing else groove.swing
    chart = find_form(form)
    chords, names = _under(found, chart)
    swing = swing_for(asked, found.tempo, groove.swing_limit)
    report = check(found, chords, swing)
    if as_json:
        click.echo(json.dumps(_facts(found, chart, report, names), ensure_ascii=False))
    else:
        _print(found, chart, report, names)
    if strict and not report.playable:
        sys.exit(1)


def _under(phrase: Phrase, form: Form) -> tuple[list[tuple[Fraction, int, dict[int, str]]], Names]:
    """Return the chords under a phrase where it is first placed, and their names."""
    from backing.arrangement import placements
    from backing.harmony import QUALITIES
    from phrases.roles import chord_roles

    bars = form.bars(phrase.key)
    first = placements(phrase, len(bars))[0]
    chords, names = [], []
    for number, bar in enumerate(bars[first : first + phrase.bars]):
        for share, chord in bar:
            at, root = (number + share) * phrase.meter.beats, chord.root(phrase.key)
            chords.append((at, root, chord_roles(root, QUALITIES[chord.quality])))
            names.append((at, chord.name(phrase.key)))
    return chords, names


def _over(at: Fraction, names: Names) -> str:
    return next((name for beat, name in reversed(names) if beat <= at), names[0][1])


def _facts(phrase: Phrase, form: Form, report: Report, names: Names) -> dict[str, Any]:
    from phrases.bends import ASSUMED

    return {
        "title": phrase.title,
        "key": str(phrase.key),
        "scale": phrase.scale,
        "form": form.name,
        "tempo": report.tempo,
        "fastest": report.fastest and round(report.fastest, 1),
        "playable": report.playable,
        "reachable": report.reachable,
        "rows": [
            {**asdict(row), "at": float(row.at), "over": _over(row.at, names)}
            for row in report.rows
        ],
        "bends": [
            {"place": one.place, "supported": one.supported, **_rounded(asdict(one.cost))}
            for one in report.bends
        ],
        "warnings": [asdict(one) for one in report.cautions],
        "endings": [asdict(one) for one in report.endings],
        "assumed": ASSUMED,
    }


def _rounded(facts: dict[str, Any]) -> dict[str, Any]:
    return {k: round(v, 1) if isinstance(v, float) else v for k, v in facts.items()}


def _print(phrase: Phrase, form: Form, report: Report, names: Names) -> None:
    scale = phrase.scale
    key = str(phrase.key).removesuffix(" minor") if "minor" in scale else str(phrase.key)
    about = f"{key} {scale}".strip()
    click.echo(f"{phrase.title}: {about}, {report.tempo:g} beats a minute, over {form.name}")
    for part in dict.fromkeys(row.part for row in report.rows):
        _table(part, [row for row in report.rows if row.part == part], names)
        for ending in report.endings:
            if ending.part == part:
                click.echo(f"  {_ends(part, ending.degree, ending.role, ending.home)}")
    click.echo()
    click.echo(_shifts(report))
    _warn(report)
    _show_bends(report)


def _table(part: str, rows: list[Row], names: Names) -> None:
    click.echo(f"\n{part}")
    click.echo(COLUMNS.format(*HEADS).rstrip())
    bar, at, over = None, None, ""
    hand: int | None = None
    for row in rows:
        # What goes on without a count of its own stands under what it follows; what stays the
        # same is not said again.
        fret = "x" if row.fret is None else row.fret
        chord = _over(row.at, names)
        click.echo(
            COLUMNS.format(
                "" if row.bar == bar else row.bar,
                "" if row.at == at else row.count,
                f"{row.string}{fret}",
                row.how if row.how in ("pick", "muted") else f"  {row.how}",
                row.name,
                row.degree,
                "" if chord == over else chord,
                row.role,
                RESOLVES.get(row.resolves, row.resolves),
                "" if row.fret is None or row.position == hand else row.position,
                "" if 0 <= row.stretch <= REACH else f"stretch {row.stretch:+d}",
            ).rstrip()
        )
        bar, at, over = row.bar, row.at, chord
        hand = hand if row.fret is None else row.position


def _ends(part: str, degree: str, role: str, home: bool) -> str:
    where = f"{degree}, the chord's {role}"
    if degree == "1":
        where = "the root"
    elif role in ("blue note", "tension"):
        where = f"{degree}, a {role}"
    elif role in ("ninth", "fourth", "sixth"):
        where = f"{degree}, the {role} over the chord"
    if part.startswith("call"):
        return f"ends on {where}: " + ("closed" if degree == "1" else "open, as a call does")
    return f"ends on {where}: " + ("home" if home else "not home")


def _shifts(report: Report) -> str:
    from phrases.check import SHIFT_SECONDS
    from phrases.files import TEMPOS

    if report.fastest is None:
        return "The hand stays in one position."
    first, each = SHIFT_SECONDS
    assumed = f"(assumed: {first:g} s and {each:g} s a fret to shift)"
    if report.fastest > TEMPOS[1]:
        return f"The hand shifts in time at any tempo to {TEMPOS[1]} {assumed}."
    only = "" if report.reachable else "only "
    return f"The hand follows {only}to about {report.fastest:.0f} beats a minute {assumed}."


def _warn(report: Report) -> None:
    from phrases.check import WEIGHTS

    click.echo()
    if not report.cautions:
        click.echo("No warnings.")
        return
    click.echo("Warnings, each at its part, bar and count")
    weight = ""
    for caution in report.cautions:
        if caution.weight != weight:
            click.echo(f"  {WEIGHTS[caution.weight]}")
            weight = caution.weight
        click.echo(f"    {caution.place}: {caution.text}")


def _show_bends(report: Report) -> None:
    from phrases.bends import ASSUMED

    if not report.bends:
        return
    places: dict[tuple[str, Any], list[str]] = {}
    for one in report.bends:
        helped = ", supported" if one.supported else ""
        places.setdefault((helped, one.cost), []).append(one.place)
    click.echo("\nBends: sideways push, force there, tension meanwhile")
    for (helped, cost), where in places.items():
        place = f"{cost.string}{cost.fret}"
        size = next(_sizes(cost.cents))
        line = (
            f"  {place:<4}{size:<5} {cost.push:4.0f} mm {cost.force:5.1f} N "
            f"{cost.tension:5.0f} N  {cost.heaviness + helped:<19} {where[0]}"
        )
        click.echo(line + (f" and {len(where) - 1} more" if len(where) > 1 else ""))
        if cost.why:
            click.echo(f"      {cost.why}")
    click.echo(f"  {ASSUMED}")
    if any(one.cost.heaviness == "heavy" for one in report.bends):
        click.echo(SORE)


def _sizes(cents: float) -> Any:
    from phrases.techniques import BEND_SIZES

    yield from (name for name, size in BEND_SIZES.items() if size == cents)
    yield f"{cents:g}c"
