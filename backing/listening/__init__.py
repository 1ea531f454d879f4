"""A take against what was written: which notes came, when, and how far they were bent.

`written` says what should be heard, `source` reads a take, `ears` hears where notes begin and
their pitch, `room` takes the backing out of it, `match` pairs notes with what is heard, `judge`
measures, `words` says it as a teacher would, and `picture` draws it. `meter` hears each note while
it is played. Where nothing is written, `plucks` hears the picks, `moves` what the hand does,
`counted` on which counts, and `draft` writes a phrase. Nothing is imported here.
"""

from __future__ import annotations
