"""Files to start from: a phrase and a lesson whose comments teach their formats.

Both are whole: a new phrase plays and a new lesson makes a folder as they stand.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

from phrases.errors import Problem, RangeError, TextFileError
from phrases.rewrite import replace_file

__all__ = ["LESSON", "LONGEST_NAME", "PHRASE", "starter", "write_starter"]

LONGEST_NAME = 80

PHRASE = r"""# A phrase. What is made of it:
#   backing check {file}
#   backing demo {file} -o demo.wav
#   backing sheet {file} -o sheet.pdf
title  = "{title}"
key    = "A"                  # a note name: Bb, F#, "C# minor"
scale  = "mixed blues"        # for `check`, which names the notes outside it
groove = "shuffle"            # one of `backing list grooves`, or a file of your own: "./mine.toml"
tempo  = 92                   # felt beats a minute
# meter  = "12/8"             # for slow blues: four felt beats of three; 4/4 if left out
# swing  = "3:2"              # or "straight" or "auto"; the groove's own if left out
# tuning = "open G"           # or "half step down", "drop D", six notes; standard if left out
# slide  = "little"           # the finger that wears one
# lines  = "outer"            # over which lines of a chorus it is played: every, first, outer
# behind = 20                 # milliseconds behind the beat, or "auto"
# tone   = "driven"           # clean, driven or fuzz
# pick   = "neck"             # where the strings are picked: bridge, middle or neck
# author = "Ida Quill"        # these four stand in the foot of the sheet, in tags and on the page
# rights = "CC BY 4.0"
# link   = "https://example.org"
# date   = 2026-05-01
level  = "easy"               # easy, medium or hard
tags   = ["position 5"]
tips   = "What to mind in the whole of it. *Markdown*, as you like."

# A line alternates counts and places, as you would say them.
#   counts  1 2 3 4, & (the swung half), trip and let (the triplets), e and a (the sixteenths)
#   places  a string (E A D G B e, low to high) and a fret: B8; Gx is a muted string
#           + joins two at once: B5+e5; . is a rest; - lets the note ring on
#   | is a bar line; what stands before the first one is the pickup
#   % is the bar before once more; = that bar, or the pickup, as in the part before
# After a place, or on a count of its own, what the hand does:
#   /7 \5 slide    h7 p5 hammer-on, pull-off    b9 b(1/4) bend    r let it down
#   pb9 bend before the pick    ~ ~~ vibrato    tr8 trill
# In braces: {{d}} {{u}} strokes, {{1}} to {{4}} fingers, {{accent}} {{ghost}} {{pm}} {{rake}}.
[[part]]
role  = "call"                # call, response, or line where it is not answered
notes = '4 G5 & G7 | 1 B5 2& G7 3 G5 & B5~ | 2 .'

[[part]]
role  = "response"
notes = '= | 1 B5 & G7 2 G5 3 G5h6 & D7~ | 2 .'

# A tip for one note: the part, the bar (0 is the pickup) and the count.
[[tip]]
at    = "response 1 3"
text  = "Let the hammer-on do the work; do not pick twice."

# A variation says what it changes: parts of the same role take the place of those above.
# [[variation]]
# name = "busier"
# [[variation.part]]
# role  = "response"
# notes = '= | 1 B5 & G7 2 G5h7 & G5 3 D7~ | 2 .'
"""

LESSON = r"""# A lesson. This makes its folder, and called again only what you have changed:
#   backing lesson {file} -o {folder}
title  = "{title}"

# What you say to the student, in Markdown. It stands on the practice page and under the video.
text   = "Play it slowly until it sings. *Then* turn it up."

# author = "Ida Quill"        # these four stand in the foot of the sheet, in tags and on the page
# rights = "CC BY 4.0"
# link   = "https://example.org"
# date   = 2026-05-01

# What holds for every phrase below, if it does not say otherwise itself.
keys   = ["A"]                # as many as you like; the phrase's own if left out
tempos = [60, 76, 92]         # felt beats a minute; up to the phrase's own if left out
# grooves = ["shuffle"]       # of `backing list grooves`, or "mine.toml"; each phrase's own
# form   = "quick-change"     # one of `backing list forms`; a twelve-bar if left out
# swing  = "3:2"
gaps   = ["response"]         # what trade tracks leave open; also: call, echo, two, four

choruses = 2                  # of demos and backings
formats  = ["wav", "mp3"]     # flac, ogg and opus are there too; MIDI comes with each
stems    = false              # true: demos and backings part by part, too
films    = false              # true: a film of each demo, in the first key at the highest tempo
make     = ["demo", "loop", "trade", "backing", "sheet", "page"]
# full-tempo-only = ["backing"] # of these, what is made at the highest tempo alone

# The chapters under your video: how long you talk first, in seconds, and what it plays after that.
opening  = 30
video    = ["demo", "loop", "trade"]

# One [[phrase]] for each. Files lie in this file's folder or below it, or a phrase ships.
[[phrase]]
file   = "pot-lid"            # a file, "my-phrase.toml", or one of `backing list phrases`
# variations = ["busier"]     # all of them if left out; [] for none
# keys   = ["E"]              # keys, tempos, grooves, form, swing and gaps as above
# text   = "What you say to this one."
# take   = "my-recording.wav" # you playing it once, in its own key: it takes the demo's place
# take-tempo = 92             # at which you played; the phrase's own if left out

# The steps through which a practice page leads the student; the usual ones if left out.
# [[session]]
# do     = "listen"           # answer, call, along, alone, faster, key
# passes = 2
# text   = "Only listen. Where does it breathe?"
"""


def starter(name: str, *, lesson: bool = False, folder: str = "lesson", phrase: str = "") -> str:
    """Return the text of a new file.

    The title is made from the file's `name`, ``my-phrase.toml``; a lesson's first comment names
    the `folder` for its files. A lesson of a `phrase`, a file, takes that one's keys and tempos.
    """
    stem = Path(name).stem
    title = re.sub(r"[-_\s]+", " ", stem).strip()
    title = (title[:1].upper() + title[1:]) or stem
    title = title.replace("\\", "\\\\").replace('"', '\\"')
    text = LESSON if lesson else PHRASE
    if phrase:
        text = text.replace(
            '"pot-lid"           ', json.dumps(phrase).replace("{", "{{").replace("}", "}}")
        )
        text = re.sub(r"^(keys|tempos) ", r"# \1 ", text, flags=re.MULTILINE)
    return text.format(title=title, file=name, folder=folder)


def write_starter(path: Path, *, lesson: bool = False, author: str = "", phrase: str = "") -> Path:
    """Write a new file and return its path, which ends in ``.toml``.

    Raises `RangeError` if its name is empty, too long, or has letters that no file's name should
    have; `TextFileError` if there is such a file already, or it cannot be written.
    """
    if path.suffix.lower() != ".toml":
        path = path.with_name(f"{path.name}.toml") if path.name else path
    stem = path.stem if path.name else ""
    if not stem.strip(". ") or len(stem) > LONGEST_NAME or not stem.isprintable():
        raise RangeError(
            f'"{path.name[:LONGEST_NAME]}" cannot be a file\'s name; write a short one, '
            "such as porch-light"
        )
    if path.exists() or path.is_symlink():
        raise TextFileError(str(path), (Problem("is there already; choose another name"),))
    text = starter(path.name, lesson=lesson, folder=path.stem, phrase=phrase)
    if author:
        told = f"author = {json.dumps(author, ensure_ascii=False)}"
        text = re.sub(r'# author *= "[^"]*"', lambda _: told, text)
    replace_file(path, text)
    return path
