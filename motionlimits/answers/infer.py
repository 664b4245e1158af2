"""Which cause explains the whole sweep: Bayesian comparison of causes through the time-domain model.

For every cause, place and a few sizes, machines drawn within tolerance are simulated on the directions and
accelerations of the sweep; `likelihood` says how well the rows go with what these do. First all causes are looked at
roughly, then the likely ones closely.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from scipy.special import logsumexp

from ..machine import Array, Direction, Machine
from ..physics.skip import Moves, Search, ramp_search, together
from ..plant import Plant, sample_plant, stack
from ..sweep import SweepRow
from ..workers import simulator
from .causes import Hypothesis, hypotheses
from .likelihood import Pair, RowsFit, between, over_sizes, pairs_of
from .predict import LONG_STEPS
from .readings import expected, scale

# Every cause is looked at with a few samples and at a few sizes, as quantiles of its prior; those that this leaves with a
# chance again with many more, at sizes where their posterior lies; and where that does not settle it, the leading ones once
# more. The fewer they are, the more samples they get: what makes one of two close causes come first is mostly how many
# machines stand for each.
FIRST_SAMPLES, SAMPLES, MOST_SAMPLES = 8, 32, 2.0
FIRST_NODES = (0.0, 1.0 / 3.0, 2.0 / 3.0, 1.0)
MORE_NODES = 4
WORTH_A_LOOK, MOST_LOOKS = 0.01, 6
SETTLED = 0.97  # chance of the first cause beyond which no more is looked at than has to be
LEADING_CHANCE, MOST_LEADING = 0.05, 4
SIZE_POINTS = 41  # quantiles that are integrated over
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
    """Ranked causes (largest first), the pairs of the sweep, and those that even the best cause does not explain."""

    found: tuple[Found, ...]
    pairs: tuple[Pair, ...]
    unexplained: tuple[int, ...]
    conflicts: tuple[str, ...]

    @property
    def best(self) -> Found:
        return self.found[0]


def _skips(
    machine: Machine,
    plant: Plant,
    pairs: Sequence[Pair],
    theories: Sequence[Hypothesis],
    nodes: Sequence[Array],
    seed: int,
    progress: Callable[[float], None] | None,
) -> Search[list[Array]]:
    """Log of skip over top speed of each hypothesis: (nodes, samples, pairs). The first must be the healthy machine."""
    n = plant.samples
    variants = [(h, float(q)) for h, at in zip(theories, nodes, strict=True) for q in at]
    whole = stack([h.applied(plant, h.size(q)) for h, q in variants])
    result = np.full((len(variants), n, len(pairs)), np.nan)
    wanted, rows, columns, touched = [], [], [], []
    for label in dict.fromkeys(p.direction.label for p in pairs):
        direction = machine.direction(label)
        here = [k for k, p in enumerate(pairs) if p.direction.label == label]
        acceleration = np.array([pairs[k].acceleration for k in here])
        wanted.append(Moves(direction.vector, acceleration, np.full(len(here), machine.travel_along(direction))))
        feels = [i for i, (h, _) in enumerate(variants) if i == 0 or h.touches(machine, direction.vector)]
        rows.append(np.concatenate([np.arange(i * n, (i + 1) * n) for i in feels]))
        columns.append(here)
        touched.append(feels)
    speeds = yield from ramp_search(whole, wanted, headroom=HEADROOM, seed=seed, rows=rows, progress=progress)
    for moves, here, feels, speed in zip(wanted, columns, touched, speeds, strict=True):
        # Where not even the longer ramp is lost there is no telling how far the limit lies beyond.
        ratio = np.minimum(np.log(speed / moves.top[:, None]), math.log(BEYOND))
        values = ratio.reshape(len(here), len(feels), n)
        result[:, :, here] = np.moveaxis(values[:, 0], 0, -1)[None]
        for position, i in enumerate(feels):
            result[i][:, here] = values[:, position].T
    ends = np.cumsum([len(at) for at in nodes])
    return np.split(result, ends[:-1])


def _first_nodes(theory: Hypothesis) -> Array:
    return np.array(FIRST_NODES if theory.sized else [0.5])


@dataclass(frozen=True)
class Simulated:
    """What every cause would do to a sweep: `nodes` of each (quantiles of its size), `skips` as `_skips` gives them."""

    machine: Machine
    pairs: tuple[Pair, ...]
    theories: tuple[Hypothesis, ...]
    nodes: tuple[Array, ...]
    skips: tuple[Array, ...]
    fit: RowsFit


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
        Machines drawn within tolerance for every likely cause; up to twice as many where few causes are likely, and more
        for those that lead where none is settled.
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
    plant = sample_plant(machine, FIRST_SAMPLES, seed)
    nodes = [_first_nodes(theory) for theory in theories]
    skips = yield from _skips(machine, plant, pairs, theories, nodes, seed, lambda share: report(0.4 * share))
    first = Simulated(machine, pairs, theories, tuple(nodes), tuple(skips), RowsFit(pairs, skips[0][0, 0]))

    weights = _weigh(first, known, slipped)
    likely = _likeliest(weights, WORTH_A_LOOK, MOST_LOOKS)
    at = {i: _more_nodes(weights[i].by_size) if theories[i].sized else np.array([0.5]) for i in likely}
    settled = max(_chances(weights)) > SETTLED
    times = 1.0 if settled else min(MOST_LOOKS / len(likely), MOST_SAMPLES)
    plant = sample_plant(machine, round(samples * times), seed)
    close = yield from _some_skips(first, plant, at, seed, lambda share: report(0.4 + 0.3 * share))
    simulated = _with_close_look(first, at, close)

    weights = _weigh(simulated, known, slipped)
    if max(_chances(weights)) <= SETTLED:
        leading = [i for i in _likeliest(weights, LEADING_CHANCE, MOST_LEADING) if i in close]
        # The nominal machine comes first in every set of samples; once is enough.
        plant = sample_plant(machine, round(samples * MOST_LOOKS / len(leading)) + 1, seed + 1).take(slice(1, None))
        again = yield from _some_skips(
            first, plant, {i: at[i] for i in leading}, seed + 1, lambda share: report(0.7 + 0.3 * share)
        )
        close |= {i: np.concatenate([close[i], skip], axis=1) for i, skip in again.items()}
        simulated = _with_close_look(first, at, close)
    report(1.0)
    return simulated


def _chances(weights: Sequence[_Weight]) -> Array:
    """Probability of each hypothesis."""
    scores = np.array([w.score for w in weights])
    return np.exp(scores - logsumexp(scores))


def _likeliest(weights: Sequence[_Weight], least: float, most: int) -> list[int]:
    """Health, which the others refer to, and the causes with some chance, likeliest first."""
    chances = _chances(weights)
    return [0, *(int(i) for i in np.argsort(-chances, kind="stable")[:most] if chances[i] > least and i > 0)]


def _some_skips(
    simulated: Simulated, plant: Plant, nodes: Mapping[int, Array], seed: int, progress: Callable[[float], None]
) -> Search[dict[int, Array]]:
    """`_skips` of some hypotheses, by their number; the healthy machine must be the first."""
    theories = [simulated.theories[i] for i in nodes]
    found = yield from _skips(simulated.machine, plant, simulated.pairs, theories, list(nodes.values()), seed, progress)
    return dict(zip(nodes, found, strict=True))


def _with_close_look(first: Simulated, nodes: Mapping[int, Array], close: Mapping[int, Array]) -> Simulated:
    """What was simulated at first, with the close look in place of it where there is one."""
    whole, skips = list(first.nodes), list(first.skips)
    for i, skip in close.items():
        sized = first.theories[i].sized
        whole[i], skips[i] = _with_ends(nodes[i], skip, whole[i], skips[i]) if sized else (nodes[i], skip)
    return replace(first, nodes=tuple(whole), skips=tuple(skips))


def _with_ends(nodes: Array, skips: Array, first_nodes: Array, first_skips: Array) -> tuple[Array, Array]:
    """Nodes of the close look with those of the first look that lie outside them.

    There the samples of the close look are moved as the mean of the first look moves.
    """
    mean = first_skips.mean(axis=1, keepdims=True)
    ends = [(q, 0 if q < nodes[0] else -1) for q in first_nodes if q < nodes[0] or q > nodes[-1]]
    whole = np.concatenate([nodes, [q for q, _ in ends]])
    moved = [
        skips[near] + (between(mean, first_nodes, np.array([q])) - between(mean, first_nodes, nodes[[near]]))[0]
        for q, near in ends
    ]
    order = np.argsort(whole, kind="stable")
    return whole[order], np.concatenate([skips, *(m[None] for m in moved)])[order]


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
    for theory, w, chance in zip(simulated.theories, weights, _chances(weights).tolist(), strict=True):
        share = np.exp(w.by_size - logsumexp(w.by_size))
        low, middle, high = (_point(w.sizes, share, p) for p in (0.1, 0.5, 0.9))
        log_evidence = w.score - math.log(theory.prior)
        found.append(Found(theory, chance, log_evidence, middle, low, high, share, w.log_skip))
    found.sort(key=lambda f: -f.probability)
    best = _skips_over_sizes(simulated, simulated.theories.index(found[0].hypothesis))
    unexplained = tuple(int(k) for k in np.flatnonzero(simulated.fit.explained(best) < UNEXPLAINED))
    return Inference(tuple(found), simulated.pairs, unexplained, _conflicts(simulated.machine, found[0], readings))


def _more_nodes(by_size: Array) -> Array:
    """Quantiles of the prior to simulate too: spread over the posterior of a first look, well widened.

    Skip speeds fall off a cliff where a fault comes near the motors' torque; between widely spaced sizes they cannot be
    interpolated.
    """
    density = np.exp(by_size - logsumexp(by_size)) + 0.6 / by_size.size
    cumulated = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]))])
    shares = np.linspace(0.06, 0.94, MORE_NODES)
    return np.interp(shares, cumulated / cumulated[-1], np.linspace(0.0, 1.0, by_size.size))


class _Weight(NamedTuple):
    """What rows and readings say of one hypothesis.

    score : log of prior times evidence; by_size : log-likelihood over `sizes` (SI); log_skip : mean log of skip
    over top speed (pairs, sizes).
    """

    score: float
    by_size: Array
    sizes: Array
    log_skip: Array


def _weigh(simulated: Simulated, readings: Mapping[str, float], slipped: Sequence[tuple[str, ...]]) -> list[_Weight]:
    """Weigh every hypothesis."""
    found = []
    machine, rows = simulated.machine, simulated.fit
    healthy = simulated.skips[0].mean(axis=(0, 1))
    for which, theory in enumerate(simulated.theories):
        skip = _skips_over_sizes(simulated, which)
        sizes = np.array([theory.size(q) for q in _quantiles(theory)])
        mean = skip.mean(axis=1)
        likelihood = rows.log_likelihood(skip)  # (sizes, machines)
        read = _evidence_fit(machine, theory, readings, sizes)
        if theory.sized:
            read = read + np.log(_noticed(healthy, mean))
        by_size = logsumexp(likelihood, axis=1) + read
        evidence = float(logsumexp(by_size)) - math.log(likelihood.size)
        score = math.log(theory.prior) + evidence + _damage_fit(machine, theory, slipped)
        found.append(_Weight(score, by_size, sizes, mean.T))
    return found


def _quantiles(theory: Hypothesis) -> Array:
    """Quantiles of the prior of its size over which a hypothesis is weighed."""
    return np.linspace(0.0, 1.0, SIZE_POINTS) if theory.sized else np.array([0.5])


def _skips_over_sizes(simulated: Simulated, which: int) -> Array:
    """Log of skip over top speed of a simulated hypothesis, (sizes, machines, pairs), over its quantiles."""
    return over_sizes(simulated.skips[which], simulated.nodes[which], _quantiles(simulated.theories[which]))


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


def _point(sizes: Array, share: Array, probability: float) -> float:
    """Quantile of a size from its weights on a grid."""
    if sizes.size == 1:
        return float(sizes[0])
    cumulated = np.concatenate([[0.0], np.cumsum(0.5 * (share[1:] + share[:-1]))])
    if cumulated[-1] <= 0.0:
        return float(sizes[int(share.argmax())])
    return float(np.interp(probability, cumulated / cumulated[-1], sizes))


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
    plant = sample_plant(machine, FIRST_SAMPLES, seed)
    search = _skips(machine, plant, pairs, theories, [_first_nodes(theory) for theory in theories], seed, progress)
    with simulator(**LONG_STEPS) as simulate:
        skips = together([search], simulate)[0]
    priors = np.array([h.prior for h in theories])
    edges = np.linspace(-3.0, math.log(BEYOND), 40)
    found = []
    for k, pair in enumerate(pairs):
        given = []
        for at_nodes in skips:
            # Beyond the travel every limit looks the same: nothing was lost.
            values = np.clip(at_nodes[:, :, k].ravel(), edges[0], 0.0)
            spread = np.exp(-0.5 * ((edges[None] - values[:, None]) / 0.1) ** 2)
            spread /= spread.sum(axis=1, keepdims=True)
            given.append(spread.mean(axis=0))
        table = np.array(given)
        mixed = priors @ table
        entropies = -np.sum(np.where(table > 0, table * np.log2(np.maximum(table, 1e-300)), 0.0), axis=1)
        total = -np.sum(np.where(mixed > 0, mixed * np.log2(np.maximum(mixed, 1e-300)), 0.0))
        found.append((pair.direction.label, pair.acceleration, float(total - priors @ entropies)))
    return tuple(found)
