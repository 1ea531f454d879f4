"""`backing check`."""

from __future__ import annotations

import sys
from dataclasses import asdict, replace
from fractions import Fraction
from itertools import groupby
from typing import TYPE_CHECKING, Any

import click

from backing import pieces
from backing.cautions import SORE
from backing.cli import completing
from backing.cli.options import FORM, KEY, TEMPO, Whole, json_option, phrase_argument, print_json
from backing.lesson.places import Names, Placement, hands, places_of
from phrases.fingering import REACH

if TYPE_CHECKING:
    from backing.forms import Form
    from phrases.check import Ending, Report
    from phrases.phrase import Phrase
    from phrases.roles import Row

__all__ = ["command"]

COLUMNS = "{:>3}  {:<6} {:<5} {:<21} {:<5} {:<6}  {:<7} {:<10} {:<8} {:>4}  {}"
HEADS = ("bar", "count", "place", "how", "note", "degree", "over", "role", "resolves", "hand", "")
RESOLVES = {"step": "by step", "bend": "by bend", "curl": "curls up"}


@click.command("check", epilog="\b\nFor example:\n  backing check examples/porch-light.toml")
@phrase_argument
@click.option("--key", type=KEY, help="Key: Bb, F#, Cm, 'C# minor'; the phrase's if left out.")
@click.option(
    "--form", type=FORM, default=pieces.FORM, show_default=True,
    help="The form whose chords it is heard against.",
)  # fmt: skip
@click.option("--tempo", type=TEMPO, help="Felt beats a minute; the phrase's if left out.")
@click.option(
    "--place", type=Whole(), metavar="N", default=1,
    help="Show it where it comes for the Nth time in the form; the first time if left out.",
)  # fmt: skip
@click.option(
    "--variation", metavar="NAME", help="Look at a variation of the phrase.",
    shell_complete=completing.variations,
)  # fmt: skip
@click.option("--strict", is_flag=True, help="Exit with 1 if something cannot be played.")
@json_option
def command(
    phrase: str,
    key: str | None,
    form: str,
    tempo: Fraction | None,
    place: int,
    variation: str | None,
    strict: bool,
    as_json: bool,
) -> None:
    """Look a phrase over before a lesson.

    PHRASE is a file or the name of a shipped phrase, or a lesson file, of which all phrases, keys
    and tempos are looked over. Shows each note's degree and its role
    against the chord, where the hand is, what cannot be played or is hard, and what the bends
    cost. Where the phrase comes over several lines of the form, all of them are summed up.
    """
    from backing.forms import find_form
    from backing.grooves import groove_names
    from phrases.files import find_phrase, load_phrase
    from phrases.kinds import kind_of_file
    from phrases.pitch import parse_key
    from phrases.transpose import transpose

    if kind_of_file(find_phrase(phrase)) == "a lesson":
        from backing.cli.check_lesson import check_lesson

        if key or tempo or variation or place != 1:
            raise click.UsageError(
                "a lesson names its keys, tempos and variations; leave out --key, --tempo, "
                "--variation and --place"
            )
        check_lesson(find_phrase(phrase), strict=strict, as_json=as_json)
        return
    found = load_phrase(phrase, groove_names())
    if variation is not None:
        found = found.variation(variation)
    if key is not None:
        found = transpose(found, parse_key(key))
    found = replace(found, tempo=tempo or found.tempo)
    chart = find_form(form)
    places = places_of(found, chart)
    if not 1 <= place <= len(places):
        times = "once" if len(places) == 1 else f"{len(places)} times"
        message = f'{place}: "{found.title}" comes {times} in {chart.title}; write 1'
        message += f" to {len(places)}" if len(places) > 1 else ""
        raise click.BadParameter(message, param_hint="'--place'")
    if as_json:
        print_json(_facts(found, chart, places, place))
    else:
        _print(found, chart, places, place)
    if strict and not places[0].report.playable:
        sys.exit(1)


def _over(at: Fraction, names: Names) -> str:
    return next((name for beat, name in reversed(names) if beat <= at), names[0][1])


