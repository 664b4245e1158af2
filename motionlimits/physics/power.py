"""Electrical power a drive really takes: shaft power + copper + iron, not volts times amps of the setting."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ..machine import Array

PHASES = 2


def copper_loss(current_rms: ArrayLike, resistance: ArrayLike) -> Array:
    """Heat in both phases and what is in series with them [W], from rms phase current [A] and resistance [ohm]."""
    return PHASES * np.asarray(current_rms) ** 2 * np.asarray(resistance)


def electrical_power(
    shaft_torque: ArrayLike,
    iron_drag: ArrayLike,
    speed: ArrayLike,
    current_rms: ArrayLike,
    resistance: ArrayLike,
) -> Array:
    """Power into one motor and its bridge [W].

    Parameters
    ----------
    shaft_torque, iron_drag : array_like
        Delivered at the shaft and lost in the iron [N.m].
    speed : array_like
        [rad/s]
    current_rms : array_like
        Per phase [A].
    resistance : array_like
        Winding and bridge, per phase [ohm].
    """
    mechanical = (np.asarray(shaft_torque) + np.asarray(iron_drag)) * np.abs(np.asarray(speed))
    return mechanical + copper_loss(current_rms, resistance)


def loaded_voltage(open_voltage: ArrayLike, source_resistance: ArrayLike, power: ArrayLike) -> Array:
    """Bus voltage while a supply of given source resistance delivers a power [V].

    `V = V0 - Rs P / V`, the larger root; beyond the most the source can give (V0^2 / 4 Rs) half the open voltage.
    """
    v0 = np.asarray(open_voltage)
    root = np.maximum(v0**2 - 4.0 * np.asarray(source_resistance) * np.maximum(np.asarray(power), 0.0), 0.0)
    return 0.5 * (v0 + np.sqrt(root))


def voltage_times_current(voltage: ArrayLike, current: ArrayLike) -> Array:
    """The product people quote [W]. It is no power: see `electrical_power`."""
    return np.asarray(voltage) * np.asarray(current)
