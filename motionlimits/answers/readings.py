"""What a scale or a meter would read under a cause, and how far off a reading may be."""

from __future__ import annotations

import math

import numpy as np

from ..machine import TOLERANCES, Array, Machine
from ..physics.lanes import working_voltage
from ..physics.pullout import winding_resistance
from ..plant import nominal_plant, spread
from .causes import Hypothesis

OPEN_CIRCUIT = 1e4  # [ohm] what a meter shows, or more, on an open phase

# Reading errors, one standard deviation, as a share of the reading and an absolute part: common practice, no source.
READING_ERROR = {
    "supply_v": (0.01, 0.1),
    "pull": (0.10, 0.5),
    "fast_pull": (0.15, 0.7),
    "mass": (0.02, 0.005),
    "phase_ohm": (0.03, 0.1),
    "current_rms": (0.05, 0.02),
}

# Speeds of pulls by hand [m/s], and how far off they may be, as a share: common practice, no source.
PULL_SPEED, HAND_SPEED = {"pull": 0.0, "fast_pull": 0.5}, 0.2

HOW = {
    "supply_v": "measure the bus voltage at the driver while the machine moves",
    "pull": "pull the carriage along {} with a luggage scale, motors off",
    "fast_pull": "pull the carriage along {} with a luggage scale at about 0.5 m/s, motors off",
    "mass": "weigh what moves along {}",
    "phase_ohm": "measure both phases of motor {} at the driver plug, power off",
    "current_rms": "measure the phase current of motor {} with a clamp meter at slow motion",
}


def split(key: str) -> tuple[str, str]:
    """Kind and place of an evidence key."""
    if key == "supply_v":
        return "supply_v", ""
    for kind, ending in (
        ("pull", "_n"),
        ("fast_pull", "_n"),
        ("mass", "_kg"),
        ("current_rms", "_a"),
        ("phase_ohm", ""),
    ):
        if key.startswith(kind + "_"):
            return kind, key[len(kind) + 1 : len(key) - len(ending) if ending else None]
    raise KeyError(key)


def how_to(key: str) -> str:
    """How to take a reading."""
    kind, place = split(key)
    return HOW[kind].format(place)


def expected(machine: Machine, hypothesis: Hypothesis, key: str, sizes: Array) -> tuple[Array, Array]:
    """Expected reading and its standard deviation for each size of a cause, tolerances and reading error together.

    Parameters
    ----------
    sizes : ndarray, shape (m,)
        SI.

    Returns
    -------
    mean, deviation : ndarray, shape (m,)
        In the unit of the key; of a phase resistance, its natural logarithm.
    """
    kind, place = split(key)
    name = hypothesis.cause.name
    share, absolute = READING_ERROR[kind]
    widths = spread(machine)
    here = hypothesis.where in (place, "all")
    one = np.ones_like(sizes)
    if kind == "supply_v":
        base = float(working_voltage(nominal_plant(machine))[0])
        mean = base * (sizes if name == "low-voltage" else one)
        return mean, np.hypot(share * mean + absolute, 0.02 * mean)
    if kind in PULL_SPEED:
        column = machine.axis_names.index(place)
        axis, speed = machine.axes[column], PULL_SPEED[kind]
        faster = speed * (axis.viscous + (sizes if name == "speed-drag" and here else 0.0 * one))
        mean = axis.friction + faster + (sizes if name == "drag" and here else 0.0 * one)
        rubbing, viscous = widths["friction"][column] * axis.friction, widths["viscous"][column] * speed * axis.viscous
        return mean, np.sqrt((share * mean + absolute) ** 2 + (HAND_SPEED * faster) ** 2 + rubbing**2 + viscous**2)
    if kind == "mass":
        column = machine.axis_names.index(place)
        own = machine.axes[column].moving_mass
        mean = own + (sizes if name == "heavy" and here else 0.0 * one)
        return mean, np.hypot(share * mean + absolute, float(widths["moving_mass"][column]) * own)
    column = machine.drive_names.index(place)
    drive = machine.drives[column]
    if kind == "phase_ohm":
        own = float(winding_resistance(drive.motor.resistance, machine.winding_temperature))
        mean = own + (sizes if name == "series-resistance" and here else 0.0 * one)
        # In the logarithm, since an open circuit has no scale.
        deviation = np.hypot(share + absolute / mean, float(widths["winding_resistance"][column]) * own / mean)
        if name == "open-phase" and here:
            return one * math.log(30.0 * OPEN_CIRCUIT), one * 2.5
        return np.log(mean), deviation
    mean = drive.driver.current_rms * (sizes if name == "low-current" and here else one)
    if name == "open-phase" and here:
        mean = 0.5 * mean  # of the two phases one reads nothing
        return mean, 0.5 * drive.driver.current_rms * one
    return mean, np.hypot(share * mean + absolute, TOLERANCES["current"] * mean)


def scale(key: str, reading: float) -> float:
    """A reading on the scale of `expected`."""
    return math.log(reading) if split(key)[0] == "phase_ohm" else reading


def unscale(key: str, value: float) -> float:
    """The reverse of `scale`."""
    return math.exp(value) if split(key)[0] == "phase_ohm" else value