def _facts(phrase: Phrase, form: Form, places: list[Placement], line: int) -> dict[str, Any]:
    from phrases.bends import ASSUMED

    shown = places[line - 1]
    report = shown.report
    return {
        "title": phrase.title,
        "key": str(phrase.key),
        "scale": phrase.scale,
        "form": form.name,
        "line": line,
        "tempo": report.tempo,
        "playable": report.playable,
        "slides": report.slides,
        "tightest": report.tightest and _rounded(asdict(report.tightest), 3),
        "quickest": report.quickest and _rounded(asdict(report.quickest), 3),
        **_heard(shown),
        "lines": [
            {"bars": [place.first + 1, place.first + phrase.bars], **_heard(place)}
            for place in places
        ],
        "bends": [
            {"place": one.place, "supported": one.supported, **_rounded(asdict(one.cost))}
            for one in report.bends
        ],
        "assumed": ASSUMED,
    }


def _heard(place: Placement) -> dict[str, Any]:
    """Return the part of the report that depends on the chords."""
    return {
        "rows": [
            {**asdict(row), "at": float(row.at), "over": _over(row.at, place.names)}
            for row in place.report.rows
        ],
        "warnings": [asdict(one) for one in place.report.cautions],
        "endings": [asdict(one) for one in place.report.endings],
        "talk": place.report.talk,
    }


def _rounded(facts: dict[str, Any], digits: int = 1) -> dict[str, Any]:
    return {k: round(v, digits) if isinstance(v, float) else v for k, v in facts.items()}


def _print(phrase: Phrase, form: Form, places: list[Placement], line: int) -> None:
    shown = places[line - 1]
    report = shown.report
    scale = phrase.scale
    key = str(phrase.key).removesuffix(" minor") if "minor" in scale else str(phrase.key)
    about = f"{key} {scale}".strip()
    click.echo(
        f"{phrase.title}: {about}, {report.tempo:g} beats a minute, over {form.title}, "
        f"{_bars(phrase, shown)}"
    )
    for part in dict.fromkeys(row.part for row in report.rows):
        _table(part, [row for row in report.rows if row.part == part], shown.names)
        for ending in report.endings:
            if ending.part == part:
                click.echo(f"  {_ends(ending)}")
    if any(row.degree.endswith("+") for row in report.rows):
        click.echo("\n+ after a note or its degree is a quarter tone above it")
    if len(places) > 1:
        _lines(phrase, places)
    click.echo()
    click.echo("\n".join(hands(report)))
    _warn(report)
    _show_bends(report)


def _bars(phrase: Phrase, place: Placement) -> str:
    first, last = place.first + 1, place.first + phrase.bars
    return f"bar {first}" if first == last else f"bars {first} to {last}"


def _lines(phrase: Phrase, places: list[Placement]) -> None:
    """Print how each part ends wherever the phrase comes in the form."""
    click.echo("\nOver the form; --place N shows the table of another place")
    for number, place in enumerate(places, 1):
        chords = " ".join(name for name, _ in groupby(name for at, name in place.names if at >= 0))
        talk = f"; {place.report.talk}" if place.report.talk else ""
        click.echo(f"  {number}  {_bars(phrase, place)}: {chords}{talk}")
        for ending in place.report.endings:
            said = _ends(ending)
            click.echo(f"       {ending.part} {said}")


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
                ("" if row.how in ("pick", "muted") else "  ") + ", ".join([row.how, *row.also]),
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


def _ends(ending: Ending) -> str:
    degree, role = ending.degree, ending.role
    degree = f"a quarter tone above {degree[:-1]}" if degree.endswith("+") else degree
    where = f"{degree}, the chord's {role}"
    if degree == "1" and ending.home:
        where = "the root"
    elif not role:
        where = degree
    elif role in ("blue note", "tension"):
        where = f"{degree}, a {role}"
    elif role in ("ninth", "fourth", "sixth"):
        where = f"{degree}, the {role} over the chord"
    if ending.part.startswith("call"):
        return f"ends on {where}: " + ("open, as a call does" if ending.asks else "closed")
    return f"ends on {where}: " + ("home" if ending.home else "not home")


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
    from phrases.techniques import SIZE_NAMES

    if not report.bends:
        return
    places: dict[tuple[str, Any], list[str]] = {}
    for one in report.bends:
        helped = ", supported" if one.supported else ""
        places.setdefault((helped, one.cost), []).append(one.place)
    click.echo("\nBends: sideways push, force there, tension meanwhile")
    for (helped, cost), where in places.items():
        place = f"{cost.string}{cost.fret}"
        size = SIZE_NAMES.get(cost.cents, f"{cost.cents:g}c")
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
