"""Which cause explains the whole sweep: Bayesian comparison of causes through the time-domain model.

For every cause, place and a few sizes, machines drawn within tolerance are simulated on the directions and
accelerations of the sweep; between sizes the skip speed is interpolated in its logarithm. The likelihood of a row is
binomial, with a chance of skipping that rises smoothly with log(speed / skip speed) and a floor for accidents. What the
model itself gets wrong is taken in three times: an offset common to all rows; one of each direction and acceleration with
long tails (near a swing the true skip speed jumps, nearly always down); and a speed of each direction from which
oscillation grows, the same whatever the acceleration, which some healthy machines have. Tolerances are common to all
rows: the average over samples is taken of the product over rows, not row by row.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from scipy.special import gammaln, log_ndtr, logsumexp

from ..machine import Array, Direction, Machine
from ..physics.skip import Moves, Search, ramp_search, together
from ..plant import Plant, sample_plant, stack
from ..sweep import SweepRow
from ..workers import simulator
from .causes import Hypothesis, hypotheses
from .predict import LONG_STEPS
from .readings import expected, scale

# Every cause is looked at with a few samples and at a few sizes, as quantiles of its prior; those that this leaves with a
# chance again with many more, at sizes where their posterior lies: the fewer they are, the more.
FIRST_SAMPLES, SAMPLES, MOST_SAMPLES = 8, 24, 2.0
FIRST_NODES = (0.0, 1.0 / 3.0, 2.0 / 3.0, 1.0)
MORE_NODES = 4
WORTH_A_LOOK, MOST_LOOKS = 0.01, 6
# These samples stand for a continuum of machines. Each is taken as the centre of a little cloud, spread as the samples
# themselves are (a kernel estimate of their distribution): the evidence then hangs less on which were drawn.
CLOUD, CLOUD_WIDTH = 4, 0.6
# Power of the likelihood of a size: the few samples that fit best would make it look sharper than it is.
SIZE_TEMPER = 0.7
CLIFF = 1.0  # change of the logarithm of a skip speed between two sizes that is a fall, not a slope
SIZE_POINTS = 41  # quantiles that are integrated over
HEADROOM = 1.25  # ramps go this far beyond the travel's top speed, to see what a kept move had to spare
BEYOND = 1.6  # skip speed over the top speed where even that ramp is kept

TRIAL_SCATTER = 0.04  # of the skip speed from trial to trial, in its logarithm
ACCIDENT = 0.02  # chance that a trial's outcome has nothing to do with the machine
# What is left between this simulation of ramps and a machine whose parameters are all known: against an independent
# simulation at the level of the driver's switches half of the errors are below 6 to 7 %, a quarter above 11 to 15 %, and a
# tenth are jumps, nearly all of them down (swing, unstable speeds). A Student distribution of four degrees of freedom and
# scale 0.06 does that; real machines differ from both simulations, so it is wider here.
PAIR_OFFSET = 0.10  # of one direction and acceleration, in the logarithm of the skip speed
JUMP_SHARE, JUMP_DEPTH = 0.10, 1.2  # chance and depth of a jump
COMMON_OFFSET = 0.05  # of all skip speeds of a machine alike, one standard deviation
# Mid-range instability loses steps at one speed of a direction at every acceleration. Of random machines within their
# tolerances one in eight to one in six has such a speed below its ramp's, by simulation; the ramps here do not look for
# it. It lies anywhere in this range of the fastest skip speed of the healthy machine in that direction.
UNSTABLE_SHARE = 0.2
UNSTABLE_RANGE, UNSTABLE_POINTS = (0.2, 1.05), 16

NOTICED_LOSS, UNNOTICED = 0.15, 0.05  # share of a skip speed lost that surely makes one ask; chance that nothing does

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
    fit: _RowsFit


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
        Machines drawn within tolerance for every likely cause; up to twice as many where few causes are likely.
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
    report = progress or (lambda share: None)
    plant = sample_plant(machine, FIRST_SAMPLES, seed)
    nodes = [_first_nodes(theory) for theory in theories]
    skips = yield from _skips(machine, plant, pairs, theories, nodes, seed, lambda share: report(0.5 * share))
    first = Simulated(machine, pairs, theories, tuple(nodes), tuple(skips), _RowsFit(pairs, skips[0][0, 0]))
    weights = _weigh(first, dict(evidence or {}), slipped)
    chances = np.exp([w.score for w in weights] - logsumexp([w.score for w in weights]))
    likely = [int(i) for i in np.argsort(-chances, kind="stable")[:MOST_LOOKS] if chances[i] > WORTH_A_LOOK]
    # The healthy machine comes first, as the reference of directions that a cause does not touch.
    looked = [0, *(i for i in likely if i > 0)]
    more = [_more_nodes(weights[i].by_size) if theories[i].sized else np.array([0.5]) for i in looked]
    plant = sample_plant(machine, round(samples * min(MOST_LOOKS / len(looked), MOST_SAMPLES)), seed)
    chosen = [theories[i] for i in looked]
    added = yield from _skips(machine, plant, pairs, chosen, more, seed, lambda share: report(0.5 + 0.5 * share))
    for i, at, skip in zip(looked, more, added, strict=True):
        nodes[i], skips[i] = (at, skip) if not theories[i].sized else _with_ends(at, skip, nodes[i], skips[i])
    report(1.0)
    return Simulated(machine, pairs, theories, tuple(nodes), tuple(skips), first.fit)


def _with_ends(nodes: Array, skips: Array, first_nodes: Array, first_skips: Array) -> tuple[Array, Array]:
    """Nodes of the close look with those of the first look that lie outside them.

    There the samples of the close look are moved as the mean of the first look moves.
    """
    mean = first_skips.mean(axis=1, keepdims=True)
    ends = [(q, 0 if q < nodes[0] else -1) for q in first_nodes if q < nodes[0] or q > nodes[-1]]
    whole = np.concatenate([nodes, [q for q, _ in ends]])
    moved = [
        skips[near] + (_between(mean, first_nodes, np.array([q])) - _between(mean, first_nodes, nodes[[near]]))[0]
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
    total = float(logsumexp([w.score for w in weights]))
    found = []
    for theory, w in zip(simulated.theories, weights, strict=True):
        share = np.exp(w.by_size - logsumexp(w.by_size))
        low, middle, high = (_point(w.sizes, share, p) for p in (0.1, 0.5, 0.9))
        chance = math.exp(w.score - total)
        log_evidence = w.score - math.log(theory.prior)
        found.append(Found(theory, chance, log_evidence, middle, low, high, share, w.log_skip, w.fit))
    found.sort(key=lambda f: -f.probability)
    unexplained = tuple(int(k) for k in np.flatnonzero(found[0].fit < UNEXPLAINED))
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


class _RowsFit:
    """Likelihood of all rows of a sweep as a function of predicted skip speeds."""

    def __init__(self, pairs: Sequence[Pair], healthy: Array) -> None:
        """`healthy` is the log of the healthy machine's skip over top speeds, (pairs,)."""
        self.curves = [pair.log_likelihood() for pair in pairs]
        self.tops = np.log([pair.top for pair in pairs])
        labels = [pair.direction.label for pair in pairs]
        self.directions = [np.flatnonzero([at == label for at in labels]) for label in dict.fromkeys(labels)]
        roots, weights = np.polynomial.hermite_e.hermegauss(5)
        self.common, self.log_common = COMMON_OFFSET * roots, np.log(weights / weights.sum())
        # The speeds from which each direction may be unstable.
        grid = np.log(np.geomspace(*UNSTABLE_RANGE, UNSTABLE_POINTS))
        self.windows = [float(np.max(np.minimum(healthy[k], 0.0) + self.tops[k])) + grid for k in self.directions]

    def log_likelihood(self, skip: Array) -> Array:
        """(sizes, samples) from log skip over top speed (sizes, samples, pairs); common offset and windows integrated out."""
        total = np.zeros((*skip.shape[:2], self.common.size))
        for pairs, windows in zip(self.directions, self.windows, strict=True):
            stable = np.zeros_like(total)
            unstable = np.zeros((*total.shape, windows.size))
            for k in pairs:
                here = skip[:, :, k, None] + self.common
                own = np.interp(here, _GRID, self.curves[k])
                stable += own
                onset = windows - self.tops[k]
                unstable += np.where(here[..., None] < onset, own[..., None], np.interp(onset, _GRID, self.curves[k]))
            chance = logsumexp(unstable, axis=-1) - math.log(windows.size)
            total += np.logaddexp(math.log1p(-UNSTABLE_SHARE) + stable, math.log(UNSTABLE_SHARE) + chance)
        return np.asarray(logsumexp(total + self.log_common, axis=-1))

    def pair_fit(self, skip: Array, weight: Array) -> Array:
        """Posterior predictive check: how likely each pair's rows are over the most likely they could be, (pairs,).

        Averaged over sizes and samples with `weight`; a window that explains them counts as an explanation.
        """
        found = np.empty(len(self.curves))
        for pairs, windows in zip(self.directions, self.windows, strict=True):
            for k in pairs:
                curve = self.curves[k] - self.curves[k].max()
                plain = np.exp(np.interp(skip[:, :, k], _GRID, curve))
                # The window that all pairs of the direction together speak for.
                joint = sum(
                    np.interp(np.minimum(skip[:, :, j, None], windows - self.tops[j]), _GRID, self.curves[j])
                    for j in pairs
                )
                best = windows[np.argmax(joint, axis=-1)] - self.tops[k]
                within = np.exp(np.interp(np.minimum(skip[:, :, k], best), _GRID, curve))
                found[k] = np.sum(weight * np.maximum(plain, within))
        return found


