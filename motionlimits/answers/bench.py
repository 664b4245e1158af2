"""What thousands of machines within tolerance do to a sweep under every cause: their limits by the skip map.

Machines are rows of standard normal coordinates, so that they can be drawn near those that the rows leave possible.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtr, ndtri

from ..machine import Array, Direction, Machine
from ..physics.skip import Moves
from ..physics.skipmap import AS_MAPPED, Electrics, electrics_of, mapped, reach, unlike
from ..plant import Plant, log_widths, nominal_plant, plant_at
from .causes import Hypothesis
from .likelihood import (
    COMMON_MIDDLE,
    COMMON_OFFSET,
    GRID,
    UNSTABLE,
    UNSTABLE_SLOW,
    Along,
    Limits,
    Pair,
    RowsFit,
    luck_of,
    unstable_speeds,
)
from .proposal import Proposal, effective, fitted, sieved, tempered

FEW, MANY = 1000, 2000  # machines that a cause is weighed by, at first and later
# Of tolerances, directions that rows tell about: how many, and least effect on a limit of each.
MOST_DIRECTIONS, INFORMED = 11, 0.02
GONE_ON_WITH = 0.25  # share of machines drawn that are gone on with at least, from one direction to the next
TELLING = 100  # possible machines that tell how such differ from all
LATER = 3  # coordinates of machines that come last: how currents die down, size, offset
# Quantiles of a size's prior at which readings are weighed and its posterior is told.
SIZE_QUANTILES = np.linspace(0.0, 1.0, 41)
OUT_OF_REACH = 0.1  # log of skip over top speed from which rows tell of none
BEYOND = 1.6  # skip speed over the top speed from which one is as good as another
ELECTRICAL = (  # what decides on a torque curve, and on the voltage
    "voltage",
    "source_resistance",
    "torque_constant",
    "winding_resistance",
    "bridge_resistance",
    "inductance",
    "current_peak",
    "slow_decay",
)


@dataclass(frozen=True)
class Outlook:
    """What machines with one fault do.

    `quantiles` (machines,) of the size, `log_weight` (machines,): likelihood of the rows, times how often such a machine
    occurs over how often it was drawn; `unstable` (machines,): how likely each has an unstable speed by the common prior.
    `limits` of (machines, pairs); `typical` (sizes, pairs): expected log of skip over top speed of the machine as described over
    `size_quantiles`. `drawn`: how many machines were, of which these were gone on with. `order`: directions,
    those that tell most machines apart first.
    """

    quantiles: Array
    log_weight: Array
    unstable: Array
    limits: Limits
    typical: Array
    drawn: int
    order: tuple[int, ...]


Said = Callable[[Array], Array]  # log-likelihood of what is known beside the rows, by quantiles of a fault's size


def size_quantiles(theory: Hypothesis) -> Array:
    """Quantiles of the prior of its size at which a hypothesis is told."""
    return SIZE_QUANTILES if theory.sized else np.array([0.5])


@dataclass(frozen=True, eq=False)
class Cloud:
    """Machines within tolerance as rows of standard normal coordinates: tolerances, then whether those that should not move do as
    the map says, what others do in each of the `directions` (labels), how currents die down, the size of the fault, and the
    offset common to all limits.

    `log_density` (machines,) is the log of how often such occur over how often they were drawn, and gone on with; `log_chance`
    (machines,) that of how likely these had to be gone on with; `plant` is theirs without a fault; `electrics` is what a `Bench`
    has worked out for them already, by hypothesis; `healthy`, `fitted` what they do without a fault, and how likely the rows of
    a sweep then are, by number of a direction.
    """

    normal: Array
    log_density: Array
    log_chance: Array
    plant: Plant
    directions: tuple[str, ...]
    electrics: dict[int, Electrics] = field(default_factory=dict, repr=False)
    healthy: dict[int, Limits] = field(default_factory=dict, repr=False)
    fitted: dict[int, Along] = field(default_factory=dict, repr=False)

    @property
    def quantiles(self) -> Array:
        return np.asarray(ndtr(self.normal[:, -2]))

    @property
    def offsets(self) -> Array:
        return COMMON_MIDDLE + COMMON_OFFSET * self.normal[:, -1]

    @property
    def unstable(self) -> Array:
        """How likely each has an unstable speed."""
        return np.where(self.plant.slow_decay.any(axis=1), UNSTABLE_SLOW, UNSTABLE)

    def luck(self, label: str) -> Array:
        """Of each in a direction, as `mapped` asks for; those that do as the map says do so in all."""
        first = self.normal.shape[1] - LATER - len(self.directions) - 1
        everywhere, here = ndtr(self.normal[:, [first, first + 1 + self.directions.index(label)]]).T
        return np.where(everywhere >= 1.0 - AS_MAPPED, everywhere, (1.0 - AS_MAPPED) * here)

    def take(self, rows: NDArray[np.intp] | slice) -> Cloud:
        """Some of them."""
        electrics = {which: each.take(rows) for which, each in self.electrics.items()}
        log_density, log_chance = self.log_density[rows], self.log_chance[rows]
        return Cloud(self.normal[rows], log_density, log_chance, self.plant.take(rows), self.directions, electrics)

    def sieved(self, rows: NDArray[np.intp], log_chance: Array) -> Cloud:
        """Some of them, each of which was to be gone on with by such a chance, (rows,)."""
        some = self.take(rows)
        return replace(some, log_density=some.log_density - log_chance, log_chance=some.log_chance + log_chance)


@dataclass(frozen=True, eq=False)
class Seen:
    """Machines that were looked at: coordinates (n, coordinates), log of their weight (n,), `log_density` and `log_chance` as of a
    `Cloud`, the former of which is part of the weight; what coordinates do to limits, `effect_of` (coordinates, pairs); and how
    many were drawn.
    """

    normal: Array
    log_weight: Array
    log_density: Array
    log_chance: Array
    effect: Array
    drawn: int

    @cached_property
    def counted(self) -> float:
        """How many of them counted for something."""
        return effective(self.log_weight)

    @property
    def trust(self) -> float:
        """Log of what one of them counts among others: more where more of them counted for something."""
        return math.log(self.counted / self.drawn)

    @cached_property
    def overall(self) -> float:
        """Log of the mean weight."""
        return float(logsumexp(self.log_weight)) - math.log(self.drawn)

    @classmethod
    def of(cls, cloud: Cloud, limits: Limits, log_weight: Array, drawn: int) -> Seen:
        """Of a cloud that is left of so many drawn."""
        return cls(
            cloud.normal, log_weight, cloud.log_density, cloud.log_chance, effect_of(cloud.normal, limits), drawn
        )


class Place(NamedTuple):
    """Where to draw machines: along some directions of their coordinates (coordinates, k), by a proposal (k coordinates); and which
    drawing it is, of those of a hypothesis.
    """

    basis: Array
    proposal: Proposal
    turn: int


class Part(NamedTuple):
    """Of one drawing of machines of a hypothesis `which` somewhere, part `turn`: `size` of them. What was seen of the hypothesis
    `before`, and what is `said` of the size of its fault.
    """

    which: int
    place: Place
    turn: int
    size: int
    before: Outlook
    said: Said


class Bench:
    """Machines within tolerance, the same for all causes at first, and what they do.

    A direction that a fault does not touch tells of the healthy machine: there all such faults share what was worked out.

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
        self.directions: list[tuple[Direction, list[int], Moves, Array]] = []
        for label in dict.fromkeys(p.direction.label for p in pairs):
            direction = machine.direction(label)
            here = [k for k, p in enumerate(pairs) if p.direction.label == label]
            acceleration = np.array([pairs[k].acceleration for k in here])
            moves = Moves(direction.vector, acceleration, np.full(len(here), machine.travel_along(direction)))
            # Between the speeds at which machines may be unstable, and beyond them all.
            speeds = unstable_speeds(machine, direction)
            between = np.append(np.sqrt(speeds[1:] * speeds[:-1]), math.inf)
            self.directions.append((direction, here, moves, between))
        self.fastest = reach(nominal_plant(machine))
        self.count = len(pairs)
        self.everybody = self.cloud(self._coordinates(MANY, seed))
        as_described = np.zeros((SIZE_QUANTILES.size, self.everybody.normal.shape[1]))
        as_described[:, -2] = ndtri(np.clip(SIZE_QUANTILES, 1e-6, 1.0 - 1e-6))
        self.described = self.cloud(as_described)

    def _coordinates(self, count: int, seed: int | Sequence[int]) -> Array:
        """Standard normal coordinates of machines, evenly spread: a Latin hypercube."""
        rng = np.random.default_rng(seed)
        coordinates = int(self.varies.sum()) + 1 + len(self.directions) + LATER
        cells = rng.permuted(np.tile(np.arange(float(count))[:, None], coordinates), axis=0)
        normal = ndtri((cells + 0.5) / count)
        # Sizes and offsets: two additive recurrences whose beginnings, too, fill a square evenly (plastic number;
        # Niederreiter 1992, from memory).
        even = (rng.random(2) + np.arange(count)[:, None] * np.array([0.7548776662, 0.5698402910])) % 1.0
        normal[:, -2:] = ndtri(np.clip(even, 1e-6, 1.0 - 1e-6))
        return normal

    def touches(self, which: int, at: int) -> bool:
        """Whether a hypothesis changes anything in a direction, by its number."""
        return which > 0 and self.theories[which].touches(self.machine, self.directions[at][0].vector)

    def cloud(self, normal: Array, log_density: Array | None = None) -> Cloud:
        """Machines by their coordinates, without a fault; drawn as they occur, or as `Cloud.log_density` says."""
        whole = np.zeros((len(normal), self.varies.size))
        whole[:, self.varies] = normal[:, : int(self.varies.sum())]
        plant = plant_at(self.machine, whole, ndtr(normal[:, -LATER]))
        labels = tuple(direction.label for direction, *_ in self.directions)
        surely = np.zeros(len(normal))
        return Cloud(normal, surely if log_density is None else log_density, surely, plant, labels)

    def faulty(self, which: int, cloud: Cloud) -> Plant:
        """Machines with a fault."""
        theory = self.theories[which]
        return theory.applied(cloud.plant, theory.sizes(cloud.quantiles))

    def _electrics(self, which: int, cloud: Cloud, plant: Plant) -> Electrics:
        """Torque curve and voltage of machines with a fault; the healthy ones' where the fault leaves motors and drivers alone."""
        mine = which if any(getattr(plant, n) is not getattr(cloud.plant, n) for n in ELECTRICAL) else 0
        if mine not in cloud.electrics:
            cloud.electrics[mine] = electrics_of(plant, self.fastest)
        return cloud.electrics[mine]

    def limits(self, which: int, cloud: Cloud) -> Limits:
        """Limits of machines under a hypothesis."""
        return self._whole({d: self._along(which, d, cloud) for d in range(len(self.directions))})

    def _whole(self, parts: Mapping[int, Limits]) -> Limits:
        """Limits in all directions, from those in each."""
        numbers = range(len(self.directions))
        return Limits.of_directions([parts[d] for d in numbers], [self.directions[d][1] for d in numbers])

    def _along(self, which: int, at: int, cloud: Cloud) -> Limits:
        """Limits of machines under a hypothesis in one direction, by its number."""
        if self.touches(which, at):
            return self._looked_up(which, at, cloud)
        if at not in cloud.healthy:
            cloud.healthy[at] = self._looked_up(0, at, cloud)
        return cloud.healthy[at]

    def _looked_up(self, which: int, at: int, cloud: Cloud) -> Limits:
        """The same, from the map."""
        direction, _, moves, between = self.directions[at]
        plant, top = self.faulty(which, cloud), np.log(moves.top)
        electrics = self._electrics(which, cloud, plant)
        told = mapped(plant, electrics, moves.unit, moves.acceleration, between, cloud.luck(direction.label))
        return Limits(
            np.minimum(told.kept - top, math.log(BEYOND)),
            np.clip(told.failed - top, GRID[0], math.log(BEYOND)),
            told.chance,
            told.standing,
            luck_of(told.kept_scatter),
            luck_of(told.failed_scatter),
            np.diff(told.unstable, axis=1, prepend=0.0)[:, None],
        ).moved(cloud.offsets)

    def _fitted(self, which: int, at: int, limits: Limits, cloud: Cloud, fit: RowsFit) -> Along:
        """Likelihood of the rows of one direction from the limits of machines there."""
        if self.touches(which, at):
            return fit.along(at, limits)
        if at not in cloud.fitted:
            cloud.fitted[at] = fit.along(at, limits)
        return cloud.fitted[at]

    def first(self, which: int, fit: RowsFit, cloud: Cloud) -> tuple[Outlook, Seen]:
        """What machines do under a hypothesis; all of them.

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
        Seen
            Of the same machines, by what rows say of them.
        """
        limits = [self._along(which, d, cloud) for d in range(len(self.directions))]
        along = [self._fitted(which, d, each, cloud, fit) for d, each in enumerate(limits)]
        apart = [np.mean(each.without.max() - each.without) for each in along]
        whole = self._whole(dict(enumerate(limits)))
        weight = fit.together(along, cloud.unstable) + cloud.log_density
        order = tuple(np.argsort(apart)[::-1].tolist())
        outlook = Outlook(
            cloud.quantiles, weight, cloud.unstable, whole.compact(), self.typical(which), weight.size, order
        )
        return outlook, Seen.of(cloud, whole, weight, outlook.drawn)

    def further(self, part: Part, fit: RowsFit) -> tuple[Outlook, Seen]:
        """The same of machines drawn somewhere, of which `sieved` leaves those that may matter.

        One direction is looked at after the other, those first that told most machines apart before: most machines are out of
        the question before the last.

        Parameters
        ----------
        part : Part
        fit : RowsFit

        Returns
        -------
        Outlook
        Seen
        """
        cloud, before = self.drawn(part.place, part.size, part.turn), part.before
        luck = np.random.default_rng([self.seed, part.place.turn, part.turn, 1])
        limits: dict[int, Limits] = {}
        along: list[Along] = []
        for d in before.order:
            if along:
                weight = fit.together(along, cloud.unstable) + cloud.log_density + part.said(cloud.quantiles)
                rows, log_chance = sieved(weight, luck.random(weight.size), round(GONE_ON_WITH * part.size))
                cloud = cloud.sieved(rows, log_chance)
                limits = {at: each.take(rows) for at, each in limits.items()}
                along = [each.take(rows) for each in along]
            limits[d] = self._along(part.which, d, cloud)
            along.append(fit.along(d, limits[d]))
        weight = fit.together(along, cloud.unstable) + cloud.log_density
        whole = self._whole(limits)
        outlook = replace(
            before,
            quantiles=cloud.quantiles,
            log_weight=weight,
            unstable=cloud.unstable,
            limits=whole.compact(),
            drawn=part.size,
        )
        return outlook, Seen.of(cloud, whole, weight, part.size)

    def unlike(self) -> tuple[str, ...]:
        """Directions in which the machine is unlike all that the map was learned from."""
        nominal = nominal_plant(self.machine)
        return tuple(d.label for d, _, moves, _ in self.directions if unlike(nominal, d.vector, moves.acceleration))

    def typical(self, which: int) -> Array:
        """Expected log of skip over top speed of the machine as described, with faults of some sizes; (sizes, pairs)."""
        # Of a fault without a size all do the same.
        return self.limits(which, self.described).mean()[: size_quantiles(self.theories[which]).size]

    def place(self, seen: Sequence[Seen]) -> Place:
        """Where to draw machines near those that rows and readings leave possible, as importance sampling has it.

        Only along the few directions of tolerances, size and offset in which limits change, that in which the possible ones
        differ from all, and that of how currents die down, which changes more than limits. There the drawn ones follow normal
        distributions around some of the possible ones; elsewhere they stay what they were.

        Parameters
        ----------
        seen : sequence of Seen
            All that were looked at, in turn: what the last ones missed, others may have found.

        Returns
        -------
        Place
        """
        # Near the possible machines other coordinates decide than among all. Each look has as much say as machines of it counted: one
        # of which hardly any did was in the wrong place.
        say = np.array([some.counted for some in seen])
        say /= np.linalg.norm(say)
        effects = np.hstack([own * some.effect for own, some in zip(say, seen, strict=True)])
        basis, strength, _ = np.linalg.svd(effects, full_matrices=False)
        points = np.concatenate([some.normal for some in seen])
        # One that was gone on with by lot stands for many others that are as unlikely: by a low power of their likelihood it would
        # outweigh all likely ones, and be what others are drawn near.
        share = tempered(
            np.concatenate([some.log_weight - some.log_density for some in seen]),
            np.concatenate([some.log_density + some.log_chance + some.trust for some in seen]),
        )
        dying = np.zeros(points.shape[1])
        dying[-LATER] = 1.0
        along = [basis[:, :MOST_DIRECTIONS][:, strength[:MOST_DIRECTIONS] > INFORMED], dying]
        # How a few possible ones differ from all is mostly chance.
        if seen[-1].counted > TELLING:
            along.append(share @ points)
        basis, _ = np.linalg.qr(np.column_stack(along))
        return Place(basis, fitted(points @ basis, share), sum(some.drawn for some in seen))

    def drawn(self, place: Place, count: int, part: int = 0) -> Cloud:
        """So many machines drawn somewhere; another `part` of a drawing has others."""
        fresh = self._coordinates(count, [self.seed, place.turn, part])
        luck = fresh @ place.basis
        at = place.proposal.draw(luck)
        return self.cloud(fresh + (at - luck) @ place.basis.T, place.proposal.log_density(at))


