"""What a scale or a meter would read under each cause, and how far off that may be."""

from __future__ import annotations

import math

import numpy as np

from ..machine import TOLERANCES, Array, Machine
from ..physics.lanes import working_voltage
from ..physics.pullout import winding_resistance
from ..plant import nominal_plant, spread
from ..readings import readings_of
from .causes import Hypothesis

OPEN_CIRCUIT = 1e4  # [ohm] what a meter shows, or more, on an open phase

HAND_SPEED = 0.2  # how far off the speed of a pull by hand may be, as a share: common practice, no source


def expected(machine: Machine, hypothesis: Hypothesis, key: str, sizes: Array) -> tuple[Array, Array]:
    """Expected reading and its standard deviation for each size of a cause, tolerances and reading error together.

    Parameters
    ----------
    sizes : ndarray, shape (m,)
        SI.

    Returns
    -------
    mean, deviation : ndarray, shape (m,)
        As `Kind.scale` has the reading: in its unit; of a phase resistance, its natural logarithm.
    """
    reading = readings_of(machine)[key]
    kind, place = reading.kind.name, reading.place
    share, absolute = reading.kind.error
    name = hypothesis.cause.name
    widths = spread(machine)
    here = hypothesis.where in (place, "all")
    one = np.ones_like(sizes)
    if kind == "supply_v":
        base = float(working_voltage(nominal_plant(machine))[0])
        mean = base * (sizes if name == "low-voltage" else one)
        return mean, np.hypot(share * mean + absolute, 0.02 * mean)
    speed = reading.kind.speed
    if speed is not None:
        column = machine.axis_names.index(place)
        axis = machine.axes[column]
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
