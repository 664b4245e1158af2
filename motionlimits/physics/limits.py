"""Static limits of a straight move: the speed where demand passes pull-out torque, and what an abrupt start allows."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..machine import Array
from ..plant import Plant
from .demand import axis_forces, drive_forces, motor_torque
from .power import electrical_power, loaded_voltage
from .pullout import Pullout, pullout, shaft_loss
from .swing import clearing_time, natural_frequency, start_step

LOADED_ROUNDS = 2  # each takes the power from the one before
# Demand over pull-out torque up to which a move is calm: longer steps there cost random machines' limits little.
CALM_RATIO = 0.5
SUPPLY_POINTS = 6  # speeds of a torque curve at which the drop of the bus voltage is worked out


class Demand(NamedTuple):
    """Torque asked of one motor of each drive [N.m] and its shaft speed [rad/s] along the move, shapes (..., D)."""

    torque: Array
    shaft_speed: Array


class StaticLimits(NamedTuple):
    """Per sample and acceleration, shapes (n, k).

    steady : speed at which demand passes pull-out torque [m/s]; infinite where it does not up to the top speed asked.
    shock : speed up to which an abrupt, undamped start is survived [m/s]; infinite where any is.
    skip : the lower of the two, but never below the speed that the rotor survives as a sheer step [m/s].
    current_limited : whether the motor still had its full current at the steady limit.
    """

    steady: Array
    shock: Array
    skip: Array
    current_limited: NDArray[np.bool_]


def move_demand(plant: Plant, unit: Array, speed: Array, acceleration: Array) -> Demand:
    """Demand of a straight move, for every sample.

    Parameters
    ----------
    plant : Plant
        n samples.
    unit : ndarray, shape (A,)
    speed, acceleration : ndarray
        Along the move [m/s], [m/s2]; shape (n, ...) or (1, ...), broadcast together.
    """
    speed, acceleration = np.broadcast_arrays(speed, acceleration)
    extra = (1,) * (speed.ndim - 1)

    def lift(values: Any) -> Any:
        return values.reshape(values.shape[0], *extra, values.shape[-1])

    forces = axis_forces(
        lift(plant.moving_mass),
        lift(plant.friction),
        lift(plant.viscous),
        plant.incline,
        plant.process_force,
        unit,
        speed,
        acceleration,
    )
    travel_rate = plant.kinematic_map @ unit
    torque = motor_torque(
        drive_forces(plant.kinematic_map, forces),
        np.sign(travel_rate),
        plant.radius,
        lift(plant.efficiency),
        plant.count,
        lift(plant.inertia),
        acceleration[..., None] * travel_rate / plant.radius,
    )
    return Demand(torque, speed[..., None] * travel_rate / plant.radius)


def available(plant: Plant, shaft_speed: Array, voltage: Array | None = None) -> Pullout:
    """Pull-out torque of each drive's motor before losses, and its current; shapes (n, ..., D) as `shaft_speed`."""
    if voltage is None:
        voltage = plant.voltage.reshape(-1, *(1,) * (shaft_speed.ndim - 1))
    slow = np.flatnonzero(plant.slow_decay.any(axis=-1))
    if slow.size == plant.samples and plant.slow_decay.all():
        return _available(plant, shaft_speed, voltage, "slow-decay")
    found = _available(plant, shaft_speed, voltage, "regulated")
    if slow.size:
        some = plant.take(slow)
        decayed = _available(some, shaft_speed[slow], voltage[slow], "slow-decay")
        which = some.slow_decay.reshape(slow.size, *(1,) * (shaft_speed.ndim - 2), -1)
        for values, theirs in zip(found, decayed, strict=True):
            values[slow] = np.where(which, theirs, values[slow])
    return found


def _available(plant: Plant, shaft_speed: Array, voltage: Array, current_loop: str) -> Pullout:
    """As `available`, with every driver's current loop of one kind."""
    extra = (1,) * (shaft_speed.ndim - 2)

    def lift(values: Array) -> Array:
        return values.reshape(values.shape[0], *extra, values.shape[-1])

    return pullout(
        lift(plant.torque_constant),
        lift(plant.resistance),
        lift(plant.inductance),
        plant.rotor_teeth,
        lift(plant.current_peak),
        voltage,
        shaft_speed,
        current_loop=current_loop,
    )


