"""Speeds at which steps are lost, by simulating moves: what a ladder of ever faster moves would find.

For every direction, acceleration and sample of a machine:

1. one long ramp finds the speed at which the rotor falls behind;
2. moves that end their ramp at speeds around that, each beginning with the state that the ramp had there, find whether
   they are lost in the swing when the acceleration ends, or kept because it ends in time;
3. holds at a range of constant speeds find unstable windows below it, where oscillation grows from cycle to cycle.

The third depends on speed and sample but hardly on acceleration, so it is done once per direction.

A search is a generator that yields the lanes it wants simulated next and is sent their fates, so that several searches
share the engine's steps: a step costs much the same for ten lanes and for a hundred.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterator, Sequence
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from ..machine import Array
from ..plant import Plant
from .lanes import MoveLanes, move_lanes, working_voltage
from .limits import load_ratio, pull_in_acceleration, static_limits, torque_curve
from .motion import MARK_RATIO, MARKS, Fate, Lanes, join, resumed

HOLD = 0.03  # [s] after a ramp: a few periods of the rotor on its magnetic spring
HELD_CYCLES = 8  # of the motor at its speed, at least, in a brief move: a rotor left behind is so by some of them
CRUISE, SHORTEST_CRUISE = 0.12, 0.05  # [s] looks at constant speed: the longest, and what oscillation needs to grow
# Of the marks of a ramp down from the fastest, every so many, and down to this share of that, are looked at at constant speed.
CRUISED_MARKS, SLOWEST_CRUISE = 2, 0.2
# Ramps of which all are kept at once what they leave at their marks, some 5 kB each; directions are looked at one after the other
# where there are more.
MOST_AT_ONCE = 50_000
FEW_LANES = 3000  # up to here several marks of a move are looked at in a round: another round costs more
MOST_PROBES = 3  # of a move in one round, where there are few
SLOWEST_CHECK = 0.2  # of the speed at which the ramp was lost
WINDOW_SPEEDS = 7
SLOWEST_WINDOW = 0.3  # of the highest speed looked at
TRIAL_SCATTER = 0.05  # of friction from trial to trial, one standard deviation, from memory

# A ramp whose demand never passes this share of pull-out torque is not lost: even the swing of an undamped abrupt start
# needs 0.72 (equal-area criterion). Unstable speeds are looked for separately.
SAFE_RATIO = 0.45
# Parts of a ramp's top speed: to the last of them up to which it is calm it goes in longer steps. Few, so that what is commanded
# is worked out for many lanes at once.
CALM_LEVELS = 8
# Electrical angles over half a turn, after which everything repeats with currents turned round, at which many machines start;
# few, so that what is commanded is worked out for many lanes at once.
ANGLES = 8
# So many times the fastest marks that may be lost are looked at before halving, so many at most: half of the moves are kept up
# to where the ramp is lost, and a quarter up to the mark before.
NEAREST_FIRST, MOST_NEAREST = 2, 3
CLEARLY_LESS = 0.93  # share of the ramp's speed below which it is the swing that decides

# No ramp needs to last longer: where the acceleration asked for is a few per cent of what the motors can give, a brisker
# one of a few per cent is as good, since the inertial part of the demand is as small.
LONGEST_RAMP = 2.0  # [s]
SHORT_RAMP = 10.0  # times the speed at which statics say that an abrupt start fails
SLOW_SHARE = 0.05  # of the acceleration that pull-out torque gives at standstill

Progress = Callable[[float], None]
Simulator = Callable[[Lanes], Fate]
Bools = NDArray[np.bool_]
Rows = NDArray[np.intp]
Result = TypeVar("Result")
Search = Generator[list[Lanes], list[Fate], Result]


class Skips(NamedTuple):
    """Skip speeds of one direction; k accelerations, n samples, w hold speeds.

    ramp : (k, n) where the ramp was lost [m/s], infinite where it was not.
    skip : (k, n) lowest speed at which a move is lost [m/s], infinite where none up to the top speed is.
    swing : (k, n) whether that is for the swing when an acceleration begins or ends.
    unstable : (k, n) whether that is for instability at constant speed.
    hold_speeds : (w,) [m/s]; hold_lost : (w, n) whether a hold at that speed was lost.
    """

    ramp: Array
    skip: Array
    swing: Bools
    unstable: Bools
    hold_speeds: Array
    hold_lost: Bools


class Ramps(NamedTuple):
    """What ramps say of one direction; k accelerations, n samples.

    skip : (k, n) lowest speed at which a ramp or its swing is lost [m/s], infinite where none is.
    onset : (n,) lowest speed found at which oscillation at constant speed loses steps [m/s], infinite where none was found.
    cruised : (n,) greatest speed below that limit that was looked at at constant speed [m/s], 0 where none was.
    """

    skip: Array
    onset: Array
    cruised: Array


class Moves(NamedTuple):
    """Moves wanted in one direction: `unit` (A,), accelerations (k,) [m/s2], travels (k,) [m].

    `brief`: whether they are as short as their speed allows, so that no speed is kept long enough for oscillation to grow.
    """

    unit: Array
    acceleration: Array
    travel: Array
    brief: bool = False

    @property
    def top(self) -> Array:
        """Speed that each travel allows [m/s]."""
        return np.sqrt(self.acceleration * self.travel)


class _Batch:
    """Moves of several directions, simulated together because the engine likes many lanes."""

    def __init__(self, plant: Plant, seed: int, stage: int) -> None:
        self.plant = plant
        self.seed, self.stage = seed, stage
        self.voltage = working_voltage(plant)  # the same in all directions
        self.parts: list[tuple[MoveLanes, int]] = []

    def add(
        self,
        unit: Array,
        acceleration: Array,
        speed: Array,
        hold: Array | float,
        sample: Rows,
        *,
        marked: bool = False,
        phase: Array | None = None,
        calm: Array | float = 0.0,
    ) -> None:
        """Ramps of one direction, with a hold. Trial scatter depends on direction and sample, not on what else is simulated;
        one starting phase for all unless they are given.
        """
        n = self.plant.samples
        rng = _draws(self.seed, self.stage, unit)
        friction = np.exp(TRIAL_SCATTER * rng.standard_normal(n))
        friction[0] = 1.0  # sample 0 is the nominal machine
        same_phase = rng.uniform(0.0, 2.0 * np.pi)
        lanes = move_lanes(
            self.plant,
            unit,
            acceleration,
            speed,
            np.full(sample.size, np.inf),
            hold=hold,
            sample=sample,
            phase=same_phase if phase is None else phase,
            friction_factor=friction[sample],
            marked=marked,
            calm=calm,
            voltage=self.voltage,
        )
        self.parts.append((lanes, sample.size))

    def lanes(self) -> list[Lanes]:
        """What to simulate, one entry per call of `add`."""
        return [part.lanes for part, _ in self.parts]

    def losses(self, fates: Sequence[Fate]) -> list[Array]:
        """Per call of `add`, the speed of loss of each move, infinite where none; a move of several lanes is lost with any."""
        return [_losses(part.move, size, fate) for (part, size), fate in zip(self.parts, fates, strict=True)]


def _draws(seed: int, stage: int, unit: Array, acceleration: float = 0.0) -> np.random.Generator:
    """The same draws for a direction and acceleration [m/s2], whatever others there are."""
    return np.random.default_rng([seed, stage, *np.round(1e6 * np.append(unit + 2.0, acceleration)).astype(np.int64)])


def _losses(move: Rows, moves: int, fate: Fate) -> Array:
    """Speed of loss of each move, infinite where none; a move of several lanes is lost with any."""
    result = np.full(moves, np.inf)
    np.minimum.at(result, move, np.where(fate.lost, fate.speed, np.inf))
    return result


def together(searches: Sequence[Search[Result]], simulate: Simulator) -> list[Result]:
    """Run searches side by side, their lanes simulated in common batches.

    Parameters
    ----------
    searches : sequence of generators
        As `skip_search` and `ramp_search` make them.
    simulate : callable
        `motion.simulate`, or something that spreads it over processes.

    Returns
    -------
    list
        What each search found, in their order.
    """
    found: dict[int, Result] = {}
    wanted: dict[int, list[Lanes]] = {}

    def advance(which: int, fates: list[Fate] | None) -> None:
        try:
            wanted[which] = next(searches[which]) if fates is None else searches[which].send(fates)
        except StopIteration as end:
            wanted.pop(which, None)
            found[which] = end.value

    for which in range(len(searches)):
        advance(which, None)
    while wanted:
        fates = _fates([lanes for some in wanted.values() for lanes in some], simulate)
        start = 0
        for which, some in list(wanted.items()):
            advance(which, fates[start : start + len(some)])
            start += len(some)
    return [found[which] for which in range(len(searches))]


def _fates(wanted: list[Lanes], simulate: Simulator) -> list[Fate]:
    """Simulate lanes of any shapes, those of one shape together."""
    fates: list[Fate | None] = [None] * len(wanted)
    for shape in sorted({lanes.coupling.shape[:2] for lanes in wanted}):
        chosen = [i for i, lanes in enumerate(wanted) if lanes.coupling.shape[:2] == shape]
        whole = simulate(join([wanted[i] for i in chosen]))
        start = 0
        for i in chosen:
            end = start + wanted[i].size
            fates[i] = whole.part(slice(start, end))
            start = end
    return [fate for fate in fates if fate is not None]


def skip_search(
    plant: Plant, wanted: list[Moves], *, seed: int = 0, progress: Progress | None = None
) -> Search[list[Skips]]:
    """Skip speeds for several directions of one sampled machine.

    Parameters
    ----------
    plant : Plant
        n samples.
    wanted : list of Moves
        Directions with their accelerations and travels.
    seed : int
        Of the trial scatter.
    progress : callable, optional
        Called with the share done.

    Returns
    -------
    list of Skips
    """
    report = progress or (lambda share: None)
    ratios = [load_ratio(plant, moves.unit, moves.acceleration, moves.top) for moves in wanted]
    report(0.05)
    holds = _Holds(plant, wanted, seed)
    doubtful = [ratio.worst.T > SAFE_RATIO for ratio in ratios]
    calm = [ratio.calm.T for ratio in ratios]
    ramps, fates = yield from _ramps(plant, wanted, doubtful, calm, seed, holds.batch.lanes())
    report(0.7)
    limits = yield from _swing_checks(ramps)
    report(1.0)
    results = []
    ramp = [ramped.lost_at for ramped in ramps]
    for moves, r, skip, ratio, (speeds, lost) in zip(
        wanted, ramp, limits, ratios, holds.lost(fates, ramp), strict=True
    ):
        onset = _onset(speeds, lost)[None]
        # A window counts where the move gets to it: below the ramp's loss, within the travel.
        unstable = (onset < skip) & (onset <= moves.top[:, None]) & (not moves.brief)
        swing = ~unstable & ((skip < CLEARLY_LESS * r) | (ratio.standing.T > 1.0))
        results.append(Skips(r, np.where(unstable, onset, skip), swing, unstable, speeds, lost))
    return results


def ramp_search(
    plant: Plant,
    wanted: list[Moves],
    *,
    seed: int = 0,
    cruising: bool = False,
) -> Search[list[Ramps]]:
    """Skip speeds by ramps and their swing alone, for many samples; unstable speeds apart.

    Parameters
    ----------
    plant, wanted, seed
        As in `skip_search`.
    cruising : bool
        Whether moves are also simulated that go on at constant speed.

    Returns
    -------
    list of Ramps
    """
    doubtful, calm = [], []
    turns = [m.top.max() * np.max(np.abs(plant.kinematic_map @ m.unit) / plant.radius) for m in wanted]
    curve = torque_curve(plant, max(turns))
    for moves in wanted:
        ratio = load_ratio(plant, moves.unit, moves.acceleration, moves.top, points=12, curve=curve)
        doubtful.append((ratio.worst.T > SAFE_RATIO) | cruising)
        calm.append(ratio.calm.T)
    found: list[Ramps] = []
    for these in _portions([int(here.sum()) for here in doubtful]):
        ramps, _ = yield from _ramps(plant, wanted[these], doubtful[these], calm[these], seed, [])
        limits = yield from _swing_checks(ramps)
        steady = [(np.full(plant.samples, np.inf), np.zeros(plant.samples))] * len(limits)
        if cruising:
            steady = yield from _cruise_checks(ramps, limits)
        found += [Ramps(limit, *each) for limit, each in zip(limits, steady, strict=True)]
    return found


def _portions(sizes: Sequence[int]) -> Iterator[slice]:
    """Neighbours that have at most `MOST_AT_ONCE` together, or are single."""
    start, total = 0, 0
    for end, size in enumerate(sizes):
        if end > start and total + size > MOST_AT_ONCE:
            yield slice(start, end)
            start, total = end, 0
        total += size
    if start < len(sizes):
        yield slice(start, len(sizes))


def _brisk(plant: Plant, moves: Moves) -> tuple[Array, Array]:
    """Accelerations and top speeds to simulate ramps with, (k,) each: never longer than they need to be."""
    nominal = plant.take(slice(0, 1))
    slow = SLOW_SHARE * float(pull_in_acceleration(nominal, moves.unit)[0])
    acceleration = np.maximum(moves.acceleration, np.minimum(slow, moves.top / LONGEST_RAMP))
    top = moves.top
    if np.any(top / acceleration > LONGEST_RAMP):
        steady = static_limits(nominal, moves.unit, moves.acceleration, float(top.max())).steady[0]
        # Twice the speed at which the nominal machine's torque is used up is beyond any sample.
        top = np.where(np.isfinite(steady), np.minimum(top, np.maximum(2.0 * steady, 0.01 * top)), top)
    # Where statics say that a start fails at less than the slowest mark of such a ramp, that of a shorter one is slower.
    limit = static_limits(nominal, moves.unit, moves.acceleration, float(top.max())).skip[0]
    top = np.where(limit * MARK_RATIO**MARKS < top, np.maximum(SHORT_RAMP * limit, 1e-3 * top), top)
    return acceleration, top


class _Ramped(NamedTuple):
    """Ramps of one direction; k accelerations, n samples, m ramps that were simulated, l lanes.

    lost_at : (k, n) speed at which each was lost [m/s], infinite where it was not.
    rows : which acceleration and sample each simulated ramp belongs to; lanes, move : its lanes; kept : (l, MARKS, ...)
    what they left.
    """

    lost_at: Array
    rows: tuple[Rows, ...]
    lanes: Lanes
    move: Rows
    kept: Array

    def marks(self) -> Array:
        """Speeds at which all lanes of a ramp left their state, (m, MARKS) [m/s]; nan where some lane did not."""
        moves = self.rows[0].size
        total = np.zeros((moves, self.kept.shape[1]))
        np.add.at(total, self.move, self.kept[:, :, 0])
        return total / np.maximum(np.bincount(self.move, minlength=moves), 1)[:, None]


def _ramps(
    plant: Plant,
    wanted: list[Moves],
    doubtful: list[Bools],
    calm: list[Array],
    seed: int,
    besides: list[Lanes],
) -> Search[tuple[list[_Ramped], list[Fate]]]:
    """One long ramp for each acceleration and sample of every direction; and the fates of lanes simulated `besides`.

    They start at scattered angles: what the angle does to a limit averages out over many machines. Up to the speeds `calm`,
    (k, n) [m/s], they are simulated in longer steps.
    """
    batch = _Batch(plant, seed, stage=1)
    rows = [np.nonzero(d) for d in doubtful]
    for moves, (i, j), v in zip(wanted, rows, calm, strict=True):
        acceleration, top = _brisk(plant, moves)
        level = np.floor(CALM_LEVELS * np.minimum(v[i, j] / top[i], 1.0)) / CALM_LEVELS * top[i]
        turns = [_draws(seed, 5, moves.unit, a).integers(ANGLES, size=plant.samples) for a in moves.acceleration]
        phase = np.asarray(np.pi / ANGLES * np.array(turns)[i, j], dtype=float)
        batch.add(moves.unit, acceleration[i], top[i], 0.0, j, marked=True, phase=phase, calm=level)
    fates = yield batch.lanes() + besides
    own = len(batch.parts)
    found = []
    for at, speed, (part, _), fate, d in zip(
        rows, batch.losses(fates[:own]), batch.parts, fates[:own], doubtful, strict=True
    ):
        lost_at = np.full(d.shape, np.inf)
        lost_at[at] = speed
        found.append(_Ramped(lost_at, at, part.lanes, part.move, fate.kept))
    return found, fates[own:]


class _Between(NamedTuple):
    """Of the marks of each ramp of one direction, (m,), those up to `kept` are taken as kept, those from `lost` on as lost."""

    kept: Rows
    lost: Rows


def _swing_checks(ramps: list[_Ramped]) -> Search[list[Array]]:
    """Speeds up to which moves are kept that stop accelerating where their ramp left its state, (k, n) [m/s].

    The slowest that is lost is found by halving, after a look at the fastest that may be kept; where the ramp itself was
    lost between that and the next mark, it says the speed more exactly.
    """
    speeds = [ramped.marks() for ramped in ramps]
    lost_at = [ramped.lost_at[ramped.rows] for ramped in ramps]
    found = []
    for v, r in zip(speeds, lost_at, strict=True):
        lost = np.sum(np.isfinite(v), axis=1)
        slowest = np.sum(v < SLOWEST_CHECK * np.where(np.isfinite(r), r, 0.0)[:, None], axis=1)
        # Where the ramp was kept there is nothing to look for.
        found.append(_Between(np.where(np.isfinite(r), np.minimum(slowest, lost), lost) - 1, lost))
    yield from _halve(ramps, found)
    limits = []
    for ramped, v, r, between in zip(ramps, speeds, lost_at, found, strict=True):
        limit = np.full(ramped.lost_at.shape, np.inf)
        limit[ramped.rows] = np.where(np.isfinite(r), _between_marks(v, r, between), np.inf)
        limits.append(limit)
    return limits


def _cruise_checks(ramps: list[_Ramped], limits: list[Array]) -> Search[list[tuple[Array, Array]]]:
    """Lowest speeds at which samples are lost that go on at constant speed, and the greatest looked at, (n,) each [m/s].

    From some speed on oscillation may grow, whatever the acceleration that led there, and further up it may die down again.
    So every sample is looked at along the ramp of the least acceleration, at marks below all that else loses it.
    """
    wanted, looked = [], []
    for ramped, limit in zip(ramps, limits, strict=True):
        v = ramped.marks()
        chosen = np.flatnonzero(ramped.rows[0] == 0)
        below = v[chosen] < 0.999 * limit[0, ramped.rows[1][chosen]][:, None]
        fastest = np.where(below, np.arange(v.shape[1]), -1).max(axis=1, initial=-1)
        chosen, fastest = chosen[fastest >= 0], fastest[fastest >= 0]
        most = math.ceil(-math.log(SLOWEST_CRUISE) / math.log(MARK_RATIO) / CRUISED_MARKS)
        # Slow to fast; a mark before the first is that again, which is looked at once.
        marks = np.maximum(fastest[:, None] - CRUISED_MARKS * np.arange(most, -1, -1), 0)
        lanes, owner = _resumed(ramped, chosen, marks, CRUISE)
        wanted.append(lanes)
        looked.append((chosen, marks, v, owner))
    fates = yield wanted
    found = []
    for ramped, limit, (chosen, marks, v, owner), fate in zip(ramps, limits, looked, fates, strict=True):
        lost = np.isfinite(_losses(owner, marks.size, fate)).reshape(marks.shape)
        speed = np.take_along_axis(v[chosen], marks, axis=1)
        onset, cruised = np.full(limit.shape[1], np.inf), np.zeros(limit.shape[1])
        sample = ramped.rows[1][chosen]
        # Between the last kept and the first lost.
        first = speed[np.arange(len(speed)), lost.argmax(axis=1)] / MARK_RATIO ** (0.5 * CRUISED_MARKS)
        onset[sample], cruised[sample] = np.where(lost.any(axis=1), first, np.inf), speed[:, -1]
        found.append((onset, cruised))
    return found


def steady_speed(moves: Moves) -> Array:
    """Greatest speed [m/s] that each move keeps long enough for oscillation to grow, (k,)."""
    half = 0.5 * SHORTEST_CRUISE
    # Speeding up and stopping take their share of the travel: v^2 / a + v t = s.
    return np.asarray(moves.acceleration * (np.sqrt(half**2 + moves.travel / moves.acceleration) - half))


def cycles_per_metre(plant: Plant, unit: Array) -> Array:
    """Electrical periods of each drive's motors in a metre of a move [1/m], (D,)."""
    return np.asarray(plant.rotor_teeth * np.abs(plant.kinematic_map @ unit) / (2.0 * math.pi * plant.radius))


