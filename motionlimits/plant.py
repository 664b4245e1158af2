"""The machine as arrays: one row per sample of its tolerances, so that physics runs on all samples at once.

Row 0 of `sample_plant` is the nominal machine. Tolerances are those of JCGM 101:2008 (propagation of distributions);
they belong to the machine, not to a trial: a motor that is weak is weak in every direction.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from .machine import TOLERANCES, Array, Axis, Drive, Machine
from .physics.pullout import magnet_factor, winding_resistance

# Damping of the swing between rotor and load over the critical one. Polyurethane and rubber belts lose 10 to 20 % of
# the energy of a cycle per radian, screws with their nuts and bearings as much: from memory, and wide. It decides
# whether mid-range instability shows, and the file cannot state it.
DAMPING_RATIO = 0.10

# Chance that a driver whose file does not say so lets its current only die down in a short-circuited winding. That
# distorts microsteps, so that nearly all drivers made for them turn the bus round for at least part of the time a current
# falls; simple and old ones do not. One in seven: common practice, no source.
SLOW_DECAY_ODDS = 0.15

_NORMAL = NormalDist()

# A value that was not given carries at least this much, whatever the quantity.
ASSUMED_TOLERANCE = 0.40

# Every array of a Plant that a tolerance applies to: the tolerance's name, and the file key (the last part) whose
# absence widens it.
_SAMPLED: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "torque_constant": ("torque", "holding_torque_nm"),
        "winding_resistance": ("resistance", "resistance_ohm"),
        "inductance": ("inductance", "inductance_mh"),
        "detent": ("detent", "detent_torque_nm"),
        "hysteresis": ("iron_loss", "hysteresis_torque_nm"),
        "eddy": ("iron_loss", "eddy_drag_nm_per_krpm"),
        "rotor_inertia": ("rotor_inertia", "rotor_inertia_gcm2"),
        "transmission_inertia": ("rotor_inertia", "inertia_gcm2"),
        "current_peak": ("current", "current_peak_a"),
        "bridge_resistance": ("bridge", "bridge_resistance_ohm"),
        "efficiency": ("efficiency", "-"),
        "belt_stiffness": ("stiffness", "belt_stiffness_n_per_mm"),
        "belt_damping": ("damping", "-"),
        "moving_mass": ("mass", "moving_mass_kg"),
        "friction": ("friction", "friction_n"),
        "viscous": ("viscous", "viscous_n_s_per_m"),
        "voltage": ("voltage", "-"),
        "source_resistance": ("source_resistance", "supply.resistance_ohm"),
    }
)


# Of these the supply's and the axes'; the rest are the drives'.
_OF_SUPPLY, _OF_AXES = ("voltage", "source_resistance"), ("moving_mass", "friction", "viscous")

# Every array of a Plant with a row per sample.
PER_SAMPLE = (*_SAMPLED, "slow_decay", "open_phase")

# Of these the drives', and what else there is of each drive.
_OF_DRIVES = tuple(name for name in PER_SAMPLE if name not in (*_OF_SUPPLY, *_OF_AXES))
_FIXED_OF_DRIVES = ("kinematic_map", "rotor_teeth", "radius", "count")


@dataclass(frozen=True)
class Plant:
    """Physical parameters of a machine; `n` samples, `D` drives, `A` axes. SI units.

    Shapes: `voltage`, `source_resistance` (n,); the drives' (n, D); the axes' (n, A); `kinematic_map` (D, A);
    `rotor_teeth`, `radius`, `count` (D,); `incline`, `process_force` (A,); `slow_decay` (n, D), whether a
    drive's current can only die down in a short-circuited winding; `open_phase` (n, D), whether one of its two phases
    carries none.
    """

    voltage: Array
    source_resistance: Array
    torque_constant: Array
    winding_resistance: Array
    bridge_resistance: Array
    inductance: Array
    current_peak: Array
    hysteresis: Array
    eddy: Array
    detent: Array
    rotor_inertia: Array
    transmission_inertia: Array
    efficiency: Array
    belt_stiffness: Array
    belt_damping: Array
    moving_mass: Array
    friction: Array
    viscous: Array
    incline: Array
    process_force: Array
    kinematic_map: Array
    rotor_teeth: Array
    radius: Array
    count: Array
    slow_decay: NDArray[np.bool_]
    open_phase: NDArray[np.bool_]

    @property
    def samples(self) -> int:
        return int(self.voltage.shape[0])

    @property
    def resistance(self) -> Array:
        """Winding and bridge [ohm], shape (n, D)."""
        return self.winding_resistance + self.bridge_resistance

    @property
    def inertia(self) -> Array:
        """Rotor and all that turns with it [kg.m2], shape (n, D)."""
        return self.rotor_inertia + self.transmission_inertia

    def alone(self, drive: int) -> Plant:
        """The same machine with one of its drives."""
        one = slice(drive, drive + 1)
        per_sample = {name: getattr(self, name)[:, one] for name in _OF_DRIVES}
        return replace(self, **per_sample, **{name: getattr(self, name)[one] for name in _FIXED_OF_DRIVES})

    def take(self, rows: NDArray[np.intp] | slice) -> Plant:
        """The same machine with some of the samples."""
        return replace(self, **{name: getattr(self, name)[rows] for name in PER_SAMPLE})


def stack(plants: Sequence[Plant]) -> Plant:
    """The samples of several plants of one machine, one after the other."""
    rows = {name: np.concatenate([getattr(plant, name) for plant in plants]) for name in PER_SAMPLE}
    return replace(plants[0], **rows)


def nominal_plant(machine: Machine) -> Plant:
    """The machine as described, one sample."""
    warm = machine.winding_temperature
    drives, axes = machine.drives, machine.axes

    def per_drive(value: Callable[[Drive], float]) -> Array:
        return np.array([[value(drive) for drive in drives]])

    def per_axis(value: Callable[[Axis], float]) -> Array:
        return np.array([[value(axis) for axis in axes]])

    return Plant(
        voltage=np.array([machine.supply.voltage]),
        source_resistance=np.array([machine.supply.resistance]),
        torque_constant=per_drive(lambda d: d.motor.torque_constant) * magnet_factor(warm),
        winding_resistance=per_drive(lambda d: float(winding_resistance(d.motor.resistance, warm))),
        bridge_resistance=per_drive(lambda d: d.driver.bridge_resistance),
        inductance=per_drive(lambda d: d.motor.inductance),
        current_peak=per_drive(lambda d: d.driver.current_peak),
        hysteresis=per_drive(lambda d: d.motor.hysteresis_torque),
        eddy=per_drive(lambda d: d.motor.eddy_drag),
        detent=per_drive(lambda d: d.motor.detent_torque),
        rotor_inertia=per_drive(lambda d: d.motor.rotor_inertia),
        transmission_inertia=per_drive(lambda d: d.transmission.inertia),
        efficiency=per_drive(lambda d: d.transmission.efficiency),
        belt_stiffness=per_drive(lambda d: d.transmission.belt_stiffness),
        belt_damping=per_drive(lambda d: DAMPING_RATIO),
        moving_mass=per_axis(lambda a: a.moving_mass),
        friction=per_axis(lambda a: a.friction),
        viscous=per_axis(lambda a: a.viscous),
        incline=np.array([axis.incline for axis in axes]),
        process_force=np.array([axis.process_force for axis in axes]),
        kinematic_map=machine.kinematic_map,
        rotor_teeth=np.array([drive.motor.rotor_teeth for drive in drives]),
        radius=np.array([drive.transmission.radius for drive in drives]),
        count=np.array([float(drive.count) for drive in drives]),
        slow_decay=np.array([[drive.driver.current_loop == "slow-decay" for drive in drives]]),
        open_phase=np.zeros((1, len(drives)), bool),
    )


def spread(machine: Machine) -> dict[str, Array]:
    """Fractional standard deviation of each sampled array, shapes (D,), (A,) or ()."""
    missing = {assumption.key for assumption in machine.assumed}
    owners = {name: [""] for name in _OF_SUPPLY}
    owners |= {name: [f"axes.{axis.name}." for axis in machine.axes] for name in _OF_AXES}
    widths: dict[str, Array] = {}
    for name, (tolerance, key) in _SAMPLED.items():
        base = machine.tolerance.get(tolerance, TOLERANCES[tolerance])
        prefixes = owners.get(name, [f"motors.{drive.name}." for drive in machine.drives])
        column = [
            max(base, ASSUMED_TOLERANCE) if tolerance not in machine.tolerance and prefix + key in missing else base
            for prefix in prefixes
        ]
        widths[name] = np.array(column)
    return widths


def _spread_evenly(rng: np.random.Generator, count: int) -> Array:
    """Random numbers between 0 and 1, one in each of `count` equal strata, in random order (Latin hypercube).

    A few samples then stand for a distribution better than independent ones: McKay, Beckman and Conover, Technometrics 21,
    1979 (from memory).
    """
    return np.clip((rng.permutation(count) + rng.random(count)) / max(count, 1), 1e-9, 1.0 - 1e-9)


def sample_plant(machine: Machine, samples: int, seed: int = 0) -> Plant:
    """Draw machines within tolerance: log-normal factors, evenly spread (Latin hypercube), row 0 nominal.

    Parameters
    ----------
    machine : Machine
    samples : int
        Number of rows, the nominal one among them.
    seed : int
        The same seed gives the same draws, so that two machines are compared sample by sample.

    Returns
    -------
    Plant
    """
    rng = np.random.default_rng(seed)
    normal = np.zeros((samples, log_widths(machine).size))
    for column in normal[1:].T:
        column[:] = [_NORMAL.inv_cdf(u) for u in _spread_evenly(rng, samples - 1)]
    luck = np.ones(samples)
    luck[1:] = _spread_evenly(rng, samples - 1)
    return plant_at(machine, normal, luck)


def log_widths(machine: Machine) -> Array:
    """Standard deviation of the logarithm of every number that a tolerance applies to, in a row."""
    return np.concatenate([np.sqrt(np.log1p(width**2)).ravel() for width in spread(machine).values()])


def plant_at(machine: Machine, normal: Array, luck: Array) -> Plant:
    """Machines that are so many standard deviations off in every quantity.

    Parameters
    ----------
    machine : Machine
    normal : ndarray, shape (n, quantities)
        In the order of `log_widths`.
    luck : ndarray, shape (n,)
        From 0 to 1: below `SLOW_DECAY_ODDS` a driver of which the file does not say lets its current only die down.

    Returns
    -------
    Plant
    """
    plant = nominal_plant(machine)
    # Median, not mean, at the stated value: the nominal machine stays in the middle of its own band.
    factors = np.exp(normal * log_widths(machine))
    drawn: dict[str, Array] = {}
    at = 0
    for name in _SAMPLED:
        nominal = getattr(plant, name)
        here = factors[:, at : at + nominal[0].size]
        at += nominal[0].size
        drawn[name] = nominal * here.reshape(-1, *nominal.shape[1:])
    drawn["efficiency"] = np.minimum(drawn["efficiency"], 1.0)
    loops = _loops(machine, plant, luck)
    return replace(plant, slow_decay=loops, open_phase=np.zeros(loops.shape, bool), **drawn)


def _loops(machine: Machine, plant: Plant, luck: Array) -> NDArray[np.bool_]:
    """How the drivers let the current down: where the file does not say, either way, the same for all motors.

    Drivers differ, mix both, and their owners do not know: the bands span the two pure kinds.
    """
    missing = {assumption.key for assumption in machine.assumed}
    unknown = np.array([f"motors.{drive.name}.current_loop" in missing for drive in machine.drives])
    return np.where(unknown, luck[:, None] < SLOW_DECAY_ODDS, plant.slow_decay)
