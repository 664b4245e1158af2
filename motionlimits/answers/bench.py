"""What machines within tolerance do to a sweep under every cause: some hundreds simulated, thousands emulated.

Machines are rows of standard normal coordinates, so that they can be drawn near those that the rows leave possible.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, reduce
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from ..machine import Array, Direction, Machine
from ..physics.limits import TorqueCurve, pull_out_speed, standing_ratio, torque_curve
from ..physics.skip import Moves, Search, ramp_search, steady_speed
from ..plant import SLOW_DECAY_ODDS, Plant, at_work, log_widths, nominal_plant, plant_at, stack
from .causes import Hypothesis
from .emulator import JOINT, LUCK_POINTS, SIZE_SHRINKAGE, TOLERANCE_SHRINKAGE, Emulator, Limits, Traits, emulator
from .likelihood import COMMON_OFFSET, UNSTABLE, UNSTABLE_SLOW, Onsets, Pair, RowsFit
from .proposal import Bools, drawn, fitted, shares, tempered

# Emulated machines: of causes that are looked at once, and of the others.
FEW, MANY = 1000, 2000
FEW_EFFECTIVE = 250  # where not this many count for something, others are drawn near those that the rows leave possible
MOST_DIRECTIONS, INFORMED = 8, 0.02  # of tolerances that rows tell about: how many, and least effect on a limit of each
# Which of them are simulated: mostly those that the rows speak for, but not only. Rows count by a power less than one, since
# an emulator may be wrong about them, in choosing as in fitting.
CHOOSING_POWER, ANY_SHARE = 0.7, 0.15
FITTING_POWER, FITTING_FLOOR = 0.3, 0.005
SIZE_POINTS = 41  # quantiles of a size's prior at which readings are weighed and its posterior is told
HEADROOM = 1.25  # ramps go this far beyond the travel's top speed, to see what a kept move had to spare
BEYOND = 1.6  # skip speed over the top speed where even that ramp is kept
# Times as long as usual are their steps: limits scatter by 4 in place of 3 % around those of short steps, about as many up as
# down, where emulators leave 5 % over anyway.
COARSE = 2.0
ELECTRICAL = (  # what decides on a torque curve
    "voltage",
    "source_resistance",
    "torque_constant",
    "winding_resistance",
    "bridge_resistance",
    "inductance",
    "current_peak",
    "slow_decay",
)
# As so many machines, beside `likelihood.ANY_ONSET`, count those simulated at constant speed, of a cause itself and healthy
# ones for any other: a share that does not hang on how many are simulated.
OWN_ONSETS, HEALTHY_ONSETS = 28.0, 6.0
# Accelerations of a direction at which machines are simulated to be looked at constant speed: those of the fastest such speeds.
MOST_STEADY = 3
STATIC_REACH = 2.0  # static limits over the top speed are told up to here


@dataclass(frozen=True)
class Outlook:
    """What machines with one fault do, by the emulator.

    `quantiles` (machines,) of the size, `log_weight` (machines,): likelihood of the rows, times how often such a machine
    occurs over how often it was drawn; `best`: the greatest of these likelihoods; `unstable` (machines,): how likely each has
    an unstable speed by the common prior, `onsets`: what those simulated do at constant speed. `limits` of (machines, pairs);
    `typical` (sizes, pairs): expected log of skip over top speed of the machine as described over `size_quantiles`.
    """

    quantiles: Array
    log_weight: Array
    best: float
    unstable: Array
    onsets: Onsets | None
    limits: Limits
    typical: Array


def size_quantiles(theory: Hypothesis) -> Array:
    """Quantiles of the prior of its size at which a hypothesis is told."""
    return np.linspace(0.0, 1.0, SIZE_POINTS) if theory.sized else np.array([0.5])


@dataclass(frozen=True, eq=False)
class Cloud:
    """Machines within tolerance as rows of standard normal coordinates, and the log of how often such occur over how often
    they were drawn: tolerances, then how currents die down, the size of the fault, and the offset common to all limits.

    `plant` is theirs without a fault; `torque`, `statics` are what a `Bench` has worked out for them already, by hypothesis
    and by hypothesis and direction.
    """

    normal: Array
    log_density: Array
    plant: Plant
    torque: dict[int, TorqueCurve] = field(default_factory=dict, repr=False)
    statics: dict[tuple[int, str], Array] = field(default_factory=dict, repr=False)

    @property
    def quantiles(self) -> Array:
        return np.asarray(ndtr(self.normal[:, -2]))

    @property
    def offsets(self) -> Array:
        return COMMON_OFFSET * self.normal[:, -1]

    @property
    def unstable(self) -> Array:
        """How likely each has an unstable speed."""
        return np.where(self.plant.slow_decay.any(axis=1), UNSTABLE_SLOW, UNSTABLE)

    def take(self, rows: NDArray[np.intp] | slice) -> Cloud:
        """Some of them, with what has been worked out for them."""
        torque = {which: curve.take(rows) for which, curve in self.torque.items()}
        statics = {key: told[rows] for key, told in self.statics.items()}
        return Cloud(self.normal[rows], self.log_density[rows], self.plant.take(rows), torque, statics)

    def thinned(self, log_weight: Array, count: int) -> Cloud:
        """So many that stand for all of them, mostly those of great weight."""
        share = _mostly(CHOOSING_POWER * log_weight)
        rows = drawn(share, count)
        thin = self.take(rows)
        return replace(thin, log_density=thin.log_density - np.log(len(share) * share[rows]))

    def joined(self, other: Cloud) -> Cloud:
        """With those of another cloud after them."""
        return Cloud(
            np.concatenate([self.normal, other.normal]),
            np.concatenate([self.log_density, other.log_density]),
            stack([self.plant, other.plant]),
            {
                which: TorqueCurve(curve.speeds, np.concatenate([curve.torque, other.torque[which].torque]))
                for which, curve in self.torque.items()
                if which in other.torque
            },
            {
                key: np.concatenate([told, other.statics[key]])
                for key, told in self.statics.items()
                if key in other.statics
            },
        )


class Bench:
    """Machines within tolerance, the same for all causes at first, and what was simulated of them.

    A direction that a fault does not touch tells of the healthy machine: there all such faults share what was simulated.
    The first machine is the one described, its fault of middle size.

    Parameters
    ----------
    machine : Machine
    pairs : sequence of Pair
        Directions and accelerations of the sweep.
    theories : sequence of Hypothesis
        The healthy machine first; elsewhere they go by their place in this list.
    seed : int
    """

    def __init__(self, machine: Machine, pairs: Sequence[Pair], theories: Sequence[Hypothesis], seed: int) -> None:
        self.machine, self.theories, self.seed = machine, theories, seed
        self.varies = log_widths(machine) > 0.0
        normal = self._coordinates(MANY, seed)
        self.directions: list[tuple[Direction, list[int], Moves]] = []
        for label in dict.fromkeys(p.direction.label for p in pairs):
            direction = machine.direction(label)
            here = [k for k, p in enumerate(pairs) if p.direction.label == label]
            acceleration = np.array([pairs[k].acceleration for k in here])
            moves = Moves(direction.vector, acceleration, np.full(len(here), machine.travel_along(direction)))
            self.directions.append((direction, here, moves))
        nominal = nominal_plant(machine)
        shaft = [
            m.top.max() * np.max(np.abs(nominal.kinematic_map @ d.vector) / nominal.radius)
            for d, _, m in self.directions
        ]
        self.fastest = STATIC_REACH * float(max(shaft, default=1.0))
        self.count = len(pairs)
        self.telling = {d.label: _telling(machine, d, self.varies) for d, *_ in self.directions}
        self.everybody = self.cloud(normal, np.zeros(MANY))
        self.known: dict[tuple[int, str], Cloud] = {}
        self.skips: dict[tuple[int, str], Array] = {}
        self.cruises: dict[tuple[int, str], Array] = {}
        self.onsets: dict[int, Onsets] = {}
        self.loops_vary = bool(np.any(np.diff(self.everybody.plant.slow_decay, axis=0)))

    def _coordinates(self, count: int, seed: int | Sequence[int]) -> Array:
        """Standard normal coordinates of machines, evenly spread: a Latin hypercube; the first is the machine described."""
        rng = np.random.default_rng(seed)
        normal = np.zeros((count, int(self.varies.sum()) + 3))
        normal[1:] = ndtri(
            (rng.permuted(np.tile(np.arange(count - 1.0)[:, None], normal.shape[1]), axis=0) + 0.5) / (count - 1)
        )
        # Sizes and offsets: two additive recurrences whose beginnings, too, fill a square evenly (plastic number;
        # Niederreiter 1992, from memory).
        even = (0.5 + np.arange(count)[:, None] * np.array([0.7548776662, 0.5698402910])) % 1.0
        normal[:, -2:] = ndtri(np.clip(even, 1e-6, 1.0 - 1e-6))
        return normal

    def owner(self, which: int, direction: Direction) -> int:
        """The hypothesis whose simulations stand for this one in a direction."""
        return which if self.theories[which].touches(self.machine, direction.vector) else 0

    def owners(self, which: int) -> list[int]:
        """The same, pair by pair."""
        found = [0] * self.count
        for direction, here, _ in self.directions:
            for k in here:
                found[k] = self.owner(which, direction)
        return found

    def cloud(self, normal: Array, log_density: Array) -> Cloud:
        """Machines by their coordinates, without a fault."""
        whole = np.zeros((len(normal), self.varies.size))
        whole[:, self.varies] = normal[:, :-3]
        return Cloud(normal, log_density, plant_at(self.machine, whole, ndtr(normal[:, -3])))

    def faulty(self, which: int, cloud: Cloud) -> Plant:
        """Machines with a fault."""
        theory = self.theories[which]
        return theory.applied(cloud.plant, theory.sizes(cloud.quantiles))

    def _curve(self, which: int, cloud: Cloud, plant: Plant) -> TorqueCurve:
        """Torque curve of machines with a fault; the healthy ones' where the fault leaves motors and drivers alone."""
        mine = which if any(getattr(plant, n) is not getattr(cloud.plant, n) for n in ELECTRICAL) else 0
        if mine not in cloud.torque:
            cloud.torque[mine] = torque_curve(plant, self.fastest)
        return cloud.torque[mine]

    def statics(self, which: int, cloud: Cloud) -> dict[str, Array]:
        """What statics say of machines by direction, (machines, accelerations, 2); every direction by its owner."""
        found: dict[str, Array] = {}
        for direction, _, moves in self.directions:
            key = self.owner(which, direction), direction.label
            if key not in cloud.statics:
                plant = self.faulty(key[0], cloud)
                cloud.statics[key] = _statics(plant, self._curve(key[0], cloud, plant), moves)
            found[direction.label] = cloud.statics[key]
        return found

    def simulate(
        self,
        wanted: Mapping[int, Cloud],
        progress: Callable[[float], None],
        first: Mapping[int, int] = MappingProxyType({}),
        counts: Mapping[int, NDArray[np.intp]] = MappingProxyType({}),
    ) -> Search[None]:
        """Simulate machines of some hypotheses.

        Parameters
        ----------
        wanted : mapping of int to Cloud
            By hypothesis.
        progress : callable
            Called with the share done.
        first : mapping of int to int
            By hypothesis: of the first so many of `everybody` those that have not been yet are simulated, too, and at constant
            speed as well. They are a fair sample, so `_onsets` tells of them. The first time at all accelerations.
        counts : mapping of int to ndarray, shape (pairs,)
            By hypothesis: how many of the wanted ones, from the first on, in each pair; by default all in all.
        """
        # One object for the same machines: what is worked out for it is worked out once.
        some, joined = cache(lambda begin, end: self.everybody.take(slice(begin, end))), cache(Cloud.joined)
        parts: dict[tuple[int, str], dict[Cloud, Bools]] = {}
        cruising: dict[tuple[int, str], int] = {}
        for which, count in first.items():
            for key, _ in self._owned(which):
                had = len(self.cruises.get(key, ()))
                new = min(count, MANY) - had
                if new > cruising.get(key, 0):
                    cruising[key] = new
                    parts[key] = {some(had, had + new): np.tile(self._fastest_kept(key), (new, 1))}
        for which, cloud in wanted.items():
            n = len(cloud.normal)
            count_here = counts.get(which, np.full(self.count, n))
            for key, here in self._owned(which):
                asked = np.arange(n)[:, None] < count_here[here]
                if asked.any():
                    others = parts.setdefault(key, {})
                    others[cloud] = asked | others.get(cloud, False)
        if not parts:
            progress(1.0)
            return
        clouds = {key: reduce(joined, of) for key, of in parts.items()}
        plants = [self.faulty(which, cloud) for (which, _), cloud in clouds.items()]
        ends = np.cumsum([plant.samples for plant in plants])
        span = {key: np.arange(end - p.samples, end) for key, p, end in zip(clouds, plants, ends.tolist(), strict=True)}
        wholly, looked_at = [], []
        for direction, here, _ in self.directions:
            whole = np.zeros((len(here), int(ends[-1])), bool)
            cruised = [np.empty(0, np.intp)]
            for key in clouds:
                if key[1] == direction.label:
                    whole[:, span[key]] = np.concatenate([*parts[key].values()]).T
                    cruised.append(span[key][: cruising.get(key, 0)])
            wholly.append(whole)
            looked_at.append(np.concatenate(cruised))
        moves = [m for *_, m in self.directions]
        found = yield from ramp_search(
            stack(plants),
            moves,
            headroom=HEADROOM,
            seed=self.seed,
            asked=wholly,
            cruising=looked_at if cruising else None,
            coarse=COARSE,
            progress=progress,
        )
        for (direction, *_), m, whole, ramps in zip(self.directions, moves, wholly, found, strict=True):
            # Where not even the longer ramp is lost there is no telling how far the limit lies beyond.
            skip = np.minimum(np.log(ramps.skip / m.top[:, None]), math.log(BEYOND))
            skip = np.where(whole, skip, np.nan).T
            for key in [key for key in clouds if key[1] == direction.label]:
                if key in cruising:
                    onsets = np.log(ramps.onset[span[key][: cruising[key]]])
                    self.cruises[key] = np.concatenate([self.cruises.get(key, np.empty(0)), onsets])
                    self.onsets.clear()
                if key in self.known:
                    self.known[key] = joined(self.known[key], clouds[key])
                    self.skips[key] = np.concatenate([self.skips[key], skip[span[key]]])
                else:
                    self.known[key], self.skips[key] = clouds[key], skip[span[key]]

    def _fastest_kept(self, key: tuple[int, str]) -> Bools:
        """Accelerations at which machines simulated before come to the greatest speeds that they keep for a while, (k,)."""
        (moves,) = (m for direction, _, m in self.directions if direction.label == key[1])
        if key not in self.skips:
            return np.ones(moves.acceleration.size, bool)
        kept = np.minimum(self.skips[key], np.log(steady_speed(moves) / moves.top)) + np.log(moves.top)
        order = np.argsort(-np.nanmean(kept, axis=0), kind="stable")
        return np.isin(np.arange(order.size), order[:MOST_STEADY])

    def simulated(self, which: int) -> NDArray[np.intp]:
        """How many machines were simulated of a hypothesis in each pair, (pairs,)."""
        count = np.zeros(self.count, np.intp)
        for key, here in self._owned(which):
            count[here] = np.sum(~np.isnan(self.skips[key]), axis=0)
        return count

    def _onsets(self, which: int) -> Onsets | None:
        """What machines do at constant speed under a hypothesis; healthy ones tell of it, too, but less."""
        if not self.cruises:
            return None
        if which not in self.onsets:
            found = self._cruised(which)
            if which != 0:
                healthy = self._cruised(0)
                healthy = healthy._replace(weight=healthy.weight * HEALTHY_ONSETS / OWN_ONSETS)
                found = Onsets(*map(np.concatenate, zip(found, healthy, strict=True)))
            self.onsets[which] = found.merged()
        return self.onsets[which]

    def _cruised(self, which: int) -> Onsets:
        """The machines that were simulated at constant speed in all directions."""
        each = [self.cruises[key] for key, _ in self._owned(which)]
        n = min(map(len, each))
        speeds = np.column_stack([speeds[:n] for speeds in each])
        return Onsets(speeds, self.everybody.unstable[:n], np.full(n, OWN_ONSETS / n))

    def _owned(self, which: int) -> list[tuple[tuple[int, str], list[int]]]:
        """Of each direction what a hypothesis has in `known` and `skips`, and its pairs."""
        return [((self.owner(which, d), d.label), here) for d, here, _ in self.directions]

    def seen(self, which: int) -> Array:
        """What the machines simulated first do under a hypothesis, (machines, pairs)."""
        count = min(len(self.skips[key]) for key, _ in self._owned(which))
        found = np.empty((count, self.count))
        for key, here in self._owned(which):
            found[:, here] = self.skips[key][:count]
        return found

    def _traits(self, which: int, direction: Direction, cloud: Cloud) -> Iterator[Traits]:
        """What the emulator of each acceleration of a direction knows of machines with a fault."""
        owner = self.owner(which, direction)
        columns, shrinkage, joint = self.telling[direction.label]
        features = [cloud.normal[:, columns]]
        slow = ndtr(cloud.normal[:, -3]) < SLOW_DECAY_ODDS if self.loops_vary else np.zeros(len(cloud.normal))
        if owner != 0 and self.theories[owner].sized:
            size = (cloud.quantiles - 0.5) * math.sqrt(12.0)
            features += [size[:, None], size[:, None] ** 2 - 1.0]
            shrinkage = [*shrinkage, *SIZE_SHRINKAGE]
            joint = [*joint, True, False]
        known = slow.astype(float), np.hstack(features), np.array(shrinkage), np.array(joint, bool)
        for statics in np.moveaxis(self.statics(which, cloud)[direction.label], 1, 0):
            yield Traits(statics[:, 0], statics[:, 1], *known)

    def importance(self, which: int, fit: RowsFit, learned: Sequence[Emulator], best: float) -> dict[Cloud, Array]:
        """How closely emulators are to fit each machine simulated of a hypothesis: most where what was learned leaves it possible.

        `best` is the greatest log-likelihood of a machine by what was learned.
        """
        found: dict[Cloud, Array] = {}
        for known in {self.known[key]: None for key, _ in self._owned(which)}:  # most directions have the same
            limits = self.limits(which, learned, known)
            likelihood = fit.log_likelihood(limits, known.unstable, self._onsets(which))
            found[known] = FITTING_FLOOR + np.exp(FITTING_POWER * np.minimum(likelihood - best, 0.0))
        return found

    def learn(
        self,
        which: int,
        importance: Mapping[Cloud, Array] | None = None,
        replica: int | None = None,
        like: Sequence[Emulator] | None = None,
    ) -> list[Emulator]:
        """Fit emulators to all that was simulated of a hypothesis.

        Parameters
        ----------
        which : int
            The hypothesis.
        importance : mapping, optional
            From `importance`; by default all machines count alike.
        replica : int, optional
            Machines count by chance, differently in each replica (Bayesian bootstrap; Rubin 1981, from memory).
        like : sequence of Emulator, optional
            Former ones: those of much the same machines are found sooner from there.

        Returns
        -------
        list of Emulator
            One for each pair.
        """
        models: dict[int, Emulator] = {}
        for direction, here, _ in self.directions:
            owner = self.owner(which, direction)
            known, skips = self.known[owner, direction.label], self.skips[owner, direction.label]
            weight = np.ones(len(skips)) if importance is None else importance[known]
            if replica is not None:
                # The same in every direction: it is the machine that counts for more or less.
                weight = weight * np.random.default_rng([self.seed, 6, replica]).standard_exponential(len(skips))
            for k, traits, skip in zip(here, self._traits(which, direction, known), skips.T, strict=True):
                told = ~np.isnan(skip)
                models[k] = emulator(
                    traits.of(told),
                    skip[told],
                    weight[told],
                    math.log(HEADROOM),
                    math.log(BEYOND),
                    like[k] if like else None,
                )
        return [models[k] for k in range(self.count)]

    def outlook(self, which: int, learned: Sequence[Emulator], fit: RowsFit, cloud: Cloud, typical: Array) -> Outlook:
        """What machines do under a hypothesis, by what was learned of it.

        Parameters
        ----------
        which : int
            The hypothesis.
        learned : sequence of Emulator
            One for each pair.
        fit : RowsFit
        cloud : Cloud
            The machines asked about.
        typical : ndarray, shape (sizes, pairs)
            From `typical`.

        Returns
        -------
        Outlook
        """
        limits = self.limits(which, learned, cloud)
        onsets = self._onsets(which)
        likelihood = fit.log_likelihood(limits, cloud.unstable, onsets)
        weight, best = likelihood + cloud.log_density, float(likelihood.max())
        return Outlook(cloud.quantiles, weight, best, cloud.unstable, onsets, limits, typical)

    def typical(self, which: int, learned: Sequence[Emulator]) -> Array:
        """Expected log of skip over top speed of the machine as described, with faults of some sizes; (sizes, pairs).

        What is learned from all that was simulated, each machine counting alike, tells this best: what rows leave possible
        is often far from the machine described.
        """
        quantiles = size_quantiles(self.theories[which])
        normal = np.zeros((quantiles.size, self.everybody.normal.shape[1]))
        normal[:, -2] = ndtri(np.clip(quantiles, 1e-6, 1.0 - 1e-6))
        return self.limits(which, learned, self.cloud(normal, np.zeros(quantiles.size))).mean()

    def limits(self, which: int, models: Sequence[Emulator], cloud: Cloud) -> Limits:
        """Limits of machines under a hypothesis, by the emulator of each pair."""
        limits = Limits(
            *(np.empty((len(cloud.normal), self.count)) for _ in range(4)),
            *(np.empty((LUCK_POINTS, self.count)) for _ in range(2)),
        )
        for direction, here, _ in self.directions:
            for k, traits in zip(here, self._traits(which, direction, cloud), strict=True):
                limits.kept[:, k], limits.failed[:, k], limits.chance[:, k] = models[k].predict(traits)
                limits.standing[:, k] = traits.standing
                limits.kept_luck[:, k], limits.failed_luck[:, k] = models[k].kept_luck, models[k].failed_luck
        return limits.moved(cloud.offsets)

    def nearer(self, cloud: Cloud, limits: Limits, log_weight: Array, count: int = MANY) -> Cloud:
        """Machines drawn near those that rows and readings leave possible, as importance sampling has it.

        Only along the few directions of tolerances, size and offset in which limits change, where the drawn ones follow
        normal distributions around some of the possible ones; elsewhere they stay what they were.

        Parameters
        ----------
        cloud : Cloud
        limits : Limits
            Of its machines.
        log_weight : ndarray, shape (machines,)
            Log-likelihood of rows and readings plus `cloud.log_density`.
        count : int
            How many to draw.

        Returns
        -------
        Cloud
        """
        normal = self.everybody.normal if count == MANY else self._coordinates(count, [self.seed, 7])
        apart = cloud.normal - cloud.normal.mean(axis=0)
        effect = np.linalg.solve(apart.T @ apart + np.eye(apart.shape[1]), apart.T @ limits.mean())
        basis, strength, _ = np.linalg.svd(effect, full_matrices=False)
        basis = basis[:, :MOST_DIRECTIONS][:, strength[:MOST_DIRECTIONS] > INFORMED]
        share = tempered(log_weight - cloud.log_density, cloud.log_density)
        proposal = fitted(cloud.normal @ basis, share)
        luck = normal @ basis
        near = proposal.draw(luck)
        return self.cloud(normal + (near - luck) @ basis.T, proposal.log_density(near))

    def choose(self, cloud: Cloud, log_weight: Array, count: int, look: int) -> Cloud:
        """Machines to simulate next: mostly those that rows and readings speak for. The first of them are a fair choice of fewer."""
        likelihood = CHOOSING_POWER * (log_weight - cloud.log_density)
        share = _mostly(likelihood + cloud.log_density)
        # Drawn without replacement with these odds (Efraimidis and Spirakis 2006, from memory); the same for all causes.
        luck = np.random.default_rng([self.seed, look]).random(share.size)
        key = np.log(-np.log(luck)) - np.log(share)
        return cloud.take(np.argsort(key, kind="stable")[:count])


