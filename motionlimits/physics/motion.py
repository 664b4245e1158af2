"""Time-domain model of a move: winding currents, rotors on their magnetic springs, belts, loads.

One engine integrates any number of lanes at once; a lane is one move of one machine. Per drive: two phase currents,
electrical rotor angle, shaft speed. Per axis: position and speed. The drives pull the axes through springs (belts,
screws and couplings) along a kinematic map. The reference follows a trapezoid of speed.

Scheme: angles live half a step away from speeds and currents (leapfrog), phase currents are integrated exactly over a
step at the back-EMF of its middle (the speed there is extrapolated: that at the step's beginning would feed oscillation a
little, most where drivers only short-circuit the winding), Coulomb friction is applied as an impulse that can stop but not
reverse a motion.
Where the bus has not the voltage for the current asked for, it turns round within a step, at the moment at which it would:
at half a radian a step the torque is within 0.01 of full torque. A voltage constant over a step would turn round early.
Every lane has its own step, from the phase angle its reference turns in one, and as long as its stiffest spring allows; it is
renewed every block of steps. Where a move asks for little of the torque, as a slow ramp does for most of its time, steps may be
twice as long (`Lanes.calm`).

A ramp can leave its state behind at a ladder of speeds. A move that stops accelerating at one of them has the ramp's past,
so that only what comes after needs to be simulated (`resumed`).

Steps are in single precision, which halves what they cost. What grows without bound is not: within a block of steps places
are counted from where the loads were when it began, so that a digit is worth some micronewtons of a belt's force, and
between blocks they are kept in double precision, as is the reference.

The phase of motor winding a is stored with its sign turned, so that torque is `Kt (j_a sin phi + j_b cos phi)`.

References
----------
.. [1] Kenjo and Sugawara, Stepping Motors and Their Microprocessor Controls, 2nd ed., Oxford 1994 (equations).
.. [2] Moreau, Evolution problem associated with a moving convex set, J. Diff. Eq. 26, 1977 (friction step).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..machine import Array

# Half of these changes the limits of 1 in 100 random machines by more than 2 % (tests/studies).
PHASE_STEP = 0.5  # electrical angle of the reference in one step [rad]
LONGEST_STEP, SHORTEST_STEP = 60e-6, 2e-6  # [s]
CALM = 2.0  # times as long may steps be while a move is calm; not their angle, which then makes some moves lose steps early
MODE_STEP = 0.3  # angle of the swing of rotor and load against each other in one step [rad]
MODE_LEVEL = 1.15  # steps that this bounds differ by this ratio, so that lanes share references
BLOCK = 48  # steps between renewals of the step and the departure of lanes that are done
CHECK_EVERY = 6  # steps between looks at the lag; what is seen at a look is told of the middle between it and the next
FIRST_CHECK = 2  # step of a block: the middle between its last look and the next is within it
UNSTABLE_LAG = 2.6  # load angle beyond which a rotor does not come back [rad]
SETTLE_TIME = 0.02  # looked at after a move has ended [s]
MARKS, MARK_RATIO = 40, 1.1  # speeds at which a marked ramp leaves its state: the last is its top speed

Bools = NDArray[np.bool_]
Single = NDArray[np.float32]

# Numbers as arrays without an axis, of which a step has less to look after.
_ONE, _HALF, _NONE = (np.array(number, np.float32) for number in (1.0, 0.5, 1e-9))


@dataclass(frozen=True)
class Lanes:
    """Moves to simulate: n lanes, D drives, A axes. SI units.

    Attributes
    ----------
    torque_constant, resistance, inductance, current_peak, voltage, rotor_teeth, hysteresis, eddy, detent, inertia,
    radius, count, efficiency, stiffness, damping, phase : ndarray, shape (D, n)
        Of one motor of each drive; `stiffness` [N/m] and `damping` [N.s/m] lie between drive and load, `phase` [rad]
        is the electrical angle at which the move starts.
    slow_decay, open_phase : ndarray of bool, shape (D, n)
        Whether current can only die down in a short-circuited winding; whether the second phase carries none.
    coupling : ndarray, shape (D, A, n)
        Belt (or nut) travel per travel of each axis.
    mass, friction, viscous, force : ndarray, shape (A, n)
        `force` is constant (gravity, process) against the positive direction.
    axis_rate : ndarray, shape (A, n)
        Travel of each axis per length of the move.
    acceleration, speed, travel, start_speed, hold : ndarray, shape (n,)
        Of the move; `travel` infinite makes a ramp that goes on at `speed` for the time `hold` [s].
    marked : ndarray of bool, shape (n,)
        Whether the lane leaves its state behind at `MARKS` speeds of its ramp.
    calm : ndarray, shape (n,)
        Up to this speed [m/s] the move asks for so little of the torque that longer steps do.
    begin : ndarray, shape (4 D + 2 A, n), optional
        State to begin with: places and rates of rotors and loads, currents; nan, as without it, is rest.
    """

    torque_constant: Array
    resistance: Array
    inductance: Array
    current_peak: Array
    voltage: Array
    rotor_teeth: Array
    hysteresis: Array
    eddy: Array
    detent: Array
    inertia: Array
    radius: Array
    count: Array
    efficiency: Array
    stiffness: Array
    damping: Array
    phase: Array
    slow_decay: Bools
    open_phase: Bools
    coupling: Array
    mass: Array
    friction: Array
    viscous: Array
    force: Array
    axis_rate: Array
    acceleration: Array
    speed: Array
    travel: Array
    start_speed: Array
    hold: Array
    marked: Bools
    calm: Array
    begin: Array | None = None

    @property
    def size(self) -> int:
        return int(self.acceleration.size)

    def take(self, lanes: NDArray[np.intp] | Bools | slice) -> Lanes:
        """Some of the lanes."""
        every = {f.name: getattr(self, f.name) for f in fields(self)}
        # An index array leaves the axes in an order that makes every later step slow.
        return replace(
            self,
            **{name: np.ascontiguousarray(value[..., lanes]) for name, value in every.items() if value is not None},
        )

    def drive_rate(self) -> Array:
        """Travel of each drive per length of the move, shape (D, n)."""
        return np.einsum("dan,an->dn", self.coupling, self.axis_rate)


def join(parts: list[Lanes]) -> Lanes:
    """Lanes of equal numbers of drives and axes, one after the other."""
    if any(part.begin is not None for part in parts):
        drives, axes, _ = parts[0].coupling.shape
        parts = [
            part if part.begin is not None else replace(part, begin=np.full((4 * drives + 2 * axes, part.size), np.nan))
            for part in parts
        ]
    every = {f.name: [getattr(part, f.name) for part in parts] for f in fields(Lanes)}
    return Lanes(**{name: np.concatenate(some, axis=-1) for name, some in every.items() if some[0] is not None})


class Fate(NamedTuple):
    """What became of each lane, shape (n,).

    lost : whether a whole electrical cycle was lost.
    drive : which drive lost it first, -1 where none.
    time : when the lag passed the angle from which a rotor does not come back [s]; nan where not lost.
    speed : reference speed of the move at that moment [m/s]; nan where not lost.
    cycles : whole electrical cycles of lag when the lane ended; signed, positive behind.
    worst_lag : greatest load angle seen [rad], electrical, up to the loss.
    kept : (n, MARKS, 1 + 5 D + 2 A) what marked lanes left at their ladder of speeds, slow to fast: speed of the move,
        reference angles, then as `Lanes.begin`; nan where a lane did not come there, empty where none is marked.
    """

    lost: Bools
    drive: NDArray[np.intp]
    time: Array
    speed: Array
    cycles: Array
    worst_lag: Array
    kept: Array

    def part(self, rows: slice) -> Fate:
        """The fates of some lanes."""
        return Fate._make(field[rows] for field in self)


def kept_shape(lanes: Lanes) -> tuple[int, int, int]:
    """Shape of what lanes leave behind, `Fate.kept`."""
    drives, axes, n = lanes.coupling.shape
    return n, MARKS if lanes.marked.any() else 0, 1 + 5 * drives + 2 * axes


def resumed(ramps: Lanes, kept: Array, hold: float | Array) -> Lanes:
    """Moves that end their ramp where a marked one left its state and go on at that speed.

    Parameters
    ----------
    ramps : Lanes
        n lanes.
    kept : ndarray, shape (n, 1 + 5 D + 2 A)
        One mark of each, as in `Fate.kept`.
    hold : float or ndarray, shape (n,)
        How long the speed is held [s].
    """
    drives = ramps.coupling.shape[0]
    speed = kept[:, 0].copy()
    return replace(
        ramps,
        phase=kept[:, 1 : 1 + drives].T.copy(),
        start_speed=speed,
        speed=speed,
        hold=np.broadcast_to(hold, speed.shape).copy(),
        marked=np.zeros(speed.size, bool),
        calm=np.zeros(speed.size),
        begin=kept[:, 1 + drives :].T.copy(),
    )


class Trace(NamedTuple):
    """Time series of one lane; m points.

    time : (m,) [s]; speed_reference : (m,) [m/s]; position, speed : (m, A) [m], [m/s]; shaft_speed, lag, torque :
    (m, D) [rad/s], [rad electrical], [N.m]; current : (m, D, 2) [A].
    """

    time: Array
    speed_reference: Array
    position: Array
    speed: Array
    shaft_speed: Array
    lag: Array
    torque: Array
    current: Array


class _State:
    """What changes in a step; arrays as in `Lanes`."""

    def __init__(self, lanes: Lanes) -> None:
        drives, axes, n = lanes.coupling.shape
        self.drives = drives
        self.current: Single = np.zeros((2, drives, n), np.float32)
        # Rotors and loads in one array each, so that a step does both at once: places are electrical angles of the
        # rotors and positions of the loads, rates are speeds of shafts and loads.
        self.places = np.zeros((drives + axes, n))
        self.rates: Single = np.zeros((drives + axes, n), np.float32)
        # At rest on the magnetic spring under gravity and process force: no swing before the move.
        inverse = np.linalg.pinv(np.moveaxis(lanes.coupling, -1, 0))
        pull = np.einsum("nad,an->dn", inverse, lanes.force)
        torque = pull * lanes.radius / (lanes.count * lanes.efficiency)
        full = lanes.torque_constant * lanes.current_peak
        lag = np.arcsin(np.clip(torque / np.maximum(full, 1e-12), -0.99, 0.99))
        self.places[:drives] = lanes.phase - lag
        # Positions are counted from where the electrical angle would be zero.
        slack = self.angle / lanes.rotor_teeth * lanes.radius - pull / lanes.stiffness
        self.places[drives:] = np.einsum("nad,dn->an", inverse, slack)
        self.current[0] = -lanes.current_peak * np.cos(lanes.phase)
        self.current[1] = np.where(lanes.open_phase, 0.0, lanes.current_peak * np.sin(lanes.phase))
        if lanes.begin is not None:
            begun = ~np.isnan(lanes.begin[0])
            places, rates, currents = np.split(lanes.begin[:, begun], [drives + axes, 2 * (drives + axes)])
            self.places[:, begun], self.rates[:, begun] = places, rates
            self.current[..., begun] = currents.reshape(2, drives, -1)
        self.ahead = np.zeros(n)
        self.per_rate = np.concatenate([lanes.rotor_teeth, np.ones((axes, n))])  # change of places per time and rate
        self.last_good_speed = lanes.start_speed.copy()
        self.last_good_time = np.zeros(n)
        self.worst_lag = np.abs(lag).max(axis=0)
        self.finished = np.zeros(n, bool)
        self.cycles = np.zeros(n)

    @property
    def angle(self) -> Array:
        """Electrical angle of the rotors [rad], (D, n)."""
        return self.places[: self.drives]

    @property
    def position(self) -> Array:
        """Of the loads [m], (A, n)."""
        return self.places[self.drives :]

    @property
    def shaft(self) -> Single:
        """Speed of the rotors [rad/s], (D, n)."""
        return self.rates[: self.drives]

    @property
    def velocity(self) -> Single:
        """Speed of the loads [m/s], (A, n)."""
        return self.rates[self.drives :]

    def left(self, rows: NDArray[np.intp]) -> Array:
        """State of some lanes, as in `Lanes.begin` but lanes first."""
        currents = self.current[..., rows].reshape(2 * self.drives, -1)
        return np.concatenate([self.places_now()[:, rows], self.rates[:, rows], currents]).T

    def places_now(self) -> Array:
        """Places at the time of rates and currents."""
        return np.asarray(self.places - self.per_rate * self.rates * self.ahead)

    def put_ahead(self, time: Array) -> None:
        """Let the places of every lane be this much [s] later than its rates and currents."""
        self.places += self.per_rate * self.rates * (time - self.ahead)
        self.ahead = time

    def keep(self, rows: Bools) -> None:
        """Only the lanes that stay."""
        for name, value in self.__dict__.items():
            if isinstance(value, np.ndarray):
                setattr(self, name, np.ascontiguousarray(value[..., rows]))


def top_speed(lanes: Lanes) -> Array:
    """Speed that each move reaches [m/s]: the one asked for, or what its travel allows."""
    return np.minimum(lanes.speed, np.sqrt(lanes.acceleration * lanes.travel + lanes.start_speed**2))


def move_time(lanes: Lanes) -> Array:
    """Duration of each move [s]; of a ramp the time to its speed."""
    top = top_speed(lanes)
    rising = (top - lanes.start_speed) / lanes.acceleration
    level = np.where(np.isinf(lanes.travel), 0.0, lanes.travel)
    # Travel and the two ramps' share of it, at the top speed.
    whole = (level + rising * (top - lanes.start_speed)) / np.maximum(top, 1e-12)
    return np.where(np.isinf(lanes.travel), rising, whole)


Recorder = Callable[[Array, Array, Array, Array, _State], None]


def simulate(
    lanes: Lanes,
    *,
    stop_at_loss: bool = True,
    phase_step: float = PHASE_STEP,
    longest_step: float = LONGEST_STEP,
    record: Recorder | None = None,
) -> Fate:
    """Simulate all lanes to their end.

    Parameters
    ----------
    lanes : Lanes
        n lanes.
    stop_at_loss : bool
        Whether a lane ends when it has lost a cycle (the fate is known then) or runs to the end of its move.
    phase_step, longest_step : float
        Bounds on the step, as electrical angle [rad] and time [s].
    record : callable, optional
        Called every few steps with time, reference speed, reference angle, torque and state.

    Returns
    -------
    Fate
        The same for a lane whichever others are simulated with it.
    """
    n = lanes.size
    kept = np.full(kept_shape(lanes), np.nan)
    fate = Fate(
        np.zeros(n, bool), np.full(n, -1), np.full(n, np.nan), np.full(n, np.nan), np.zeros(n), np.zeros(n), kept
    )
    # Lanes whose current only dies down need more work: they go last, so that a step does it for them alone.
    where = np.argsort(lanes.slow_decay.any(axis=0), kind="stable")
    lanes = lanes.take(where)
    state = _State(lanes)
    reference = _Reference(lanes)
    lost = np.zeros(n, bool)
    first = np.full(n, -1)
    while where.size:
        lag = _block(
            lanes, state, reference, reference.step(phase_step, longest_step), lost, first, kept, where, record
        )
        done = (reference.time >= reference.finish)[reference.group]
        if stop_at_loss:
            done |= lost
        # A lane's fate is sealed at the end of the block it is done in, however long it waits to leave.
        fresh = done & ~state.finished
        slipped = np.take_along_axis(lag, np.maximum(first, 0)[None], axis=0)[0]
        state.cycles[fresh] = np.round(slipped[fresh] / (2.0 * math.pi))
        state.finished |= done
        if done.mean() > 0.08 or done.all():
            _settle(fate, where[done], lost[done], first[done], state, done)
            keep = ~done
            where, lost, first = where[keep], lost[keep], first[keep]
            lanes = lanes.take(keep)
            state.keep(keep)
            reference.keep(keep)
    return fate


def trace(lane: Lanes, **steps: float) -> tuple[Fate, Trace]:
    """Simulate one lane to its end, loss or no loss, and record it.

    Parameters
    ----------
    lane : Lanes
        Of size 1.
    **steps
        `phase_step`, `longest_step` of `simulate`.

    Raises
    ------
    ValueError
        Where there is more than one lane.
    """
    if lane.size != 1:
        raise ValueError(f"one lane is needed, not {lane.size}")
    points: list[tuple[Array | Single, ...]] = []

    def record(time: Array, speed: Array, angle: Array, torque: Array, state: _State) -> None:
        places = state.places_now()[:, 0]
        # Positions are counted from electrical zero in the engine, from the start of the move here.
        points.append(
            (
                time[0],
                speed[0],
                places[lane.coupling.shape[0] :] - home,
                state.velocity[:, 0].copy(),
                state.shaft[:, 0].copy(),
                angle[:, 0] - places[: lane.coupling.shape[0]],
                torque[:, 0].copy(),
                np.stack([-state.current[0, :, 0], state.current[1, :, 0]], axis=-1),
            )
        )

    home = _State(lane).position[:, 0]
    fate = simulate(lane, stop_at_loss=False, record=record, **steps)
    return fate, Trace(*(np.array(column) for column in zip(*points, strict=True)))


def _settle(
    fate: Fate,
    where: NDArray[np.intp],
    lost: Bools,
    first: NDArray[np.intp],
    state: _State,
    done: Bools,
) -> None:
    """Write the fate of lanes that are leaving."""
    fate.lost[where] = lost
    fate.drive[where] = np.where(lost, first, -1)
    fate.time[where] = np.where(lost, state.last_good_time[done], np.nan)
    fate.speed[where] = np.where(lost, state.last_good_speed[done], np.nan)
    fate.cycles[where] = np.where(lost, state.cycles[done], 0.0)
    fate.worst_lag[where] = state.worst_lag[done]


class _Reference:
    """Commanded motion of the lanes, worked out once for all lanes that share it.

    Samples of one machine on the same move follow the same reference: its sine and cosine are the dearest part of a
    step, and are needed once per group of lanes instead of once per lane.
    """

    def __init__(self, lanes: Lanes) -> None:
        rate = lanes.rotor_teeth / lanes.radius * lanes.drive_rate()
        move = [lanes.acceleration, lanes.speed, lanes.travel, lanes.start_speed, lanes.hold, lanes.calm]
        longest = _mode_step(lanes)
        key = np.vstack([*move, lanes.marked, rate, lanes.phase, longest])
        _, first, group = np.unique(key, axis=1, return_index=True, return_inverse=True)
        self.group = group.reshape(-1)
        self.lanes = lanes.take(first)
        self.rate = rate[:, first]
        self.longest = longest[first]
        self.time = np.zeros(first.size)
        self.distance = np.zeros(first.size)
        self.top = top_speed(self.lanes)
        self.speed = np.minimum(self.lanes.start_speed, self.top)
        ramp = np.isinf(self.lanes.travel)
        end = move_time(self.lanes)
        self.finish = end + np.where(ramp, self.lanes.hold, SETTLE_TIME)
        self.end = np.where(ramp, np.inf, end)
        self.mark = np.where(lanes.marked[first], 0, MARKS)  # the next

    def keep(self, rows: Bools) -> None:
        """Only the groups that some lane still belongs to; `rows` says which lanes stay."""
        used, group = np.unique(self.group[rows], return_inverse=True)
        self.group = group.reshape(-1)
        if used.size == self.time.size:
            return
        self.lanes = self.lanes.take(used)
        for name in ("rate", "longest", "time", "distance", "top", "speed", "finish", "end", "mark"):
            setattr(self, name, getattr(self, name)[..., used])

    def next_mark(self) -> Array:
        """Speed of the next mark of each group; infinite where there is none."""
        return np.where(self.mark < MARKS, self.top * MARK_RATIO ** (self.mark - MARKS + 1.0) * (1.0 - 1e-9), np.inf)

    def marked_up_to(self, speed: Array) -> NDArray[np.intp]:
        """How many marks each group has reached at its speed."""
        share = np.log(np.maximum(speed / self.top, 1e-9)) / math.log(MARK_RATIO)
        return np.clip(np.floor(MARKS + share + 1e-6), 0, MARKS).astype(np.intp)

    def angle(self, distance: Array) -> Array:
        """Reference angle of each group at some distances (..., g) along its move: (..., D, g)."""
        return self.rate * distance[..., None, :] + self.lanes.phase

    def step(self, phase_step: float, longest: float) -> Array:
        """Time step of each group for the next block [s]."""
        rate = np.max(np.abs(self.rate), axis=0)

        def of(times: float) -> tuple[Array, Array]:
            """Step of which the longest is so many times the usual one, and the speed at the end of the block."""
            most = np.minimum(times * longest, self.longest)
            ahead = np.minimum(self.top, self.speed + self.lanes.acceleration * BLOCK * most)
            return np.clip(phase_step / np.maximum(rate * ahead, 1e-9), SHORTEST_STEP, most), ahead

        usual, _ = of(1.0)
        calm, ahead = of(CALM)
        return np.where(ahead <= self.lanes.calm, calm, usual)

    def block(self, dt: Array) -> tuple[Array, Array]:
        """Reference angle (BLOCK, D, g) and speed (BLOCK, g) at the end of every step of a block."""
        time = self.time + dt * np.arange(1, BLOCK + 1)[:, None]
        start, rate = self.lanes.start_speed, self.lanes.acceleration
        # The lowest of ramp up, cruise and ramp down.
        speed = np.minimum(np.minimum(start + rate * time, self.top), start + rate * (self.end - time))
        np.maximum(speed, 0.0, out=speed)
        before = np.concatenate([self.speed[None], speed[:-1]])
        distance = self.distance + np.cumsum(0.5 * dt * (before + speed), axis=0)
        self.time, self.speed, self.distance = time[-1], speed[-1], distance[-1]
        return self.angle(distance), speed


def _block(
    lanes: Lanes,
    state: _State,
    reference: _Reference,
    group_dt: Array,
    lost: Bools,
    first: NDArray[np.intp],
    kept: Array,
    where: NDArray[np.intp],
    record: Recorder | None,
) -> Array:
    """Advance all lanes by one block of steps; returns the lag, shape (D, n)."""
    drives, _, n = lanes.coupling.shape
    group = reference.group
    dt = group_dt[group]
    began = reference.time[group]
    start_angle = reference.angle(reference.distance)
    angles, speeds = reference.block(group_dt)
    commanded = _sines(angles)

    state.put_ahead(0.5 * dt)
    # Places are counted from where the loads are now, and the rotors would be on unstretched belts.
    home = state.position.copy()
    home_angle = lanes.rotor_teeth / lanes.radius * np.einsum("dan,an->dn", lanes.coupling, home)
    origin = np.concatenate([home_angle, home])
    motion = np.stack([_single(state.places - origin), state.rates])
    places, state.rates = motion
    angle, shaft = places[:drives], state.shaft
    asked = _sines(start_angle[None])[0].take(group, axis=-1)
    turn = (np.abs(angles[-1] - start_angle) / BLOCK).take(group, axis=-1)
    motors = _Motors(lanes, dt, turn, home_angle, state.current, shaft, asked)
    loads = _Loads(lanes, dt, motion)

    def written_back() -> None:
        """What the steps have changed, in the state."""
        state.current, state.places = motors.current, origin + places

    lag = np.empty((drives, n))
    behind = _single(state.per_rate[:drives] * state.ahead)
    watched = ~(lost | state.finished)
    checked = np.full(n, -1)
    next_mark = reference.next_mark()
    marks = bool(np.any(next_mark <= speeds[-1]))
    for step, command in enumerate(commanded):
        command.take(group, axis=-1, out=motors.target, mode="clip")
        loads.step(motors.step(angle, shaft))
        if record is not None and step % CHECK_EVERY == 0:
            written_back()
            record(began + (step + 1) * dt, speeds[step][group], angles[step][:, group], motors.torque(), state)
        if step % CHECK_EVERY == FIRST_CHECK:
            np.take(angles[step], group, axis=-1, out=lag, mode="clip")
            lag -= home_angle
            lag -= angle
            lag += behind * shaft
            distance = np.abs(lag)
            worst = distance[0] if drives == 1 else distance.max(axis=0)
            np.copyto(checked, step, where=watched & (worst < UNSTABLE_LAG))
            np.maximum(state.worst_lag, worst, out=state.worst_lag, where=watched)
            # Written so that a lane whose numbers have left all bounds counts as lost.
            gone = ~(worst <= 2.0 * math.pi) & watched
            if gone.any():
                lost |= gone
                first[gone] = distance[:, gone].argmax(axis=0)
                watched &= ~gone
            if marks and np.any(next_mark <= speeds[step]):
                written_back()
                _leave(state, reference, speeds[step], angles[step], watched, kept, where)
                next_mark = reference.next_mark()
    written_back()
    np.minimum(state.worst_lag, 2.0 * math.pi, out=state.worst_lag)
    good = np.flatnonzero(checked >= 0)
    between = checked[good] + CHECK_EVERY // 2
    state.last_good_speed[good] = speeds[between, group[good]]
    state.last_good_time[good] = began[good] + (between + 1) * dt[good]
    return lag


class _Motors:
    """Windings of all lanes over a block: coefficients of its step, currents, and room for what is in between.

    Below a thousand lanes a step costs its calls on arrays, least where these are of one shape, lie side by side, and are
    neither broadcast nor cut in the step: so parts of arrays are kept beside them. `fmin` and `fmax` have less to look after
    than `minimum` and `maximum`.
    """

    def __init__(
        self, lanes: Lanes, dt: Array, turn: Array, home_angle: Array, current: Single, shaft: Single, asked: Single
    ) -> None:
        drives, _, n = lanes.coupling.shape
        both = 2, drives, n
        rated = np.maximum(lanes.resistance, 1e-9)
        gain = -np.expm1(-rated * dt / lanes.inductance) / rated
        forced = gain * lanes.voltage
        self.per_inertia = dt / lanes.inertia
        self.current, self.fresh = current, np.empty(both, np.float32)
        # Of sines, as currents and back-EMF nearly are, the middle of a step says more than its mean, and the mean of both
        # ends times another's middle less than the mean of the product: known shares of the angle `turn` of a step.
        emf_gain = gain * lanes.torque_constant * np.sinc(turn / (2.0 * math.pi))
        # The speed in the middle of a step: half as much again as at its beginning, less half of that at the last one's.
        self.emf_gain, self.less_gain = _single(1.5 * emf_gain), _single(0.5 * emf_gain)
        self.less = self.less_gain * shaft
        # What the bus can do to a current in a step, either way. A relay that only short-circuits the winding can raise a
        # current, not force it down: it raises it by half of that, give or take as much.
        half = np.maximum(np.where(lanes.slow_decay, 0.5 * forced, forced), 1e-12)
        self.peak, self.decay, self.reach, self.low_reach, self.per_range = (
            _single(np.broadcast_to(a, both))
            for a in (lanes.current_peak, np.exp(-lanes.resistance * dt / lanes.inductance), half, -half, 0.5 / half)
        )
        self.target, self.beyond, self.weight = np.empty((3, *both), np.float32)
        self.missing = asked * self.peak - current  # at the end of the last step
        # From the first lane of which some motor is such.
        tail = np.s_[..., n - int(np.sum(lanes.slow_decay.any(axis=0))) :]
        self.raised = _single(np.broadcast_to(np.where(lanes.slow_decay, half, 0.0), both)[tail])
        self.slow_current, self.slow_fresh = self.current[tail], self.fresh[tail]
        self.slow_target, self.slow_missing = self.target[tail], self.missing[tail]
        self.swing, self.size, self.other_size = np.empty((3, *self.raised.shape), np.float32)
        self.dead = _single(~lanes.open_phase) if lanes.open_phase.any() else None
        # Of the rotor's angle: sine, cosine as a sine, and that of the detent, whose period is a full step.
        self.turned = _single(np.remainder(home_angle, 2.0 * math.pi))
        self.quarter, self.four = np.full((drives, n), 0.5 * math.pi, np.float32), np.full((drives, n), 4.0, np.float32)
        self.angles, self.sines = np.empty((2, 3, drives, n), np.float32)
        self.each_angle, self.each_sine = tuple(self.angles), tuple(self.sines)
        # Torque is the sum over these sines times twice the mean currents, and a constant for the detent.
        detent = -2.0 * lanes.detent / np.maximum(lanes.torque_constant, 1e-12)
        self.twice = np.stack([*self.fresh, _single(detent)])
        self.twice_mean = self.twice[:2]
        self.half_torque = _single(0.5 * lanes.torque_constant * self.per_inertia / np.cos(0.5 * turn))
        self.work, self.change = np.empty((2, drives, n), np.float32)
        self.emf = np.empty(both, np.float32)
        self.each_emf = tuple(self.emf)

    def step(self, angle: Single, shaft: Single) -> Single:
        """One step, commanded sines in `target` (used up): angles and speeds of the rotors -> change of the speeds (D, n)."""
        current, fresh = self.current, self.fresh
        target, missing, beyond, weight = self.target, self.missing, self.beyond, self.weight
        own, ahead, fourfold = self.each_angle
        sine, cosine, of_detent = self.each_sine
        emf_a, emf_b = self.each_emf
        sines, work, change = self.sines, self.work, self.change
        target *= self.peak
        np.add(angle, self.turned, own)
        np.add(own, self.quarter, ahead)
        np.multiply(own, self.four, fourfold)
        np.sin(self.angles, sines)
        # Phase currents: free response, then as much of the missing part as the bus can force.
        np.multiply(self.emf_gain, shaft, work)
        work -= self.less
        np.multiply(self.less_gain, shaft, self.less)
        np.multiply(sine, work, emf_a)
        np.multiply(cosine, work, emf_b)
        np.multiply(current, self.decay, fresh)
        fresh -= self.emf
        if self.raised.size:
            # Its direction is that of the current asked for, in the mean of the step: that may turn within it.
            swing, size, other_size = self.swing, self.size, self.other_size
            np.add(self.slow_missing, self.slow_current, swing)
            np.abs(swing, size)
            np.abs(self.slow_target, other_size)
            size += other_size
            np.fmax(size, _NONE, size)
            swing += self.slow_target
            swing *= self.raised
            swing /= size
            self.slow_fresh += swing
        target -= fresh
        # The bus pulls one way until the current is what is asked for, and from then on follows that as far as it can. With
        # m missing at the end of the step if the bus did nothing, m changing by c within its reach r and by 2 h beyond it,
        # it makes (m - h) / (1 + |h| / r) of the current in the step, at most r.
        np.subtract(target, missing, beyond)
        np.fmin(beyond, self.reach, missing)
        np.fmax(missing, self.low_reach, missing)
        beyond -= missing
        np.abs(beyond, weight)
        weight *= self.per_range
        weight += _ONE
        beyond *= _HALF
        np.subtract(target, beyond, beyond)
        beyond /= weight
        np.fmin(beyond, self.reach, beyond)
        np.fmax(beyond, self.low_reach, beyond)
        fresh += beyond
        np.subtract(target, beyond, missing)
        if self.dead is not None:
            fresh[1] *= self.dead
        # Torque at the middle of the step, as the change of speed that it makes; in `work` the windings' alone.
        np.add(current, fresh, self.twice_mean)
        sines *= self.twice
        np.add(sine, cosine, work)
        np.add(work, of_detent, change)
        change *= self.half_torque
        self.current, self.fresh = fresh, current
        self.slow_current, self.slow_fresh = self.slow_fresh, self.slow_current
        return change

    def torque(self) -> Array:
        """Of the windings in the last step [N.m], (D, n)."""
        return np.asarray(self.work * self.half_torque / self.per_inertia)


class _Loads:
    """Rotors and loads of all lanes over a block, and the belts between them: coefficients of its step.

    Rotors come first, loads after them; `motion` (2, D + A, n) holds places and rates.
    """

    def __init__(self, lanes: Lanes, dt: Array, motion: Single) -> None:
        drives, axes, n = lanes.coupling.shape
        ends = drives + axes
        per_inertia, per_mass = dt / lanes.inertia, dt / lanes.mass
        pulled = lanes.radius / lanes.count * per_inertia
        # Losses of a good belt are told apart by direction only where they matter.
        self.efficiency = lanes.efficiency if bool(np.any(lanes.efficiency < 0.9)) else None
        if self.efficiency is None:
            pulled = pulled / lanes.efficiency
        # Viscous losses are implicit: stable however light the rotor is.
        losses = np.concatenate([lanes.eddy * per_inertia, lanes.viscous * per_mass])
        self.fade = _single(1.0 / (1.0 + losses))
        self.dry = _single(np.concatenate([lanes.hysteresis * per_inertia, lanes.friction * per_mass]))
        self.low_dry = -self.dry
        self.advance = _single(np.concatenate([lanes.rotor_teeth * dt, np.broadcast_to(dt, (axes, n))]))
        push = lanes.force * per_mass
        self.push = _single(push) if push.any() else None
        # Forces of the springs from places and rates of rotors and of loads, and what they do to the rates of both.
        damping = lanes.radius * lanes.damping
        self.stiff, self.damped = _single(lanes.radius / lanes.rotor_teeth * lanes.stiffness), _single(damping)
        belts = np.stack([lanes.stiffness, lanes.damping])[:, None] * np.swapaxes(lanes.coupling, 0, 1)
        self.against, self.coupled = _single(-pulled), _single(belts)
        self.places, self.rates = motion
        self.turned, self.turning, self.loads = self.places[:drives], self.rates[:drives], motion[:, drives:, None]
        self.force, self.stretch = np.empty((2, drives, n), np.float32)
        self.slack = np.empty_like(self.coupled)
        self.by_place, self.by_rate = self.slack
        self.of_axes = tuple(self.by_place)
        self.impulse, self.other = np.empty((2, ends, n), np.float32)
        self.driven, self.pulled = self.impulse[:drives], self.impulse[drives:]
        (self.first, self.first_force), *self.further = zip(_single(lanes.coupling * per_mass), self.force, strict=True)
        self.part = np.empty((axes, n), np.float32)

    def step(self, change: Single) -> None:
        """One step, with the change of the rotors' speeds that the motors make."""
        places, rates, other = self.places, self.rates, self.other
        force, driven, pulled = self.force, self.driven, self.pulled
        np.multiply(self.stiff, self.turned, self.stretch)
        np.multiply(self.damped, self.turning, force)
        force += self.stretch
        np.multiply(self.coupled, self.loads, self.slack)
        self.by_place += self.by_rate
        for back in self.of_axes:
            force -= back
        np.multiply(self.against, force, driven)
        np.multiply(self.first, self.first_force, pulled)
        for shares, of_one in self.further:
            np.multiply(shares, of_one, self.part)
            pulled += self.part
        if self.efficiency is not None:
            driving = force * self.turning >= 0.0
            driven *= np.where(driving, 1.0 / self.efficiency, self.efficiency)
        driven += change
        if self.push is not None:
            pulled -= self.push
        rates *= self.fade
        rates += self.impulse
        np.fmin(rates, self.dry, other)
        np.fmax(other, self.low_dry, other)
        rates -= other
        np.multiply(rates, self.advance, other)
        places += other