def input_power(plant: Plant, shaft_speed: Array, torque: Array, current_rms: Array) -> Array:
    """Electrical power into all drives [W]; torque is that of one motor's field, shapes (n, ..., D) -> (n, ...)."""
    extra = (1,) * (shaft_speed.ndim - 2)
    resistance = plant.resistance.reshape(plant.samples, *extra, -1)
    each = electrical_power(np.abs(torque), 0.0, shaft_speed, current_rms, resistance)
    return np.asarray(np.sum(plant.count * each, axis=-1))


def available_under_load(plant: Plant, shaft_speed: Array) -> Pullout:
    """As `available`, at the bus voltage that remains while all motors work at pull-out."""
    full = available(plant, shaft_speed)
    if not np.any(plant.source_resistance > 0.0):
        return full
    for _ in range(LOADED_ROUNDS):
        full = available(plant, shaft_speed, _voltage_left(plant, shaft_speed, full)[..., None])
    return full


def _voltage_left(plant: Plant, shaft_speed: Array, full: Pullout) -> Array:
    """Bus voltage [V] while all motors work at that torque and current, (n, ..., D) -> (n, ...)."""
    extra = (1,) * (shaft_speed.ndim - 2)
    power = input_power(plant, shaft_speed, full.torque, full.current_rms)
    return loaded_voltage(plant.voltage.reshape(-1, *extra), plant.source_resistance.reshape(-1, *extra), power)


def static_limits(plant: Plant, unit: Array, accelerations: Array, top_speed: float, points: int = 160) -> StaticLimits:
    """Steady and shock limits of moves in one direction.

    Parameters
    ----------
    plant : Plant
        n samples.
    unit : ndarray, shape (A,)
    accelerations : ndarray, shape (k,)
        [m/s2]
    top_speed : float
        Highest speed looked at [m/s].
    points : int
        Speeds looked at; the crossing is interpolated between them.

    Returns
    -------
    StaticLimits
    """
    speeds = np.concatenate([[0.0], np.geomspace(top_speed * 1e-4, top_speed, points - 1)])
    travel_rate = plant.kinematic_map @ unit
    shaft = np.broadcast_to(
        speeds[None, :, None] * np.abs(travel_rate) / plant.radius, (plant.samples, points, travel_rate.size)
    )
    field = available_under_load(plant, shaft)
    loss = shaft_loss(plant.hysteresis[:, None, :], plant.eddy[:, None, :], shaft)
    loss = np.where(travel_rate == 0.0, 0.0, loss)
    margin = np.full((plant.samples, accelerations.size, points), np.inf)
    for sign in (1.0, -1.0):
        demand = move_demand(plant, unit, speeds[None, None, :], sign * accelerations[None, :, None]).torque
        along = demand * np.where(travel_rate < 0.0, -1.0, 1.0)
        # Losses add to what a motor must give and take from what it must brake; a standing one only holds.
        asked = np.where(travel_rate == 0.0, np.abs(along), np.maximum(along + loss[:, None], -along - loss[:, None]))
        margin = np.minimum(margin, np.min(field.torque[:, None] - asked, axis=-1))
    steady, index = _first_fall(speeds, margin)
    moving = travel_rate != 0.0
    full_current = plant.torque_constant * plant.current_peak
    used = np.min((field.torque / full_current[:, None, :])[..., moving], axis=-1)
    current_limited = np.take_along_axis(used, index, axis=-1) > 0.95
    shock, step = _shock_limit(plant, unit, accelerations, field.torque[:, 0], loss[:, 0], moving)
    return StaticLimits(steady, shock, np.minimum(shock, np.maximum(steady, step)), current_limited)


def _first_fall(speeds: Array, margin: Array) -> tuple[Array, NDArray[np.intp]]:
    """Speed at which the margin (..., points) first falls below zero, infinite where it never does, and its index."""
    index = np.argmax(margin < 0.0, axis=-1)
    # The first of equals, so that at index zero the margin may never fall.
    falls = (index > 0) | (margin[..., 0] < 0.0)
    index = np.where(falls, index, speeds.size - 1)
    before = np.maximum(index - 1, 0)
    m0 = np.take_along_axis(margin, before[..., None], axis=-1)[..., 0]
    m1 = np.take_along_axis(margin, index[..., None], axis=-1)[..., 0]
    share = np.where(index > 0, m0 / np.where(m0 != m1, m0 - m1, 1.0), 0.0)
    crossing = speeds[before] + np.clip(share, 0.0, 1.0) * (speeds[index] - speeds[before])
    return np.where(falls, crossing, np.inf), index