class _Weight(NamedTuple):
    """What rows and readings say of one hypothesis.

    score : log of prior times evidence; by_size : log-likelihood over `sizes` (SI), tempered; log_skip : mean log of skip
    over top speed (pairs, sizes); fit : as in `Found`.
    """

    score: float
    by_size: Array
    sizes: Array
    log_skip: Array
    fit: Array


def _weigh(simulated: Simulated, readings: Mapping[str, float], slipped: Sequence[tuple[str, ...]]) -> list[_Weight]:
    """Weigh every hypothesis."""
    found = []
    machine, rows = simulated.machine, simulated.fit
    healthy = simulated.skips[0].mean(axis=(0, 1))
    for theory, nodes, at_nodes in zip(simulated.theories, simulated.nodes, simulated.skips, strict=True):
        quantiles = np.linspace(0.0, 1.0, SIZE_POINTS) if theory.sized else np.array([0.5])
        sizes = np.array([theory.size(q) for q in quantiles])
        cloud = _clouds(at_nodes)
        skip = _between(cloud, nodes, quantiles) if theory.sized else cloud
        likelihood = rows.log_likelihood(skip)  # (sizes, samples)
        read = _evidence_fit(machine, theory, readings, sizes)
        if theory.sized:
            read = read + np.log(_noticed(healthy, skip.mean(axis=1)))
        evidence = float(logsumexp(likelihood + read[:, None])) - math.log(likelihood.size)
        by_size = logsumexp(SIZE_TEMPER * likelihood, axis=1) + read
        weight = np.exp(likelihood - logsumexp(likelihood))
        score = math.log(theory.prior) + evidence + _damage_fit(machine, theory, slipped)
        found.append(_Weight(score, by_size, sizes, skip.mean(axis=1).T, rows.pair_fit(skip, weight)))
    return found


