"""`backing list`."""

from __future__ import annotations

import contextlib
from typing import Any

import click

from backing.cli.options import Choice, Whole, json_option, print_json
from phrases.phrase import LEVELS
from phrases.words import choose

__all__ = ["command"]

Row = dict[str, Any]


def _grooves() -> list[Row]:
    from backing.grooves import find_groove, groove_names

    return [
        {"name": g.name, "about": f"{g.title}: {g.feel}", "meter": str(g.meter),
         "tempos": list(g.tempos)}
        for g in map(find_groove, groove_names())
    ]  # fmt: skip


def _forms() -> list[Row]:
    from backing.forms import find_form, form_names

    return [
        {"name": f.name, "about": f"{f.title}: {f.feel}", "bars": len(f.major)}
        for f in map(find_form, form_names())
    ]


def _turnarounds() -> list[Row]:
    from backing.forms.turnarounds import TURNAROUNDS, names

    rows = []
    for name in names():
        found = {mode: table[name] for mode, table in TURNAROUNDS.items() if name in table}
        about = "; ".join(f"{mode}: {chords}" for mode, chords in found.items())
        rows.append({"name": name, "about": about, "chords": found})
    return rows


def _phrases() -> list[Row]:
    from backing.grooves import find_groove
    from phrases.files import load_phrase, shipped
    from phrases.shapes import box

    rows = []
    for name, path in shipped().items():
        phrase = load_phrase(path)
        rows.append(
            {"name": name, "about": phrase.title, "key": str(phrase.key), "scale": phrase.scale,
             "groove": phrase.groove, "played": find_groove(phrase.groove).title,
             "tempo": float(phrase.tempo), "bars": phrase.bars,
             "level": phrase.level, "position": box(phrase), "tags": list(phrase.tags),
             "variations": [name for name, _ in phrase.variations]}
        )  # fmt: skip
    return rows


def _scales() -> list[Row]:
    from phrases.pitch import SCALES

    return [{"name": name, "about": " ".join(degrees)} for name, degrees in SCALES.items()]


def _moves() -> list[Row]:
    from phrases.moves.table import KEEPS, MOVES

    return [
        {"name": m.name, "about": f"{m.words} Needs {m.needs}.",
         "keeps": [KEEPS[name] for name in m.keeps]}
        for m in MOVES.values()
    ]  # fmt: skip


def _soundfonts() -> list[Row]:
    from soundfonts import SoundfontError, find_soundfont, installed

    used = None
    with contextlib.suppress(SoundfontError):  # the environment may name a broken one
        used = find_soundfont().path
    return [
        {"name": s.path.name, "about": str(s.path), "origin": s.origin,
         "megabytes": round(s.path.stat().st_size / 1e6, 1), "used": s.path == used}
        for s in installed()
    ]  # fmt: skip


def _better() -> Row:
    from soundfonts.find import BETTER, GAIN, how_to_get, user_folder

    keys = ("package", "megabytes", "licence")
    return {
        "better": [dict(zip(keys, row, strict=True)) for row in BETTER],
        "gain": GAIN,
        "how": how_to_get(),
        "folder": str(user_folder()),
    }


def _ports() -> list[Row]:
    from backing.live.ports import inputs, outputs

    return [
        {"name": name, "about": about}
        for names, about in ((outputs(), "for --port"), (inputs(), "for --pedal"))
        for name in names
    ]


def _cards() -> list[Row]:
    from backing.live.card import cards

    return [
        {"name": name, "about": " and ".join(ways), "inputs": came, "outputs": out}
        for name, came, out in cards()
        if (ways := ["for --card"] * bool(out) + ["for --input"] * bool(came))
    ]


WHAT = {
    "cards": _cards,
    "ports": _ports,
    "grooves": _grooves,
    "forms": _forms,
    "turnarounds": _turnarounds,
    "phrases": _phrases,
    "moves": _moves,
    "scales": _scales,
    "soundfonts": _soundfonts,
}


@click.command("list")
@click.argument("what", metavar="WHAT", type=Choice(list(WHAT)))
@click.option("--position", type=Whole(1, 5), help="Phrases in this pentatonic position.")
@click.option("--level", type=Choice(LEVELS), help="Phrases of this level.")
@click.option("--tag", metavar="WORD", help="Phrases with this tag.")
@json_option
def command(what: str, as_json: bool, **wanted: Any) -> None:
    """Show the grooves, forms, phrases, moves to vary them, soundfonts and so on that are here.

    Names are written as they stand here: `minor pentatonic`, not the other way round. The first
    soundfont is the one taken by default.
    """
    asked = {name: value for name, value in wanted.items() if value is not None}
    if asked and what != "phrases":
        raise click.UsageError(f"--{next(iter(asked))} is for phrases: backing list phrases")
    every = WHAT[what]()
    if asked.get("tag") is not None:
        choose(
            "a tag of a phrase", asked["tag"], sorted({t for row in every for t in row["tags"]})
        )
    rows = [row for row in every if _fits(row, asked)]
    better = _better() if what == "soundfonts" else {}
    if as_json:
        print_json({what: rows, **better})
        return
    if asked and not rows:
        words = ", ".join(f"--{name} {value}" for name, value in asked.items())
        click.echo(f"No phrase is all of that ({words}); leave one out.", err=True)
    if what == "ports" and not rows:
        click.echo("There is no MIDI port here; connect or start an instrument.", err=True)
    if what == "cards" and not rows:
        click.echo("There is no sound card here; connect or switch one on.", err=True)
    width = max((len(row["name"]) for row in rows), default=0)
    for row in rows:
        click.echo(f"{row['name']:{width}}  {row['about']}{_more(row)}".rstrip())
    if better:
        names = [f"{b['package']} ({b['megabytes']} MB, {b['licence']})" for b in better["better"]]
        click.echo(f"\nFree ones that sound better: {', '.join(names)}.")
        click.echo(f"They give {better['gain']}. Get the first:\n  {better['how']}")
        click.echo(f"Or put any .sf2 or .sf3 file into {better['folder']}")


def _fits(row: Row, asked: dict[str, Any]) -> bool:
    tag = asked.get("tag")
    if tag is not None and tag not in row["tags"]:
        return False
    return all(row[name] == value for name, value in asked.items() if name != "tag")


def _more(row: Row) -> str:
    """Return the other columns of a row in words."""
    if "tempos" in row:
        low, usual, high = row["tempos"]
        return f" ({row['meter']}, {low} to {high}, usually {usual} beats a minute)"
    if "megabytes" in row:
        used = "; used, if --soundfont names no other" if row["used"] else ""
        return f" ({row['megabytes']} MB, {row['origin']}{used})"
    if "groove" in row:
        key, scale = row["key"], row["scale"]
        if scale.startswith("minor"):
            key = key.removesuffix(" minor")
        level = f"{row['level']}, " if row["level"] else ""
        place = f"position {row['position']}"
        return f" ({level}{key} {scale}, {place}, {row['played']} at {row['tempo']:g})"
    return f" ({row['bars']} bars)" if "bars" in row else ""
