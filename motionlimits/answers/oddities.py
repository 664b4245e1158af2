"""What is odd about a sweep: rows that the machine cannot do are left out, and what the others leave open is said."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..errors import InputError
from ..machine import Machine
from ..physics.limits import pull_in_acceleration
from ..plant import nominal_plant
from ..sweep import SweepRow, grouped
from .predict import round_figures

BEYOND_DRIVE = 1.2  # acceleration over what pull-out torque gives at standstill: more than tolerances make of it
MOST_LINES = 8  # told one by one
TOP_SHARE = 0.9  # of the speed that the travel allows: from here on nothing is left to be tested


def doable(machine: Machine, rows: Sequence[SweepRow]) -> tuple[tuple[SweepRow, ...], list[str]]:
    """Rows in directions that the machine has, and warnings of those left out.

    Raises
    ------
    InputError
        Where no row is left.
    """
    why: dict[str, str] = {}
    for label in dict.fromkeys(row.direction for row in rows):
        try:
            machine.direction(label)
        except InputError as problem:
            why[label] = str(problem)
    left = tuple(row for row in rows if row.direction not in why)
    told = [
        f"{_lines([row for row in rows if row.direction == label], 'is', 'are')} left out: {problem}"
        for label, problem in why.items()
    ]
    if not left:
        raise InputError("; ".join(["the sweep has no rows that this machine can do", *told]))
    return left, told


def oddities(machine: Machine, rows: Sequence[SweepRow]) -> list[str]:
    """What to know of a sweep before its answer is believed, one sentence each.

    Parameters
    ----------
    machine : Machine
    rows : sequence of SweepRow
        In directions that the machine has.

    Returns
    -------
    list of str
    """
    found = _repeated(rows) + _beyond_drive(machine, rows)
    if len(grouped(rows)) == 1:
        single = "a single row" if len(rows) == 1 else "a single direction and acceleration"
        found.append(f"{single} hardly tells causes apart: test others, too ('plan' says which)")
    if all(row.skipped for row in rows):
        found.append("every speed tried lost steps, so that limits are known from above only: test slower ones, too")
    elif not any(row.skipped for row in rows) and not all(_near_top(machine, row) for row in _fastest(rows)):
        found.append("no speed tried lost steps, so that limits are known from below only: test faster ones, too")
    return found


def _repeated(rows: Sequence[SweepRow]) -> list[str]:
    """Rows that are the same as others in everything."""
    seen: set[tuple[object, ...]] = set()
    again = []
    for row in rows:
        key = tuple(value for name, value in vars(row).items() if name != "line")
        if key in seen:
            again.append(row)
        seen.add(key)
    if not again:
        return []
    who = _lines(again, "repeats another and is", "repeat others and are")
    return [f"{who} counted as more trials: if a test was entered twice, delete one of them"]


def _beyond_drive(machine: Machine, rows: Sequence[SweepRow]) -> list[str]:
    """Accelerations that the motors do not have at any speed."""
    plant = nominal_plant(machine)
    found = []
    tried = list(grouped(rows))
    for label in dict.fromkeys(label for label, _ in tried):
        most = float(pull_in_acceleration(plant, machine.direction(label).vector)[0])
        beyond = sorted(a for along, a in tried if along == label and a > BEYOND_DRIVE * most > 0.0)
        if beyond:
            found.append(
                f"direction {label}, {', '.join(f'{a * 1e3:.0f}' for a in beyond)} mm/s2: more than the motors give there even at "
                f"standstill (about {round_figures(most * 1e3):,.0f} mm/s2); only a crawl survives that, and tells little of faster moves"
            )
    return found


def _fastest(rows: Sequence[SweepRow]) -> list[SweepRow]:
    """The fastest row of each direction and acceleration."""
    return [max(group, key=lambda row: row.speed) for group in grouped(rows).values()]


def _near_top(machine: Machine, row: SweepRow) -> bool:
    """Whether a row tests about all that the travel allows."""
    return row.speed > TOP_SHARE * math.sqrt(row.acceleration * machine.travel_along(machine.direction(row.direction)))


def _lines(rows: Sequence[SweepRow], one: str, several: str) -> str:
    """Which lines some rows are, or how many rows where they come from no file; and what is said of one or several."""
    numbers = [str(row.line) for row in rows if row.line]
    if len(rows) == 1:
        return f"{f'line {numbers[0]}' if numbers else 'a row'} {one}"
    if len(numbers) < len(rows):
        return f"{len(rows)} rows {several}"
    more = f" and {len(rows) - MOST_LINES} more" if len(rows) > MOST_LINES else ""
    return f"lines {', '.join(numbers[:MOST_LINES])}{more} {several}"