def _noticed(healthy: Array, faulty: Array) -> Array:
    """Chance that a fault makes its owner ask, by size: (pairs,) and (sizes, pairs) log skip over top speed -> (sizes,).

    A sweep is driven since a machine does less than it did. What a fault takes from no direction and acceleration within
    the travel is not why. Common practice, no source; the width is that of a rung of a ladder of speeds.
    """
    taken = np.max(np.minimum(healthy, 0.0) - np.minimum(faulty, 0.0), axis=1)
    return UNNOTICED + (1.0 - UNNOTICED) * np.clip(taken / NOTICED_LOSS, 0.0, 1.0)


def _clouds(at_nodes: Array) -> Array:
    """Every sample as a cloud around it with the spread of all: (nodes, samples, pairs) -> (nodes, CLOUD samples, pairs).

    Mean and variance over samples stay what they are (Silverman 1986, smoothed bootstrap). The same clouds for all causes.
    """
    samples = at_nodes.shape[1]
    if samples < 2:
        return at_nodes
    centre = at_nodes.mean(axis=1, keepdims=True)
    apart = at_nodes - centre
    weights = np.random.default_rng(samples).standard_normal((CLOUD * samples, samples)) / math.sqrt(samples - 1)
    around = np.einsum("st,qtk->qsk", weights, apart)
    kept = np.repeat(apart, CLOUD, axis=1)
    return np.asarray(centre + math.sqrt(1.0 - CLOUD_WIDTH**2) * kept + CLOUD_WIDTH * around)


def _between(at_nodes: Array, nodes: Array, quantiles: Array) -> Array:
    """Interpolate log skip speeds between simulated sizes: (nodes, samples, pairs) -> (quantiles, samples, pairs).

    Where a sample falls off a cliff between two sizes (near 0.72 of the motors' torque an abrupt start fails) it is there
    or not, never half-way: the size of the fall is spread evenly over the samples.
    """
    left = np.clip(np.searchsorted(nodes, quantiles, side="right") - 1, 0, nodes.size - 2)
    share = ((quantiles - nodes[left]) / np.maximum(nodes[left + 1] - nodes[left], 1e-9))[:, None, None]
    before, after = at_nodes[left], at_nodes[left + 1]
    fall = (0.5 + np.arange(at_nodes.shape[1]) * 0.6180339887) % 1.0
    step = np.where(share < fall[:, None], before, after)
    return np.where(np.abs(after - before) > CLIFF, step, before + share * (after - before))


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
