"""Which cause explains the whole sweep: Bayesian comparison of causes through the time-domain model.

Some machines within tolerance, each with a fault of some size, are simulated for every cause and place on the directions and
accelerations of the sweep. An `emulator` carries what they do to thousands of others, `likelihood` says how well the rows
go with each, and the mean over all is the evidence. First all causes are looked at roughly; the likely ones again, where the
rows put them, with ever more simulations until their chances stay.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from scipy.special import logsumexp

from ..machine import Array, Direction, Machine
from ..physics.skip import Search
from ..readings import readings_of
from ..sweep import SweepRow
from ..workers import Crew
from .allot import by_cause, by_pair
from .bench import BEYOND, FEW, Bench, Outlook, size_quantiles
from .causes import Hypothesis, hypotheses
from .emulator import weighted_quantiles
from .likelihood import Pair, RowsFit, pairs_of
from .looks import Looks
from .proposal import shares
from .readings import expected
from .weigh import Weight, chances_of, weigh

# Simulated machines: SAMPLES of every cause at first; then, look by look, of the causes with at least that chance, so many at
# most, altogether so many times SAMPLES. What some dozens say of a cause can be wrong by seven in the logarithm of its chance
# (low current of one motor, a blind case), so that the first look leaves out only what is far beyond that.
SAMPLES, THOROUGH_SAMPLES = 40, 160
HEALTHY = 2  # times as many healthy ones at first: others refer to them
PLAUSIBLE = 1e-9  # chance from which more machines of a cause are simulated
# Chance from which a closer look at what was simulated first can make a cause matter, and one that looks sure unsure.
DOUBTFUL = 1e-7
LOOKS = ((PLAUSIBLE, 14, 20), (0.0003, 6, 70))
# Pairs of direction and acceleration up to which that many are simulated in each; of more, each has less to say.
MANY_PAIRS = 14
# How far chances may be expected to hang on what was simulated, together: where the last look simulates no more, and from where
# it simulates up to twice as many. They have been seen to move by three times that with other machines.
ENOUGH, TOO_MUCH = 0.006, 0.012
# Times SAMPLES, so many machines of a cause with at least that chance tell what happens at constant speed.
STEADY, STEADY_CHANCE = 5, 0.003
# Where no cause is all but sure those with at least such a chance, so many at most, are weighed by the mean of replicas.
UNSURE, MOST_UNSURE = 0.001, 6
# Chance of the first cause from which it is all but sure: then half as many are simulated, and no others where that changes
# no chance by so much. A change that is left, by then or between two replicas, is told from there on.
SETTLED, STABLE = 0.97, 0.02
SURE = 0.9995  # and after those simulated at first: then no others are

CLEARLY_UNSTABLE = 0.75  # chance from which mid-range instability is mentioned
LEAST_UNSTABLE = 0.001  # chance of a cause from which it is worked out whether instability takes part
# Rows are unexplained where less than this share of what the best cause predicts comes near them.
UNEXPLAINED = 0.1


@dataclass(frozen=True)
class Found:
    """Posterior of one hypothesis.

    `size`, `size_low`, `size_high` are the median and 10 and 90 % points of the size (SI), `quantile_weights` the
    posterior over `SIZE_POINTS` quantiles of its prior, `log_skip` (pairs, quantiles) the mean log of skip over top speed.
    `unstable`: by direction, how likely such a machine loses steps there to mid-range instability, and from which speed
    [m/s]; empty where the cause has no chance.
    """

    hypothesis: Hypothesis
    probability: float
    log_evidence: float
    size: float
    size_low: float
    size_high: float
    quantile_weights: Array = field(repr=False)
    log_skip: Array = field(repr=False)
    unstable: Mapping[str, tuple[float, float]] = field(repr=False, default_factory=dict)

    @property
    def clearly_unstable(self) -> dict[str, tuple[float, float]]:
        """Directions in which instability is likely."""
        return {label: at for label, at in self.unstable.items() if at[0] > CLEARLY_UNSTABLE}


@dataclass(frozen=True)
class Inference:
    """Ranked causes (largest first), the pairs of the sweep, and those that even the best cause does not explain.

    `conflicts` are readings against the best cause, `moved` how far a chance hangs on which machines were simulated.
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
class Simulated:
    """What every cause would do to a sweep; `moved` is how far a chance hangs on which machines were simulated."""

    machine: Machine
    pairs: tuple[Pair, ...]
    theories: tuple[Hypothesis, ...]
    outlooks: tuple[Outlook, ...]
    fit: RowsFit
    moved: float = 0.0


