"""Skip speeds of thousands of machines at once, read from a map of what the time-domain engine does.

A move is lost some way below the speed at which statics say that its demand passes pull-out torque, since rotors and loads
swing; or at its start, at any speed, where it asks for more than some 0.5 to 0.8 of the torque at standstill. How far below,
and how likely the start fails, is a function of some similarity numbers of the machine and the move: time counts in periods
of the rotor on its magnetic spring, torque in full torque. That function was learned once from millions of simulated ramps of
random machines, as a network of three layers; it says where a kept start is lost, where a failed one is, how likely it fails,
and how far off each of these is: the swing hangs on the angle at the start, too, which the map does not know. Another network
says how likely a machine that goes on at constant speed loses steps to oscillation that grows there, and at which speeds.

A map costs microseconds where a ramp costs some hundreds, and says the same whoever asks. `predict` and all that is told of a
machine itself does not read it, but simulates.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from ..machine import Array
from ..plant import Plant
from .demand import drive_forces
from .lanes import spring_between, working_voltage
from .limits import Pull, TorqueCurve, pull, pull_out_speed_of, standing_ratio_of, torque_curve

# The torque curve that statics are told by: up to so many times the speed at which a winding's inductance takes the bus voltage
# at full current, at so many speeds. The torque there is a thirtieth.
REACH, POINTS = 30.0, 24
FURTHEST = 4.0  # standard deviations of the machines learned from: numbers further out count as that far
LEAST_SHARE = 1e-3  # of full torque: less drag than this is none
AT_ONCE = 2048  # rows that a network takes in one go: its layers then stay near the processor, which halves the time
# Of machines that cannot be expected to move, by statics: which share does not, whatever the map says of ramps (of blind sweeps with
# an open phase 52 of 54 directions and accelerations); which where a sound motor turns with the one that has an open phase (along x
# of crossed belts some do); and of the rest which follows the map, while half of the others are lost anywhere below, and half do
# that at some accelerations and get over the dead points at others (kept up to 0.90 m/s at one, lost from 0.18 m/s on at the
# next). Choices, but for the first.
STAYS, STAYS_HELPED, AS_MAPPED, NOWHERE = 0.9, 0.5, 0.1, -math.inf
LEAST_APART = 0.35  # of a failed start from a kept one, in the logarithm
FREEDOM = 3.0  # of the Student distribution around limits
LEAKY = 0.05  # slope of the network's units where they are off
SCALES = (-6.0, -0.5)  # bounds of the logarithm of how far a limit is off
ONSET_SCALES = (-4.0, 0.5)  # and of how far an unstable speed is
Single = NDArray[np.float32]


class Mapped(NamedTuple):
    """What the map says of machines on moves, each (n, k): logarithms of the limit [m/s] where the start is kept and where it
    fails, how likely it fails, and how far either limit scatters (its logarithm; scale of a Student distribution); and the
    logarithm of what the move asks of the motors at standstill over what they have. `unstable` (n, speeds): how likely such a
    speed or a slower one, kept for a while, loses steps since oscillation grows there.
    """

    kept: Array
    failed: Array
    chance: Array
    kept_scatter: Array
    failed_scatter: Array
    standing: Array
    unstable: Array


class Numbers(NamedTuple):
    """Similarity numbers of the motors that a move turns, or holds, together.

    `machine` (n, numbers) does not hang on the acceleration, `move` (n, k, others) does; `steady` (n, k): the speed of the move
    at which statics have the first of them lost [m/s], `standing` (n, k): what it asks of them at standstill over what they have;
    `waves` (n,): electrical angle of the leading motor in a metre, over that of its swing in a second [s/m].
    """

    kind: str
    machine: Single
    move: Single
    steady: Array
    standing: Array
    waves: Array

    @property
    def whole(self) -> Single:
        """Both kinds side by side, (n, k, inputs)."""
        shape = *self.move.shape[:2], self.machine.shape[1]
        return np.concatenate([np.broadcast_to(self.machine[:, None], shape), self.move], axis=2)


@dataclass(frozen=True)
class Network:
    """Layers of weights (inputs, units) and thresholds (units,), the numbers' middle and spread (inputs,)."""

    weights: tuple[Single, ...]
    thresholds: tuple[Single, ...]
    middle: Single
    spread: Single

    def apart(self, numbers: Single, first: int = 0) -> Single:
        """How far numbers (..., inputs), from the `first` on, are from the middle of those learned from, in standard deviations."""
        some = slice(first, first + numbers.shape[-1])
        return (numbers - self.middle[some]) / self.spread[some]

    def __call__(self, machine: Single, move: Single | None = None) -> Single:
        """Outputs (n, outputs) for numbers (n, inputs), or (n, k, outputs) for those of machines and moves."""
        own = self._shared(machine, 0) + self.thresholds[0]
        if move is None:
            return self._beyond(own)
        n, k, _ = move.shape
        out = np.empty((n, k, self.thresholds[-1].size), np.float32)
        rows = max(AT_ONCE // k, 1)
        for start in range(0, n, rows):
            some = slice(start, start + rows)
            at = self._shared(move[some], machine.shape[1])
            at += own[some, None]
            out[some] = self._beyond(at.reshape(-1, own.shape[1])).reshape(*at.shape[:2], -1)
        return out

    def _shared(self, numbers: Single, first: int) -> Single:
        """What numbers from the `first` on share in the first layer."""
        inside = np.clip(self.apart(numbers, first), -FURTHEST, FURTHEST)
        return np.asarray(inside @ self.weights[0][first : first + numbers.shape[-1]])

    def _beyond(self, at: Single) -> Single:
        """From sums of the first layer (m, units) to outputs."""
        for weight, threshold in zip(self.weights[1:], self.thresholds[1:], strict=True):
            np.maximum(at, np.float32(LEAKY) * at, out=at)
            at = at @ weight
            at += threshold
        return at


def reach(plant: Plant) -> float:
    """Shaft speed up to which statics need a torque curve [rad/s]."""
    corner = plant.voltage[0] / (plant.rotor_teeth * plant.inductance[0] * plant.current_peak[0])
    return REACH * float(corner.max())


class Electrics(NamedTuple):
    """What the map's numbers rest on, alike in all directions: the torque curve, and `working_voltage` [V], (n,)."""

    curve: TorqueCurve
    voltage: Array

    def take(self, rows: NDArray[np.intp] | slice) -> Electrics:
        """Those of some machines."""
        return Electrics(self.curve.take(rows), self.voltage[rows])


def electrics_of(plant: Plant, fastest: float) -> Electrics:
    """Torque curve that the map's numbers rest on, and the voltage that it is had at."""
    return Electrics(torque_curve(plant, fastest, points=POINTS), working_voltage(plant))


def similarity(plant: Plant, electrics: Electrics, unit: Array, accelerations: Array, asked: Pull) -> list[Numbers]:
    """Similarity numbers of moves in one direction.

    Parameters
    ----------
    plant : Plant
        n samples.
    electrics : Electrics
        Of these, from `electrics_of`.
    unit : ndarray, shape (A,)
    accelerations : ndarray, shape (k,)
        [m/s2]
    asked : Pull
        What the direction asks of the drives, from `limits.pull`.

    Returns
    -------
    list of Numbers
        One of each motor that moves an axis of its own, one of a pair of motors that share two axes.
    """
    moves = np.abs(plant.kinematic_map) > 1e-12
    found = []
    for first in np.flatnonzero(moves @ (unit != 0.0)).tolist():
        axes = np.flatnonzero(moves[first])
        drives = np.flatnonzero(moves[:, axes].any(axis=1))
        if first != drives[moves[drives] @ (unit != 0.0)][0]:
            continue  # told with the other of its pair
        found.append(_numbers(plant, electrics, unit, accelerations, asked, drives, axes))
    return found


def _numbers(
    plant: Plant,
    electrics: Electrics,
    unit: Array,
    accelerations: Array,
    asked: Pull,
    drives: NDArray[np.intp],
    axes: NDArray[np.intp],
) -> Numbers:
    rate = asked.rates[drives]
    rows = np.arange(plant.samples)
    steady, standing = np.full((2, rows.size, accelerations.size, drives.size), np.inf)
    for k, drive in enumerate(drives.tolist()):
        standing[..., k] = standing_ratio_of(plant, electrics.curve.of(drive)[:, 0], asked, drive, accelerations)
        if rate[k]:
            steady[..., k] = pull_out_speed_of(plant, electrics.curve, asked, drive, accelerations)
    # The first to be lost, as far as statics say, leads; of two that are lost at once the one that is asked for more.
    reached = np.minimum(steady, 1e6)
    first_lost = np.log(reached).mean(axis=1) - 1e-6 * standing.mean(axis=1)
    order = np.argsort(first_lost, axis=1, kind="stable")

    def ordered(values: Array) -> Array:
        """Of the drives (n, D), the leading one first, (drives, n)."""
        theirs = np.broadcast_to(values, (rows.size, len(plant.radius)))[:, drives]
        # A single one needs no sorting, which is dear where there are twenty numbers.
        return (theirs if drives.size == 1 else np.take_along_axis(theirs, order, axis=1)).T

    teeth, radius = ordered(plant.rotor_teeth), ordered(plant.radius)
    rates = np.abs(rate)[order].T
    lever = radius / (ordered(plant.efficiency) * ordered(plant.count))
    full = ordered(plant.torque_constant) * ordered(plant.current_peak)
    inertia = ordered(plant.inertia)
    signs = np.where(rate < 0.0, -1.0, 1.0)[order].T
    per_acceleration = ordered(asked.per_acceleration) * lever * signs
    swung = inertia[0] + np.abs(per_acceleration[0]) * radius[0] / rates[0]
    own = np.sqrt(teeth[0] * full[0] / swung)  # of the leading rotor on its magnetic spring [rad/s]
    rubbing = drive_forces(plant.kinematic_map, plant.friction * np.sign(unit))
    held = ordered(asked.still - rubbing) * lever * signs / full
    slowly = ordered(asked.per_speed) * lever * signs
    resistance, inductance = ordered(plant.resistance), ordered(plant.inductance)
    current, constant_of = ordered(plant.current_peak), ordered(plant.torque_constant)
    mass = 1.0 / np.einsum(
        "da,na->dn", plant.kinematic_map[np.ix_(drives, axes)] ** 2, 1.0 / plant.moving_mass[:, axes]
    )
    mass = np.take_along_axis(mass.T, order, axis=1).T
    rotor = inertia * ordered(plant.count) / radius**2
    stiff, _ = spring_between(ordered(plant.belt_stiffness), ordered(plant.belt_damping), rotor, mass)

    def share(torque: Array) -> Array:
        return np.log(LEAST_SHARE + torque / full)

    each = [
        np.log(inertia / inertia[0]),
        np.log(full * lever[0] / (full[0] * lever)),
        np.log(stiff * (1.0 / rotor + 1.0 / mass)) / 2.0 - np.log(own),
        np.log(ordered(plant.belt_damping)),
        np.log(mass / rotor),
        held,
        np.log(inductance * own / resistance),
        np.log(electrics.voltage / (current * resistance)),
        np.log(constant_of * own / (teeth * electrics.voltage)),
        share(ordered(plant.hysteresis)),
        share(ordered(plant.eddy) * own / teeth),
        share(ordered(plant.detent)),
        ordered(plant.slow_decay.astype(float)),
        ordered(plant.open_phase.astype(float)),
        share(ordered(np.abs(rubbing)) * lever),
        np.log(LEAST_SHARE + np.abs(slowly) * own / (teeth / radius * np.maximum(rates, 0.1)) / full),
    ]
    fixed = [np.log(own), teeth[0] / 50.0]
    if drives.size > 1:
        fixed += [
            rates[1] / rates[0],
            np.sign(slowly[1]) * slowly[1] / np.maximum(np.abs(slowly[0]), 1e-12),
            per_acceleration[1] / np.maximum(np.abs(per_acceleration[0]), 1e-12),
            signs[0] * signs[1],
            *(np.full(rows.size, abs(part)) for part in unit[axes]),
            *np.log(plant.moving_mass[:, axes].T * lever[0] * radius[0] / inertia[0]),
            *np.log(LEAST_SHARE + plant.friction[:, axes].T * lever[0] / full[0]),
            *np.log(LEAST_SHARE + plant.viscous[:, axes].T * lever[0] * own * radius[0] / teeth[0] / full[0]),
        ]
    first = np.take_along_axis(reached, order[:, None], axis=2)
    at_rest = np.take_along_axis(standing, order[:, None], axis=2)
    lost = reached.min(axis=2)
    waves = teeth[0] * rates[0] / radius[0] / own
    moving = [np.log(np.maximum(at_rest[..., d], 0.02)) for d in range(drives.size)]
    moving.append(np.log(lost * waves[:, None]))
    moving.append(np.log(accelerations * (rates[0] / radius[0] * swung / full[0])[:, None]))
    moving += [np.log(np.minimum(first[..., d] / lost, 8.0)) for d in range(1, drives.size)]
    machine = np.array([*(one for kind in each for one in kind), *fixed], np.float32).T
    at_standstill = standing.max(axis=2)
    return Numbers(
        "alone" if drives.size == 1 else "pair",
        machine,
        np.stack(moving, axis=-1, dtype=np.float32),
        lost,
        at_standstill,
        waves,
    )


@cache
def network(kind: str) -> Network:
    """The network learned for a motor alone or for a pair of motors."""
    with np.load(Path(__file__).with_name("skipmap.npz")) as stored:
        layers = sorted(int(name.split("_")[2]) for name in stored if name.startswith(f"{kind}_weight"))
        return Network(
            tuple(stored[f"{kind}_weight_{i}"] for i in layers),
            tuple(stored[f"{kind}_threshold_{i}"] for i in layers),
            stored[f"{kind}_middle"],
            stored[f"{kind}_spread"],
        )


def mapped(
    plant: Plant, electrics: Electrics, unit: Array, accelerations: Array, speeds: Array, luck: Array | float = 0.0
) -> Mapped:
    """Where moves in one direction are lost, by the map.

    Parameters
    ----------
    plant, electrics, unit, accelerations
        As in `similarity`.
    speeds : ndarray, shape (f,)
        Those asked about that are kept for a while [m/s].
    luck : float or ndarray, shape (n,)
        From 0 to 1: of machines that should not move by statics, those of less luck do not, those of the most do as the map says.

    Returns
    -------
    Mapped
    """
    asked = pull(plant, unit)
    told = [_told(each, np.log(speeds)) for each in similarity(plant, electrics, unit, accelerations, asked)]
    return _halted(_first_lost(told), stuck(plant, electrics.curve, asked), luck)


def _first_lost(told: list[Mapped]) -> Mapped:
    if len(told) == 1:
        return told[0]
    # A move of several motors on axes of their own is lost with the first.
    kept, failed = (np.stack([getattr(one, name) for one in told]) for name in ("kept", "failed"))
    first, fails = kept.argmin(axis=0)[None], failed.argmin(axis=0)[None]

    def of(name: str, which: NDArray[np.intp]) -> Array:
        return np.take_along_axis(np.stack([getattr(one, name) for one in told]), which, axis=0)[0]

    def any_of(name: str) -> Array:
        return np.asarray(1.0 - np.prod([1.0 - getattr(one, name) for one in told], axis=0))

    return Mapped(
        kept.min(axis=0),
        failed.min(axis=0),
        any_of("chance"),
        of("kept_scatter", first),
        of("failed_scatter", fails),
        np.max([one.standing for one in told], axis=0),
        any_of("unstable"),
    )


def stuck(plant: Plant, curve: TorqueCurve, asked: Pull) -> Array:
    """How likely machines do not move at all in a direction, by what it asks of the drives, (n,).

    Such are those of which a motor that turns is asked for more at rest than it has, or has an open phase, so that its torque is
    none twice a cycle; unless a sound one that turns, too, helps it along.
    """
    turns = np.abs(asked.rates) > 1e-12
    beyond = np.zeros(plant.samples, dtype=bool)
    for drive in np.flatnonzero(turns).tolist():
        beyond |= standing_ratio_of(plant, curve.of(drive)[:, 0], asked, drive, np.zeros(1))[:, 0] >= 1.0
    opened = turns & plant.open_phase
    shared = np.count_nonzero(np.abs(plant.kinematic_map) > 1e-12, axis=1).max() > 1
    helped = shared & np.any(turns & ~plant.open_phase, axis=1)
    by_phase = np.where(opened.any(axis=1), np.where(helped, STAYS_HELPED, STAYS), 0.0)
    return np.where(beyond, STAYS, by_phase)


def _halted(told: Mapped, chance: Array, luck: Array | float) -> Mapped:
    """With some machines that do not move: ramps, of which the map tells, take a while to show that.

    Of a machine it is alike at all accelerations of a direction. Those that do move, but not as the map says, are lost somewhere
    below it, by nothing or by a factor of four, at all accelerations or at any of them.
    """
    doubtful = chance > 0.0
    between = (chance + 1.0 - AS_MAPPED) / 2.0
    still = (doubtful & (luck < chance))[:, None]
    below = (doubtful & (luck >= chance) & (luck < between))[:, None]
    either = (doubtful & (luck >= between) & (luck < 1.0 - AS_MAPPED))[:, None]
    anywhere = np.exp(SCALES[1])
    return told._replace(
        kept=np.where(below, told.failed, told.kept),
        failed=np.where(still, NOWHERE, told.failed),
        chance=np.select([still, below, either], [1.0, 0.0, 0.5], told.chance),
        kept_scatter=np.where(below, anywhere, told.kept_scatter),
        failed_scatter=np.where(either, anywhere, told.failed_scatter),
    )


def unlike(plant: Plant, unit: Array, accelerations: Array) -> bool:
    """Whether the first sample's moves are unlike all that the map was learned from, so that limits may be far off."""
    one = plant.take(slice(1))
    told = similarity(one, electrics_of(one, reach(one)), unit, accelerations, pull(one, unit))
    return any(bool(np.any(np.abs(network(each.kind).apart(each.whole)) > FURTHEST)) for each in told)


def _told(each: Numbers, log_speeds: Array) -> Mapped:
    out = network(each.kind)(each.machine, each.move).astype(float)
    steady = np.log(each.steady)
    scatter = np.exp(np.clip(out[..., 3:], *SCALES))
    standing = np.log(np.clip(each.standing, 0.02, 5.0))
    at_speed = network(f"{each.kind} at speed")(each.machine).astype(float)
    unstable = onset_below(at_speed, log_speeds + np.log(each.waves)[:, None])
    chance = _sigmoid(out[..., 1])
    kept, failed = steady + out[..., 0], steady + failed_of(out)
    return Mapped(kept, failed, chance, scatter[..., 0], scatter[..., 1], standing, unstable)


def failed_of(out: Array) -> Array:
    """Logarithm of a failed start's limit over the static one, by the outputs (..., 5), of which the first is that of a kept one.

    It lies below by `LEAST_APART` and more: else both could be the same, and how likely a start fails would mean nothing.
    """
    return np.asarray(out[..., 0] - LEAST_APART - np.logaddexp(0.0, out[..., 2]))


def onset_below(out: Array, frequency: Array) -> Array:
    """Chance that a machine, by its outputs (n, 3), is unstable from below a frequency on (n, f), in its logarithm over its swing's.

    The first output is the log odds that there is such a frequency at all, which then follows a logistic distribution of the
    second as its middle and the third as the logarithm of its scale.
    """
    odds, middle, log_scale = out.T[..., None]
    return _sigmoid(odds) * _sigmoid((frequency - middle) / np.exp(np.clip(log_scale, *ONSET_SCALES)))


def _sigmoid(odds: Array) -> Array:
    """Chance by its log odds, never quite 0 or 1."""
    return np.asarray(expit(np.clip(odds, -30.0, 30.0)))
