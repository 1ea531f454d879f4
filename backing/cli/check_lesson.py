"""`backing check` of a lesson: every phrase in every key, groove and tempo that it names."""

from __future__ import annotations

import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from backing.cli.options import print_json
from backing.lesson.places import hands, places_of

if TYPE_CHECKING:
    from backing.lesson.data import Study
    from phrases.check import Report
    from phrases.phrase import Phrase
    from phrases.pitch import Key

__all__ = ["check_lesson"]

Told = dict[tuple[str, str, str], list[Fraction]]  # weight, place and text, and at which tempos


def check_lesson(path: Path, *, strict: bool, as_json: bool) -> None:
    """Look over what a lesson asks of a student, and say it shortly."""
    from backing.lesson.lesson import read_lesson
    from phrases.check import WEIGHTS
    from phrases.transpose import transpose

    lesson = read_lesson(path)
    answers: list[dict[str, Any]] = []
    for study in lesson.studies:
        for _, version in study.versions:
            for key in study.keys:
                found = transpose(version, key)
                told, talk, hand = _look(study, found, key)
                if not as_json:
                    click.echo(f"{found.title} in {key}, {_tempos(study.tempos)}")
                    if talk:
                        click.echo(f"  over the first bars of the form {talk}")
                    click.echo("\n".join(f"  {line}" for line in hands(hand)))
                    for (weight, place, text), tempos in told.items():
                        at = "" if len(tempos) == len(study.tempos) else f" at {_tempos(tempos)}"
                        click.echo(f"  {WEIGHTS[weight]}: {place}: {text}{at}")
                answers.append(
                    {
                        "title": found.title,
                        "key": str(key),
                        "tempos": [float(tempo) for tempo in study.tempos],
                        "talk": talk,
                        "quickest": hand.quickest and round(hand.quickest.seconds, 3),
                        "tightest": hand.tightest and round(hand.tightest.has, 3),
                        "warnings": [
                            {"weight": w, "place": p, "text": t, "tempos": list(map(float, at))}
                            for (w, p, t), at in told.items()
                        ],
                    }
                )
    cannot = [one for one in answers for told in one["warnings"] if told["weight"] == "cannot"]
    if as_json:
        print_json({"title": lesson.title, "phrases": answers})
    elif not any(one["warnings"] for one in answers):
        click.echo("No warnings.")
    if strict and cannot:
        sys.exit(1)


def _look(study: Study, phrase: Phrase, key: Key) -> tuple[Told, str, Report]:
    """Return a phrase's warnings, how its parts talk, and the report at its highest tempo."""
    from backing.forms import find_form

    told: Told = {}
    reports: list[Report] = []
    for groove in study.grooves:
        for tempo in study.tempos:
            place, *_ = places_of(
                replace(phrase, tempo=tempo), find_form(study.form), groove, study.swing
            )
            reports.append(place.report)
            for one in place.report.cautions:
                at = told.setdefault((one.weight, one.place, one.text), [])
                if tempo not in at:
                    at.append(tempo)
    hand = max(reports, key=lambda report: report.tempo)
    return told, hand.talk, hand


def _tempos(tempos: list[Fraction] | tuple[Fraction, ...]) -> str:
    return ", ".join(f"{float(tempo):g}" for tempo in tempos)