def sweep_search(
    machine: Machine,
    rows: Sequence[SweepRow],
    evidence: Mapping[str, float] | None = None,
    slipped: Sequence[tuple[str, ...]] = (),
    *,
    samples: int = SAMPLES,
    seed: int = 0,
    theories: Sequence[Hypothesis] | None = None,
    crew: Crew | None = None,
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
        So many machines of every cause are simulated at first; later looks cost a multiple of it.
    seed : int
        The same seed gives the same answer.
    theories : sequence of Hypothesis, optional
        By default every cause at every place; the healthy machine first.
    crew : Crew, optional
        Emulates causes side by side; by default one is emulated after the other.
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
    crew = crew or Crew(1)
    bench = Bench(machine, pairs, theories, seed)
    looks = Looks(bench, RowsFit(machine, pairs), bench.everybody.take(slice(FEW)), known, slipped)
    everything = range(len(theories))
    start_count = max(samples, 4)
    first = {0: HEALTHY * start_count, **dict.fromkeys(everything[1:], start_count)}
    yield from bench.simulate({}, lambda share: report(0.3 * share), first)
    views = [looks.first_look(0)]
    views += crew.each(lambda i: looks.first_look(i, views[0]), everything[1:])

    def look_closer(causes: Sequence[int], more: bool = False) -> None:
        closer = crew.each(lambda i: looks.closer(i, views[i], views[0], more), causes)
        for i, view in zip(causes, closer, strict=True):
            views[i] = view

    look_closer(_likeliest(chances_of(view.weight for view in views), DOUBTFUL, len(theories)))
    chances = chances_of(view.weight for view in views)
    moved = 1.0 - float(chances.max())  # where it ends here: what the others have together
    for turn, (least, most, altogether) in enumerate(LOOKS if chances.max() <= SURE else ()):
        likely = _likeliest(chances_of(view.weight for view in views), least, most)
        if turn == 0:
            likely = [0, *(i for i in likely if i)]  # the others refer to health
        look_closer([i for i in likely if not views[i].close])
        before = chances_of(view.weight for view in views)
        settled = before.max() > SETTLED
        altogether = altogether * samples // (2 if settled else 1)
        ramps = altogether * min(bench.count, MANY_PAIRS)
        owners, had = {i: bench.owners(i) for i in likely}, {i: bench.simulated(i) for i in likely}
        if turn == 0:
            counts = by_cause(before, owners, had, ramps // bench.count)
        else:
            opened = crew.each(lambda i: looks.open_in(i, views[i]), likely)
            moves = dict(zip(likely, opened, strict=True))
            counts = by_pair(before, owners, had, moves, ramps, ENOUGH, TOO_MUCH)
        wanted = {
            i: bench.choose(looks.machines(views[i]), views[i].weight.machines, int(counts[i].max()), turn)
            for i in likely
        }
        start, share = 0.3 + 0.7 * turn / len(LOOKS), 0.7 / len(LOOKS)
        steady = {i: STEADY * samples for i in likely if i == 0 or before[i] > STEADY_CHANCE}
        yield from bench.simulate(wanted, partial(_part, report, start, share), steady, counts)
        look_closer(likely, more=True)
        chances = chances_of(view.weight for view in views)
        moved = float(np.max(np.abs(chances - before)))
        last = turn + 1 == len(LOOKS)
        if chances.max() > SETTLED and (moved < STABLE or last):
            break
        if last:
            unsure = _likeliest(chances, UNSURE, MOST_UNSURE)
            # What the last look made likely may have been looked at roughly only.
            look_closer([i for i in unsure if not views[i].close])
            chances = chances_of(view.weight for view in views)
            averaged = crew.each(lambda i: looks.averaged(i, views[i], views[0]), unsure)
            for i, (view, _) in zip(unsure, averaged, strict=True):
                views[i] = view
            # What the last look moved is what was open before it: it simulates some times as many.
            moved = _scatter(chances, unsure, np.array([scores for _, scores in averaged]))
    report(1.0)
    return Simulated(machine, pairs, theories, tuple(view.outlook for view in views), looks.fit, moved)


def _scatter(chances: Array, unsure: Sequence[int], scores: Array) -> float:
    """How far a chance differs between two replicas, root mean square of the one that differs most; (causes, replicas) scores
    of the unsure causes.
    """
    each = np.exp(scores - logsumexp(scores, axis=0)) * chances[unsure].sum()
    return math.sqrt(2.0) * float(each.std(axis=1, ddof=1).max())


def _part(report: Callable[[float], None], start: float, part: float, share: float) -> None:
    """Report a share of a part of the work."""
    report(start + part * share)


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
        simulated.theories, simulated.outlooks, weights, chances_of(weights).tolist(), strict=True
    ):
        share = shares(w.machines)
        low, middle, high = theory.sizes(weighted_quantiles(outlook.quantiles, share, (0.1, 0.5, 0.9))).tolist()
        log_evidence = w.score - math.log(theory.prior)
        by_size = _on_grid(outlook.quantiles, share, size_quantiles(theory).size)
        unstable = {}
        if chance > LEAST_UNSTABLE:
            unstable = simulated.fit.instability(outlook.limits, outlook.unstable, share, outlook.onsets)
        found.append(Found(theory, chance, log_evidence, middle, low, high, by_size, outlook.typical.T, unstable))
    order = [int(i) for i in np.argsort([-f.probability for f in found], kind="stable")]
    best = order[0]
    likely, share = simulated.outlooks[best], shares(weights[best].machines)
    explained = simulated.fit.explained(likely.limits, likely.unstable, share, likely.onsets)
    unexplained = tuple(int(k) for k in np.flatnonzero(explained < UNEXPLAINED))
    conflicts = _conflicts(simulated.machine, found[best], readings)
    return Inference(tuple(found[i] for i in order), simulated.pairs, unexplained, conflicts, simulated.moved)


def _weigh(simulated: Simulated, readings: Mapping[str, float], slipped: Sequence[tuple[str, ...]]) -> list[Weight]:
    """Weigh every hypothesis."""
    healthy = simulated.outlooks[0].typical[0]
    return [
        weigh(simulated.machine, theory, outlook, healthy, readings, slipped)
        for theory, outlook in zip(simulated.theories, simulated.outlooks, strict=True)
    ]


def _on_grid(quantiles: Array, share: Array, points: int) -> Array:
    """Weights over an even grid from 0 to 1, each shared between its two neighbours; (points,)."""
    if points == 1:
        return np.ones(1)
    place = quantiles * (points - 1)
    left = np.minimum(place.astype(np.intp), points - 2)
    part = place - left
    found = np.bincount(left, share * (1.0 - part), points) + np.bincount(left + 1, share * part, points)
    return np.asarray(found, dtype=float)


def _conflicts(machine: Machine, best: Found, readings: Mapping[str, float]) -> tuple[str, ...]:
    """Readings further than three standard deviations from what the best cause would show."""
    sizes = np.array([best.size])
    found = []
    for key, reading in readings.items():
        mean, deviation = expected(machine, best.hypothesis, key, sizes)
        if abs(readings_of(machine)[key].kind.scale(reading) - float(mean[0])) > 3.0 * float(deviation[0]):
            found.append(key)
    return tuple(found)


def information_search(
    machine: Machine,
    wanted: Sequence[tuple[Direction, Sequence[float]]],
    *,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Search[tuple[tuple[str, float, float], ...]]:
    """What the measured limit of each direction and acceleration is expected to tell about the cause, alone.

    A search for `physics.skip.together`. Mutual information [bit] of cause and measured limit, causes weighed by their
    priors, limits as exact as a ladder of 10 % steps makes them.

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
    bench = Bench(machine, pairs, theories, seed)
    everything = dict.fromkeys(range(len(theories)), bench.everybody.take(slice(SAMPLES)))
    yield from bench.simulate(everything, progress or (lambda share: None))
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
