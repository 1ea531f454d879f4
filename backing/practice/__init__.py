"""The practice room: loops that change tempo, and gaps that wait for the student."""

from __future__ import annotations

from backing.practice.looper import loop, trade
from backing.practice.plan import Plan, read_plan, usual_start

__all__ = ["Plan", "loop", "read_plan", "trade", "usual_start"]
