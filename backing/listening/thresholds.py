"""From when on something is said of a note, and where the number comes from."""

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
        15.0, "ms", "all of a take is late or early",
        "shifts of 15 and 25 ms were rated (Fruhauf, Kopiez & Platz 2013, Musicae Scientiae)",
    ),
    "single": Threshold(
        30.0, "ms", "one note is early or late",
        "a guitar's shift in a groove is noticed from about 31 to 35 ms on (PsyArXiv jsg94)",
    ),
    "floor": Threshold(
        6.0, "ms", "nobody hears less", "Friberg & Sundberg 1995, JASA 98, 2524"
    ),
    "tuning": Threshold(
        25.0, "cents", "a bend or a note is flat or sharp",
        "10 cents are just noticed (Hill & Summers 2007), about 25 tolerated (Larrouy-Maestri "
        "2018)",
    ),
    "fretted": Threshold(
        4.0, "cents", "a fretted note repeats no better",
        "Mottola, Same-Fretted-Note Intonation Variability of the Steel String Acoustic Guitar",
    ),
    "solid": Threshold(0.10, "share", "untidy notes at a tempo that is solid", "common practice"),
    "apart": Threshold(
        0.25, "share", "untidy notes at a tempo that falls apart", "common practice"
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
