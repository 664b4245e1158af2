"""Makes the table that `pullout.map_lookup` reads, from `waveform.waveform_pullout`.

Run `python -m motionlimits.physics.simmap` after any change to the waveform model; it rewrites `pullout_map.npz`
beside this file (a few minutes).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ..machine import CURRENT_LOOPS, Array
from .pullout import map_coordinates
from .waveform import waveform_pullout

# Range of s hypot(1, f), r and f that motors span, with room: r = 4 is a winding that a bus can force to a quarter of
# its setting, f = 60 a large magnet flux at a tenth of the rated current.
SPEED_RANGE, RESISTANCE_RANGE, FLUX_RANGE = (0.05, 400.0), (0.0, 4.0), (0.03, 60.0)
SHAPE = (118, 28, 72)


def grid_limits() -> tuple[Array, Array]:
    """First and last map coordinates."""
    last_two = [
        map_coordinates(np.array(1.0), np.array(RESISTANCE_RANGE[k]), np.array(FLUX_RANGE[k]))[1:] for k in (0, 1)
    ]
    ends = [np.array([np.log(SPEED_RANGE[k]), *last_two[k]], dtype=float) for k in (0, 1)]
    return ends[0], ends[1]


def _flux(coordinate: Array) -> Array:
    """Invert the third map coordinate."""
    fine = np.linspace(np.log(FLUX_RANGE[0]) - 0.1, np.log(FLUX_RANGE[1]) + 0.1, 200_001)
    return np.exp(np.interp(coordinate, map_coordinates(np.array(1.0), np.array(0.0), np.exp(fine))[2], fine))


def build(current_loop: str, shape: tuple[int, int, int] = SHAPE, steps: int = 180) -> Array:
    """Table of torque and rms current, both times `(1 + s hypot(1, f)) (1 + r)`, shape (*shape, 2)."""
    first, last = grid_limits()
    axes = [np.linspace(a, b, n) for a, b, n in zip(first, last, shape, strict=True)]
    values = np.empty((*shape, 2))
    r, f = np.meshgrid(axes[1] ** 2, _flux(axes[2]), indexing="ij")
    for i, log_speed in enumerate(axes[0]):
        speed = np.exp(log_speed)
        wave = waveform_pullout(speed / np.hypot(1.0, f), r, f, steps=steps, current_loop=current_loop)
        fall = (1.0 + speed) * (1.0 + r)
        values[i, :, :, 0] = wave.torque * fall
        values[i, :, :, 1] = wave.current_rms * fall
    return values


def main() -> None:
    """Write the table for every current loop."""
    first, last = grid_limits()
    tables = {loop.replace("-", "_"): build(loop).astype(np.float32) for loop in CURRENT_LOOPS}
    np.savez_compressed(Path(__file__).with_name("pullout_map.npz"), first=first, last=last, **tables)  # type: ignore[arg-type]


if __name__ == "__main__":
    main()