def _shock_limit(
    plant: Plant, unit: Array, accelerations: Array, peak: Array, loss: Array, moving: Array
) -> tuple[Array, Array]:
    """Undamped abrupt start: speed reached in the longest time the demand may last, and the step of speed survived."""
    still = np.zeros((1, 1))
    full = move_demand(plant, unit, still, accelerations[None, :]).torque
    holding = move_demand(plant, unit, still, still).torque
    peak = np.maximum(peak, 1e-12)[:, None]
    rate = np.abs(plant.kinematic_map @ unit) / plant.radius
    shaft_acceleration = np.where(moving, accelerations[None, :, None] * rate, 1.0)
    inertia = np.where(moving, np.abs(full - holding) / shaft_acceleration, 1.0)
    frequency = natural_frequency(plant.rotor_teeth, peak, inertia)
    after = (np.abs(holding) + loss[:, None]) / peak
    time = clearing_time((np.abs(full) + loss[:, None]) / peak, after) / frequency
    step = start_step(after) * frequency / (plant.rotor_teeth * np.where(moving, rate, 1.0))
    shock = accelerations[None, :, None] * time
    return (
        np.min(np.where(moving, shock, np.inf), axis=-1),
        np.min(np.where(moving, step, np.inf), axis=-1),
    )


def swung_inertia(plant: Plant, unit: Array) -> Array:
    """Inertia that each motor swings in a direction, its share of the load included [kg.m2], shape (n, D)."""
    still = np.zeros((1, 1))
    per_acceleration = np.abs(
        move_demand(plant, unit, still, np.ones((1, 1))).torque - move_demand(plant, unit, still, still).torque
    )[:, 0]
    rate = np.abs(plant.kinematic_map @ unit) / plant.radius
    return np.where(rate > 0.0, per_acceleration / np.where(rate > 0.0, rate, 1.0), np.inf)


class LoadRatio(NamedTuple):
    """Demand over pull-out torque of machines on moves, (n, k): at standstill, at worst on the way to the top speed, and the
    speed up to which it stays small [m/s], infinite where it does all the way.
    """

    standing: Array
    worst: Array
    calm: Array


def load_ratio(
    plant: Plant, unit: Array, accelerations: Array, tops: Array, points: int = 24, curve: TorqueCurve | None = None
) -> LoadRatio:
    """Demand with losses over pull-out torque while speeding up.

    Parameters
    ----------
    plant : Plant
        n samples.
    unit : ndarray, shape (A,)
    accelerations, tops : ndarray, shape (k,)
        [m/s2], and the speed each is looked at up to [m/s].
    points : int
        Speeds looked at, from standstill to the fastest of these, beside these themselves.
    curve : TorqueCurve, optional
        Of this plant, up to the fastest of these speeds: then torques are taken from it.

    Returns
    -------
    LoadRatio
    """
    travel_rate = plant.kinematic_map @ unit
    # The same for all accelerations, which share the torque that the motors have there.
    speeds = np.unique(np.append(np.linspace(0.0, tops.max(), points), tops))
    shaft = np.abs(travel_rate) / plant.radius * speeds[None, :, None]
    if curve is None:
        every = np.broadcast_to(shaft, (plant.samples, speeds.size, travel_rate.size))
        field = available_under_load(plant, every).torque
    else:
        field = curve.at(shaft[0])
    # A motor with one phase has no torque of its own at some angles: never safe.
    field = np.where(plant.open_phase[:, None] & (travel_rate != 0.0), 0.0, field)
    loss = np.where(travel_rate == 0.0, 0.0, shaft_loss(plant.hysteresis[:, None], plant.eddy[:, None], shaft))
    found = LoadRatio(*np.empty((3, plant.samples, accelerations.size)))
    for k, (acceleration, top) in enumerate(zip(accelerations, tops, strict=True)):
        here = speeds <= top
        demand = np.abs(move_demand(plant, unit, speeds[None, here], np.array([[acceleration]])).torque) + loss[:, here]
        ratio = np.max(demand / np.maximum(field[:, here], 1e-9), axis=-1)
        found.standing[:, k], found.worst[:, k] = ratio[:, 0], ratio.max(axis=-1)
        found.calm[:, k], _ = _first_fall(speeds[here], CALM_RATIO - ratio)
    return found


