"""Time series of a move as CSV text, in trade units."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..answers.motion import Motion


def motion_csv(motion: Motion) -> str:
    """One line per recorded moment: time, reference speed, axes, motors."""
    axes, drives = motion.machine.axis_names, motion.machine.drive_names
    header = ["time_s", "reference_mm_s"]
    header += [f"{what}_{axis}_{unit}" for axis in axes for what, unit in (("position", "mm"), ("speed", "mm_s"))]
    for drive in drives:
        header += [
            f"shaft_{drive}_rev_s",
            f"lag_{drive}_rad",
            f"torque_{drive}_nm",
            f"current_1_{drive}_a",
            f"current_2_{drive}_a",
        ]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    t = motion.trace
    for i in range(t.time.size):
        row = [f"{t.time[i]:.6f}", f"{t.speed_reference[i] * 1e3:.4f}"]
        for k in range(len(axes)):
            row += [f"{t.position[i, k] * 1e3:.5f}", f"{t.speed[i, k] * 1e3:.4f}"]
        for d in range(len(drives)):
            row += [
                f"{t.shaft_speed[i, d] / 6.283185307179586:.5f}",
                f"{t.lag[i, d]:.5f}",
                f"{t.torque[i, d]:.6f}",
                f"{t.current[i, d, 0]:.5f}",
                f"{t.current[i, d, 1]:.5f}",
            ]
        writer.writerow(row)
    return out.getvalue()
