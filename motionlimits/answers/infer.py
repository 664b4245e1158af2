"""Which cause explains the whole sweep: Bayesian comparison of causes through the time-domain model.

For every cause, place and a few sizes, machines drawn within tolerance are simulated on the directions and
accelerations of the sweep; between sizes the skip speed is interpolated in its logarithm. The likelihood of a row is
binomial, with a chance of skipping that rises smoothly with log(speed / skip speed) and a floor for accidents. What the
model itself gets wrong is taken in twice: an offset common to all rows, and one of each direction and acceleration with
long tails (near a swing or an unstable range the true skip speed jumps, nearly always down). Tolerances are common to
all rows: the average over samples is taken of the product over rows, not row by row.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.special import gammaln, log_ndtr, logsumexp

from ..machine import Array, Direction, Machine
from ..physics.skip import Moves, ramp_search, together
from ..plant import Plant, sample_plant, stack
from ..sweep import SweepRow
from ..workers import simulator
from .causes import Hypothesis, hypotheses
from .readings import expected, scale

SAMPLES = 20
SIZE_NODES = 7  # sizes simulated in a close look, denser where the first look puts the size
# A first look at every cause is coarse; those it leaves with a chance are looked at closely.
FIRST_SAMPLES, FIRST_NODES = 8, (0.0, 0.25, 0.5, 0.75, 1.0)
FIRST_TEMPER = 0.7  # power of the first look's likelihood: few samples make it too sure
WORTH_A_LOOK, MOST_LOOKS = 0.004, 8
# Of a size's posterior: two dozen samples stand for a continuum of machines, and the best of them alone would make the
# size look sharper than it is.
SIZE_TEMPER = 0.5
# Steps a little longer than a single prediction's: they shift skip speeds by less than 1 %.
STEPS: dict[str, Any] = {"phase_step": 0.2, "longest_step": 50e-6}
LEVELS = (0.86, 0.64, 0.44)  # speeds below a ramp's loss at which its swing is looked at
SIZE_POINTS = 41  # quantiles that are integrated over
HEADROOM = 1.25  # ramps go this far beyond the travel's top speed, to see what a kept move had to spare
BEYOND = 1.6  # skip speed over the top speed where even that ramp is kept

TRIAL_SCATTER = 0.04  # of the skip speed from trial to trial, in its logarithm
ACCIDENT = 0.02  # chance that a trial's outcome has nothing to do with the machine
# What is left between a simulation of the right structure and another machine: a median error of 9 % with a tenth of
# the cases beyond 40 % (independent simulations of healthy machines). A Student distribution of four degrees of freedom
# and scale 0.12 has that median; part of it is tolerance, which is sampled on its own here. Unforeseen jumps down (swing,
# unstable speeds) make its tail.
PAIR_OFFSET = 0.10  # of one direction and acceleration, in the logarithm of the skip speed
JUMP_SHARE, JUMP_DEPTH = 0.10, 1.2  # chance and depth of a jump
COMMON_OFFSET = 0.06  # of all skip speeds of a machine alike, one standard deviation

UNEXPLAINED = 0.02  # share of the likelihood they could have below which a pair's rows are called unexplained

_GRID = np.linspace(-5.0, 1.5, 651)  # log of skip speed over top speed


@dataclass(frozen=True)
class Pair:
    """Rows of one direction and acceleration: speeds reached [m/s], trials, skips."""

    direction: Direction
    acceleration: float
    top: float
    speeds: Array
    trials: Array
    skipped: Array

    def log_likelihood(self) -> Array:
        """Log-likelihood of the rows over `_GRID`, the offset of this pair integrated out."""
        x = np.log(self.speeds / self.top)
        ladder = np.arange(-6.5, 3.0, _GRID[1] - _GRID[0])
        z = (x[:, None] - ladder[None, :]) / TRIAL_SCATTER
        lose, keep = math.log1p(-2.0 * ACCIDENT) + log_ndtr(z), math.log1p(-2.0 * ACCIDENT) + log_ndtr(-z)
        floor = math.log(ACCIDENT)
        k, n = self.skipped[:, None], self.trials[:, None]
        rows = k * np.logaddexp(floor, lose) + (n - k) * np.logaddexp(floor, keep)
        sharp = np.sum(rows, axis=0)
        peak = float(sharp.max())
        step = _GRID[1] - _GRID[0]
        offsets = np.arange(-150, 151) * step
        student = np.exp(gammaln(2.5) - gammaln(2.0)) / (PAIR_OFFSET * math.sqrt(4.0 * math.pi))
        density = student * (1.0 + (offsets / PAIR_OFFSET) ** 2 / 4.0) ** -2.5
        jump = np.where((offsets <= 0.0) & (offsets >= -JUMP_DEPTH), 1.0 / JUMP_DEPTH, 0.0)
        kernel = ((1.0 - JUMP_SHARE) * density + JUMP_SHARE * jump) * step
        kernel /= kernel.sum()
        # Skip speed as measured = predicted * exp(offset): correlate the likelihood with the offset's density.
        blurred = np.convolve(np.exp(sharp - peak), kernel[::-1], mode="same")
        return peak + np.log(np.maximum(np.interp(_GRID, ladder, blurred), 1e-300))


@dataclass(frozen=True)
class Found:
    """Posterior of one hypothesis.

    `size`, `size_low`, `size_high` are the median and 10 and 90 % points of the size (SI), `quantile_weights` the
    posterior over `SIZE_POINTS` quantiles of its prior, `log_skip` (pairs, quantiles) the mean log of skip over top speed,
    `fit` (pairs,) how likely the rows of each pair are under it, over the most likely they could be.
    """

    hypothesis: Hypothesis
    probability: float
    log_evidence: float
    size: float
    size_low: float
    size_high: float
    quantile_weights: Array = field(repr=False)
    log_skip: Array = field(repr=False)
    fit: Array = field(repr=False)


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


def pairs_of(machine: Machine, rows: Sequence[SweepRow]) -> tuple[Pair, ...]:
    """Group rows by direction and acceleration; speeds beyond the travel count as the speed reached."""
    groups: dict[tuple[str, float], list[SweepRow]] = {}
    for row in rows:
        groups.setdefault((row.direction, row.acceleration), []).append(row)
    pairs = []
    for (label, acceleration), group in groups.items():
        direction = machine.direction(label)
        longest = machine.travel_along(direction)
        reached = [min(r.speed, math.sqrt(acceleration * min(r.travel or longest, longest))) for r in group]
        pairs.append(
            Pair(
                direction,
                acceleration,
                math.sqrt(acceleration * longest),
                np.array(reached),
                np.array([r.trials for r in group], dtype=float),
                np.array([r.skipped for r in group], dtype=float),
            )
        )
    return tuple(pairs)


def _skips(
    machine: Machine,
    plant: Plant,
    pairs: Sequence[Pair],
    theories: Sequence[Hypothesis],
    seed: int,
    progress: Callable[[float], None] | None,
    nodes: Sequence[Sequence[float] | Array],
) -> list[Array]:
    """Log of skip over top speed of each hypothesis: (nodes, samples, pairs)."""
    n = plant.samples
    variants = [(h, q) for h, at in zip(theories, nodes, strict=True) for q in (at if h.sized else (0.5,))]
    whole = stack([h.applied(plant, h.size(q)) for h, q in variants])
    labels = list(dict.fromkeys(p.direction.label for p in pairs))
    result = np.full((len(variants), n, len(pairs)), np.nan)
    healthy = next(i for i, (h, _) in enumerate(variants) if h.cause.sits == "nowhere")
    wanted, rows, columns, touched = [], [], [], []
    for label in labels:
        direction = machine.direction(label)
        here = [k for k, p in enumerate(pairs) if p.direction.label == label]
        acceleration = np.array([pairs[k].acceleration for k in here])
        wanted.append(Moves(direction.vector, acceleration, np.full(len(here), machine.travel_along(direction))))
        feels = [i for i, (h, _) in enumerate(variants) if i == healthy or h.touches(machine, direction.vector)]
        rows.append(np.concatenate([np.arange(i * n, (i + 1) * n) for i in feels]))
        columns.append(here)
        touched.append(feels)
    with simulator(**STEPS) as simulate:
        search = ramp_search(whole, wanted, headroom=HEADROOM, levels=LEVELS, seed=seed, rows=rows, progress=progress)
        speeds = together([search], simulate)[0]
    for moves, here, feels, speed in zip(wanted, columns, touched, speeds, strict=True):
        # Where not even the longer ramp is lost there is no telling how far the limit lies beyond.
        ratio = np.minimum(np.log(speed / moves.top[:, None]), math.log(BEYOND))
        values = ratio.reshape(len(here), len(feels), n)
        result[:, :, here] = np.moveaxis(values[:, feels.index(healthy)], 0, -1)[None]
        for position, i in enumerate(feels):
            result[i][:, here] = values[:, position].T
    found, start = [], 0
    for h, at in zip(theories, nodes, strict=True):
        count = len(at) if h.sized else 1
        found.append(result[start : start + count])
        start += count
    return found


def infer(
    machine: Machine,
    rows: Sequence[SweepRow],
    evidence: Mapping[str, float] | None = None,
    slipped: Sequence[tuple[str, ...]] = (),
    *,
    samples: int = SAMPLES,
    seed: int = 0,
    theories: Sequence[Hypothesis] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Inference:
    """Rank the causes that could explain a sweep and readings.

    Parameters
    ----------
    machine : Machine
    rows : sequence of SweepRow
    evidence : mapping, optional
        Readings by key, as `files.evidence` gives them.
    slipped : sequence of tuple of str, optional
        Of each displacement that is clearly lost steps: the motors that lost them.
    samples : int
        Machines drawn within tolerance.
    seed : int
        The same seed gives the same answer.
    theories : sequence of Hypothesis, optional
        By default every cause at every place.
    progress : callable, optional
        Called with the share done.

    Returns
    -------
    Inference
    """
    pairs = pairs_of(machine, rows)
    readings = dict(evidence or {})
    theories = tuple(theories or hypotheses(machine))
    curves = [pair.log_likelihood() for pair in pairs]
    report = progress or (lambda share: None)
    chances, rough = _first_look(machine, pairs, theories, readings, curves, seed, lambda share: report(0.5 * share))
    damage = np.array([_damage_fit(machine, h, slipped) for h in theories])
    weighed = chances * np.exp(damage - damage.max())
    chances = weighed / weighed.sum()
    order = np.argsort(-chances, kind="stable")
    close = {int(i) for i in order[:MOST_LOOKS] if chances[i] > WORTH_A_LOOK} | {
        i for i, h in enumerate(theories) if h.cause.sits == "nowhere"
    }
    looked = [theories[i] for i in sorted(close)]
    nodes = [_dense_nodes(rough[i]) for i in sorted(close)]
    plant = sample_plant(machine, samples, seed)
    skips = _skips(machine, plant, pairs, looked, seed, lambda share: report(0.5 + 0.5 * share), nodes)
    results = {}
    for i, at_nodes, at in zip(sorted(close), skips, nodes, strict=True):
        score = _score(machine, theories[i], at_nodes, at, readings, curves, 1.0)
        results[i] = (score[0] + damage[i], score[1] + damage[i], *score[2:])
    # What the first look dismissed keeps the chance it gave, relative to the best it did not.
    quantiles = np.linspace(0.0, 1.0, SIZE_POINTS)
    best = max(results, key=lambda i: results[i][0])
    scores = []
    for i, theory in enumerate(theories):
        if i in results:
            scores.append(results[i][0])
            continue
        # Those it found unlikely were judged by a tempered likelihood, too kind to them; those that only the number of
        # close looks left out keep their place.
        most = -5.0 if chances[i] <= WORTH_A_LOOK else 0.0
        behind = min(math.log(max(chances[i], 1e-300) / max(chances[best], 1e-300)), most)
        scores.append(results[best][0] + behind)
        # No close look, so no more known of its size than its prior.
        sizes = np.array([theory.size(q) for q in (quantiles if theory.sized else [0.5])])
        results[i] = (
            scores[-1],
            scores[-1] - math.log(theory.prior),
            np.zeros(sizes.size),
            sizes,
            np.zeros((len(pairs), sizes.size)),
            np.ones(len(pairs)),
        )
    results_in_order = [(theories[i], *results[i][1:]) for i in range(len(theories))]
    total = float(logsumexp(scores))
    found = []
    for score, (theory, log_evidence, by_size, sizes, log_skip, fit) in zip(scores, results_in_order, strict=True):
        share = np.exp(by_size - logsumexp(by_size))
        low, middle, high = (_point(sizes, share, p) for p in (0.1, 0.5, 0.9))
        found.append(Found(theory, math.exp(score - total), log_evidence, middle, low, high, share, log_skip, fit))
    found.sort(key=lambda f: -f.probability)
    unexplained = tuple(int(k) for k in np.flatnonzero(found[0].fit < UNEXPLAINED))
    return Inference(tuple(found), pairs, unexplained, _conflicts(machine, found[0], readings))


def _dense_nodes(weights: Array) -> Array:
    """Quantiles of the prior to simulate: half spread evenly, half where the size seems to be.

    Skip speeds fall off a cliff where a fault comes near the motors' torque; between widely spaced sizes they cannot be
    interpolated.
    """
    if weights.size == 1:
        return np.array([0.5])
    steps = 0.5 * (weights[1:] + weights[:-1])
    mixed = 0.5 * np.cumsum(steps) / steps.sum() + 0.5 * np.arange(1, weights.size) / (weights.size - 1)
    quantiles = np.linspace(0.0, 1.0, weights.size)
    return np.interp(np.linspace(0.0, 1.0, SIZE_NODES), np.concatenate([[0.0], mixed]), quantiles)


_Score = tuple[float, float, Array, Array, Array, Array]


def _first_look(
    machine: Machine,
    pairs: Sequence[Pair],
    theories: Sequence[Hypothesis],
    readings: Mapping[str, float],
    curves: Sequence[Array],
    seed: int,
    progress: Callable[[float], None],
) -> tuple[Array, list[Array]]:
    """Rough chance of every hypothesis and weights of its sizes, from few samples and sizes."""
    plant = sample_plant(machine, FIRST_SAMPLES, seed + 1)
    skips = _skips(machine, plant, pairs, theories, seed + 1, progress, [FIRST_NODES] * len(theories))
    found = [
        _score(machine, theory, at_nodes, FIRST_NODES, readings, curves, FIRST_TEMPER)
        for theory, at_nodes in zip(theories, skips, strict=True)
    ]
    scores = np.array([score for score, *_ in found])
    return np.exp(scores - logsumexp(scores)), [np.exp(by_size - logsumexp(by_size)) for _, _, by_size, *_ in found]


def _score(
    machine: Machine,
    theory: Hypothesis,
    at_nodes: Array,
    nodes: Sequence[float] | Array,
    readings: Mapping[str, float],
    curves: Sequence[Array],
    temper: float,
) -> _Score:
    """Log of prior times evidence, log evidence, log-likelihood by size, sizes, mean log skip (pairs, sizes), fit."""
    roots, weights = np.polynomial.hermite_e.hermegauss(7)
    common, log_common = COMMON_OFFSET * roots, np.log(weights / weights.sum())
    quantiles = np.linspace(0.0, 1.0, SIZE_POINTS) if theory.sized else np.array([0.5])
    sizes = np.array([theory.size(q) for q in quantiles])
    skip = _between(at_nodes, np.asarray(nodes), quantiles) if theory.sized else at_nodes
    rows_fit = temper * _rows_fit(skip, curves, common, log_common)  # (sizes, samples)
    by_size = logsumexp(rows_fit, axis=1) - math.log(rows_fit.shape[1])
    by_size = by_size + _evidence_fit(machine, theory, readings, sizes)
    log_evidence = float(logsumexp(by_size) - math.log(by_size.size))
    by_size = logsumexp(SIZE_TEMPER * rows_fit, axis=1) + _evidence_fit(machine, theory, readings, sizes)
    # Posterior predictive check: how likely each pair's rows are where this cause does best, size and sample weighed.
    weight = np.exp(rows_fit - logsumexp(rows_fit))
    fit = np.array(
        [np.sum(weight * np.exp(np.interp(skip[:, :, k], _GRID, c) - c.max())) for k, c in enumerate(curves)]
    )
    return math.log(theory.prior) + log_evidence, log_evidence, by_size, sizes, skip.mean(axis=1).T, fit


def _between(at_nodes: Array, nodes: Array, quantiles: Array) -> Array:
    """Interpolate log skip speeds between simulated sizes: (nodes, ...) -> (quantiles, ...)."""
    left = np.clip(np.searchsorted(nodes, quantiles, side="right") - 1, 0, nodes.size - 2)
    share = ((quantiles - nodes[left]) / (nodes[left + 1] - nodes[left])).reshape(-1, *([1] * (at_nodes.ndim - 1)))
    return at_nodes[left] * (1.0 - share) + at_nodes[left + 1] * share


def _rows_fit(skip: Array, curves: Sequence[Array], common: Array, log_common: Array) -> Array:
    """Log-likelihood of all rows, (sizes, samples), the common offset integrated out."""
    total = np.zeros((*skip.shape[:2], common.size))
    for k, curve in enumerate(curves):
        total += np.interp(skip[:, :, k, None] + common, _GRID, curve)
    return np.asarray(logsumexp(total + log_common, axis=-1))


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
    plant = sample_plant(machine, FIRST_SAMPLES, seed + 1)
    skips = _skips(machine, plant, pairs, theories, seed + 1, progress, [FIRST_NODES] * len(theories))
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