@dataclass(frozen=True, eq=False)
class TorqueCurve:
    """Pull-out torque before losses of some machines' motors at shaft speeds [rad/s], (points,), the first zero.

    It is worked out for those motors that are asked about, from the bus voltage that all of them together leave, `voltage`
    (samples of `plant`, points) [V]. `rows` (n,): the samples that it is of; `known`: torque of a drive's motor (n, points).
    """

    speeds: Array
    plant: Plant
    voltage: Array
    rows: NDArray[np.intp]
    known: dict[int, Array] = field(default_factory=dict)

    def take(self, rows: NDArray[np.intp] | slice) -> TorqueCurve:
        """Those of some machines."""
        known = {drive: torque[rows] for drive, torque in self.known.items()}
        return replace(self, rows=self.rows[rows], known=known)

    def of(self, drive: int) -> Array:
        """Torque of one drive's motor [N.m], (n, points)."""
        if drive not in self.known:
            motor, voltage = self.plant.alone(drive).take(self.rows), self.voltage[self.rows]
            shaft = np.broadcast_to(self.speeds[:, None], (*voltage.shape, 1))
            self.known[drive] = available(motor, shaft, voltage[..., None]).torque[..., 0]
        return self.known[drive]

    @property
    def torque(self) -> Array:
        """Torque of each drive's motor [N.m], (n, points, D)."""
        return np.stack([self.of(drive) for drive in range(self.plant.radius.size)], axis=-1)

    def at(self, speeds: Array) -> Array:
        """Torque at speeds of each drive's motor (m, D) [rad/s], along straight lines between the points, (n, m, D)."""
        each = np.eye(self.speeds.size)
        return np.stack(
            [
                self.of(drive) @ np.array([np.interp(here, self.speeds, one) for one in each])
                for drive, here in enumerate(speeds.T)
            ],
            axis=-1,
        )


def torque_curve(plant: Plant, fastest: float, points: int = 16) -> TorqueCurve:
    """Pull-out torque before losses, all motors at the same shaft speed, up to a fastest one [rad/s].

    Speeds lie closer together the slower they are, from a hundredth of the fastest. Coarser than `static_limits`, for
    thousands of machines.
    """
    speeds = np.concatenate([[0.0], np.geomspace(0.01 * fastest, fastest, points - 1)])
    # What the bus voltage drops by is little, and changes slowly with speed.
    some = np.linspace(0, points - 1, SUPPLY_POINTS).round().astype(np.intp)
    shaft = np.broadcast_to(speeds[some, None], (plant.samples, SUPPLY_POINTS, plant.radius.size))
    voltage = _voltage_left(plant, shaft, available(plant, shaft))
    shares = np.array([np.interp(speeds, speeds[some], one) for one in np.eye(SUPPLY_POINTS)])
    return TorqueCurve(speeds, plant, voltage @ shares, np.arange(plant.samples))


def standing_torque(plant: Plant) -> Array:
    """Pull-out torque of each drive's motor at standstill, before losses [N.m], (n, D)."""
    drives = plant.kinematic_map.shape[0]
    return available_under_load(plant, np.zeros((plant.samples, 1, drives))).torque[:, 0]


def standing_ratio(plant: Plant, torque: Array, unit: Array, accelerations: Array) -> Array:
    """Demand with losses over pull-out torque at standstill, for accelerations in a direction; open phases not minded.

    Parameters
    ----------
    plant : Plant
        n samples.
    torque : ndarray, shape (n, D)
        At standstill, as of `standing_torque` or a `torque_curve`; the same for all directions.
    unit : ndarray, shape (A,)
        Direction.
    accelerations : ndarray, shape (k,)
        [m/s2].

    Returns
    -------
    ndarray, shape (n, k)
    """
    asked = pull(plant, unit)
    each = [standing_ratio_of(plant, torque[:, d], asked, d, accelerations) for d in range(asked.rates.size)]
    return np.asarray(np.max(each, axis=0))


def standing_ratio_of(plant: Plant, torque: Array, asked: Pull, drive: int, accelerations: Array) -> Array:
    """The same of one drive, of which the torque is (n,), by what the direction asks; (n, k)."""
    demand = np.abs(_torque(plant, asked, drive, 0.0, accelerations))
    if asked.rates[drive]:
        demand += plant.hysteresis[:, drive, None]
    return np.asarray(demand / np.maximum(torque[:, None], 1e-9))