def _mostly(log_weight: Array) -> Array:
    """Shares that mostly go by weight, but not only; they sum to one."""
    return (1.0 - ANY_SHARE) * shares(log_weight) + ANY_SHARE / len(log_weight)


def _statics(plant: Plant, curve: TorqueCurve, moves: Moves) -> Array:
    """What statics say of machines on moves of one direction, (machines, moves, 2): `standing` and `steady` of `Traits`."""
    standing = standing_ratio(plant, curve.torque[:, 0], moves.unit, moves.acceleration)
    steady = pull_out_speed(plant, curve, moves.unit, moves.acceleration) / moves.top
    return np.stack([np.log(np.clip(standing, 0.02, 5.0)), np.log(np.clip(steady, 0.02, STATIC_REACH))], axis=-1)


def _telling(
    machine: Machine, direction: Direction, varies: NDArray[np.bool_]
) -> tuple[list[int], list[float], list[bool]]:
    """Which coordinates of machines tell an emulator of a direction more than statics do, their shrinkage, and whether what each
    does hangs on others.
    """
    names = np.array(at_work(machine, direction.vector))[varies].tolist()
    found = {column: TOLERANCE_SHRINKAGE[name] for column, name in enumerate(names) if name in TOLERANCE_SHRINKAGE}
    return list(found), list(found.values()), [names[column] in JOINT for column in found]
