"""Skip speeds of thousands of machines within tolerance, from some dozens that were simulated: an emulator.

Simulating a machine costs some milliseconds, and a sweep leaves few of those within tolerance possible: a mean over simulated
ones alone hangs on a handful. What tolerances and faults do to a skip speed is mostly statics: the speed at which the
demand passes pull-out torque, which costs microseconds. A regression says how far below it the swing of rotor and load
brings the skip speed, with one exception: where a move asks for about 0.5 to 0.8 of the motors' torque at standstill, its
start begins to fail and the skip speed falls at once. So a regression for machines whose start succeeds, one for those
whose start fails, and a logistic regression for which is which (computer experiments: Sacks, Welch, Mitchell and Wynn,
Statistical Science 4, 1989, from memory). What is left is chance (the swing hangs on the angle at the start and on
details). Some 5 to 10 % is no larger than what the simulation itself is wrong by, and is taken in with it; what goes far
beyond, as with an open phase, is told as `kept_luck` and `failed_luck`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import cho_factor, cho_solve
from scipy.special import expit, logit

from ..machine import Array

# Weights of the priors of coefficients, beside that of one machine. What tolerances do is in the static limit already, but
# for a few per cent; the prior of the coefficient of the static limit is one.
SHRINKAGE, LOAD_SHRINKAGE, STATIC_SHRINKAGE = 64.0, 0.3, 0.1
GAP = 0.5  # between two neighbours among the sorted logarithms of skip speeds that parts kept starts from failed ones
# A priori one start in two fails at 0.64 of the torque, and the odds grow e-fold with every 4 % more: about what random
# machines do (half of them between 0.46 and 0.67, by simulation).
FALL_AT, FALL_SLOPE, SLOPE_SHRINKAGE, FALL_SHRINKAGE = -0.45, 25.0, 1.2, 12.0
UNSEEN = 0.1  # how far beyond the failed starts that were seen another may lie
LEAST_CHANCE = 0.002  # of either kind, where both were seen
NEWTON_STEPS = 25
LUCK_POINTS = 15
# Standard deviation of what chance adds to a limit that the likelihood of rows takes in, its offset of 0.11 and what the angle
# at the start does, which averages out over the trials of a sweep. A choice: 0.11 and 0.25 do alike on 80 blind cases.
LUCK_TAKEN_IN = 0.18
BEYOND_STEPS = 4  # of putting limits that lie beyond what was looked at where the regression has them


class Limits(NamedTuple):
    """Logarithms of skip over top speed of machines whose start succeeds or fails, and the chance that it fails.

    All of shape (machines, pairs); `kept_luck`, `failed_luck` (LUCK_POINTS, pairs) are quantiles of what chance adds to
    either in each pair on its own, beyond what the likelihood of rows takes in anyway.
    """

    kept: Array
    failed: Array
    chance: Array
    kept_luck: Array
    failed_luck: Array

    def moved(self, offset: Array) -> Limits:
        """With an offset common to all limits of a machine, (machines,)."""
        return self._replace(kept=self.kept + offset[:, None], failed=self.failed + offset[:, None])

    def mean(self) -> Array:
        """Expected logarithm, (machines, pairs)."""
        return self.kept * (1.0 - self.chance) + self.failed * self.chance


class Statics(NamedTuple):
    """What statics say of machines on a move, each (machines,): logarithms of what the move asks of the motors at standstill
    over what they have, and of the speed where it passes their pull-out torque over the top speed.
    """

    standing: Array
    steady: Array


@dataclass(frozen=True)
class Emulator:
    """Skip speed of one direction and acceleration as a function of features of the machine.

    `highest` is where simulation stops looking, `near` the middle and half the range of the static limits it was fitted to;
    `lowest`, `falls` are None where all starts are of one kind. For `kept_luck`, `failed_luck` see `Limits`.
    """

    kept: Array
    near: tuple[float, float]
    highest: float
    lowest: Array | None
    seen: tuple[float, float]
    falls: Array | None
    kept_luck: Array
    failed_luck: Array

    def predict(self, features: Array, statics: Statics) -> tuple[Array, Array, Array]:
        """Kept limit, failed limit and chance of failing, each (machines,); arguments as of `emulator`."""
        design = _design(features, statics, self.near)
        kept = np.minimum(design @ self.kept, self.highest)
        if self.lowest is None or self.falls is None:
            return kept, kept, np.zeros(len(kept))
        failed = np.clip(design @ self.lowest, *self.seen)
        chance = expit(_fall_design(features, statics.standing) @ self.falls)
        return kept, failed, np.clip(chance, LEAST_CHANCE, 1.0 - LEAST_CHANCE)


def emulator(
    features: Array, statics: Statics, log_skip: Array, weight: Array, looked_to: float, highest: float
) -> Emulator:
    """Fit an emulator to simulated machines.

    Parameters
    ----------
    features : ndarray, shape (machines, features)
        Standardised deviations of tolerances, and the size of a fault.
    statics : Statics
        Of these machines.
    log_skip : ndarray, shape (machines,)
        Log of skip over top speed, as simulated.
    weight : ndarray, shape (machines,)
        Positive; how much the fit at each machine matters.
    looked_to : float
        Log of how far simulation looks: a greater `log_skip` says that the limit lies beyond.
    highest : float
        Upper bound of `log_skip`.

    Returns
    -------
    Emulator
    """
    weight = weight / weight.mean()
    failed = log_skip < _parting(log_skip)
    kept = ~failed
    steady = statics.steady[kept]
    low, high = (float(v) for v in (steady.min(), steady.max()))
    near = 0.5 * (low + high), 0.5 * (high - low)
    design = _design(features, statics, near)
    prior, penalty = _prior(features.shape[1], 1.0)
    values = log_skip[kept]
    beyond = values > looked_to
    # Limits beyond are where the regression puts them, but not nearer than simulation looked.
    upper = prior
    for _ in range(BEYOND_STEPS if beyond.any() else 1):
        values = np.where(beyond, np.maximum(design[kept] @ upper, looked_to), values)
        upper = ridge(design[kept], values, weight[kept], prior, penalty)
    luck = _luck(values - design[kept] @ upper, weight[kept])
    if not failed.any():
        return Emulator(upper, near, highest, None, (0.0, 0.0), None, luck, luck)
    below = log_skip[failed]
    lower = ridge(design[failed], below, weight[failed], *_prior(features.shape[1], 0.0))
    return Emulator(
        upper,
        near,
        highest,
        lower,
        (float(below.min()) - UNSEEN, float(below.max()) + UNSEEN),
        logistic(_fall_design(features, statics.standing), failed.astype(float), weight),
        luck,
        _luck(below - design[failed] @ lower, weight[failed]),
    )


def _luck(left: Array, weight: Array) -> Array:
    """Even quantiles of what a regression leaves over, less the part that is taken in elsewhere; (LUCK_POINTS,)."""
    size = math.sqrt(np.average(left**2, weights=weight))
    share = math.sqrt(max(1.0 - (LUCK_TAKEN_IN / max(size, 1e-12)) ** 2, 0.0))
    at = (np.arange(LUCK_POINTS) + 0.5) / LUCK_POINTS
    return share * weighted_quantiles(left, weight / weight.sum(), at)


def weighted_quantiles(values: Array, share: Array, probabilities: ArrayLike) -> Array:
    """Quantiles of values whose shares sum to one."""
    order = np.argsort(values, kind="stable")
    cumulated = np.cumsum(share[order]) - 0.5 * share[order]
    return np.asarray(np.interp(np.asarray(probabilities), cumulated, values[order]))


def _parting(log_skip: Array) -> float:
    """Middle of the widest gap between skip speeds, below all of them where there is none."""
    ordered = np.sort(log_skip)
    gaps = np.diff(ordered)
    if gaps.size == 0 or gaps.max() <= GAP:
        return -np.inf
    widest = int(gaps.argmax())
    return float(0.5 * (ordered[widest] + ordered[widest + 1]))


def _design(features: Array, statics: Statics, near: tuple[float, float]) -> Array:
    scaled = (statics.standing + 0.5) / 0.4  # about standardised
    middle, reach = near
    bend = np.clip(statics.steady - middle, -reach, reach) ** 2
    return np.column_stack([np.ones(len(features)), statics.steady, bend, scaled, scaled**2, features])


def _prior(features: int, slope: float) -> tuple[Array, Array]:
    """Prior of the coefficients of `_design`, and its weight; `slope` is that of the static limit. The constant is free."""
    prior = np.zeros(5 + features)
    prior[1] = slope
    penalty = [1e-6, STATIC_SHRINKAGE, STATIC_SHRINKAGE, LOAD_SHRINKAGE, LOAD_SHRINKAGE]
    return prior, np.array([*penalty, *[SHRINKAGE] * features])


def _fall_design(features: Array, standing: Array) -> Array:
    return np.column_stack([np.ones(len(features)), (standing - FALL_AT) * FALL_SLOPE, features])


def ridge(design: Array, values: Array, weight: Array, prior: Array, penalty: Array) -> Array:
    """Coefficients of a weighted ridge regression toward a prior."""
    normal = (design * weight[:, None]).T @ design + np.diag(penalty)
    left = values - design @ prior
    return np.asarray(prior + cho_solve(cho_factor(normal), design.T @ (weight * left)))


def logistic(design: Array, outcome: Array, weight: Array) -> Array:
    """Coefficients of a weighted, penalised logistic regression by Newton's method, steps limited to two logits.

    The prior of the second column, a steep function of the load at standstill, is one; of the others zero.
    """
    prior = np.zeros(design.shape[1])
    prior[1] = 1.0
    penalty = np.full(design.shape[1], FALL_SHRINKAGE)
    penalty[0] = 0.02
    penalty[1] = SLOPE_SHRINKAGE
    found = prior.copy()
    share = np.clip(np.average(outcome, weights=weight), 0.02, 0.98)
    found[0] = logit(share) - np.average(design @ prior, weights=weight)
    for _ in range(NEWTON_STEPS):
        chance = expit(design @ found)
        gradient = design.T @ (weight * (outcome - chance)) - penalty * (found - prior)
        curvature = (design * (weight * chance * (1.0 - chance))[:, None]).T @ design + np.diag(penalty)
        step = cho_solve(cho_factor(curvature), gradient)
        largest = float(np.abs(design @ step).max())
        found += step * min(1.0, 2.0 / max(largest, 1e-12))
        if largest < 1e-3:
            break
    return found
