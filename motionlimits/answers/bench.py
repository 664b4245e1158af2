"""What thousands of machines within tolerance do to a sweep under every cause: their limits by the skip map.

Machines are rows of standard normal coordinates, so that they can be drawn near those that the rows leave possible. What a map of
limits cannot tell, whether a machine loses steps at constant speed, is simulated for some hundreds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import t as student

from ..machine import Array, Direction, Machine
from ..physics.limits import TorqueCurve
from ..physics.skip import Moves, Search, ramp_search, steady_speed
from ..physics.skipmap import Mapped, curve_of, mapped, reach, unlike
from ..plant import Plant, log_widths, nominal_plant, plant_at, stack
from .causes import Hypothesis
from .likelihood import COMMON_OFFSET, LUCK_POINTS, UNSTABLE, UNSTABLE_SLOW, Limits, Onsets, Pair, RowsFit
from .proposal import Bools, fitted, tempered

FEW, MANY = 1000, 2000  # machines that a cause is weighed by, at first and later
MOST_DIRECTIONS, INFORMED = 8, 0.02  # of tolerances that rows tell about: how many, and least effect on a limit of each
SIZE_POINTS = 41  # quantiles of a size's prior at which readings are weighed and its posterior is told
BEYOND = 1.6  # skip speed over the top speed from which one is as good as another
# Times as long as usual are the steps of ramps by which it is only told how fast a machine goes on at constant speed.
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
# At two or one, one machine in six is told to be stable that is not, or the other way round.
MOST_STEADY = 3
# What the likelihood of rows takes in of what chance adds to a limit, in its logarithm: its offsets. A Student distribution of
# three degrees of freedom scatters, most of it, by so many times its scale.
LUCK_TAKEN_IN, MOST_OF_IT, FREEDOM = 0.11, 1.5, 3.0
# Where a start that fails is lost hangs on how slow a move is looked at, in ramps and on machines, more than the map says.
FAILED_SCATTER = 0.25
_LUCK = student.ppf((np.arange(LUCK_POINTS) + 0.5) / LUCK_POINTS, FREEDOM)


@dataclass(frozen=True)
class Outlook:
    """What machines with one fault do.

    `quantiles` (machines,) of the size, `log_weight` (machines,): likelihood of the rows, times how often such a machine
    occurs over how often it was drawn; `unstable` (machines,): how likely each has an unstable speed by the common prior,
    `onsets`: what those simulated do at constant speed. `limits` of (machines, pairs); `typical` (sizes, pairs): expected log
    of skip over top speed of the machine as described over `size_quantiles`.
    """

    quantiles: Array
    log_weight: Array
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

    `plant` is theirs without a fault; `torque`, `told` are what a `Bench` has worked out for them already, by hypothesis
    and by hypothesis and direction.
    """

    normal: Array
    log_density: Array
    plant: Plant
    torque: dict[int, TorqueCurve] = field(default_factory=dict, repr=False)
    told: dict[tuple[int, str], Mapped] = field(default_factory=dict, repr=False)

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

    def bare(self) -> Cloud:
        """The same, without what was worked out for them."""
        return Cloud(self.normal, self.log_density, self.plant)

    def take(self, rows: NDArray[np.intp] | slice) -> Cloud:
        """Some of them."""
        return Cloud(self.normal[rows], self.log_density[rows], self.plant.take(rows))


