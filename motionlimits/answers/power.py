"""Power the supply really delivers: at rest, at a stated speed, at the limit; beside volts times amps."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..machine import Array, Direction, Machine
from ..physics.limits import available_under_load, input_power, move_demand
from ..physics.power import voltage_times_current
from ..physics.pullout import shaft_loss
from ..plant import Plant, nominal_plant


@dataclass(frozen=True)
class Power:
    """Electrical power [W] of the whole machine; speeds [m/s], acceleration [m/s2].

    rest : holding, all motors at their set current.
    cruise : at `speed`, constant.
    limit : while accelerating through the speed where steps are lost (or the highest reached).
    volts_times_amps : bus voltage times the sum of the set rms currents; no power, but what is often quoted.
    """

    direction: str
    speed: float
    acceleration: float
    limit_speed: float
    rest: float
    cruise: float
    limit: float
    volts_times_amps: float


def _power_at(plant: Plant, unit: Array, speed: float, acceleration: float) -> float:
    demand = move_demand(plant, unit, np.array([[speed]]), np.array([[acceleration]]))
    shaft = np.abs(demand.shaft_speed)
    field = available_under_load(plant, shaft)
    moving = shaft > 0.0
    loss = np.where(moving, shaft_loss(plant.hysteresis[:, None], plant.eddy[:, None], shaft), 0.0)
    torque = np.where(moving, np.abs(demand.torque) + loss, 0.0)
    return float(input_power(plant, shaft, torque, field.current_rms)[0, 0])


def power(machine: Machine, direction: Direction, speed: float, acceleration: float, limit_speed: float) -> Power:
    """Power of one direction of motion.

    Parameters
    ----------
    machine : Machine
    direction : Direction
    speed : float
        Constant speed looked at [m/s].
    acceleration, limit_speed : float
        Where steps are lost [m/s2], [m/s].
    """
    plant = nominal_plant(machine)
    unit = direction.vector
    amps = sum(drive.count * drive.driver.current_peak / math.sqrt(2.0) for drive in machine.drives)
    return Power(
        direction=direction.label,
        speed=speed,
        acceleration=acceleration,
        limit_speed=limit_speed,
        rest=_power_at(plant, unit, 0.0, 0.0),
        cruise=_power_at(plant, unit, speed, 0.0),
        limit=_power_at(plant, unit, limit_speed, acceleration),
        volts_times_amps=float(voltage_times_current(machine.supply.voltage, amps)),
    )
