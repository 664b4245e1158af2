"""A measured sweep, in SI: what was commanded, how often, and how often steps were lost."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SweepRow:
    """One commanded move, SI: acceleration [m/s2], speed [m/s], travel [m] or None, shifts [m] or None."""

    direction: str
    acceleration: float
    speed: float
    travel: float | None
    trials: int
    skipped: int
    shift_x: float | None = None
    shift_y: float | None = None
    note: str = ""
    line: int = 0
