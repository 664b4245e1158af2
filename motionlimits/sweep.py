"""A measured sweep, in SI: what was commanded, how often, and how often steps were lost."""

from __future__ import annotations

from collections.abc import Sequence
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


def grouped(rows: Sequence[SweepRow]) -> dict[tuple[str, float], list[SweepRow]]:
    """Rows by direction and acceleration, in the order in which these first come."""
    groups: dict[tuple[str, float], list[SweepRow]] = {}
    for row in rows:
        groups.setdefault((row.direction, row.acceleration), []).append(row)
    return groups
