"""What the student plays over a backing: recorded as it is played, in time with it.

Nothing is imported here; `backing.recording.recorder.Recorder` is what live playing gets.
"""

from __future__ import annotations
