"""Which cause explains the whole sweep: Bayesian comparison of causes through the time-domain model.

Some machines within tolerance, each with a fault of some size, are simulated for every cause and place on the directions and
accelerations of the sweep. An `emulator` carries what they do to thousands of others, `likelihood` says how well the rows
go with each, and the mean over all is the evidence. First all causes are looked at roughly; the likely ones again, where the
rows put them, with twice as many simulations each time until their chances stay.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import NamedTuple

import numpy as np
from scipy.special import logsumexp, ndtr, ndtri

from ..machine import Array, Direction, Machine
from ..physics.limits import standing_ratio, standing_torque
from ..physics.skip import Moves, Search, ramp_search, together
from ..plant import SLOW_DECAY_ODDS, Plant, log_widths, plant_at, stack
from ..sweep import SweepRow
from ..workers import simulator
from .causes import Hypothesis, hypotheses
from .emulator import Emulator, Limits, emulator
from .likelihood import COMMON_OFFSET, Pair, RowsFit, pairs_of
from .predict import LONG_STEPS
from .readings import expected, scale

# Simulated machines: half of SAMPLES of every cause at first, SAMPLES more of the likely ones, and then as many again as each
# has had, within what a look may cost altogether.
SAMPLES = 64
MOST_AT_A_LOOK = 12  # times SAMPLES
# Chance from which a cause is looked at again, and how many at most, look by look.
LOOKS = ((0.001, 6), (0.01, 5), (0.02, 4))
STABLE = 0.02  # change of the largest chance with twice the machines below which no more are simulated
# Emulated machines, of causes that are looked at once and of the others.
FEW, MANY = 1000, 2000
# Where the rows leave few of these possible, others are drawn near those: where this many count for something, with this
# many still drawn without regard to the rows, and the rows taken at a power at which as many as LEAST_EFFECTIVE count.
FEW_EFFECTIVE, STILL_ANY, LEAST_EFFECTIVE = 400, 0.15, 60
POWERS = (1.0, 0.7, 0.5, 0.35, 0.25, 0.15, 0.1)
MOST_DIRECTIONS, INFORMED = 8, 0.02  # of tolerances that rows tell about: how many, and least effect on a limit of each
WIDENED = 1.3  # variance of what is drawn over that of what is possible
# Which of them are simulated: mostly those that the rows speak for, but not only. Rows count by a power less than one, since
# an emulator may be wrong about them, in choosing as in fitting.
CHOOSING_POWER, ANY_SHARE = 0.7, 0.15
FITTING_POWER, FITTING_FLOOR = 0.3, 0.005
SIZE_POINTS = 41  # quantiles of a size's prior at which readings are weighed and its posterior is told
HEADROOM = 1.25  # ramps go this far beyond the travel's top speed, to see what a kept move had to spare
BEYOND = 1.6  # skip speed over the top speed where even that ramp is kept

# Loss of skip speed (its logarithm, the two worst limits together) up to which hardly anybody asks, and from which everybody
# does: a fifth of two limits, and a third of two or half of one. UNNOTICED is how many ask all the same.
UNNOTICED_LOSS, NOTICED_LOSS = 0.4, 0.8
UNNOTICED = 0.03

# Rows are unexplained where less than this share of what the best cause predicts comes near them.
UNEXPLAINED = 0.1


@dataclass(frozen=True)
class Found:
    """Posterior of one hypothesis.

    `size`, `size_low`, `size_high` are the median and 10 and 90 % points of the size (SI), `quantile_weights` the
    posterior over `SIZE_POINTS` quantiles of its prior, `log_skip` (pairs, quantiles) the mean log of skip over top speed.
    """

    hypothesis: Hypothesis
    probability: float
    log_evidence: float
    size: float
    size_low: float
    size_high: float
    quantile_weights: Array = field(repr=False)
    log_skip: Array = field(repr=False)


@dataclass(frozen=True)
class Inference:
    """Ranked causes (largest first), the pairs of the sweep, and those that even the best cause does not explain.

    `conflicts` are readings against the best cause, `moved` how far a chance went when simulated machines were last doubled.
    """

    found: tuple[Found, ...]
    pairs: tuple[Pair, ...]
    unexplained: tuple[int, ...]
    conflicts: tuple[str, ...]
    moved: float = 0.0

    @property
    def best(self) -> Found:
        return self.found[0]


@dataclass(frozen=True)
class Outlook:
    """What machines with one fault do, by the emulator.

    `quantiles` (machines,) of the size, `log_weight` (machines,): likelihood of the rows, times how often such a machine
    occurs over how often it was drawn. `limits` of (machines, pairs), `typical` (sizes, pairs): expected log of skip over
    top speed of the machine as described over `size_quantiles`.
    """

    quantiles: Array
    log_weight: Array
    limits: Limits
    typical: Array


@dataclass(frozen=True)
class Simulated:
    """What every cause would do to a sweep; `moved` is how far a chance went when machines were last doubled."""

    machine: Machine
    pairs: tuple[Pair, ...]
    theories: tuple[Hypothesis, ...]
    outlooks: tuple[Outlook, ...]
    fit: RowsFit
    moved: float = 0.0


def size_quantiles(theory: Hypothesis) -> Array:
    """Quantiles of the prior of its size at which a hypothesis is told."""
    return np.linspace(0.0, 1.0, SIZE_POINTS) if theory.sized else np.array([0.5])


class _Cloud(NamedTuple):
    """Machines within tolerance as rows of standard normal coordinates, and the log of how often such occur over how often
    they were drawn: tolerances, then how currents die down, the size of the fault, and the offset common to all limits.
    """

    normal: Array
    log_density: Array

    @property
    def quantiles(self) -> Array:
        return np.asarray(ndtr(self.normal[:, -2]))

    @property
    def offsets(self) -> Array:
        return COMMON_OFFSET * self.normal[:, -1]

    def first(self, count: int) -> _Cloud:
        return _Cloud(self.normal[:count], self.log_density[:count])


class _Bench:
    """Machines within tolerance, the same for all causes at first, and what was simulated of them.

    A direction that a fault does not touch tells of the healthy machine: there all such faults share what was simulated.
    The first machine is the one described, its fault of middle size.
    """

    def __init__(self, machine: Machine, pairs: Sequence[Pair], theories: Sequence[Hypothesis], seed: int) -> None:
        self.machine, self.theories, self.seed = machine, theories, seed
        self.varies = log_widths(machine) > 0.0
        rng = np.random.default_rng(seed)
        normal = np.zeros((MANY, int(self.varies.sum()) + 3))
        normal[1:] = ndtri(
            (rng.permuted(np.tile(np.arange(MANY - 1.0)[:, None], normal.shape[1]), axis=0) + 0.5) / (MANY - 1)
        )
        # Sizes and offsets: two additive recurrences whose beginnings, too, fill a square evenly (plastic number;
        # Niederreiter 1992, from memory).
        even = (0.5 + np.arange(MANY)[:, None] * np.array([0.7548776662, 0.5698402910])) % 1.0
        normal[:, -2:] = ndtri(np.clip(even, 1e-6, 1.0 - 1e-6))
        self.everybody = _Cloud(normal, np.zeros(MANY))
        self.directions: list[tuple[Direction, list[int], Moves]] = []
        for label in dict.fromkeys(p.direction.label for p in pairs):
            direction = machine.direction(label)
            here = [k for k, p in enumerate(pairs) if p.direction.label == label]
            acceleration = np.array([pairs[k].acceleration for k in here])
            moves = Moves(direction.vector, acceleration, np.full(len(here), machine.travel_along(direction)))
            self.directions.append((direction, here, moves))
        self.count = len(pairs)
        self.normal: dict[tuple[int, str], Array] = {}
        self.loads: dict[tuple[int, str], Array] = {}
        self.skips: dict[tuple[int, str], Array] = {}
        self.models: dict[int, dict[int, Emulator]] = {}
        self.best: dict[int, float] = {}
        self.loops_vary = bool(np.any(np.diff(self.plant(0, normal).slow_decay, axis=0)))

    def owner(self, which: int, direction: Direction) -> int:
        """The hypothesis whose simulations stand for this one in a direction."""
        return which if self.theories[which].touches(self.machine, direction.vector) else 0

    def plant(self, which: int, normal: Array) -> Plant:
        """Machines with a fault."""
        theory = self.theories[which]
        whole = np.zeros((len(normal), self.varies.size))
        whole[:, self.varies] = normal[:, :-3]
        return theory.applied(plant_at(self.machine, whole, ndtr(normal[:, -3])), theory.sizes(ndtr(normal[:, -2])))

    def simulate(self, wanted: Mapping[int, Array], progress: Callable[[float], None]) -> Search[None]:
        """Simulate machines of some hypotheses, in every direction."""
        asked: dict[tuple[int, str], Array] = {}
        for which, normal in wanted.items():
            for direction, *_ in self.directions:
                key = self.owner(which, direction), direction.label
                # Causes that are looked at for the first time ask for the same healthy machines.
                known = asked.get(key, np.empty((0, normal.shape[1])))
                asked[key] = known if np.array_equal(known, normal) else np.concatenate([known, normal])
        plants = [self.plant(which, normal) for (which, _), normal in asked.items()]
        ends = np.cumsum([plant.samples for plant in plants])
        span = {key: np.arange(end - len(asked[key]), end) for key, end in zip(asked, ends.tolist(), strict=True)}
        labels = [d.label for d, *_ in self.directions]
        chosen = [np.concatenate([rows for key, rows in span.items() if key[1] == label]) for label in labels]
        moves = [m for *_, m in self.directions]
        found = yield from ramp_search(
            stack(plants), moves, headroom=HEADROOM, seed=self.seed, rows=chosen, progress=progress
        )
        of_key = dict(zip(asked, plants, strict=True))
        for label, m, speed in zip(labels, moves, found, strict=True):
            # Where not even the longer ramp is lost there is no telling how far the limit lies beyond.
            skip = np.minimum(np.log(speed / m.top[:, None]), math.log(BEYOND)).T
            keys = [key for key in asked if key[1] == label]
            for key, part in zip(keys, np.split(skip, np.cumsum([len(asked[k]) for k in keys])[:-1]), strict=True):
                load = _load(of_key[key], standing_torque(of_key[key]), m)
                for store, new in ((self.normal, asked[key]), (self.loads, load), (self.skips, part)):
                    store[key] = np.concatenate([store[key], new]) if key in store else new

    def seen(self, which: int) -> Array:
        """What the machines simulated first do under a hypothesis, (machines, pairs)."""
        keys = [(self.owner(which, d), d.label) for d, *_ in self.directions]
        count = min(len(self.skips[key]) for key in keys)
        found = np.empty((count, self.count))
        for key, (_, here, _) in zip(keys, self.directions, strict=True):
            found[:, here] = self.skips[key][:count]
        return found

    def _features(self, which: int, normal: Array) -> Array:
        """Of machines, for the emulator: tolerances, and where the fault has a size, that and its square."""
        found = [normal[:, :-3]]
        if self.loops_vary:
            found.append((ndtr(normal[:, -3]) < SLOW_DECAY_ODDS).astype(float))
        if which != 0 and self.theories[which].sized:
            scaled = (ndtr(normal[:, -2]) - 0.5) * math.sqrt(12.0)
            found += [scaled, scaled**2 - 1.0]
        return np.column_stack(found)

    def outlook(self, which: int, fit: RowsFit, cloud: _Cloud) -> Outlook:
        """What machines do under a hypothesis, by an emulator of all that was simulated of it.

        It is fitted most closely where the one before it leaves machines possible.
        """
        at = size_quantiles(self.theories[which])
        described = np.zeros((at.size, cloud.normal.shape[1]))
        described[:, -2] = ndtri(np.clip(at, 1e-6, 1.0 - 1e-6))
        former = self.models.get(which)
        best = self.best.get(which, 0.0)
        models: dict[int, Emulator] = {}
        for direction, here, _ in self.directions:
            owner = self.owner(which, direction)
            key = owner, direction.label
            known, load, skips = self.normal[key], self.loads[key], self.skips[key]
            weight = np.ones(len(known))
            if former:
                likelihood = fit.log_likelihood(self._limits(which, former, known).moved(COMMON_OFFSET * known[:, -1]))
                weight = FITTING_FLOOR + np.exp(FITTING_POWER * np.minimum(likelihood - best, 0.0))
            features = self._features(owner, known)
            for column, k in enumerate(here):
                models[k] = emulator(features, load[:, column], skips[:, column], weight, math.log(BEYOND))
        limits = self._limits(which, models, cloud.normal)
        likelihood = fit.log_likelihood(limits.moved(cloud.offsets))
        self.models[which], self.best[which] = models, float(likelihood.max())
        typical = self._limits(which, models, described).mean()
        return Outlook(cloud.quantiles, likelihood + cloud.log_density, limits, typical)

    def _limits(self, which: int, models: Mapping[int, Emulator], normal: Array) -> Limits:
        """Emulated limits of machines, without the common offset."""
        limits = Limits(*(np.empty((len(normal), self.count)) for _ in range(3)))
        owners = {self.owner(which, direction) for direction, *_ in self.directions}
        plants = {owner: self.plant(owner, normal) for owner in owners}
        torques = {owner: standing_torque(plant) for owner, plant in plants.items()}
        for direction, here, moves in self.directions:
            owner = self.owner(which, direction)
            features, load = self._features(owner, normal), _load(plants[owner], torques[owner], moves)
            for column, k in enumerate(here):
                found = models[k].predict(features, load[:, column])
                limits.kept[:, k], limits.failed[:, k], limits.chance[:, k] = found
        return limits

    def nearer(self, cloud: _Cloud, limits: Limits, log_weight: Array) -> _Cloud:
        """Machines drawn near those that rows and readings leave possible, as importance sampling has it.

        Only along the few directions of tolerances, size and offset in which limits change, where the drawn ones follow a
        normal distribution of the mean and spread of the possible ones; elsewhere they stay what they were.
        """
        normal = self.everybody.normal
        effect = np.linalg.lstsq(cloud.normal - cloud.normal.mean(axis=0), _centred(limits.mean()), rcond=None)[0]
        effect[-1] = COMMON_OFFSET
        basis, strength, _ = np.linalg.svd(effect, full_matrices=False)
        basis = basis[:, :MOST_DIRECTIONS][:, strength[:MOST_DIRECTIONS] > INFORMED]
        likelihood = log_weight - cloud.log_density
        powered = (power * likelihood + cloud.log_density for power in POWERS)
        share = _shares(next((p for p in powered if _effective(p) >= LEAST_EFFECTIVE), cloud.log_density))
        along = cloud.normal @ basis
        middle = share @ along
        apart = along - middle
        spread = np.linalg.cholesky(WIDENED * (apart * share[:, None]).T @ apart + 0.02 * np.eye(len(middle)))
        luck = normal @ basis
        any_of_them = np.arange(len(normal)) % round(1.0 / STILL_ANY) == 0
        drawn = np.where(any_of_them[:, None], luck, middle + luck @ spread.T)
        whole = normal + (drawn - luck) @ basis.T
        back = np.linalg.solve(spread, (drawn - middle).T)
        near = -0.5 * np.sum(back**2, axis=0) - np.log(np.diag(spread)).sum()
        usual = -0.5 * np.sum(drawn**2, axis=1)
        share_any = float(any_of_them.mean())
        either = np.logaddexp(math.log1p(-share_any) + near, math.log(share_any) + usual)
        return _Cloud(whole, usual - either)

    def choose(self, cloud: _Cloud, log_weight: Array, count: int, look: int) -> Array:
        """Machines to simulate next: mostly those that rows and readings speak for."""
        likelihood = CHOOSING_POWER * (log_weight - cloud.log_density)
        share = (1.0 - ANY_SHARE) * _shares(likelihood + cloud.log_density) + ANY_SHARE / len(log_weight)
        # Drawn without replacement with these odds (Efraimidis and Spirakis 2006, from memory); the same for all causes.
        luck = np.random.default_rng([self.seed, look]).random(share.size)
        key = np.log(-np.log(luck)) - np.log(share)
        return cloud.normal[np.sort(np.argsort(key, kind="stable")[:count])]


def _load(plant: Plant, torque: Array, moves: Moves) -> Array:
    """Log of what each move asks at standstill over what there is, (machines, moves)."""
    return np.asarray(np.log(np.clip(standing_ratio(plant, torque, moves.unit, moves.acceleration), 0.02, 5.0)))


def _centred(values: Array) -> Array:
    return np.asarray(values - values.mean(axis=0))


def sweep_search(
    machine: Machine,
    rows: Sequence[SweepRow],
    evidence: Mapping[str, float] | None = None,
    slipped: Sequence[tuple[str, ...]] = (),
    *,
    samples: int = SAMPLES,
    seed: int = 0,
    theories: Sequence[Hypothesis] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Search[Simulated]:
    """Simulate every cause on the rows of a sweep, as a search for `physics.skip.together`.

    Parameters
    ----------
    machine : Machine
    rows : sequence of SweepRow
    evidence : mapping, optional
        Readings by key, as `files.evidence` gives them; with `slipped` they decide which causes are looked at closely.
    slipped : sequence of tuple of str, optional
        Of each displacement that is clearly lost steps: the motors that lost them.
    samples : int
        Machines simulated of every likely cause at its second look; half as many at the first, and as many again as it has
        had at every later one.
    seed : int
        The same seed gives the same answer.
    theories : sequence of Hypothesis, optional
        By default every cause at every place; the healthy machine first.
    progress : callable, optional
        Called with the share done.

    Returns
    -------
    Simulated
        For `rank`.
    """
    pairs = pairs_of(machine, rows)
    theories = tuple(theories or hypotheses(machine))
    known = dict(evidence or {})
    report = progress or (lambda share: None)
    bench = _Bench(machine, pairs, theories, seed)
    everything = range(len(theories))
    first = bench.everybody.normal[: max(samples // 2, 4)]
    yield from bench.simulate(dict.fromkeys(everything, first), lambda share: report(0.3 * share))
    fit = RowsFit(pairs, bench.seen(0)[0])
    clouds = [bench.everybody.first(FEW)] * len(theories)
    outlooks = [bench.outlook(i, fit, clouds[i]) for i in everything]
    weights = _weigh(Simulated(machine, pairs, theories, tuple(outlooks), fit), known, slipped)
    had = dict.fromkeys(everything, len(first))

    def emulate(i: int) -> None:
        """From all that was simulated of a cause, on machines that rows and readings leave possible."""
        if had[i] == len(first):
            clouds[i] = bench.everybody
        for again in (True, False):
            outlooks[i] = bench.outlook(i, fit, clouds[i])
            weights[i] = _weight(machine, theories[i], outlooks[i], outlooks[0], known, slipped)
            if not again or _effective(weights[i].machines) > FEW_EFFECTIVE:
                break
            clouds[i] = bench.nearer(clouds[i], outlooks[i].limits, weights[i].machines)

    moved = 1.0
    for look, (least, most) in enumerate(LOOKS):
        likely = _likeliest(_chances(weights), least, most)
        if look == 0:
            likely = [0, *(i for i in likely if i)]  # the others refer to health
        for i in likely:
            if had[i] == len(first):
                emulate(i)
        before = _chances(weights)
        most_each = MOST_AT_A_LOOK * samples // len(likely)
        count = {i: min(samples if look == 0 else had[i], most_each) for i in likely}
        wanted = {i: bench.choose(clouds[i], weights[i].machines, count[i], look) for i in likely}
        start, share = 0.3 + 0.7 * look / len(LOOKS), 0.7 / len(LOOKS)
        yield from bench.simulate(wanted, partial(_part, report, start, share))
        for i in likely:
            had[i] += count[i]
            emulate(i)
        moved = float(np.max(np.abs(_chances(weights) - before)))
        if moved < STABLE:
            break
    report(1.0)
    return Simulated(machine, pairs, theories, tuple(outlooks), fit, moved)


def _part(report: Callable[[float], None], start: float, part: float, share: float) -> None:
    """Report a share of a part of the work."""
    report(start + part * share)


def _chances(weights: Sequence[_Weight]) -> Array:
    """Probability of each hypothesis."""
    scores = np.array([w.score for w in weights])
    return np.exp(scores - logsumexp(scores))


def _likeliest(chances: Array, least: float, most: int) -> list[int]:
    """The causes with some chance, likeliest first."""
    return [int(i) for i in np.argsort(-chances, kind="stable")[:most] if chances[i] > least]


def rank(
    simulated: Simulated, evidence: Mapping[str, float] | None = None, slipped: Sequence[tuple[str, ...]] = ()
) -> Inference:
    """Rank simulated causes by the sweep and other evidence, which may be more than was known when they were simulated.

    Parameters
    ----------
    simulated : Simulated
    evidence, slipped
        As in `sweep_search`.

    Returns
    -------
    Inference
    """
    readings = dict(evidence or {})
    weights = _weigh(simulated, readings, slipped)
    found = []
    for theory, outlook, w, chance in zip(
        simulated.theories, simulated.outlooks, weights, _chances(weights).tolist(), strict=True
    ):
        share = _shares(w.machines)
        low, middle, high = theory.sizes(_weighted_quantiles(outlook.quantiles, share, (0.1, 0.5, 0.9))).tolist()
        log_evidence = w.score - math.log(theory.prior)
        by_size = _on_grid(outlook.quantiles, share, size_quantiles(theory).size)
        found.append(Found(theory, chance, log_evidence, middle, low, high, by_size, outlook.typical.T))
    order = [int(i) for i in np.argsort([-f.probability for f in found], kind="stable")]
    best = order[0]
    explained = simulated.fit.explained(simulated.outlooks[best].limits, _shares(weights[best].machines))
    unexplained = tuple(int(k) for k in np.flatnonzero(explained < UNEXPLAINED))
    conflicts = _conflicts(simulated.machine, found[best], readings)
    return Inference(tuple(found[i] for i in order), simulated.pairs, unexplained, conflicts, simulated.moved)


class _Weight(NamedTuple):
    """What rows and readings say of one hypothesis: log of prior times evidence, and the log-likelihood of its machines."""

    score: float
    machines: Array


def _weigh(simulated: Simulated, readings: Mapping[str, float], slipped: Sequence[tuple[str, ...]]) -> list[_Weight]:
    """Weigh every hypothesis."""
    healthy = simulated.outlooks[0]
    return [
        _weight(simulated.machine, theory, outlook, healthy, readings, slipped)
        for theory, outlook in zip(simulated.theories, simulated.outlooks, strict=True)
    ]


def _weight(
    machine: Machine,
    theory: Hypothesis,
    outlook: Outlook,
    healthy: Outlook,
    readings: Mapping[str, float],
    slipped: Sequence[tuple[str, ...]],
) -> _Weight:
    """Weigh a hypothesis."""
    at = size_quantiles(theory)
    read = _evidence_fit(machine, theory, readings, theory.sizes(at))
    if theory.sized:
        read = read + np.log(_noticed(healthy.typical[0], outlook.typical))
    machines = outlook.log_weight + np.interp(outlook.quantiles, at, read)
    score = math.log(theory.prior) + float(logsumexp(machines)) - math.log(machines.size)
    return _Weight(score + _damage_fit(machine, theory, slipped), machines)


def _effective(log_weight: Array) -> float:
    """How many of weighted machines count: the inverse of the sum of their squared shares (Kish 1965, from memory)."""
    share = _shares(log_weight)
    return 1.0 / float(share @ share)


def _shares(log_weight: Array) -> Array:
    """Weights that sum to one."""
    return np.exp(log_weight - logsumexp(log_weight))


def _weighted_quantiles(values: Array, share: Array, probabilities: Sequence[float]) -> Array:
    """Quantiles of weighted values."""
    order = np.argsort(values, kind="stable")
    cumulated = np.cumsum(share[order]) - 0.5 * share[order]
    return np.interp(probabilities, cumulated, values[order])


def _on_grid(quantiles: Array, share: Array, points: int) -> Array:
    """Weights over an even grid from 0 to 1, each shared between its two neighbours; (points,)."""
    if points == 1:
        return np.ones(1)
    place = quantiles * (points - 1)
    left = np.minimum(place.astype(np.intp), points - 2)
    part = place - left
    found = np.bincount(left, share * (1.0 - part), points) + np.bincount(left + 1, share * part, points)
    return np.asarray(found, dtype=float)


def _noticed(healthy: Array, faulty: Array) -> Array:
    """Chance that a fault makes its owner ask, by size: (pairs,) and (sizes, pairs) log skip over top speed -> (sizes,).

    A sweep is driven since a machine does clearly less than it did. A fault that takes little from every direction and
    acceleration within the travel is not why. Common practice, no source.
    """
    taken = np.sort(np.minimum(healthy, 0.0) - np.minimum(faulty, 0.0), axis=1)[:, -2:].sum(axis=1)
    share = (taken - UNNOTICED_LOSS) / (NOTICED_LOSS - UNNOTICED_LOSS)
    return UNNOTICED + (1.0 - UNNOTICED) * np.clip(share, 0.0, 1.0)


def _evidence_fit(machine: Machine, theory: Hypothesis, readings: Mapping[str, float], sizes: Array) -> Array:
    """Log-likelihood of the readings for each size."""
    total = np.zeros(sizes.size)
    for key, reading in readings.items():
        mean, deviation = expected(machine, theory, key, sizes)
        z = (scale(key, reading) - mean) / deviation
        # A slip of the pen or a bad contact now and then: long tails.
        total += np.logaddexp(math.log(0.98) - 0.5 * z * z, math.log(0.02) - 0.5 * (z / 10.0) ** 2 - math.log(10.0))
        total -= np.log(deviation)
    return total


def _damage_fit(machine: Machine, theory: Hypothesis, slipped: Sequence[tuple[str, ...]]) -> float:
    """Log-likelihood of which motors lost steps: a fault of one motor shows in it, a fault of an axis in any.

    Common practice, no source: four in five slips of a machine with one bad motor are that motor's.
    """
    total = 0.0
    motors = len(machine.drives)
    own = theory.where if theory.cause.sits in ("motor", "motor or all") and theory.where != "all" else None
    for who in slipped:
        if own is None:
            total += math.log(1.0 / (motors + 1))
        elif who == (own,):
            total += math.log(0.8)
        else:
            total += math.log(0.2 / motors)
    return total


def _conflicts(machine: Machine, best: Found, readings: Mapping[str, float]) -> tuple[str, ...]:
    """Readings further than three standard deviations from what the best cause would show."""
    sizes = np.array([best.size])
    found = []
    for key, reading in readings.items():
        mean, deviation = expected(machine, best.hypothesis, key, sizes)
        if abs(scale(key, reading) - float(mean[0])) > 3.0 * float(deviation[0]):
            found.append(key)
    return tuple(found)


def expected_information(
    machine: Machine,
    wanted: Sequence[tuple[Direction, Sequence[float]]],
    *,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> tuple[tuple[str, float, float], ...]:
    """What the measured limit of each direction and acceleration is expected to tell about the cause, alone.

    Mutual information [bit] of cause and measured limit, causes weighed by their priors, limits as exact as a ladder of
    10 % steps makes them.

    Returns
    -------
    tuple of (direction, acceleration [m/s2], information [bit])
    """
    theories = hypotheses(machine)
    pairs = [
        Pair(d, a, math.sqrt(a * machine.travel_along(d)), np.empty(0), np.empty(0), np.empty(0))
        for d, accelerations in wanted
        for a in accelerations
    ]
    bench = _Bench(machine, pairs, theories, seed)
    everything = dict.fromkeys(range(len(theories)), bench.everybody.normal[: SAMPLES // 2])
    with simulator(**LONG_STEPS) as simulate:
        together([bench.simulate(everything, progress or (lambda share: None))], simulate)
    priors = np.array([h.prior for h in theories])
    edges = np.linspace(-3.0, math.log(BEYOND), 40)
    found = []
    for k, pair in enumerate(pairs):
        given = []
        for i in range(len(theories)):
            # Beyond the travel every limit looks the same: nothing was lost.
            values = np.clip(bench.seen(i)[:, k], edges[0], 0.0)
            spread = np.exp(-0.5 * ((edges[None] - values[:, None]) / 0.1) ** 2)
            spread /= spread.sum(axis=1, keepdims=True)
            given.append(spread.mean(axis=0))
        table = np.array(given)
        mixed = priors @ table
        entropies = -np.sum(np.where(table > 0, table * np.log2(np.maximum(table, 1e-300)), 0.0), axis=1)
        total = -np.sum(np.where(mixed > 0, mixed * np.log2(np.maximum(mixed, 1e-300)), 0.0))
        found.append((pair.direction.label, pair.acceleration, float(total - priors @ entropies)))
    return tuple(found)
