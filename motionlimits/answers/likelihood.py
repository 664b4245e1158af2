"""Likelihood of the rows of a sweep, given the limits of machines.

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
from scipy.special import gammaln, log_ndtr, logsumexp

from ..machine import Array, Direction, Machine
from ..sweep import SweepRow, grouped
from .emulator import Limits

TRIAL_SCATTER = 0.04  # of the skip speed from trial to trial, in its logarithm
ACCIDENT = 0.02  # chance that a trial's outcome has nothing to do with the machine
# What is left between this simulation of ramps and a machine whose parameters are all known: against an independent
# simulation at the level of the driver's switches half of the errors are below 6 to 7 %, a quarter above 11 to 15 %, and a
# tenth are jumps, nearly all of them down (swing, unstable speeds). A Student distribution of four degrees of freedom and
# scale 0.06 does that, and as well for the emulator in place of the simulation; real machines differ from both, so it is wider
# here. A jump may go all the way to a few per cent of the top speed: near 0.72 of the motors' torque a start fails at any
# speed, and whether that of the machine on the table does can hang on very little.
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

    def _with_luck(self, pair: int, luck: Array) -> Array:
        """Log-likelihood of a pair's rows over `GRID`, averaged over what chance adds to a limit."""
        if not luck.any():
            return np.asarray(self.curves[pair])
        each = _along(self.curves[pair], GRID + luck[:, None])
        return np.asarray(logsumexp(each, axis=0) - math.log(luck.size))

    def log_likelihood(self, limits: Limits) -> Array:
        """(machines,) from what the machines' limits are; windows integrated out."""
        total = np.zeros(len(limits.kept))
        with np.errstate(divide="ignore"):
            succeeds, fails = np.log1p(-limits.chance), np.log(limits.chance)
        likely = np.where(limits.chance < 0.5, limits.kept, limits.failed)
        for pairs, windows in zip(self.directions, self.windows, strict=True):
            stable = np.zeros_like(total)
            unstable = np.zeros((total.size, windows.size))
            for k in pairs:
                own = _along(self._with_luck(k, limits.kept_luck[:, k]), limits.kept[:, k])
                if limits.chance[:, k].any():
                    failed = _along(self._with_luck(k, limits.failed_luck[:, k]), limits.failed[:, k])
                    own = np.logaddexp(succeeds[:, k] + own, fails[:, k] + failed)
                onset = windows - self.tops[k]
                stable += own
                unstable += np.where(likely[:, k, None] < onset, own[:, None], _along(self.curves[k], onset))
            chance = logsumexp(unstable, axis=-1) - math.log(windows.size)
            total += np.logaddexp(math.log1p(-UNSTABLE_SHARE) + stable, math.log(UNSTABLE_SHARE) + chance)
        return total

    def explained(self, limits: Limits, weight: Array) -> Array:
        """Posterior predictive check: how much of what a hypothesis predicts comes near each pair's rows, (pairs,).

        Machines count by `weight`, which sums to one. Near is not further below than a shallow jump, nor further above than
        offsets go; an unstable speed that all pairs of the direction together speak for counts as an explanation.
        """
        found = np.empty(len(self.curves))
        for pairs, windows in zip(self.directions, self.windows, strict=True):
            joint = np.zeros((weight.size, windows.size))
            for k in pairs:
                joint += _along(self.curves[k], np.minimum(limits.kept[:, k, None], windows - self.tops[k]))
            best = windows[np.argmax(joint, axis=-1)]
            for k in pairs:
                good = GRID[self.curves[k] > self.curves[k].max() - 2.0]
                low, high = good[0] - FAR_ABOVE, good[-1] + FAR_BELOW

                def near(at: Array, onset: Array, low: float = low, high: float = high) -> Array:
                    either = (at, np.minimum(at, onset))
                    return np.any([(low < limit) & (limit < high) for limit in either], axis=0)

                onset, chance = best - self.tops[k], limits.chance[:, k]
                share = near(limits.kept[:, k], onset) * (1.0 - chance) + near(limits.failed[:, k], onset) * chance
                found[k] = weight @ share
        return found


def _along(curve: Array, at: Array) -> Array:
    """A function given over `GRID`, between its points."""
    place = np.clip((at - GRID[0]) / _STEP, 0.0, GRID.size - 1.001)
    left = place.astype(np.intp)
    before = curve.take(left)
    return np.asarray(before + (place - left) * (curve.take(left + 1) - before))
