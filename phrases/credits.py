"""Who made something, and what others may do with it: author, rights, link and date.

References: ISO 8601 (dates).
"""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass

from phrases.textfile import TextFile

__all__ = ["CREDIT_KEYS", "NOBODY", "Credits", "read_credits"]

CREDIT_KEYS = ("author", "rights", "link", "date")
LONGEST = 200  # signs


@dataclass(frozen=True, slots=True)
class Credits:
    """Who made something, and what others may do with it; each is empty where nothing is said."""

    author: str = ""  # a name, or several
    rights: str = ""  # in words: ``CC BY 4.0``
    link: str = ""  # an address of the web
    date: str = ""  # as ISO 8601 has it: ``2026-05-01``, ``2026-05`` or ``2026``

    def over(self, other: Credits) -> Credits:
        """Return these, with another's words where these say nothing."""
        return Credits(
            self.author or other.author,
            self.rights or other.rights,
            self.link or other.link,
            self.date or other.date,
        )

    @property
    def line(self) -> str:
        """All of it in one line; the year stands before the author."""
        made = " ".join(filter(None, (self.date[:4], self.author)))
        return " · ".join(filter(None, (made, self.rights, self.link)))


NOBODY = Credits()


def read_credits(file: TextFile) -> Credits:
    """Return who made what a file holds, as its author, rights, link and date say."""
    author, rights, link = (file.get((key,), str, "") for key in ("author", "rights", "link"))
    for key, text in (("author", author), ("rights", rights), ("link", link)):
        if "\n" in text or len(text) > LONGEST:
            file.complain((key,), f'"{key}" must be one line of at most {LONGEST} signs')
    if link and not re.fullmatch(r"https?://\S+", link):
        file.complain(("link",), f'the link "{link[:40]}" must be an address: https://example.org')
    date = file.get(("date",), (str, datetime.date), "")
    told = date.isoformat() if isinstance(date, datetime.date) else date
    if told and not _is_date(told):
        message = f'the date "{told[:40]}" must be a day, a month or a year: 2026-05-01, 2026-05'
        file.complain(("date",), message)
    return Credits(author.strip(), rights.strip(), link, told)


def _is_date(text: str) -> bool:
    if not re.fullmatch(r"\d{4}(-\d\d(-\d\d)?)?", text):
        return False
    try:
        datetime.date.fromisoformat(text + "-01-01"[len(text) - 4 :])
    except ValueError:
        return False
    return True
