"""Importance sampling: points drawn where a likelihood says they matter, and the weights that make up for it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import boxcox, logsumexp, softmax

from ..machine import Array

Bools = NDArray[np.bool_]

# Of every so many points, so many are drawn without regard to the likelihood, from one normal distribution as wide as what is likely,
# from a wider one, and from narrower ones around single points, since there may be two kinds of likely ones.
DRAWN = (1, 11, 4, 4)
# Spread of the wider one and of the narrower ones over that of what is likely, and around how many points. How many points count in
# truth hangs on those near which hardly any are drawn, so that it takes far more points to tell: of 13 causes of blind sweeps, by
# 64,000 machines of each, one in 19 counts, without the wider one, 13 and 6 of the others, one in 42.
WIDER, KERNEL, CENTRES = 1.4, 0.6, 100
# The likelihood counts by the greatest of these powers at which as many points count.
POWERS, LEAST_EFFECTIVE = (1.0, 0.7, 0.5, 0.35, 0.25, 0.15, 0.1), 60
LEAST_VARIANCE = 0.02
# Of all weight, what points looked at no further have together, all but some of them. A choice, for time: of six causes (sweeps of
# 256 rows, of 8000 machines 17 to 1640 counting) a half to three quarters of the work was left, and 94 per cent or more still
# counted; with ten times as much, 83.
NOTHING = 0.01
# Of weights, the greatest that are smoothed: at most so great a share, and so many times the square root of how many there are;
# not at all where they are fewer than the last (Vehtari et al. 2015, from memory).
TAIL_SHARE, TAIL_ROOTS, LEAST_TAIL = 0.2, 3.0, 5


def shares(log_weight: Array) -> Array:
    """Weights that sum to one."""
    share = np.exp(log_weight - log_weight.max())
    return np.asarray(share / share.sum())


def smoothed(log_weight: Array) -> Array:
    """Weights, the greatest of which are those to expect of a tail like theirs, none above the greatest of all.

    One point where hardly any are drawn can otherwise weigh as much as thousands, and where none was, as much is missing. The
    tail is a generalised Pareto distribution, which that of most weights comes near (Vehtari et al. 2015, Pareto smoothed
    importance sampling, from memory). Too few points, or equal ones, are left as they are.
    """
    count = min(int(TAIL_SHARE * log_weight.size), int(TAIL_ROOTS * math.sqrt(log_weight.size)))
    if count < LEAST_TAIL:
        return log_weight
    order = np.argsort(log_weight, kind="stable")
    most, tail = float(log_weight[order[-1]]), order[-count:]
    start = math.exp(log_weight[order[-count - 1]] - most)
    beyond = np.exp(log_weight[tail] - most) - start
    if beyond[(count + 2) // 4 - 1] <= 0.0:
        return log_weight
    shape, scale = pareto(beyond)
    expected = start - scale * boxcox(1.0 - (np.arange(count) + 0.5) / count, -shape)  # its quantiles
    found = log_weight.copy()
    found[tail] = most + np.log(np.minimum(expected, 1.0))
    return found


def pareto(beyond: Array) -> tuple[float, float]:
    """Shape and scale of the generalised Pareto distribution of sorted values above zero, (n,).

    By the mean over a likelihood that is worked out at some points (Zhang and Stephens 2009), the shape drawn a little toward a
    half, as Vehtari et al. have it; all from memory.
    """
    count = beyond.size
    points = np.arange(30 + int(math.sqrt(count))) + 0.5
    at = 1.0 / beyond[-1] + (1.0 - np.sqrt(points.size / points)) / (3.0 * beyond[(count + 2) // 4 - 1])
    shapes = np.log1p(-at[:, None] * beyond).mean(axis=1)
    likelihood = count * (np.log(-at / shapes) - shapes - 1.0)
    middle = float(softmax(likelihood) @ at)
    shape = float(np.log1p(-middle * beyond).mean())
    return (count * shape + 5.0) / (count + 10.0), -shape / middle


def effective(log_weight: Array) -> float:
    """How many of weighted points count: the inverse of the sum of their squared shares (Kish 1965, from memory)."""
    share = shares(log_weight)
    return 1.0 / float(share @ share)


def tempered(log_likelihood: Array, log_density: Array) -> Array:
    """Shares of points by a power of their likelihood that leaves enough of them counting, (n,)."""
    powered = (power * log_likelihood + log_density for power in POWERS)
    return shares(next((p for p in powered if effective(p) >= LEAST_EFFECTIVE), log_density))


def sieved(log_weight: Array, luck: Array, least: int) -> tuple[NDArray[np.intp], Array]:
    """Which points to go on with, by what is known of their weights so far, and the log of the chance that each of these had to be.

    All but those that together weigh next to nothing; of them some, the fewer the less they weigh, and weighted the more: so
    that no mean is off (Russian roulette; Hammersley and Handscomb 1964, from memory). By the root of their weight, since one
    that weighs little so far may come to weigh more. `luck` (n,) decides, even from 0 to 1.
    """
    order = np.argsort(log_weight, kind="stable")
    cumulated = np.cumsum(np.exp(log_weight[order] - log_weight[order[-1]]))
    first = min(int(np.searchsorted(cumulated, NOTHING * cumulated[-1])), max(log_weight.size - least, 0))
    log_chance = 0.5 * np.minimum(log_weight - log_weight[order[first]], 0.0)
    rows = np.flatnonzero(np.log(luck) < log_chance)
    return rows, log_chance[rows]


def weighted_quantiles(values: Array, share: Array, probabilities: ArrayLike) -> Array:
    """Quantiles of values whose shares sum to one."""
    order = np.argsort(values, kind="stable")
    cumulated = np.cumsum(share[order]) - 0.5 * share[order]
    return np.asarray(np.interp(np.asarray(probabilities), cumulated, values[order]))


class Proposal(NamedTuple):
    """Where to draw points of d standard normal coordinates: middle (d,), spread (d, d; lower triangle) and single points
    (CENTRES, d) of the likely ones.
    """

    middle: Array
    spread: Array
    centres: Array

    def draw(self, luck: Array) -> Array:
        """Points from standard normal ones, (n, d)."""
        any_of_them, _, wider, around = self._kinds(len(luck))
        scale = np.select([wider, around], [WIDER, KERNEL], 1.0)[:, None]
        # One centre after the other.
        turn = np.cumsum(around) % CENTRES
        drawn = np.where(around[:, None], self.centres[turn], self.middle) + scale * luck @ self.spread.T
        drawn[any_of_them] = luck[any_of_them]
        return drawn

    def log_density(self, drawn: Array) -> Array:
        """Log of how often such points occur over how often they are drawn, (n,)."""
        coordinates = len(self.middle)
        volume = float(np.log(np.diag(self.spread)).sum())  # all but for a factor common to both densities
        at, centres = (np.linalg.solve(self.spread, (p - self.middle).T).T for p in (drawn, self.centres))
        usual = -0.5 * np.sum(drawn**2, axis=1)
        far = np.sum(at**2, axis=1)
        wide, wider = (-0.5 * far / scale**2 - volume - coordinates * math.log(scale) for scale in (1.0, WIDER))
        apart = far[:, None] + np.sum(centres**2, axis=1) - 2.0 * at @ centres.T
        # Too far from all of them is as good as never drawn there.
        near = np.maximum(np.exp(-0.5 * apart / KERNEL**2).mean(axis=1), 1e-300)
        close = np.log(near) - volume - coordinates * math.log(KERNEL)
        odds = np.log(np.array(DRAWN) / sum(DRAWN))
        return np.asarray(usual - logsumexp(np.stack([usual, wide, wider, close]) + odds[:, None], axis=0))

    @staticmethod
    def _kinds(count: int) -> list[Bools]:
        """Which points are drawn in which of the ways."""
        kind = np.searchsorted(np.cumsum(DRAWN), np.arange(count) % sum(DRAWN), side="right")
        return [kind == way for way in range(len(DRAWN))]


def fitted(points: Array, share: Array) -> Proposal:
    """Proposal for weighted points, (n, d) and (n,)."""
    middle = share @ points
    apart = points - middle
    variance = (apart * share[:, None]).T @ apart + LEAST_VARIANCE * np.eye(points.shape[1])
    spread = np.asarray(np.linalg.cholesky(variance), dtype=float)
    return Proposal(middle, spread, points[drawn(share, CENTRES)])


def drawn(share: Array, count: int) -> NDArray[np.intp]:
    """Points as often as their share, one in every stretch of it (systematic resampling), (count,)."""
    cumulated = np.cumsum(share)
    return np.searchsorted(cumulated, (np.arange(count) + 0.5) / count * cumulated[-1])
