"""The thresholds from which a review mentions an error, each with its source."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["THRESHOLDS", "Limits", "Threshold"]


@dataclass(frozen=True, slots=True)
class Threshold:
    """One number: its value, its unit, what it is for, and its source."""

    value: float
    unit: str
    meaning: str
    source: str


THRESHOLDS: dict[str, Threshold] = {
    "all": Threshold(
        15.0, "ms", "all of a take is late or early; less is even time",
        "shifts of 15 ms and more were rated lower, early ones lowest (Fruhauf, Kopiez "
        "& Platz 2013, Musicae Scientiae 17)",
    ),
    "single": Threshold(
        30.0, "ms", "one note is early or late",
        "a guitar's shift in a groove is noticed from about 31 to 35 ms on, of all instruments "
        "late ones from 28 and early ones from 23 (PsyArXiv jsg94)",
    ),
    "floor": Threshold(
        6.0, "ms", "nobody hears less",
        "6 ms where notes come closer than 240 ms, else 2.5 % of the time between them (Friberg & "
        "Sundberg 1995, JASA 98, 2524)",
    ),
    "tuning": Threshold(
        25.0, "cents", "a bend or a note is flat or sharp",
        "10 cents are just noticed (Hill & Summers 2007, JASA 121, 2376), half a quarter tone is "
        "tolerated (Larrouy-Maestri 2018, Music & Science 1)",
    ),
    "fretted": Threshold(
        4.0, "cents", "a fretted note repeats no better",
        "95 % of fretted notes lie within that (Mottola, Same-Fretted-Note Intonation Variability "
        "of the Steel String Acoustic Guitar)",
    ),
    "end": Threshold(
        0.25, "beats", "a note is let go too soon, or rings on into a rest", "common practice"
    ),
    "solid": Threshold(10.0, "%", "untidy notes at a tempo that is solid", "common practice"),
    "apart": Threshold(
        25.0, "%", "untidy notes at a tempo that falls apart", "common practice"
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Limits:
    """The numbers that are used: seconds and cents. `strict` are a teacher's."""

    all: float
    single: float
    tuning: float

    @classmethod
    def usual(cls, *, strict: bool = False) -> Limits:
        """Return the usual limits, or strict ones: a single note and a bend half as far off."""
        part = 0.5 if strict else 1.0
        return cls(
            THRESHOLDS["all"].value / 1000,
            THRESHOLDS["single"].value / 1000 * part,
            THRESHOLDS["tuning"].value * part,
        )