def pooled(found: Sequence[tuple[Outlook, Seen]]) -> tuple[Outlook, Seen]:
    """What machines do that were drawn in several places: each weighs as drawn where it was. As seen they weigh what rows say;
    readings are left to the caller.

    As if drawn from all of these places together, as the balance heuristic has it (Veach and Guibas 1995, from memory), weights
    would scatter less. But where the later ones were drawn hangs on the earlier ones: those that weighed most then have many
    drawn near them, for which they would weigh less, while nothing makes up for what they missed. So the mean likelihood of
    causes of which few machines count came out too low, by 0.1 to 0.2 in its logarithm after 32,000 machines.
    """
    outlooks, seen = zip(*found, strict=True)
    # Any stretch of them has its part of all.
    order = np.argsort(np.concatenate([np.arange(n) / n for n in (len(some.normal) for some in seen)]), kind="stable")

    def together(parts: Sequence[Outlook] | Sequence[Seen], name: str) -> Array:
        return np.concatenate([getattr(part, name) for part in parts])[order]

    outlook = replace(
        outlooks[-1],
        **{name: together(outlooks, name) for name in ("quantiles", "log_weight", "unstable")},
        limits=Limits.joined([each.limits for each in outlooks], order),
        drawn=sum(each.drawn for each in outlooks),
    )
    normal, log_density, log_chance = (together(seen, name) for name in ("normal", "log_density", "log_chance"))
    effect = np.average([each.effect for each in seen], axis=0, weights=[each.drawn for each in seen])
    return outlook, Seen(normal, outlook.log_weight, log_density, log_chance, effect, outlook.drawn)


def effect_of(normal: Array, limits: Limits) -> Array:
    """What each coordinate of machines (n, coordinates) does to the limits to expect, by linear regression; (coordinates, pairs).

    As far as rows can tell of limits: nothing is driven beyond the top speed.
    """
    apart = normal - normal.mean(axis=0)
    within_reach = np.minimum(limits.mean(), OUT_OF_REACH)
    return np.asarray(np.linalg.solve(apart.T @ apart + np.eye(apart.shape[1]), apart.T @ within_reach))
