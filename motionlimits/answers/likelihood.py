"""Likelihood of the rows of a sweep, given what simulated machines do.

The likelihood of a row is binomial, with a chance of skipping that rises smoothly with log(speed / skip speed) and a floor
for accidents. What the simulation itself gets wrong is taken in three times: an offset common to all rows; one of each
direction and acceleration with long tails (near a swing the true skip speed jumps, nearly always down); and a speed of each
direction from which oscillation grows, the same whatever the acceleration, which some healthy machines have.

Tolerances are common to all rows: the average over machines is taken of the product over rows, not row by row. All skip
speeds here are logarithms of their ratio to the top speed that the travel allows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, log_ndtr, logsumexp, ndtri

from ..machine import Array, Direction, Machine
from ..sweep import SweepRow, grouped

# Simulated samples stand for a continuum of machines. Each is taken as the centre of a little cloud, spread as the samples
# themselves are (a kernel estimate of their distribution): the evidence then hangs less on which were drawn. Those of a cause
# without sizes cost a fortieth of the others and are larger.
CLOUD, LONE_CLOUD, CLOUD_WIDTH = 16, 40, 0.45
CLIFF = 1.0  # change of the logarithm of a skip speed between two sizes that is a fall, not a slope

TRIAL_SCATTER = 0.04  # of the skip speed from trial to trial, in its logarithm
ACCIDENT = 0.02  # chance that a trial's outcome has nothing to do with the machine
# What is left between this simulation of ramps and a machine whose parameters are all known: against an independent
# simulation at the level of the driver's switches half of the errors are below 6 to 7 %, a quarter above 11 to 15 %, and a
# tenth are jumps, nearly all of them down (swing, unstable speeds). A Student distribution of four degrees of freedom and
# scale 0.06 does that; real machines differ from both simulations, so it is wider here. A jump may go all the way to a few
# per cent of the top speed: near 0.72 of the motors' torque a start fails at any speed, and a sample of some dozens of
# machines need not hold one that is as near to it as the one on the table.
PAIR_OFFSET = 0.08  # of one direction and acceleration, in the logarithm of the skip speed
JUMP_SHARE, JUMP_DEPTH = 0.10, 3.5  # chance and depth of a jump
# Measured limits that lie further below or above what a cause predicts, in the logarithm, are not explained by it: a choice,
# well outside what offsets do.
FAR_BELOW, FAR_ABOVE = 1.2, 0.5
COMMON_OFFSET = 0.05  # of all skip speeds of a machine alike, one standard deviation
# Mid-range instability loses steps at one speed of a direction at every acceleration. Of random machines within their
# tolerances one in eight to one in six has such a speed below its ramp's, by simulation; the ramps here do not look for
# it. It lies anywhere in this range of the fastest skip speed of the healthy machine in that direction.
UNSTABLE_SHARE = 0.2
UNSTABLE_RANGE, UNSTABLE_POINTS = (0.2, 1.05), 16

GRID = np.linspace(-5.0, 1.5, 651)  # log of skip speed over top speed
_STEP = 0.01


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
        """Log-likelihood of the rows over `GRID`, the offset of this pair integrated out."""
        x = np.log(self.speeds / self.top)
        ladder = np.arange(-6.5, 3.0, _STEP)
        z = (x[:, None] - ladder[None, :]) / TRIAL_SCATTER
        lose, keep = math.log1p(-2.0 * ACCIDENT) + log_ndtr(z), math.log1p(-2.0 * ACCIDENT) + log_ndtr(-z)
        floor = math.log(ACCIDENT)
        k, n = self.skipped[:, None], self.trials[:, None]
        rows = k * np.logaddexp(floor, lose) + (n - k) * np.logaddexp(floor, keep)
        sharp = np.sum(rows, axis=0)
        peak = float(sharp.max())
        reach = round((JUMP_DEPTH + 0.5) / _STEP)
        offsets = np.arange(-reach, reach + 1) * _STEP
        student = np.exp(gammaln(2.5) - gammaln(2.0)) / (PAIR_OFFSET * math.sqrt(4.0 * math.pi))
        density = student * (1.0 + (offsets / PAIR_OFFSET) ** 2 / 4.0) ** -2.5
        jump = np.where((offsets <= 0.0) & (offsets >= -JUMP_DEPTH), 1.0 / JUMP_DEPTH, 0.0)
        kernel = ((1.0 - JUMP_SHARE) * density + JUMP_SHARE * jump) * _STEP
        kernel /= kernel.sum()
        # Skip speed as measured = predicted * exp(offset): correlate the likelihood with the offset's density.
        blurred = np.convolve(np.exp(sharp - peak), kernel[::-1], mode="same")
        return peak + np.log(np.maximum(np.interp(GRID, ladder, blurred), 1e-300))


def pairs_of(machine: Machine, rows: Sequence[SweepRow]) -> tuple[Pair, ...]:
    """Group rows by direction and acceleration; speeds beyond the travel count as the speed reached."""
    pairs = []
    for (label, acceleration), group in grouped(rows).items():
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


class RowsFit:
    """Likelihood of all rows of a sweep as a function of predicted skip speeds."""

    def __init__(self, pairs: Sequence[Pair], healthy: Array) -> None:
        """`healthy` is the log of the healthy machine's skip over top speeds, (pairs,)."""
        self.curves = np.array([pair.log_likelihood() for pair in pairs])
        self.tops = np.log([pair.top for pair in pairs])
        labels = [pair.direction.label for pair in pairs]
        self.directions = [[k for k, at in enumerate(labels) if at == label] for label in dict.fromkeys(labels)]
        # The speeds from which each direction may be unstable.
        grid = np.log(np.geomspace(*UNSTABLE_RANGE, UNSTABLE_POINTS))
        self.windows = [float(np.max(np.minimum(healthy[k], 0.0) + self.tops[k])) + grid for k in self.directions]

    def _along(self, pair: int, at: Array) -> Array:
        """Log-likelihood of a pair's rows at logs of skip over top speed."""
        place = np.clip((at - GRID[0]) / _STEP, 0.0, GRID.size - 1.001)
        left = place.astype(np.intp)
        before = self.curves[pair].take(left)
        return np.asarray(before + (place - left) * (self.curves[pair].take(left + 1) - before))

    def log_likelihood(self, skip: Array) -> Array:
        """(sizes, samples) from log skip over top speed (sizes, samples, pairs); windows integrated out."""
        sizes, samples, _ = skip.shape
        total = np.zeros((sizes, samples))
        for pairs, windows in zip(self.directions, self.windows, strict=True):
            stable = np.zeros_like(total)
            unstable = np.zeros((sizes, samples, windows.size))
            for k in pairs:
                onset = windows - self.tops[k]
                own = self._along(k, skip[:, :, k])
                stable += own
                unstable += np.where(skip[:, :, k, None] < onset, own[..., None], self._along(k, onset))
            chance = logsumexp(unstable, axis=-1) - math.log(windows.size)
            total += np.logaddexp(math.log1p(-UNSTABLE_SHARE) + stable, math.log(UNSTABLE_SHARE) + chance)
        return total

    def explained(self, skip: Array) -> Array:
        """Posterior predictive check: how much of what a hypothesis predicts comes near each pair's rows, (pairs,).

        Sizes and samples count as the rows weigh them. Near is not further below than a shallow jump, nor further above than
        offsets go; an unstable speed that all pairs of the direction together speak for counts as an explanation.
        """
        likelihood = self.log_likelihood(skip)
        weight = np.exp(likelihood - logsumexp(likelihood))
        found = np.empty(len(self.curves))
        for pairs, windows in zip(self.directions, self.windows, strict=True):
            joint = np.zeros((*likelihood.shape, windows.size))
            for k in pairs:
                joint += self._along(k, np.minimum(skip[:, :, k, None], windows - self.tops[k]))
            best = windows[np.argmax(joint, axis=-1)]
            for k in pairs:
                good = GRID[self.curves[k] > self.curves[k].max() - 2.0]
                low, high = good[0] - FAR_ABOVE, good[-1] + FAR_BELOW
                limits = (skip[:, :, k], np.minimum(skip[:, :, k], best - self.tops[k]))
                near = [(low < at) & (at < high) for at in limits]
                found[k] = np.sum(weight * (near[0] | near[1]))
        return found


