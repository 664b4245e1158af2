"""The swing after an abrupt start, without damping: how much demand, and for how long, a rotor survives.

A rotor on the magnetic spring obeys `phi'' = demand/peak - sin phi` in units of its natural frequency. The
equal-area criterion gives the greatest demand that never pulls it out, and for greater demands the longest time they
may last (the critical clearing time of power engineering).

References
----------
.. [1] Kundur, Power System Stability and Control, McGraw-Hill 1994, ch. 13.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..machine import Array
from .constants import EQUAL_AREA_LIMIT

# Gauss-Legendre nodes on 0..1; the integrand is smooth after phi = phi_c x^2.
_gauss = np.polynomial.legendre.leggauss(64)
_NODES, _WEIGHTS = 0.5 * (_gauss[0] + 1.0), 0.5 * _gauss[1]


def natural_frequency(rotor_teeth: ArrayLike, peak_torque: ArrayLike, inertia: ArrayLike) -> Array:
    """Small oscillations of a rotor about its detent of the field [rad/s]: `sqrt(Nr T / J)`."""
    return np.sqrt(np.asarray(rotor_teeth) * np.asarray(peak_torque) / np.asarray(inertia))


def start_step(after: ArrayLike) -> Array:
    """Greatest abrupt step of speed that a rotor survives, in units of natural frequency over rotor teeth.

    Parameters
    ----------
    after : array_like
        Demand over peak torque that goes on afterwards (friction, gravity) [1].

    Returns
    -------
    ndarray
        2 without any demand, 0 from the equal-area limit up.
    """
    lasting = np.clip(np.asarray(after, dtype=float), 0.0, 1.0)
    unstable = np.pi - np.arcsin(lasting)
    return np.sqrt(np.maximum(2.0 * (1.0 - lasting * unstable - np.cos(unstable)), 0.0))


def clearing_time(demand: ArrayLike, after: ArrayLike = 0.0) -> Array:
    """Longest time an abrupt demand may last, in radians of the natural frequency.

    Parameters
    ----------
    demand : array_like
        Demand over peak torque while accelerating [1].
    after : array_like
        The part of it that goes on afterwards (friction, gravity) [1].

    Returns
    -------
    ndarray
        Infinite up to the equal-area limit of 0.7246. Beyond it the load angle at which the demand must end follows
        from the energy left there, and the time to reach it is the integral of
        d phi / sqrt(2 (demand phi + cos phi - 1)).
    """
    demand, after = np.broadcast_arrays(np.asarray(demand, dtype=float), np.asarray(after, dtype=float))
    safe = np.maximum(demand, EQUAL_AREA_LIMIT * (1.0 + 1e-9))
    angle_end = (0.5 * start_step(after) ** 2 / np.maximum(safe - np.clip(after, 0.0, 1.0), 1e-9))[..., None]
    # The energy near the unstable angle is all but zero when the demand is just beyond the limit.
    angle = angle_end * _NODES**2
    energy = np.maximum(safe[..., None] * angle - 2.0 * np.sin(0.5 * angle) ** 2, 1e-12)
    time = np.sum(_WEIGHTS * 2.0 * angle_end * _NODES / np.sqrt(2.0 * energy), axis=-1)
    return np.where(demand <= EQUAL_AREA_LIMIT, np.inf, time)