def brief_travel(plant: Plant, unit: Array, acceleration: float, speed: float) -> float:
    """Length of a move [m] that comes to a speed and keeps it just long enough for the swing after the ramp to show."""
    return speed**2 / acceleration + max(HOLD * speed, HELD_CYCLES / float(cycles_per_metre(plant, unit).max()))


def _halve(ramps: list[_Ramped], found: list[_Between]) -> Search[None]:
    """Bring `kept` and `lost` of all ramps together, by moves to marks between them that are held there.

    In the first rounds those next to `lost` are looked at.
    """
    rounds = 0
    while any(np.any(between.lost - between.kept > 1) for between in found):
        open_ = [np.flatnonzero(between.lost - between.kept > 1) for between in found]
        gaps = [(between.lost - between.kept)[undecided] for between, undecided in zip(found, open_, strict=True)]
        # Few lanes cost little more than fewer: then several marks are looked at in one round.
        some = range(2, MOST_PROBES + 1)
        probes = max((k for k in some if sum(np.minimum(gap - 1, k).sum() for gap in gaps) <= FEW_LANES), default=1)
        wanted, tried = [], []
        for ramped, undecided, between, gap in zip(ramps, open_, found, gaps, strict=True):
            kept, gap = between.kept[undecided, None], gap[:, None]
            if rounds < NEAREST_FIRST:
                marks = kept + np.maximum(gap - np.arange(min(probes, MOST_NEAREST), 0, -1), 1)
            else:
                marks = kept + np.maximum(gap * np.arange(1, probes + 1) // (probes + 1), 1)
            lanes, owner = _resumed(ramped, undecided, marks, HOLD)
            wanted.append(lanes)
            tried.append((marks, owner))
        fates = yield wanted
        rounds += 1
        for between, undecided, (marks, owner), fate in zip(found, open_, tried, fates, strict=True):
            gone = np.isfinite(_losses(owner, marks.size, fate)).reshape(marks.shape)
            first = np.where(gone.any(axis=1), gone.argmax(axis=1), marks.shape[1])
            row = np.arange(undecided.size)
            bounded = np.column_stack([between.kept[undecided], marks, between.lost[undecided]])
            between.kept[undecided], between.lost[undecided] = bounded[row, first], bounded[row, first + 1]


def _resumed(ramped: _Ramped, chosen: Rows, marks: Rows, hold: float) -> tuple[Lanes, Rows]:
    """Moves that end chosen ramps (c,) at some of their marks (c, probes), slow to fast, and hold that speed for a while [s]; and
    which of these each lane belongs to.

    The same mark is looked at once, as the first of those that are.
    """
    position = np.full(ramped.rows[0].size, -1)
    position[chosen] = np.arange(chosen.size)
    probes = marks.shape[1]
    # A move may have several lanes.
    lanes = np.repeat(np.flatnonzero(position[ramped.move] >= 0), probes)
    probe = np.tile(np.arange(probes), lanes.size // probes)
    owner = position[ramped.move[lanes]]
    new = np.diff(marks, axis=1, prepend=-1)[owner, probe] > 0
    lanes, probe, owner = lanes[new], probe[new], owner[new]
    mark = marks[owner, probe]
    moves = resumed(ramped.lanes.take(lanes), ramped.kept[lanes, mark], hold)
    return moves, owner * probes + probe


def _between_marks(speeds: Array, lost_at: Array, between: _Between) -> Array:
    """Skip speed of each move from the last mark kept and the first lost [m/s]."""
    kept, lost = between
    if not lost_at.size:
        return lost_at
    row, alive = np.arange(lost_at.size), np.sum(np.isfinite(speeds), axis=1)
    first = speeds[row, np.clip(lost, 0, np.maximum(alive - 1, 0))]
    last = speeds[row, np.maximum(kept, 0)]
    # Marks that no lane lived to, or slower than all that were looked at: one spacing on.
    high = np.where(lost < alive, first, last * MARK_RATIO)
    low = np.where(kept >= 0, last, high / MARK_RATIO)
    between = np.sqrt(low * high)
    return np.where((low <= lost_at) & (lost_at <= high) | ~np.isfinite(between), lost_at, between)


class _Holds:
    """Holds at constant speed, each reached at an acceleration that gets there with room to spare."""

    def __init__(self, plant: Plant, wanted: list[Moves], seed: int) -> None:
        self.samples = plant.samples
        self.batch = _Batch(plant, seed, stage=4)
        self.grids: list[tuple[Array, Rows]] = []
        for moves in wanted:
            self._add(plant, moves)

    def _add(self, plant: Plant, moves: Moves) -> None:
        n = self.samples
        nominal = plant.take(slice(0, 1))
        static = static_limits(nominal, moves.unit, moves.acceleration, float(moves.top.max()))
        middle = np.minimum(static.skip[0], moves.top)
        best = float(middle.max())
        speeds = np.geomspace(SLOWEST_WINDOW * best, 0.97 * best, WINDOW_SPEEDS)
        # The briskest that is good for a third more: windows are no matter of the swing at the end of a ramp.
        chosen = np.array(
            [
                int(np.flatnonzero(middle >= 1.33 * v).max()) if (middle >= 1.33 * v).any() else int(middle.argmax())
                for v in speeds
            ]
        )
        # Windows hardly depend on how they are come to: no need to crawl there.
        slow = SLOW_SHARE * 4.0 * float(pull_in_acceleration(nominal, moves.unit)[0])
        acceleration = np.maximum(moves.acceleration[chosen], np.minimum(slow, 4.0 * speeds))
        # Speeding up and stopping take their share of the travel.
        hold = np.clip((moves.travel[chosen] - speeds**2 / moves.acceleration[chosen]) / speeds, 0.0, CRUISE)
        sample = np.tile(np.arange(n), speeds.size)
        self.batch.add(moves.unit, np.repeat(acceleration, n), np.repeat(speeds, n), np.repeat(hold, n), sample)
        self.grids.append((speeds, chosen))

    def lost(self, fates: list[Fate], ramp: list[Array]) -> list[tuple[Array, Bools]]:
        """Hold speeds of each direction, and whether each sample was lost at each."""
        # A move that its own ramp would not have survived says nothing about constant speed.
        return [
            (speeds, np.isfinite(speed).reshape(-1, self.samples) & (r[chosen] > 1.1 * speeds[:, None]))
            for (speeds, chosen), speed, r in zip(self.grids, self.batch.losses(fates), ramp, strict=True)
        ]


def _onset(speeds: Array, lost: Bools) -> Array:
    """Lowest unstable speed of each sample, between the grid speeds around it; infinite where none."""
    below = np.concatenate([[speeds[0] ** 2 / speeds[1]], speeds[:-1]])
    return np.where(lost.any(axis=0), np.sqrt(speeds * below)[lost.argmax(axis=0)], np.inf)