def over_sizes(at_nodes: Array, nodes: Array, quantiles: Array) -> Array:
    """Log skip speeds of many machines over the quantiles of a size, from samples simulated at some of them.

    Parameters
    ----------
    at_nodes : ndarray, shape (nodes, samples, pairs)
    nodes : ndarray, shape (nodes,)
        Quantiles that were simulated; one where the cause has no size.
    quantiles : ndarray, shape (sizes,)

    Returns
    -------
    ndarray, shape (sizes, machines, pairs)
    """
    if nodes.size == 1:
        return _clouds(at_nodes, LONE_CLOUD)
    return between(_clouds(at_nodes, CLOUD), nodes, quantiles)


def _clouds(at_nodes: Array, machines: int) -> Array:
    """Every sample as some machines around it with the spread of all, each with an offset common to its limits.

    (nodes, samples, pairs) -> (nodes, machines samples, pairs). Mean and covariance over samples stay what they are
    (smoothed bootstrap: Silverman 1986, from memory). The same clouds for all causes.
    """
    _, samples, pairs = at_nodes.shape
    centre = at_nodes.mean(axis=1, keepdims=True)
    apart = at_nodes - centre
    covariance = np.swapaxes(apart, 1, 2) @ apart / max(samples - 1, 1)
    spread = np.linalg.cholesky(covariance + 1e-10 * np.eye(pairs))
    normal = _normals(machines * samples, pairs + 1)
    cloud = math.sqrt(1.0 - CLOUD_WIDTH**2) * np.tile(apart, (1, machines, 1))
    cloud += CLOUD_WIDTH * normal[:, :-1] @ np.swapaxes(spread, 1, 2)
    return centre + cloud + COMMON_OFFSET * normal[:, -1:]


