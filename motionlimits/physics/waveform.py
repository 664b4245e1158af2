"""Pull-out torque by integrating the phase current: the definition, and slow.

The rotor turns at constant speed and lags the reference by a fixed angle. Both phases see the same waveform a
quarter cycle apart and every waveform is odd from one half cycle to the next, so half a cycle of one phase is the
whole story. Voltage, current and angle are scaled (see `pullout.similarity_numbers`):

    s dj/dx = u - r j - f s sin(x - d),    |u| <= 1,    reference sin x,    torque = 2 mean(j sin(x - d))

where j is phase current over its peak setting, u is applied over available voltage and d is the load angle beyond
the one of best torque at standstill.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ..machine import Array

_ANGLE_LOW, _ANGLE_HIGH = (
    -0.3,
    2.3,
)  # best torque never lies further out: a phase lags by at most a quarter cycle


class Waveform(NamedTuple):
    """Mean torque over `Kt I_pk` and rms over peak current, of one steady waveform."""

    torque: Array
    current_rms: Array


class _HalfCycle(NamedTuple):
    end: Array
    slope: Array
    torque: Array
    square: Array


def _half_cycle(start: Array, s: Array, r: Array, f: Array, angle: Array, steps: int, current_loop: str) -> _HalfCycle:
    """Integrate half a cycle from current `start`; `slope` is d end / d start."""
    h = math.pi / steps
    decay = np.exp(-r / s * h)
    small = r < 1e-9
    gain = np.where(small, h / s, -np.expm1(-r / s * h) / np.where(small, 1.0, r))
    lowest = 0.0 if current_loop == "slow-decay" else -1.0
    j, slope = start, np.ones_like(start)
    torque = np.zeros_like(start)
    square = np.zeros_like(start)
    for k in range(steps):
        pole = np.sin((k + 0.5) * h - angle)
        emf = f * s * pole
        wanted = (math.sin((k + 1) * h) - decay * j) / gain + emf
        u = np.clip(wanted, lowest, 1.0)
        following = decay * j + gain * (u - emf)
        slope = slope * np.where(u == wanted, 0.0, decay)
        mean = 0.5 * (j + following)
        torque += mean * pole
        square += mean * mean
        j = following
    return _HalfCycle(j, slope, 2.0 * torque / steps, square / steps)


def waveform_at_angle(
    s: ArrayLike,
    r: ArrayLike,
    f: ArrayLike,
    angle: ArrayLike,
    *,
    steps: int = 360,
    current_loop: str = "regulated",
) -> Waveform:
    """Steady mean torque and rms current at a given load angle.

    Parameters
    ----------
    s, r, f : array_like
        Similarity numbers [1], broadcast together.
    angle : array_like
        Load angle beyond the best one at standstill [rad].
    steps : int
        Steps in half an electrical cycle.
    current_loop : {"regulated", "slow-decay"}
        Whether the bridge may apply both polarities at any time, or only the one of the reference and zero.

    Returns
    -------
    Waveform
    """
    s, r, f, angle = (np.asarray(v, dtype=float) for v in np.broadcast_arrays(s, r, f, angle))
    start = np.zeros_like(s)
    # The map from start to end current is piecewise linear and a contraction, so Newton ends in a few rounds.
    for _ in range(40):
        half = _half_cycle(start, s, r, f, angle, steps, current_loop)
        gap = -half.end - start
        if np.max(np.abs(gap), initial=0.0) < 1e-9:
            break
        start = start + gap / (1.0 + half.slope)
    return Waveform(half.torque, np.sqrt(half.square))


def waveform_pullout(
    s: ArrayLike, r: ArrayLike, f: ArrayLike, *, steps: int = 360, current_loop: str = "regulated"
) -> Waveform:
    """Greatest steady mean torque over all load angles, and the rms current there.

    Parameters are those of `waveform_at_angle`; shapes of `s`, `r`, `f` are broadcast together.
    """
    s, r, f = (np.asarray(v, dtype=float)[..., None] for v in np.broadcast_arrays(s, r, f))
    angles = np.broadcast_to(np.linspace(_ANGLE_LOW, _ANGLE_HIGH, 27), (*s.shape[:-1], 27))
    spacing = 0.1
    for _ in range(2):
        wave = waveform_at_angle(s, r, f, angles, steps=steps, current_loop=current_loop)
        best = np.argmax(wave.torque, axis=-1)[..., None]
        centre = np.take_along_axis(angles, best, axis=-1)
        spacing /= 4.0
        angles = centre + spacing * np.arange(-4, 5)
    torque = np.take_along_axis(wave.torque, best, axis=-1)[..., 0]
    rms = np.take_along_axis(wave.current_rms, best, axis=-1)[..., 0]
    return Waveform(torque, rms)
