"""Odd sweeps: what is left out, what is said of the rest."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motionlimits.answers.diagnose import diagnose
from motionlimits.answers.oddities import BEYOND_DRIVE, doable, oddities
from motionlimits.answers.plan import planned_accelerations
from motionlimits.errors import InputError
from motionlimits.machine import Machine
from motionlimits.show.words import agreement_words
from motionlimits.sweep import SweepRow


def row(direction: str, acceleration: float, speed: float, skipped: int = 0, line: int = 0) -> SweepRow:
    return SweepRow(direction, acceleration, speed, None, 3, skipped, line=line)


BRACKETS = [row("x", 3.0, 0.5), row("x", 3.0, 0.6, 3), row("y", 3.0, 0.5), row("y", 3.0, 0.6, 3)]


def test_a_good_sweep_is_not_odd(gantry: Machine, example_rows: tuple[SweepRow, ...]) -> None:
    for rows in (BRACKETS, example_rows):
        assert doable(gantry, rows) == (tuple(rows), [])
        assert oddities(gantry, rows) == []


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (
            [replace(r, line=k) for k, r in enumerate([*BRACKETS, BRACKETS[1]], 2)],
            "line 6 repeats another and is counted",
        ),
        ([*BRACKETS, *BRACKETS[1:]], "3 rows repeat others and are counted as more trials"),
        ([replace(r, line=k) for k, r in enumerate(12 * [BRACKETS[0]] + BRACKETS[1:], 2)], "10 and 3 more repeat"),
        ([BRACKETS[1]], "a single row hardly tells"),
        (BRACKETS[:2], "a single direction and acceleration hardly tells"),
        (BRACKETS[1::2], "limits are known from above only"),
        (BRACKETS[::2], "limits are known from below only"),
        ([*BRACKETS, row("x", 500.0, 0.1, 3)], "direction x, 500000 mm/s2: more than the motors give"),
    ],
)
def test_odd_sweeps_are_told(gantry: Machine, rows: list[SweepRow], words: str) -> None:
    assert sum(words in told for told in oddities(gantry, rows)) == 1


def test_nothing_faster_is_asked_for_than_the_travel_allows(gantry: Machine) -> None:
    reached = [row(label, 3.0, math.sqrt(3.0 * gantry.travel_along(gantry.direction(label)))) for label in ("x", "y")]
    assert oddities(gantry, reached) == []


def test_directions_of_other_machines_are_left_out(gantry: Machine, cutter: Machine) -> None:
    foreign = row("q", 3.0, 0.5, line=7)
    left, (told,) = doable(gantry, [*BRACKETS, foreign])
    assert left == tuple(BRACKETS)
    assert told.startswith("line 7 is left out: direction 'q' is not known")
    with pytest.raises(InputError, match="no rows that this machine can do; line 7 is left out: direction 'q'"):
        doable(gantry, [foreign])
    with pytest.raises(InputError, match="no rows"):
        doable(gantry, [])
    found = diagnose(gantry, [*BRACKETS, foreign], quick=True)
    assert {r.direction for r in found.agreement} == {"x", "y"}
    assert any("line 7 is left out" in warning for warning in found.warnings)
    assert doable(cutter, [row("z", 1.0, 0.01)])[1] == []


def test_beyond_the_drive_is_beyond_what_a_plan_asks_for(gantry: Machine, cutter: Machine) -> None:
    """A plan's briskest acceleration is what pull-out torque gives at standstill."""
    for machine in (gantry, cutter):
        directions = machine.usual_directions()
        for direction, rates in zip(directions, planned_accelerations(machine, directions), strict=True):
            for share, odd in ((1.0, False), (0.95 * BEYOND_DRIVE, False), (1.05 * BEYOND_DRIVE, True)):
                told = oddities(machine, [row(direction.label, share * max(rates), 1e-3, 3)])
                assert any("more than the motors give" in t for t in told) is odd


@given(st.permutations(range(6)), st.integers(0, 3))
def test_order_does_not_matter(gantry: Machine, order: list[int], again: int) -> None:
    rows = [*BRACKETS, BRACKETS[again], row("45", 900.0, 0.05, 3)]
    assert sorted(oddities(gantry, rows)) == sorted(oddities(gantry, [rows[k] for k in order]))


def test_without_bands_the_speed_predicted_is_told(gantry: Machine) -> None:
    found = diagnose(gantry, [row("x", 50.0, 0.1), row("x", 50.0, 0.12, 3)], quick=True)
    (agreement,) = found.agreement
    assert agreement.low is None
    assert agreement.predicted is not None
    assert np.isfinite(agreement.predicted)
    assert f"predicted {1e3 * agreement.predicted:.0f} mm/s." in agreement_words(found)
