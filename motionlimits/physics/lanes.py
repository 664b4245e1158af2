"""From a sampled machine and a list of moves to the lanes of the time-domain model.

Where every axis has a motor of its own, one motor with its load says all, and a lane is one motor: D = A = 1. Otherwise
(crossed belts) the lane holds all motors and axes, coupled by the kinematic map: a motor that stands still holds on by a
belt that gives, and of two that pull alike the stronger helps the weaker.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..machine import Array
from ..plant import Plant
from .constants import GRAVITY
from .demand import drive_forces
from .limits import available, input_power
from .motion import Lanes
from .power import loaded_voltage

SCREW_STIFFNESS = 2e7  # [N/m] nut, bearing and coupling together, from memory
# Above this the spring between rotor and load is softened: its swing is far too fast to matter, and steps would be short.
FASTEST_MODE = 7000.0  # [rad/s]


class MoveLanes(NamedTuple):
    """Lanes of a set of moves; `move` says which move a lane belongs to, `drives` which drives its rows are."""

    lanes: Lanes
    move: NDArray[np.intp]
    drives: list[NDArray[np.intp]]


def working_voltage(plant: Plant) -> Array:
    """Bus voltage while every motor gives the most power it can [V], shape (n,)."""
    if not np.any(plant.source_resistance > 0.0):
        return plant.voltage
    corner = plant.voltage[:, None] / (plant.rotor_teeth * plant.inductance * plant.current_peak)
    shaft = corner[:, None, :] * np.array([0.3, 0.6, 1.0, 1.5])[None, :, None]
    field = available(plant, shaft)
    most = input_power(plant, shaft, field.torque, field.current_rms).max(axis=1)
    return loaded_voltage(plant.voltage, plant.source_resistance, most)


def reducible(kinematic_map: Array) -> bool:
    """Whether every drive can be simulated alone with its load: each axis has one, and each moves one axis."""
    moves = np.abs(kinematic_map) > 1e-12
    return bool(np.all(moves.sum(axis=0) == 1) and np.all(moves.sum(axis=1) == 1))


def spring_between(stiffness: Array, ratio: Array, rotor_mass: Array, load_mass: Array) -> tuple[Array, Array]:
    """Stiffness and damping between rotor and load, both seen as masses on the belt."""
    reduced = rotor_mass * load_mass / (rotor_mass + load_mass)
    stiff = np.where(np.isinf(stiffness), SCREW_STIFFNESS, stiffness)
    stiff = np.minimum(stiff, reduced * FASTEST_MODE**2)
    return stiff, 2.0 * ratio * np.sqrt(stiff * reduced)


def move_lanes(
    plant: Plant,
    unit: Array,
    acceleration: Array,
    speed: Array,
    travel: Array,
    *,
    sample: NDArray[np.intp],
    phase: Array | float = 0.0,
    friction_factor: Array | float = 1.0,
    start_speed: Array | float = 0.0,
    hold: Array | float = 0.0,
    marked: bool = False,
    calm: Array | float = 0.0,
    voltage: Array | None = None,
    coupled: bool | None = None,
) -> MoveLanes:
    """Lanes for m moves in one direction.

    Parameters
    ----------
    plant : Plant
        n samples.
    unit : ndarray, shape (A,)
        Direction.
    acceleration, speed, travel : ndarray, shape (m,)
        Of each move [m/s2], [m/s], [m]; infinite travel makes a ramp up to `speed`.
    sample : ndarray of int, shape (m,)
        Which row of the plant each move runs on.
    phase : float or ndarray, shape (m,)
        Electrical angle of the reference at the start [rad].
    friction_factor : float or ndarray, shape (m,)
        Of the Coulomb friction in this trial.
    start_speed : float or ndarray, shape (m,)
        Abrupt speed step at the start [m/s].
    hold : float or ndarray, shape (m,)
        How long a ramp goes on at its final speed [s].
    marked : bool
        Whether ramps leave their states behind, for moves that end sooner.
    calm : float or ndarray, shape (m,)
        Speed up to which longer steps do [m/s].
    voltage : ndarray, shape (n,), optional
        `working_voltage` of the plant, where it is known.
    coupled : bool, optional
        Force the full or the one-motor model; by default the latter where it says all.

    Returns
    -------
    MoveLanes
    """
    count = acceleration.size
    p = plant.take(sample)
    rate = plant.kinematic_map @ unit
    moving = np.flatnonzero(np.abs(rate) > 1e-12)
    working = (working_voltage(plant) if voltage is None else voltage)[sample]
    factor = np.broadcast_to(np.asarray(friction_factor, dtype=float), count)
    constant = plant.process_force * np.sign(unit) + p.moving_mass * GRAVITY * np.sin(plant.incline)
    common = {
        "acceleration": acceleration,
        "speed": speed,
        "travel": travel,
        "start_speed": np.broadcast_to(np.asarray(start_speed, dtype=float), count),
        "hold": np.broadcast_to(np.asarray(hold, dtype=float), count),
        "marked": np.full(count, marked),
        "calm": np.broadcast_to(np.asarray(calm, dtype=float), count),
    }
    start = np.broadcast_to(np.asarray(phase, dtype=float), count)
    full = not reducible(plant.kinematic_map) if coupled is None else coupled

    def of_drives(which: NDArray[np.intp], load_mass: Array) -> dict[str, Array]:
        """Rows of the drives' arrays, shape (len(which), m); load_mass likewise."""

        def rows(values: Array) -> Array:
            return values[:, which].T

        def fixed(values: Array) -> Array:
            return np.repeat(values[which][:, None], count, axis=1)

        radius, motors = fixed(plant.radius), fixed(plant.count)
        inertia = rows(p.inertia)
        stiffness, damping = spring_between(
            rows(p.belt_stiffness), rows(p.belt_damping), inertia * motors / radius**2, load_mass
        )
        return {
            "torque_constant": rows(p.torque_constant),
            "resistance": rows(p.resistance),
            "inductance": rows(p.inductance),
            "current_peak": rows(p.current_peak),
            "voltage": np.repeat(working[None], which.size, axis=0),
            "rotor_teeth": fixed(plant.rotor_teeth),
            "hysteresis": rows(p.hysteresis),
            "eddy": rows(p.eddy),
            "detent": rows(p.detent),
            "inertia": inertia,
            "radius": radius,
            "count": motors,
            "efficiency": rows(p.efficiency),
            "stiffness": stiffness,
            "damping": damping,
            "phase": np.repeat(start[None], which.size, axis=0),
            "slow_decay": p.slow_decay[:, which].T,
            "open_phase": p.open_phase[:, which].T,
        }

    if full:
        # Mass on each belt with the others free, for the damping of its mode.
        every = np.arange(rate.size)
        seen = 1.0 / np.einsum("da,ma->dm", plant.kinematic_map**2, 1.0 / p.moving_mass)
        lanes = Lanes(
            **of_drives(every, seen),  # type: ignore[arg-type]
            coupling=np.repeat(plant.kinematic_map[:, :, None], count, axis=2),
            mass=p.moving_mass.T,
            friction=(p.friction * factor[:, None]).T,
            viscous=p.viscous.T,
            force=constant.T,
            axis_rate=np.repeat(unit[:, None], count, axis=1),
            **common,
        )
        return MoveLanes(lanes, np.arange(count), [every] * 1)
    share = {
        name: drive_forces(plant.kinematic_map, values)
        for name, values in (
            ("mass", p.moving_mass * unit),
            ("friction", p.friction * factor[:, None] * np.sign(unit)),
            ("viscous", p.viscous * unit),
            ("force", constant),
        )
    }
    parts = []
    for d in moving:
        which = np.array([d])
        sign = np.sign(rate[d])
        mass = (share["mass"][:, d] / rate[d])[None]
        parts.append(
            Lanes(
                **of_drives(which, mass),  # type: ignore[arg-type]
                coupling=np.ones((1, 1, count)),
                mass=mass,
                friction=np.maximum(sign * share["friction"][:, d], 0.0)[None],
                viscous=(share["viscous"][:, d] / rate[d])[None],
                force=(sign * share["force"][:, d])[None],
                axis_rate=np.full((1, count), abs(rate[d])),
                **common,
            )
        )
    from .motion import join

    return MoveLanes(join(parts), np.tile(np.arange(count), moving.size), [np.array([d]) for d in moving])