def pull_out_speed(plant: Plant, curve: TorqueCurve, unit: Array, accelerations: Array) -> Array:
    """Speed at which what a motor must give first passes its pull-out torque, while speeding up.

    As `static_limits` has it, for thousands of machines: from a curve that all directions share, only the moving motors
    looked at, and interpolated between few speeds.

    Parameters
    ----------
    plant : Plant
        n samples.
    curve : TorqueCurve
        Of this plant.
    unit : ndarray, shape (A,)
        Direction.
    accelerations : ndarray, shape (k,)
        [m/s2]

    Returns
    -------
    ndarray, shape (n, k)
        [m/s]; from the second to the last speed of the curve, also where the crossing lies outside.
    """
    asked = pull(plant, unit)
    each = [
        pull_out_speed_of(plant, curve, asked, drive, accelerations) for drive in np.flatnonzero(asked.rates).tolist()
    ]
    return np.asarray(np.min(each, axis=0))


def pull_out_speed_of(plant: Plant, curve: TorqueCurve, asked: Pull, drive: int, accelerations: Array) -> Array:
    """The same of one drive that moves, by what the direction asks; (n, k)."""
    rate = float(asked.rates[drive])
    speeds = curve.speeds * plant.radius[drive] / abs(rate)
    end = float(speeds[-1])
    # A straight line over speed, but where a motor begins to brake. One that brakes has its losses for it.
    loss = shaft_loss(plant.hysteresis[:, drive, None], plant.eddy[:, drive, None], curve.speeds[[0, -1]])
    least, most = (
        math.copysign(1.0, rate) * _torque(plant, asked, drive, v, accelerations) + loss[:, [i]]
        for i, v in enumerate((0.0, end))
    )
    margin = ((most - least) / end)[..., None] * speeds
    margin += least[..., None]
    np.abs(margin, out=margin)
    np.subtract(curve.of(drive)[:, None], margin, out=margin)
    crossing, _ = _first_fall(speeds, margin)
    return np.clip(crossing, speeds[1], end)


class Pull(NamedTuple):
    """Belt or nut forces of each drive [N] at standstill, and what speed [N.s/m] and acceleration [kg] add, (n, D); and its
    travel along that of the move, `rates` (D,).
    """

    still: Array
    per_speed: Array
    per_acceleration: Array
    rates: Array


def pull(plant: Plant, unit: Array) -> Pull:
    """What a direction asks of the drives: forces are straight lines over speed and acceleration."""

    def at(speed: float, acceleration: float) -> Array:
        forces = axis_forces(
            plant.moving_mass,
            plant.friction,
            plant.viscous,
            plant.incline,
            plant.process_force,
            unit,
            speed,
            acceleration,
        )
        return drive_forces(plant.kinematic_map, forces)

    still = at(0.0, 0.0)
    return Pull(still, at(1.0, 0.0) - still, at(0.0, 1.0) - still, plant.kinematic_map @ unit)


def _torque(plant: Plant, asked: Pull, drive: int, speed: float, accelerations: Array) -> Array:
    """Torque asked of one motor of a drive at accelerations (k,), as of `move_demand`, (n, k)."""
    rate = float(asked.rates[drive])
    force = (asked.still + speed * asked.per_speed)[:, drive, None] + asked.per_acceleration[
        :, drive, None
    ] * accelerations
    return motor_torque(
        force,
        np.sign(rate),
        plant.radius[drive],
        plant.efficiency[:, drive, None],
        plant.count[drive],
        plant.inertia[:, drive, None],
        accelerations * rate / plant.radius[drive],
    )


def pull_in_acceleration(plant: Plant, unit: Array) -> Array:
    """Greatest acceleration that pull-out torque at standstill gives in a direction [m/s2], shape (n,)."""
    still = np.zeros((1, 1))
    one = move_demand(plant, unit, still, np.ones((1, 1))).torque[:, 0]
    holding = move_demand(plant, unit, still, still).torque[:, 0]
    peak = standing_torque(plant)
    moving = (plant.kinematic_map @ unit) != 0.0
    per_acceleration = np.abs(one - holding)
    left = peak - np.abs(holding) - np.where(moving, plant.hysteresis, 0.0)
    ratio = np.where(per_acceleration > 0.0, left / np.maximum(per_acceleration, 1e-300), np.inf)
    return np.maximum(np.min(ratio, axis=-1), 0.0)
