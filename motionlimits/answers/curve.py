"""Torque against speed of one motor of the machine, with the demand of a chosen move."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import InputError
from ..machine import Direction, Drive, Machine
from ..physics.limits import available_under_load, move_demand
from ..physics.pullout import shaft_loss, steady_bounds
from ..plant import nominal_plant

DEFAULT_POINTS = 13


@dataclass(frozen=True)
class Curve:
    """Pull-out torque [N.m] of one motor over shaft speed [rev/s].

    `demand` [N.m] and `speed` along the move [m/s] are there for a chosen direction and acceleration; `crossing`
    [rev/s] is where demand passes pull-out torque, None if it does not in the range.
    """

    machine: Machine
    drive: Drive
    speeds_rev_s: tuple[float, ...]
    pullout: tuple[float, ...]
    bound_low: tuple[float, ...]
    bound_high: tuple[float, ...]
    corner_rev_s: float | None
    losses: bool
    direction: Direction | None = None
    acceleration: float | None = None
    demand: tuple[float, ...] = ()
    move_speeds: tuple[float, ...] = ()
    crossing_rev_s: float | None = None


def corner_speed(machine: Machine, drive: Drive) -> float | None:
    """Shaft speed [rev/s] at which the pull-out torque before losses has fallen to 95 % of its standstill value."""
    plant = nominal_plant(machine)
    column = machine.drive_names.index(drive.name)
    speeds = np.geomspace(0.02, 400.0, 2000)
    shaft = np.zeros((1, speeds.size, len(machine.drives)))
    shaft[0, :, column] = speeds * 2.0 * math.pi
    torque = available_under_load(plant, shaft).torque[0, :, column]
    fallen = torque < 0.95 * torque[0]
    return float(speeds[fallen.argmax()]) if fallen.any() else None


def curve(
    machine: Machine,
    motor: str,
    speeds_rev_s: Sequence[float] | None = None,
    *,
    direction: Direction | None = None,
    acceleration: float | None = None,
    losses: bool = True,
) -> Curve:
    """Torque of one motor over speed.

    Parameters
    ----------
    machine : Machine
    motor : str
        Name in the machine's motors table.
    speeds_rev_s : sequence of float, optional
        Shaft speeds [rev/s].
    direction, acceleration : optional
        A move whose demand is laid beside the torque [m/s2].
    losses : bool
        Whether iron losses are taken off.

    Raises
    ------
    InputError
        For an unknown motor, speeds out of range, or a direction in which that motor stands still.
    """
    drive = machine.drive(motor)
    column = machine.drive_names.index(motor)
    corner = corner_speed(machine, drive)
    if speeds_rev_s is None:
        top = 3.0 * (corner or 10.0)
        speeds_rev_s = [float(f"{v:.3g}") for v in np.linspace(0.0, top, DEFAULT_POINTS)]
    for value in speeds_rev_s:
        if not math.isfinite(value) or not 0.0 <= value <= 1000.0:
            raise InputError(f"speed {value:g} rev/s: allowed: from 0 to 1000 rev/s")
    plant = nominal_plant(machine)
    speeds = np.array(speeds_rev_s, dtype=float)
    shaft = np.zeros((1, speeds.size, len(machine.drives)))
    # The other motors take part as the move has it; without a move this motor turns alone.
    rate = np.zeros(len(machine.drives))
    rate[column] = 1.0
    if direction is not None:
        travel_rate = machine.kinematic_map @ direction.vector / plant.radius
        if travel_rate[column] == 0.0:
            raise InputError(f"motor {motor} stands still in direction {direction.label}; choose another direction")
        rate = np.abs(travel_rate / travel_rate[column])
    shaft[0] = speeds[:, None] * 2.0 * math.pi * rate
    field = available_under_load(plant, shaft).torque[0, :, column]
    omega = speeds * 2.0 * math.pi
    loss = shaft_loss(plant.hysteresis[0, column], plant.eddy[0, column], omega) if losses else np.zeros_like(omega)
    low, high = steady_bounds(
        plant.torque_constant[0, column],
        plant.resistance[0, column],
        plant.inductance[0, column],
        plant.rotor_teeth[column],
        plant.current_peak[0, column],
        plant.voltage[0],
        omega,
    )
    result = Curve(
        machine=machine,
        drive=drive,
        speeds_rev_s=tuple(speeds.tolist()),
        pullout=tuple(np.maximum(field - loss, 0.0).tolist()),
        bound_low=tuple(np.maximum(low - loss, 0.0).tolist()),
        bound_high=tuple(np.maximum(high - loss, 0.0).tolist()),
        corner_rev_s=corner,
        losses=losses,
    )
    if direction is None or acceleration is None:
        return result
    per_shaft = abs(plant.radius[column] / (machine.kinematic_map @ direction.vector)[column])
    along = omega * per_shaft
    demand = np.abs(move_demand(plant, direction.vector, along[None], np.array([[acceleration]])).torque[0, :, column])
    net = field - loss - demand
    crossing = None
    if (net < 0.0).any():
        i = int((net < 0.0).argmax())
        crossing = (
            float(speeds[0]) if i == 0 else float(np.interp(0.0, [net[i], net[i - 1]], [speeds[i], speeds[i - 1]]))
        )
    return replace(
        result,
        direction=direction,
        acceleration=acceleration,
        demand=tuple(demand.tolist()),
        move_speeds=tuple(along.tolist()),
        crossing_rev_s=crossing,
    )