def _mode_step(lanes: Lanes) -> Array:
    """Longest step of each lane that follows the swing of its rotors and loads against each other, (n,) [s]."""
    of_rotors = lanes.radius**2 / (lanes.count * lanes.inertia)
    of_loads = np.sum(lanes.coupling**2 / lanes.mass, axis=1)
    found = MODE_STEP / np.sqrt(np.max(lanes.stiffness * (of_rotors + of_loads), axis=0))
    level = MODE_LEVEL ** np.floor(np.log(found) / math.log(MODE_LEVEL))
    # Beyond what any step comes to all are alike.
    return np.asarray(np.minimum(level, CALM * LONGEST_STEP))


def _sines(angles: Array) -> Single:
    """What the currents are asked for at some reference angles (steps, D, g), as a share of their peak (steps, 2, D, g)."""
    # Less whole turns, angles are exact enough in single precision, in which their sines take an eighth of the time.
    turns = np.rint(angles * (0.5 / math.pi))
    rest = _single(angles - 2.0 * math.pi * turns)
    found = np.empty((len(angles), 2, *angles.shape[1:]), np.float32)
    np.negative(np.cos(rest), found[:, 0])
    np.sin(rest, found[:, 1])
    return found


def _single(values: Array | Bools) -> Single:
    """In single precision, side by side in memory."""
    return np.ascontiguousarray(values, dtype=np.float32)


def _leave(
    state: _State,
    reference: _Reference,
    speed: Array,
    angle: Array,
    watched: Bools,
    kept: Array,
    where: NDArray[np.intp],
) -> None:
    """Write down the state of the lanes that have come to their next mark."""
    reached = reference.marked_up_to(speed)
    rows = np.flatnonzero((reached > reference.mark)[reference.group] & watched)
    group = reference.group[rows]
    now = np.column_stack([speed[group], angle[:, group].T, state.left(rows)])
    # Early marks lie close together, and several may have been passed at once.
    for further in range(int((reached - reference.mark).max())):
        at = reference.mark[group] + further
        passed = at < reached[group]
        kept[where[rows[passed]], at[passed]] = now[passed]
    reference.mark = np.maximum(reference.mark, reached)
