"""Skip speeds of thousands of machines within tolerance, from some dozens that were simulated: an emulator.

Simulating a machine costs some milliseconds, and a sweep leaves few of those within tolerance possible: a mean over simulated
ones alone hangs on a handful. The logarithm of a skip speed is nearly linear in the logarithms of what is toleranced, with
one exception: where a move asks for about 0.5 to 0.8 of the motors' torque at standstill, its start begins to fail and the
skip speed falls at once. So a regression for machines whose start succeeds, one for those whose start fails, and a logistic
regression for which is which (computer experiments: Sacks, Welch, Mitchell and Wynn, Statistical Science 4, 1989, from
memory). What is left, some 5 % (the swing of rotor and load hangs on details), is no larger than what the simulation
itself is wrong by, and is taken in with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.special import expit, logit

from ..machine import Array

# Weight of the prior of each coefficient beside that of one machine: standardised deviations move skip speeds by some per
# cent each.
SHRINKAGE = 1.0
GAP = 0.5  # between two neighbours among the sorted logarithms of skip speeds that parts kept starts from failed ones
FALL_SHRINKAGE = 2.0
# A priori one start in two fails at 0.64 of the torque, and the odds grow e-fold with every 5 % more: about what random
# machines do (half of them between 0.46 and 0.67, by simulation).
FALL_AT, FALL_SLOPE, SLOPE_SHRINKAGE = -0.45, 20.0, 1.2
UNSEEN = 0.1  # how far beyond the failed starts that were seen another may lie
LEAST_CHANCE = 0.002  # of either kind, where both were seen
NEWTON_STEPS = 25


class Limits(NamedTuple):
    """Logarithms of skip over top speed of machines whose start succeeds or fails, and the chance that it fails.

    All of shape (machines, pairs).
    """

    kept: Array
    failed: Array
    chance: Array

    def moved(self, offset: Array) -> Limits:
        """With an offset common to all limits of a machine, (machines,)."""
        return Limits(self.kept + offset[:, None], self.failed + offset[:, None], self.chance)

    def mean(self) -> Array:
        """Expected logarithm, (machines, pairs)."""
        return self.kept * (1.0 - self.chance) + self.failed * self.chance


@dataclass(frozen=True)
class Emulator:
    """Skip speed of one direction and acceleration as a function of features of the machine.

    `highest` is where simulation stops looking; `lowest`, `falls` are None where all starts are of one kind.
    """

    kept: Array
    highest: float
    lowest: Array | None
    seen: tuple[float, float]
    falls: Array | None

    def predict(self, features: Array, standing: Array) -> tuple[Array, Array, Array]:
        """Kept limit, failed limit and chance of failing, each (machines,); arguments as of `emulator`."""
        design = _design(features, standing)
        kept = np.minimum(design @ self.kept, self.highest)
        if self.lowest is None or self.falls is None:
            return kept, kept, np.zeros(len(kept))
        failed = np.clip(design @ self.lowest, *self.seen)
        chance = expit(_fall_design(features, standing) @ self.falls)
        return kept, failed, np.clip(chance, LEAST_CHANCE, 1.0 - LEAST_CHANCE)


def emulator(features: Array, standing: Array, log_skip: Array, weight: Array, highest: float) -> Emulator:
    """Fit an emulator to simulated machines.

    Parameters
    ----------
    features : ndarray, shape (machines, features)
        Standardised deviations of tolerances, and the size of a fault.
    standing : ndarray, shape (machines,)
        Log of what a move asks of the motors at standstill over what they have.
    log_skip : ndarray, shape (machines,)
        Log of skip over top speed, as simulated.
    weight : ndarray, shape (machines,)
        Positive; how much the fit at each machine matters.
    highest : float
        Upper bound of `log_skip`.

    Returns
    -------
    Emulator
    """
    weight = weight / weight.mean()
    design = _design(features, standing)
    failed = log_skip < _parting(log_skip)
    kept = ~failed
    upper = ridge(design[kept], log_skip[kept], weight[kept])
    if not failed.any():
        return Emulator(upper, highest, None, (0.0, 0.0), None)
    below = log_skip[failed]
    return Emulator(
        upper,
        highest,
        ridge(design[failed], below, weight[failed]),
        (float(below.min()) - UNSEEN, float(below.max()) + UNSEEN),
        logistic(_fall_design(features, standing), failed.astype(float), weight),
    )


def _parting(log_skip: Array) -> float:
    """Middle of the widest gap between skip speeds, below all of them where there is none."""
    ordered = np.sort(log_skip)
    gaps = np.diff(ordered)
    if gaps.size == 0 or gaps.max() <= GAP:
        return -np.inf
    widest = int(gaps.argmax())
    return float(0.5 * (ordered[widest] + ordered[widest + 1]))


def _design(features: Array, standing: Array) -> Array:
    scaled = (standing + 0.5) / 0.4  # about standardised
    return np.column_stack([np.ones(len(features)), features, scaled, scaled**2])


def _fall_design(features: Array, standing: Array) -> Array:
    return np.column_stack([np.ones(len(features)), (standing - FALL_AT) * FALL_SLOPE, features])


def ridge(design: Array, values: Array, weight: Array) -> Array:
    """Coefficients of a weighted ridge regression; that of the first column, a constant, is free."""
    penalty = np.full(design.shape[1], SHRINKAGE)
    penalty[0] = 1e-6
    middle = np.average(values, weights=weight)
    normal = (design * weight[:, None]).T @ design + np.diag(penalty)
    found = cho_solve(cho_factor(normal), design.T @ (weight * (values - middle)))
    found[0] += middle
    return np.asarray(found)


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