def _normals(count: int, columns: int) -> Array:
    """Evenly spread points of a standard normal distribution, (count, columns).

    Additive recurrence by the powers of a generalised golden ratio (Kronecker sequences: Niederreiter 1992, from memory).
    """
    ratio = 2.0
    for _ in range(60):
        ratio = (1.0 + ratio) ** (1.0 / (columns + 1.0))
    steps = ratio ** -np.arange(1.0, columns + 1.0)
    return np.asarray(ndtri(np.clip((0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0, 1e-6, 1.0 - 1e-6)))


def between(at_nodes: Array, nodes: Array, quantiles: Array) -> Array:
    """Interpolate log skip speeds between simulated sizes: (nodes, samples, pairs) -> (quantiles, samples, pairs).

    Where a sample falls off a cliff between two sizes (near 0.72 of the motors' torque an abrupt start fails) it is there
    or not, never half-way: the size of the fall is spread evenly over the samples.
    """
    left, share = _bracket(nodes, quantiles)
    share = share[:, None, None]
    before, after = at_nodes[left], at_nodes[left + 1]
    fall = (0.5 + np.arange(at_nodes.shape[1]) * 0.6180339887) % 1.0
    step = np.where(share < fall[:, None], before, after)
    return np.where(np.abs(after - before) > CLIFF, step, before + share * (after - before))


def _bracket(nodes: Array, quantiles: Array) -> tuple[NDArray[np.intp], Array]:
    """The node below each quantile, and how far each is on the way to the next."""
    left = np.clip(np.searchsorted(nodes, quantiles, side="right") - 1, 0, nodes.size - 2)
    return left, (quantiles - nodes[left]) / np.maximum(nodes[left + 1] - nodes[left], 1e-9)
