"""Skip speeds of thousands of machines within tolerance, from some dozens that were simulated: an emulator.

Simulating a machine costs some milliseconds, and a sweep leaves few of those within tolerance possible: a mean over simulated
ones alone hangs on a handful. What tolerances and faults do to a skip speed is mostly statics: the speed at which the
demand passes pull-out torque, which costs microseconds. A regression says how far below it the swing of rotor and load
brings the skip speed (stiffness and damping of belts, inductance; more so where the driver only short-circuits the winding),
with one exception: where a move asks for about 0.5 to 0.8 of the motors' torque at standstill, its start begins to fail and
the skip speed falls at once. So a regression for machines whose start succeeds, one for those
whose start fails, and a logistic regression for which is which (computer experiments: Sacks, Welch, Mitchell and Wynn,
Statistical Science 4, 1989, from memory). What is left is chance (the swing hangs on the angle at the start and on
details). Some 5 to 10 % is no larger than what the simulation itself is wrong by, and is taken in with it; what goes far
beyond, as with an open phase, is told as `kept_luck` and `failed_luck`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, logit

from ..machine import Array

# Weights of the priors of coefficients, beside that of one machine. What tolerances do is in the static limit already, but for
# what concerns the swing; the prior of the coefficient of the static limit is one. Of tolerances: twice the variance of what
# a regression leaves over by that of the coefficient, measured on 118 directions and accelerations of 16 random machines, 700
# machines within tolerance each. Those that are not listed did little more there, nor did those of motors that stand still;
# on the other machines of emulator.txt in tests/studies friction and viscous drag tell more.
TOLERANCE_SHRINKAGE: Mapping[str, float] = MappingProxyType(
    {
        "belt_damping": 12.0,
        "belt_stiffness": 18.0,
        "inductance": 10.0,
        "torque_constant": 56.0,
        "current_peak": 88.0,
        "hysteresis": 94.0,
        "viscous": 134.0,
        "friction": 242.0,
        "voltage": 336.0,
    }
)
SIZE_SHRINKAGE = (2.0, 8.0)  # of the size of a fault and its square
# What the springs and dampers of belts do hangs on how much a move asks for, how far the static limit is, how currents die down
# and the size of a fault, and is no straight line. Products of these leave 3, 5 and 7 % less of the variance of what is left
# over, of 100, 300 and 1000 simulated machines (122 directions and accelerations of ten random machines), of one in ten a fifth
# less. Cubes, and products of the static terms with each other, leave a per cent less beside them.
JOINT = "belt_damping", "belt_stiffness"
JOINT_SHRINKAGE = 40.0
LOAD_SHRINKAGE, STATIC_SHRINKAGE, SLOW_SHRINKAGE = 0.3, 0.1, 1.0
# Where the start fails, less hangs on all this but the load.
FAILED_SHRINKAGE, FAILED_STATIC_SHRINKAGE = 4.0, 1.0
# Kept starts lie apart from failed ones where a stretch this long of the logarithms of skip speeds (marks that a ramp leaves
# are 0.095 apart) holds at most such a share of the fullest stretch on either side, and if two lines, one for each, leave over
# less than this share of what one line leaves. An empty stretch would not do: the more machines are simulated, the more
# stragglers lie between, and two kinds became one. Choices; what others are worth: emulator.txt in tests/studies.
GAP, STRAGGLERS, TWO_KINDS = 0.12, 0.2, 0.8
# A priori one start in two fails at 0.64 of the torque, and the odds grow e-fold with every 4 % more: about what random
# machines do (half of them between 0.46 and 0.67, by simulation).
FALL_AT, FALL_SLOPE, SLOPE_SHRINKAGE, FALL_SHRINKAGE = -0.45, 25.0, 1.2, 12.0
LEAST_REACH = 0.05  # of static limits, in their logarithm, over which what is peculiar to a kind of driver is told
UNSEEN = 0.1  # how far beyond the failed starts that were seen another may lie
LEAST_CHANCE = 0.002  # of either kind, where both were seen
NEWTON_STEPS = 25
LUCK_POINTS = 15
# Standard deviation of what chance adds to a limit that the likelihood of rows takes in, its offset of 0.11 and what the angle
# at the start does, which averages out over the trials of a sweep. A choice: 0.11 and 0.25 do alike on 80 blind cases.
LUCK_TAKEN_IN = 0.18
# Machines further than this from a regression count for less, so that a few odd ones do not bend it (Huber 1964, from memory);
# steps of reweighing them, and of putting limits beyond what was looked at where the regression has them. Two from a former fit
# would do for the limits themselves, but leave in one of ten fits 0.008, which is more than chances bear.
USUALLY_LEFT, FIT_STEPS = 0.1, 4


class Limits(NamedTuple):
    """Logarithms of skip over top speed of machines whose start succeeds or fails, the chance that it fails, and `standing` of
    `Traits`.

    All of shape (machines, pairs); `kept_luck`, `failed_luck` (LUCK_POINTS, pairs) are quantiles of what chance adds to
    either in each pair on its own, beyond what the likelihood of rows takes in anyway.
    """

    kept: Array
    failed: Array
    chance: Array
    standing: Array
    kept_luck: Array
    failed_luck: Array

    def moved(self, offset: Array) -> Limits:
        """With an offset common to all limits of a machine, (machines,)."""
        return self._replace(kept=self.kept + offset[:, None], failed=self.failed + offset[:, None])

    def mean(self) -> Array:
        """Expected logarithm, (machines, pairs)."""
        return self.kept * (1.0 - self.chance) + self.failed * self.chance


class Traits(NamedTuple):
    """What an emulator knows of machines on a move.

    standing, steady : (machines,) what statics say: logarithms of what the move asks of the motors at standstill over what
        they have, and of the speed where it passes their pull-out torque over the top speed.
    slow : (machines,) 1 where currents can only die down in a short-circuited winding, else 0.
    features : (machines, features) standardised deviations of tolerances, and the size of a fault; shrinkage : (features,)
        weight of the prior of each one's coefficient, which is zero, beside that of one machine; joint : (features,) whether
        what each one does hangs on the others of these, and on all of the above.
    """

    standing: Array
    steady: Array
    slow: Array
    features: Array
    shrinkage: Array
    joint: NDArray[np.bool_]

    def of(self, machines: NDArray[np.bool_] | NDArray[np.intp]) -> Traits:
        """Those of some machines."""
        return self._replace(
            standing=self.standing[machines],
            steady=self.steady[machines],
            slow=self.slow[machines],
            features=self.features[machines],
        )


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

    def predict(self, traits: Traits) -> tuple[Array, Array, Array]:
        """Kept limit, failed limit and chance of failing, each (machines,)."""
        design = _design(traits, self.near)
        kept = np.minimum(design @ self.kept, self.highest)
        if self.lowest is None or self.falls is None:
            return kept, kept, np.zeros(len(kept))
        failed = np.clip(design @ self.lowest, *self.seen)
        chance = expit(_fall_design(traits) @ self.falls)
        return kept, failed, np.clip(chance, LEAST_CHANCE, 1.0 - LEAST_CHANCE)


def emulator(
    traits: Traits, log_skip: Array, weight: Array, looked_to: float, highest: float, like: Emulator | None = None
) -> Emulator:
    """Fit an emulator to simulated machines.

    Parameters
    ----------
    traits : Traits
        Of these machines.
    log_skip : ndarray, shape (machines,)
        Log of skip over top speed, as simulated.
    weight : ndarray, shape (machines,)
        Positive; how much the fit at each machine matters.
    looked_to : float
        Log of how far simulation looks: a greater `log_skip` says that the limit lies beyond.
    highest : float
        Upper bound of `log_skip`.
    like : Emulator, optional
        Of much the same machines and features: where the searches for coefficients begin.

    Returns
    -------
    Emulator
    """
    weight = weight / weight.mean()
    failed = log_skip < _parting(traits, log_skip, weight, looked_to)
    kept = ~failed
    steady = traits.steady[kept]
    low, high = (float(v) for v in (steady.min(), steady.max()))
    near = 0.5 * (low + high), 0.5 * (high - low)
    design = _design(traits, near)
    prior, penalty = _prior(traits)
    begin = like.kept if like else None
    upper, left, _ = steady_fit(design[kept], log_skip[kept], weight[kept], prior, penalty, looked_to, begin)
    luck = _luck(left, weight[kept])
    if not failed.any():
        return Emulator(upper, near, highest, None, (0.0, 0.0), None, luck, luck)
    below = log_skip[failed]
    lower = ridge(design[failed], below, weight[failed], *_failed_prior(traits))
    return Emulator(
        upper,
        near,
        highest,
        lower,
        (float(below.min()) - UNSEEN, float(below.max()) + UNSEEN),
        logistic(_fall_design(traits), failed.astype(float), weight, like.falls if like else None),
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


def _parting(traits: Traits, log_skip: Array, weight: Array, looked_to: float) -> float:
    """Log of skip over top speed between kept and failed starts, below all of them where there is only one kind.

    Limits beyond what was looked at are put where it ends: they are not a kind of their own.
    """
    order = np.argsort(log_skip, kind="stable")
    skip = np.minimum(log_skip[order], looked_to)
    middle = 0.5 * (skip[1:] + skip[:-1])
    counted = np.concatenate([[0.0], np.cumsum(weight[order])])

    def around(at: Array) -> Array:
        low, high = (np.searchsorted(skip, at + side * GAP / 2.0) for side in (-1.0, 1.0))
        return np.asarray(counted[high] - counted[low])

    full = around(skip)
    either = np.minimum(np.maximum.accumulate(full)[:-1], np.maximum.accumulate(full[::-1])[-2::-1])
    ends = np.flatnonzero(around(middle) <= STRAGGLERS * either)
    if not ends.size:
        return -np.inf
    steady = traits.steady[order]
    lines = np.column_stack(
        [np.ones(skip.size), traits.standing[order] + 0.5, steady - steady.mean(), skip - skip.mean()]
    )
    lines *= np.sqrt(weight[order])[:, None]
    # Sums of products of the machines below each stretch, above it, and of all.
    below = np.cumsum(lines[:, :, None] * lines[:, None, :], axis=0)
    some = np.concatenate([below[ends], below[-1] - below[ends], below[-1:]])
    normal = some[:, :3, :3] + np.diag([1e-3, LOAD_SHRINKAGE, LOAD_SHRINKAGE])
    left = some[:, 3, 3] - np.sum(some[:, :3, 3] * np.linalg.solve(normal, some[:, :3, 3:])[..., 0], axis=1)
    two = left[: ends.size] + left[ends.size : -1]
    best = int(two.argmin())
    return float(middle[ends[best]]) if two[best] < TWO_KINDS * left[-1] else -np.inf


def _design(traits: Traits, near: tuple[float, float]) -> Array:
    load = (traits.standing + 0.5) / 0.4  # about standardised
    middle, reach = near
    ahead = np.clip(traits.steady - middle, -reach, reach)
    share = ahead / max(reach, LEAST_REACH)
    joint = traits.features[:, traits.joint]
    first, second = np.triu_indices(joint.shape[1])
    return np.column_stack(
        [
            np.ones(len(load)),
            traits.steady,
            ahead**2,
            load,
            load**2,
            # Drivers of the two kinds follow their static limits each in its own way.
            traits.slow,
            traits.slow * share,
            traits.slow * load,
            *(joint * each[:, None] for each in (load, share, traits.slow)),
            joint[:, first] * joint[:, second],
            traits.features,
        ]
    )


def _prior(traits: Traits) -> tuple[Array, Array]:
    """Prior of the coefficients of `_design`, and its weight, where starts succeed. The constant is free."""
    joint = int(traits.joint.sum())
    penalty = [
        1e-6,
        *[STATIC_SHRINKAGE] * 2,
        *[LOAD_SHRINKAGE] * 2,
        *[SLOW_SHRINKAGE] * 3,
        *[JOINT_SHRINKAGE] * (3 * joint + joint * (joint + 1) // 2),
        *traits.shrinkage,
    ]
    prior = np.zeros(len(penalty))
    prior[1] = 1.0
    return prior, np.array(penalty)


def _failed_prior(traits: Traits) -> tuple[Array, Array]:
    """The same where starts fail: at a speed of its own, whatever the static limit."""
    prior, penalty = _prior(traits)
    penalty[1:3] = FAILED_STATIC_SHRINKAGE
    penalty[5:] *= FAILED_SHRINKAGE
    return np.zeros_like(prior), penalty


def _fall_design(traits: Traits) -> Array:
    steep = (traits.standing - FALL_AT) * FALL_SLOPE
    return np.column_stack([np.ones(len(steep)), steep, traits.slow, traits.features])


def steady_fit(
    design: Array,
    values: Array,
    weight: Array,
    prior: Array,
    penalty: Array,
    looked_to: float,
    begin: Array | None = None,
) -> tuple[Array, Array, Array]:
    """Ridge regression that odd values do not bend: coefficients, what they leave over, and how much each value counts.

    Values beyond what was looked at are where the regression puts them, but not nearer than that.
    """
    beyond = values > looked_to

    def trusted(coefficients: Array) -> tuple[Array, Array, Array]:
        there = design @ coefficients
        put = np.where(beyond, np.maximum(there, looked_to), values)
        return put, put - there, np.minimum(1.0, USUALLY_LEFT / np.maximum(np.abs(put - there), 1e-12))

    found = prior if begin is None else begin
    put, left, trust = trusted(found)
    if begin is None:
        trust = np.ones_like(values)  # far from the prior is not odd
    for _ in range(FIT_STEPS):
        found = ridge(design, put, trust * weight, prior, penalty)
        put, left, trust = trusted(found)
    return found, left, trust


def ridge(design: Array, values: Array, weight: Array, prior: Array, penalty: Array) -> Array:
    """Coefficients of a weighted ridge regression toward a prior."""
    normal = (design * weight[:, None]).T @ design + np.diag(penalty)
    left = values - design @ prior
    return np.asarray(prior + np.linalg.solve(normal, design.T @ (weight * left)))


def logistic(design: Array, outcome: Array, weight: Array, begin: Array | None = None) -> Array:
    """Coefficients of a weighted, penalised logistic regression by Newton's method, steps halved until they gain.

    The prior of the second column, a steep function of the load at standstill, is one; of the others zero. There is one best
    answer, wherever the search begins.
    """

    def gain(coefficients: Array, logits: Array) -> float:
        """Penalised log-likelihood."""
        fits = weight @ (outcome * logits - np.logaddexp(0.0, logits))
        return float(fits - 0.5 * penalty @ (coefficients - prior) ** 2)

    prior = np.zeros(design.shape[1])
    prior[1] = 1.0
    penalty = np.full(design.shape[1], FALL_SHRINKAGE)
    penalty[0] = 0.02
    penalty[1] = SLOPE_SHRINKAGE
    if begin is None:
        begin = prior.copy()
        share = np.clip(np.average(outcome, weights=weight), 0.02, 0.98)
        begin[0] = logit(share) - np.average(design @ prior, weights=weight)
    found = begin
    logits = design @ found
    now = gain(found, logits)
    for _ in range(NEWTON_STEPS):
        chance = expit(logits)
        gradient = design.T @ (weight * (outcome - chance)) - penalty * (found - prior)
        curvature = (design * (weight * chance * (1.0 - chance))[:, None]).T @ design + np.diag(penalty)
        step = np.linalg.solve(curvature, gradient)
        change = design @ step
        # It is concave, so that some part of the step gains; what is left where none does is rounding.
        part = 1.0
        while (then := gain(found + part * step, logits + part * change)) < now and part > 1e-3:
            part *= 0.5
        found, logits, now = found + part * step, logits + part * change, then
        if float(np.abs(change).max()) < 1e-3:
            break
    return found
