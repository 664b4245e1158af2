"""A planned sweep as a file to fill in, and as a numerical-control program.

The program uses ISO 6983 words, G1, F, G4 and comments, nothing else.

What sets an acceleration is no part of the standard: the user supplies that line as a template.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from ..answers.plan import program_moves
from ..errors import InputError
from ..files.sweeps import write_sweep
from ..sweep import SweepRow

if TYPE_CHECKING:
    from ..answers.plan import Plan

DWELL_SECONDS = 1.0
APPROACH_SHARE = 0.25  # of the tested speed, to get to the start


def _words(machine_axes: Sequence[str], place: Iterable[float]) -> str:
    return " ".join(f"{name.upper()}{value * 1e3:.3f}" for name, value in zip(machine_axes, place, strict=True))


def sweep_program(planned: Plan, acceleration_line: str | None = None) -> str:
    """The text of the program.

    Parameters
    ----------
    planned : Plan
    acceleration_line : str, optional
        With `{acceleration}` where the value in mm/s2 goes; inserted before each change of acceleration. Without it a
        comment asks the operator to set the acceleration.

    Raises
    ------
    InputError
        Where the template has no `{acceleration}`, or an axis has a name that is no single letter.
    """
    axes = planned.machine.axis_names
    for name in axes:
        if len(name) != 1:
            raise InputError(f"axis '{name}': a program needs axis names of one letter")
    if acceleration_line is not None and (
        "{acceleration}" not in acceleration_line or not acceleration_line.isprintable() or len(acceleration_line) > 200
    ):
        raise InputError(
            "--acceleration-line: write the line your controller understands, with {acceleration} where the value goes"
        )
    lines = [
        "(Sweep of speeds: check the position against a reference after every move.)",
        "(Absolute millimetres from the lower end of every axis; stop at the first sign of trouble.)",
    ]
    current = None
    for row, start, end in program_moves(planned):
        feed = row.speed * 60e3
        if row.acceleration != current:
            current = row.acceleration
            value = f"{current * 1e3:.10g}"
            if acceleration_line is None:
                lines.append(f"(Set the acceleration to {value} mm/s2 now.)")
                lines.append("G4 P10")
            else:
                lines.append(acceleration_line.replace("{acceleration}", value))
        lines.append(f"(direction {row.direction}, {row.acceleration * 1e3:.10g} mm/s2, {row.speed * 1e3:.10g} mm/s)")
        for _ in range(planned.trials):
            lines.append(f"G1 {_words(axes, start)} F{APPROACH_SHARE * feed:.1f}")
            lines.append(f"G4 P{DWELL_SECONDS:g}")
            lines.append(f"G1 {_words(axes, end)} F{feed:.1f}")
            lines.append(f"G4 P{DWELL_SECONDS:g}")
    return "\n".join(lines) + "\n"


def blank_sweep(planned: Plan) -> str:
    """A planned sweep to fill in: the column `skipped` is empty."""
    rows = [SweepRow(r.direction, r.acceleration, r.speed, r.travel, planned.trials, 0) for r in planned.rows]
    text = write_sweep(rows, ["Fill in 'skipped': how many of the trials lost steps. Rows left empty do not count."])
    return re.sub(r",0$", ",", text, flags=re.MULTILINE)