class Bench:
    """Machines within tolerance, the same for all causes at first, and what they do.

    A direction that a fault does not touch tells of the healthy machine: there all such faults share what was worked out.
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
        self.directions: list[tuple[Direction, list[int], Moves]] = []
        for label in dict.fromkeys(p.direction.label for p in pairs):
            direction = machine.direction(label)
            here = [k for k, p in enumerate(pairs) if p.direction.label == label]
            acceleration = np.array([pairs[k].acceleration for k in here])
            moves = Moves(direction.vector, acceleration, np.full(len(here), machine.travel_along(direction)))
            self.directions.append((direction, here, moves))
        self.fastest = reach(nominal_plant(machine))
        self.count = len(pairs)
        self.everybody = self.cloud(self._coordinates(MANY, seed), np.zeros(MANY))
        self.cruises: dict[tuple[int, str], Array] = {}
        self.onsets: dict[int, Onsets] = {}

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
        """The hypothesis that stands for this one in a direction."""
        return which if self.theories[which].touches(self.machine, direction.vector) else 0

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
            cloud.torque[mine] = curve_of(plant, self.fastest)
        return cloud.torque[mine]

    def _told(self, which: int, direction: Direction, moves: Moves, cloud: Cloud) -> Mapped:
        """What the map says of machines under a hypothesis in a direction."""
        key = self.owner(which, direction), direction.label
        if key not in cloud.told:
            plant = self.faulty(key[0], cloud)
            cloud.told[key] = mapped(plant, self._curve(key[0], cloud, plant), moves.unit, moves.acceleration)
        return cloud.told[key]

    def limits(self, which: int, cloud: Cloud) -> Limits:
        """Limits of machines under a hypothesis."""
        limits = Limits(
            *(np.empty((len(cloud.normal), self.count)) for _ in range(4)),
            *(np.empty((LUCK_POINTS, self.count)) for _ in range(2)),
        )
        for direction, here, moves in self.directions:
            told, top = self._told(which, direction, moves, cloud), np.log(moves.top)
            limits.kept[:, here] = np.minimum(told.kept - top, math.log(BEYOND))
            limits.failed[:, here] = np.minimum(told.failed - top, math.log(BEYOND))
            limits.chance[:, here], limits.standing[:, here] = told.chance, told.standing
            limits.kept_luck[:, here] = _luck(told.kept_scatter, 1.0 - told.chance)
            limits.failed_luck[:, here] = _luck(np.maximum(told.failed_scatter, FAILED_SCATTER), told.chance)
        return limits.moved(cloud.offsets)

    def outlook(self, which: int, fit: RowsFit, cloud: Cloud) -> Outlook:
        """What machines do under a hypothesis.

        Parameters
        ----------
        which : int
            The hypothesis.
        fit : RowsFit
        cloud : Cloud
            The machines asked about.

        Returns
        -------
        Outlook
        """
        limits, onsets = self.limits(which, cloud), self._onsets(which)
        weight = fit.log_likelihood(limits, cloud.unstable, onsets) + cloud.log_density
        return Outlook(cloud.quantiles, weight, cloud.unstable, onsets, limits, self.typical(which))

    def seen_again(self, which: int, fit: RowsFit, outlook: Outlook, cloud: Cloud) -> Outlook:
        """The same machines, with what is known of constant speed by now."""
        onsets = self._onsets(which)
        weight = fit.log_likelihood(outlook.limits, outlook.unstable, onsets) + cloud.log_density
        return replace(outlook, log_weight=weight, onsets=onsets)

    def unlike(self) -> tuple[str, ...]:
        """Directions in which the machine is unlike all that the map was learned from."""
        nominal = nominal_plant(self.machine)
        return tuple(d.label for d, _, moves in self.directions if unlike(nominal, d.vector, moves.acceleration))

    def typical(self, which: int) -> Array:
        """Expected log of skip over top speed of the machine as described, with faults of some sizes; (sizes, pairs)."""
        quantiles = size_quantiles(self.theories[which])
        normal = np.zeros((quantiles.size, self.everybody.normal.shape[1]))
        normal[:, -2] = ndtri(np.clip(quantiles, 1e-6, 1.0 - 1e-6))
        return self.limits(which, self.cloud(normal, np.zeros(quantiles.size))).mean()

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

    def hold(self, counts: Mapping[int, int], progress: Callable[[float], None]) -> Search[None]:
        """Simulate machines at constant speed.

        Parameters
        ----------
        counts : mapping of int to int
            By hypothesis: of the first so many of `everybody` those that have not been yet.
        progress : callable
            Called with the share done.
        """
        more: dict[tuple[int, str], slice] = {}
        for which, count in counts.items():
            for key in self._owned(which):
                had, most = len(self.cruises.get(key, ())), min(count, MANY)
                if most > max(had, more[key].stop if key in more else 0):
                    more[key] = slice(had, most)
        if not more:
            progress(1.0)
            return
        plants = [self.faulty(which, self.everybody.take(some)) for (which, _), some in more.items()]
        ends = np.cumsum([plant.samples for plant in plants])
        span = {key: np.arange(end - p.samples, end) for key, p, end in zip(more, plants, ends.tolist(), strict=True)}
        asked, cruising = [], []
        for direction, here, moves in self.directions:
            whole = np.zeros((len(here), int(ends[-1])), bool)
            mine = [key for key in more if key[1] == direction.label]
            for key in mine:
                whole[:, span[key]] = self._fastest_kept(key[0], direction, moves)[:, None]
            asked.append(whole)
            cruising.append(np.concatenate([np.empty(0, np.intp), *(span[key] for key in mine)]))
        moves_of = [m for *_, m in self.directions]
        found = yield from ramp_search(
            stack(plants), moves_of, seed=self.seed, asked=asked, cruising=cruising, coarse=COARSE, progress=progress
        )
        for (direction, *_), ramps in zip(self.directions, found, strict=True):
            for key in [key for key in more if key[1] == direction.label]:
                self.cruises[key] = np.append(self.cruises.get(key, np.empty(0)), np.log(ramps.onset[span[key]]))
        self.onsets.clear()

    def _fastest_kept(self, which: int, direction: Direction, moves: Moves) -> Bools:
        """Accelerations at which machines come to the greatest speeds that they keep for a while, (k,)."""
        told = self._told(which, direction, moves, self.everybody)
        limit = told.kept * (1.0 - told.chance) + told.failed * told.chance
        order = np.argsort(-np.minimum(limit, np.log(steady_speed(moves))).mean(axis=0), kind="stable")
        return np.isin(np.arange(order.size), order[:MOST_STEADY])

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
        each = [self.cruises.get(key, np.empty(0)) for key in self._owned(which)]
        n = min(map(len, each))
        speeds = np.column_stack([speeds[:n] for speeds in each])
        return Onsets(speeds, self.everybody.unstable[:n], np.full(n, OWN_ONSETS / max(n, 1)))

    def _owned(self, which: int) -> list[tuple[int, str]]:
        """Of each direction what a hypothesis has in `cruises`."""
        return [(self.owner(which, d), d.label) for d, *_ in self.directions]


def _luck(scatter: Array, chance: Array) -> Array:
    """Even quantiles of what chance adds to limits, less the part that is taken in elsewhere; (machines, k) -> (LUCK_POINTS, k).

    Machines count by how likely they are of the kind: the map knows nothing of where starts are lost that never are.
    """
    scale = np.exp(np.average(np.log(scatter), axis=0, weights=chance + 1e-6))
    share = np.sqrt(np.maximum(1.0 - (LUCK_TAKEN_IN / (MOST_OF_IT * scale)) ** 2, 0.0))
    return np.asarray(_LUCK[:, None] * share * scale)
