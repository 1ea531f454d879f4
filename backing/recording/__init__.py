"""Recording of a student over a backing, aligned with it to the sample.

Nothing is imported here; `backing.recording.recorder.Recorder` is what live playing gets.
"""

from __future__ import annotations
