"""Which cause explains the whole sweep: Bayesian comparison of causes through the map of the time-domain model.

For every cause and place thousands of machines within tolerance, each with a fault of some size, are asked what they would do in the
directions and accelerations of the sweep (`bench`); `likelihood` says how well the rows go with each, and the mean over all is
the evidence. First all causes are looked at roughly; the likely ones again, on machines that the rows leave possible.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ..machine import Array, Direction, Machine
from ..readings import readings_of
from ..sweep import SweepRow
from ..workers import Crew
from .bench import BEYOND, FEW, MANY, Bench, Outlook, Seen, size_quantiles
from .causes import Hypothesis, hypotheses
from .likelihood import TINY, Limits, Pair, RowsFit, pairs_of
from .looks import Looks, View
from .proposal import drawn, shares, weighted_quantiles
from .readings import expected
from .weigh import Weight, chances_of, said_of, weigh

# Closer looks, one after the other: at how many machines of a cause. One whose chance is c by all n of its machines that counted
# so far gets one if c (1 - c) / sqrt(n) may be more than `OPEN`, up to `ENOUGH` of them: what 100 tell of where to draw others
# has half as many of these count as what 400 do (13 causes of blind sweeps). Where hardly any machine is possible a chance comes
# out too low, by a factor of up to exp(`SHORT` / n): of 382 times that a cause had a chance of 1e-5 and more in the end (50 blind
# sweeps, four of examples, some with three or four seeds) it was lower than that by the first look in one, by the second and the
# third in three each. The likely ones get one anyway, until `FAIRLY` many counted, for what is told of their size.
CLOSER = (*3 * (FEW,), *5 * (MANY,))
OPEN, ENOUGH, SHORT, FAIRLY = 0.0015, 150, 45.0, 30
# Those with at least such a chance, so many at most, are weighed by these many machines in the end, drawn near those of the looks
# before. Others are known to a third, some far better: of so few machines ten count for something, or hundreds.
UNSURE, MOST_UNSURE = 0.02, 8
SAMPLES, THOROUGH_SAMPLES = 4000, 32_000
# So many machines of a cause are looked at in one go, and so many goes are there to be dealt out at least.
SMALLEST_PART, LARGEST_PART, LEAST_PARTS = 500, 2000, 4
INFORMING = 200  # machines that tell what a limit is expected to say about causes
STABLE = 0.02  # a chance that hangs on them by more is told
# While a chance hangs on them by more than `SETTLED`, more are looked at, of the causes that make for at least half as much: as
# many as should do, a quarter again at least and three times as many at most; up to `MOST` in all, or `LEAST_TIMES` as many as
# asked for: where five of 4000 count, 41 of 64,000 do, and a chance hangs on them by 0.049 for 0.044 with 24,000 (open phase of
# an example). Twice the machines asked for then hardly ever move it by `STABLE`: in none of 18 blind sweeps, which begin with the
# same ones (0.011 at most), and in 115 of 3000 simulated ties of three causes with others (0.34, 0.25, 0.22, and one of 0.05;
# evidence of 4000 machines known to 3.5 %), for 0.6 of the machines that 0.0075 and half as many again at least take.
SETTLED, MOST, LEAST_TIMES = 0.01, 24_000, 4
LEAST_GROWTH, MOST_GROWTH = 1.25, 3.0

CLEARLY_UNSTABLE = 0.75  # chance from which mid-range instability is mentioned
LEAST_UNSTABLE = 0.001  # chance of a cause from which it is worked out whether instability takes part
LOOKED_AT_AGAIN = 1000  # machines by which rows are looked at once more
# Rows are unexplained where less than this share of what the best cause predicts comes near them.
UNEXPLAINED = 0.1


@dataclass(frozen=True)
class Found:
    """Posterior of one hypothesis.

    `size`, `size_low`, `size_high` are the median and 10 and 90 % points of the size (SI), `quantile_weights` the
    posterior over `SIZE_QUANTILES` of its prior, `log_skip` (pairs, quantiles) the mean log of skip over top speed.
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

    `conflicts` are readings against the best cause, `moved` how far a chance hangs on which machines were looked at, `unlike` the
    directions in which the machine is unlike all that the skip map was learned from.
    """

    found: tuple[Found, ...]
    pairs: tuple[Pair, ...]
    unexplained: tuple[int, ...]
    conflicts: tuple[str, ...]
    moved: float = 0.0
    unlike: tuple[str, ...] = ()

    @property
    def best(self) -> Found:
        return self.found[0]


@dataclass(frozen=True)
class Survey:
    """What every cause would do to a sweep; `moved` and `unlike` as of `Inference`."""

    machine: Machine
    pairs: tuple[Pair, ...]
    theories: tuple[Hypothesis, ...]
    outlooks: tuple[Outlook, ...]
    fit: RowsFit
    moved: float = 0.0
    unlike: tuple[str, ...] = ()


def survey(
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
) -> Survey:
    """What every cause would do to the rows of a sweep.

    Parameters
    ----------
    machine : Machine
    rows : sequence of SweepRow
    evidence : mapping, optional
        Readings by key, as `files.evidence` gives them; with `slipped` they decide which causes are looked at closely.
    slipped : sequence of tuple of str, optional
        Of each displacement that is clearly lost steps: the motors that lost them.
    samples : int
        So many machines within tolerance are drawn of each likely cause in the end.
    seed : int
        The same seed gives the same answer.
    theories : sequence of Hypothesis, optional
        By default every cause at every place; the healthy machine first.
    crew : Crew, optional
        Looks at causes side by side; by default at one after the other.
    progress : callable, optional
        Called with the share done.

    Returns
    -------
    Survey
        For `rank`.
    """
    pairs = pairs_of(machine, rows)
    theories = tuple(theories or hypotheses(machine))
    report = progress or (lambda share: None)
    crew = crew or Crew(1)
    bench = Bench(machine, pairs, theories, seed)
    looks = Looks(bench, RowsFit(machine, pairs), bench.everybody.take(slice(FEW)), dict(evidence or {}), slipped)
    everything = range(len(theories))
    views = [looks.first(0)]
    views += crew.each(lambda i: looks.first(i, views[0]), everything[1:])
    report(0.2)

    def look(
        how: Callable[[int, View, View, list[tuple[Outlook, Seen]]], View], count: int, causes: Sequence[int]
    ) -> Array:
        sizes = _parts(count, len(causes))
        parts = [part for i in causes for part in looks.parts(i, views[i], views[0], sizes)]
        found = crew.each(looks.at, parts)
        for k, i in enumerate(causes):
            views[i] = how(i, views[i], views[0], found[k * len(sizes) : (k + 1) * len(sizes)])
        return chances_of(view.weight.score for view in views)

    for k, count in enumerate(CLOSER):
        some = _open(chances_of(view.overall for view in views), np.array([view.counted for view in views]))
        if some:
            look(looks.closer, count, some)
        report(0.2 + 0.5 * (k + 1) / len(CLOSER))
    unsure = _likeliest(chances_of(view.overall for view in views), UNSURE, MOST_UNSURE)
    count = max(samples, MANY)
    # The second half is drawn by what the first one tells.
    look(looks.closer, count - count // 2, unsure)
    chances = look(looks.more, count // 2, unsure)
    report(0.8)
    most = max(MOST, LEAST_TIMES * samples)
    moved = _settled(views, unsure, chances, (count, most), lambda more, causes: look(looks.more, more, causes))
    report(1.0)
    return Survey(machine, pairs, theories, tuple(view.outlook for view in views), looks.fit, moved, bench.unlike())


def _parts(count: int, causes: int) -> list[int]:
    """Sizes of the parts in which so many machines of each of some causes are looked at: neither more nor fewer than is worth a
    turn, but at least `LEAST_PARTS` in all, for several processes.
    """
    parts = max(math.ceil(count / LARGEST_PART), min(math.ceil(LEAST_PARTS / max(causes, 1)), count // SMALLEST_PART))
    return [count // parts + (k < count % parts) for k in range(parts)]


def _settled(
    views: Sequence[View],
    unsure: Sequence[int],
    chances: Array,
    machines: tuple[int, int],
    look: Callable[[int, Sequence[int]], Array],
) -> float:
    """Look at more machines of unsure causes, until their chances hang on which they are by little or most are looked at; how far
    they do in the end.

    `machines`: how many were looked at, and most. `look` is given how many more of which causes; it renews `views`, and says what
    their chances are then.
    """
    count, most = machines
    moved, each = _scatter(chances, unsure, views)
    while moved > SETTLED and count < most:
        before, scores = chances, np.array([views[i].weight.score for i in unsure])
        more = round(count * (min(max((moved / SETTLED) ** 2, LEAST_GROWTH), MOST_GROWTH) - 1.0))
        more = min(more, most - count)
        chances = look(more, [i for i, own in zip(unsure, each, strict=True) if own > SETTLED / 2])
        moved, each = _scatter(chances, unsure, views)
        # Twice as many would move chances by this share of what these did, as variances have it.
        again = math.sqrt(0.5 * count / more)
        moved = max(moved, again * float(np.abs(chances - before).max()))
        off = again * np.abs([views[i].weight.score for i in unsure] - scores)
        each = np.maximum(each, chances[unsure] * (1.0 - chances[unsure]) * off)
        count += more
    return moved


def _open(chances: Array, counted: Array) -> list[int]:
    """The causes that a closer look may tell something of, by how many of their machines counted so far."""
    could = np.exp(np.minimum(np.log(np.maximum(chances, TINY)) + SHORT / counted, 0.0))
    # Nothing is more open than a half.
    could = np.clip(could, None, np.maximum(chances, 0.5))
    may_change = (could * (1.0 - could) > OPEN * np.sqrt(counted)) & (counted < ENOUGH)
    return [int(i) for i in np.flatnonzero(may_change | (chances >= UNSURE) & (counted < FAIRLY))]


def _scatter(chances: Array, unsure: Sequence[int], views: Sequence[View]) -> tuple[float, Array]:
    """How far a chance hangs on which machines were looked at: by how much that of one unsure cause differs, root mean square,
    if there are others, as many; of the cause of which it differs most. And how far each cause's own machines move its
    chance, (unsure,).

    Log evidence varies by what weighted points have it, one over how many count (Kish 1965, from memory), and twice that
    between two sets of them. What smoothing changed may be too little or too much: it counts, too.
    """
    mine, seen = chances[unsure], [views[i].seen[-1] for i in unsure]
    variance = np.array([2.0 * max(1.0 / some.counted - 1.0 / some.drawn, 0.0) for some in seen])
    variance += np.square([views[i].weight.smoothing for i in unsure])
    # A chance p has derivatives p (1 - p) by its own log evidence and -p q by that of others.
    together = float(mine**2 @ variance)
    moved = mine * np.sqrt(np.maximum((1.0 - 2.0 * mine) * variance + together, 0.0))
    return float(moved.max(initial=0.0)), mine * (1.0 - mine) * np.sqrt(variance)


def _likeliest(chances: Array, least: float, most: int) -> list[int]:
    """The causes with some chance, likeliest first."""
    return [int(i) for i in np.argsort(-chances, kind="stable")[:most] if chances[i] >= least]


def rank(
    found: Survey, evidence: Mapping[str, float] | None = None, slipped: Sequence[tuple[str, ...]] = ()
) -> Inference:
    """Rank causes by the sweep and other evidence, which may be more than was known when they were looked at.

    Parameters
    ----------
    found : Survey
    evidence, slipped
        As in `survey`.

    Returns
    -------
    Inference
    """
    readings = dict(evidence or {})
    weights = _weigh(found, readings, slipped)
    images = {pair.direction.label: pair.labels for pair in found.pairs}
    ranked = []
    for theory, outlook, w, chance in zip(
        found.theories, found.outlooks, weights, chances_of(w.score for w in weights).tolist(), strict=True
    ):
        share = shares(w.machines)
        low, middle, high = theory.sizes(weighted_quantiles(outlook.quantiles, share, (0.1, 0.5, 0.9))).tolist()
        log_evidence = w.score - math.log(theory.prior)
        by_size = _on_grid(outlook.quantiles, share, size_quantiles(theory).size)
        unstable = {}
        if chance > LEAST_UNSTABLE:
            unstable = found.fit.instability(*_telling(outlook, share))
            unstable = {label: unstable[of] for of, labels in images.items() if of in unstable for label in labels}
        ranked.append(Found(theory, chance, log_evidence, middle, low, high, by_size, outlook.typical.T, unstable))
    order = [int(i) for i in np.argsort([-f.probability for f in ranked], kind="stable")]
    best = order[0]
    likely = found.outlooks[best]
    explained = found.fit.explained(*_telling(likely, shares(weights[best].machines)))
    unexplained = tuple(int(k) for k in np.flatnonzero(explained < UNEXPLAINED))
    conflicts = _conflicts(found.machine, ranked[best], readings)
    return Inference(tuple(ranked[i] for i in order), found.pairs, unexplained, conflicts, found.moved, found.unlike)


def _telling(outlook: Outlook, share: Array) -> tuple[Limits, Array, Array]:
    """Limits, chance of an unstable speed by the common prior, and share of machines that stand for all by their shares."""
    some, times = np.unique(drawn(share, LOOKED_AT_AGAIN), return_counts=True)
    return outlook.limits.take(some), outlook.unstable[some], times / LOOKED_AT_AGAIN


def _weigh(found: Survey, readings: Mapping[str, float], slipped: Sequence[tuple[str, ...]]) -> list[Weight]:
    """Weigh every hypothesis."""
    healthy = found.outlooks[0].typical[0]
    weights = []
    for theory, outlook in zip(found.theories, found.outlooks, strict=True):
        said = said_of(found.machine, theory, outlook.typical, healthy, found.fit.directions, readings)
        weights.append(weigh(found.machine, theory, outlook, said, slipped))
    return weights


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


def information(
    machine: Machine, wanted: Sequence[tuple[Direction, Sequence[float]]], *, seed: int = 0
) -> tuple[tuple[str, float, float], ...]:
    """What the measured limit of each direction and acceleration is expected to tell about the cause, alone.

    Mutual information [bit] of cause and measured limit, causes weighed by their priors, limits as exact as a ladder of 10 %
    steps makes them.

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
    some = bench.everybody.take(slice(INFORMING))
    limits = [bench.limits(i, some) for i in range(len(theories))]
    priors = np.array([h.prior for h in theories])
    edges = np.linspace(-6.0, math.log(BEYOND), 80)

    def shares_of(values: Array, weight: Array) -> Array:
        # Beyond the travel every limit looks the same: nothing was lost.
        spread = np.exp(-0.5 * ((edges[None] - np.clip(values, edges[0], 0.0)[:, None]) / 0.1) ** 2)
        return np.asarray(weight @ (spread / spread.sum(axis=1, keepdims=True)) / weight.size)

    found = []
    for k, pair in enumerate(pairs):
        table = np.array(
            [
                shares_of(of.kept[:, k], 1.0 - of.chance[:, k]) + shares_of(of.failed[:, k], of.chance[:, k])
                for of in limits
            ]
        )
        mixed = priors @ table
        entropies = -np.sum(np.where(table > 0, table * np.log2(np.maximum(table, 1e-300)), 0.0), axis=1)
        total = -np.sum(np.where(mixed > 0, mixed * np.log2(np.maximum(mixed, 1e-300)), 0.0))
        found.append((pair.direction.label, pair.acceleration, float(total - priors @ entropies)))
    return tuple(found)
