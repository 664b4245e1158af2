"""Likelihood of the rows of a sweep, given the limits of machines.

The likelihood of a row is binomial, with a chance of skipping that rises smoothly with log(speed / skip speed) and a floor
for accidents. What the simulation itself gets wrong is taken in three times: an offset common to all rows; one of each
direction and acceleration with long tails (where a start is about to fail the true skip speed jumps down); and a speed from
which oscillation grows, the same whatever the acceleration, which some machines have whether healthy or not. Where such
speeds lie is told by the skip map, of each machine for itself, and, since that may err, by a prior common to all.

Tolerances are common to all rows: the average over machines is taken of the product over rows, not row by row. All skip
speeds here are logarithms of their ratio to the top speed that the travel allows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.special import gammaln, log_ndtr, stdtr

from ..machine import Array, Direction, Machine
from ..physics.skip import SHORTEST_CRUISE, Moves, cycles_per_metre, steady_speed
from ..physics.skipmap import FREEDOM, SCALES
from ..plant import nominal_plant
from ..sweep import SweepRow, grouped

TRIAL_SCATTER = 0.04  # of the skip speed from trial to trial, in its logarithm
ACCIDENT = 0.02  # chance that a trial's outcome has nothing to do with the machine
# What is left between this simulation of ramps and a machine whose parameters are all known: against an independent
# simulation at the level of the driver's switches half of the errors are below 6 to 7 %, a quarter above 11 to 15 %. A Student
# distribution of four degrees of freedom and scale 0.06 does that, and did as well for regressions in place of the simulation;
# real machines differ from both, so it is a little wider here. The rest are jumps down, as far as a few per cent of the top
# speed: near 0.72 of the motors' torque a start fails at any speed, and whether that of the machine on the table does can
# hang on very little. Of 898 limits of 80 blind sweeps (tests/studies) whose parameters were given, those lower than
# simulated by a factor of 1.6 and more were 12 of 238 where the move asks for 0.5 to 0.8 of the torque at standstill, 2 of
# 660 elsewhere.
PAIR_OFFSET = 0.07  # of one direction and acceleration, in the logarithm of the skip speed
JUMP_DEPTH = 3.5
JUMP_SHARES = 0.02, 0.10  # chance of a jump, elsewhere and where a start is about to fail: a little more than there
DOUBTFUL_STARTS = math.log(0.45), math.log(0.85)  # what a move asks for at standstill over what the motors have there
# Where a start that fails is lost hangs on more than the map says, alike at all accelerations of a direction: shifts of these
# limits, and how likely each is. Most likely for 3637 limits of starts that fail in 951 directions of blind sweeps (seeds 3332 to
# 3819 of tests/studies), parameters given: 0.04 in three of four directions, 0 in half of the others, the rest from -0.08 to -0.4.
# Here with more on either side, a choice. With the first four the log-likelihood of these rows is 1750 greater than with a scatter
# of 0.25 of each limit by itself, that of one direction in a hundred less by nearly 1. The last shift is for machines that do not
# move at all: the map was learned from searches down to a fortieth of the top speed, sweeps go on to lower ones.
FAILED_SHIFTS, FAILED_SHARES = np.array([0.05, -0.05, -0.2, -0.5, -1.2]), np.array([0.55, 0.24, 0.12, 0.06, 0.03])
# Measured limits that lie further below or above what a cause predicts, in the logarithm, are not explained by it: a choice,
# well outside what offsets do.
FAR_BELOW, FAR_ABOVE = 1.2, 0.5
# Of all skip speeds of a machine alike: middle and standard deviation. The middle is how far moves of the switching truth are lost
# below the map, parameters given: 0.03 lower is most likely for 2981 directions and accelerations where neither a failing start
# nor instability is (seeds 3500 to 3819 of the blind sweeps of tests/studies), 0.02 for 1512 others (3332 to 3491), whether or
# not there is a fault, and as much at gentle and at brisk accelerations.
COMMON_MIDDLE, COMMON_OFFSET = -0.025, 0.05
# Mid-range instability loses steps from one speed of the motors on at every acceleration; ramps do not show it.
# Most likely for 274 blind sweeps of random machines by the switching truth (tests/studies), the true cause given: one
# machine in thirteen has such a speed where the driver regulates its current, four of ten where it only short-circuits the
# winding; two of three of their directions; from 540 Hz of electrical frequency on, give or take a quarter (11 revolutions
# per second of motors with 200 full steps; common practice, no source: 5 to 15), a tenth apart in the directions of a
# machine. Real machines will differ more, so all is a little wider here; what other values are worth: likelihood.txt there.
UNSTABLE, UNSTABLE_SLOW = 0.1, 0.4
UNSTABLE_DIRECTIONS = 0.6
UNSTABLE_AT, UNSTABLE_SPREAD, UNSTABLE_APART = 550.0, 0.4, 0.12  # [Hz]; standard deviations of its logarithm
FREQUENCIES = np.geomspace(250.0, 1600.0, 16)  # at which such speeds are looked at

# The skip map tells more: how likely such a speed is hangs on what moves and on how it is damped, within tolerance. It does not
# tell all: the prior above has this share beside it. A choice.
COMMON_SHARE = 0.15
ONSET_WIDTH = (
    0.2  # how near the speed that the map tells of a machine has its own: standard deviation of the logarithm; a choice
)

# What chance adds to a limit: how far the map says that it scatters, less what the offsets above take in, in its logarithm. A Student
# distribution of the map's degrees of freedom scatters, most of it, by so many times its scale. Rows are told for so many scales, from
# one that hardly matters to the greatest that the map has. The log-likelihood of limits that are far off rises as the logarithm of
# the scale, so that straight lines between such scales do.
LUCK_TAKEN_IN, MOST_OF_IT = 0.11, 1.5
LEAST_LUCK, LUCK_SCALES = 0.01, 13

TINY = 1e-300  # likelihoods below this are as good as none

GRID = np.linspace(-7.0, 1.5, 851)  # log of skip speed over top speed
_STEP = 0.01


class Limits(NamedTuple):
    """Logarithms of skip over top speed of machines whose start succeeds or fails, the chance that it fails, and `standing` of
    `Traits`.

    All of shape (machines, pairs); `kept_luck`, `failed_luck`: scale of what chance adds to either, `luck_of` its scatter.
    `onsets` (machines, directions, frequencies): how likely the speed from which each is unstable is nearest to that of one
    of `FREQUENCIES`.
    """

    kept: Array
    failed: Array
    chance: Array
    standing: Array
    kept_luck: Array
    failed_luck: Array
    onsets: Array

    def moved(self, offset: Array) -> Limits:
        """With an offset common to all limits of a machine, (machines,)."""
        return self._replace(kept=self.kept + offset[:, None], failed=self.failed + offset[:, None])

    def take(self, which: NDArray[np.intp]) -> Limits:
        """Of some machines."""
        return Limits._make(each[which] for each in self)

    def along(self, direction: int, pairs: Sequence[int]) -> Limits:
        """In one direction, of these pairs."""
        return Limits._make([*(each[:, pairs] for each in self[:-1]), self.onsets[:, [direction]]])

    @classmethod
    def of_directions(cls, parts: Sequence[Limits], pairs: Sequence[Sequence[int]]) -> Limits:
        """Of all directions, from those of each one with its pairs."""
        order = np.argsort(np.concatenate(pairs), kind="stable")
        *by_pair, onsets = (np.concatenate(each, axis=1) for each in zip(*parts, strict=True))
        return cls._make([*(each[:, order] for each in by_pair), onsets])

    @classmethod
    def joined(cls, parts: Sequence[Limits], order: NDArray[np.intp]) -> Limits:
        """Of the machines of several, in some order."""
        return cls._make(np.concatenate(each) for each in zip(*parts, strict=True)).take(order)

    def compact(self) -> Limits:
        """In single precision: half the room, and a ten millionth off."""
        return Limits._make(np.asarray(each, np.float32) for each in self)

    def mean(self) -> Array:
        """Expected logarithm, (machines, pairs)."""
        return self.kept * (1.0 - self.chance) + self.failed * self.chance


@dataclass(frozen=True)
class Pair:
    """Rows of one direction and acceleration: speeds reached [m/s], trials, skips.

    `steady`: greatest speed [m/s] that any of them may keep long enough for oscillation to grow, 0 where none does. `labels`: the
    direction as rows have it, and its mirror images among them.
    """

    direction: Direction
    acceleration: float
    top: float
    speeds: Array
    trials: Array
    skipped: Array
    steady: float = math.inf
    labels: tuple[str, ...] = ()

    def log_likelihood(self) -> Array:
        """Log-likelihood of the rows over `GRID`, the offset of this pair integrated out; (len(JUMP_SHARES), grid)."""
        x = np.log(self.speeds / self.top)
        ladder = np.arange(-8.5, 3.0, _STEP)
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
        # Skip speed as measured = predicted * exp(offset): correlate the likelihood with the offset's density.
        blurred = [
            np.interp(GRID, ladder, np.convolve(np.exp(sharp - peak), kernel[::-1] / kernel.sum(), mode="same"))
            for kernel in (density, jump)
        ]
        share = np.array(JUMP_SHARES)[:, None]
        return np.asarray(peak + np.log(np.maximum((1.0 - share) * blurred[0] + share * blurred[1], TINY)))


class Along(NamedTuple):
    """Likelihood of the rows of one direction: log of the greatest, whatever the unstable speed (machines,), and over it that
    without an unstable speed (machines,), with each of some (machines, frequencies), and with such speeds as the map has them
    (machines,); and where such a speed lies below the limits and in reach.
    """

    most: Array
    stable: Array
    onset: Array
    mapped: Array
    matters: Array

    @property
    def without(self) -> Array:
        """Log of the likelihood without an unstable speed, (machines,)."""
        return self.most + _log(self.stable)

    def take(self, which: NDArray[np.intp]) -> Along:
        """Of some machines."""
        return Along._make(each[which] for each in self)


def unstable_speeds(machine: Machine, direction: Direction) -> Array:
    """Speeds in a direction at which the fastest motor's current alternates with `FREQUENCIES` [m/s]."""
    return np.asarray(FREQUENCIES / cycles_per_metre(nominal_plant(machine), direction.vector).max())


def pairs_of(machine: Machine, rows: Sequence[SweepRow]) -> tuple[Pair, ...]:
    """Group rows by direction and acceleration; speeds beyond the travel count as the speed reached.

    Mirror images are one direction: machines and the map have the same limit for both, so that they err alike, too.
    """
    images: dict[tuple[float, ...], dict[str, None]] = {}
    groups: dict[tuple[tuple[float, ...], float], list[SweepRow]] = {}
    for (label, acceleration), group in grouped(rows).items():
        asked = machine.asks_of_motors(machine.direction(label))
        images.setdefault(asked, {})[label] = None
        groups.setdefault((asked, acceleration), []).extend(group)
    pairs = []
    for (asked, acceleration), group in groups.items():
        labels = tuple(images[asked])
        direction = machine.direction(labels[0])
        longest = machine.travel_along(direction)
        travel = np.array([min(r.travel or longest, longest) for r in group])
        reached = np.minimum([r.speed for r in group], np.sqrt(acceleration * travel))
        # Those that do not keep the speed that they come to keep none.
        keeps = travel / reached - reached / acceleration >= SHORTEST_CRUISE
        steady = steady_speed(Moves(direction.vector, np.full(len(group), acceleration), travel))
        pairs.append(
            Pair(
                direction,
                acceleration,
                math.sqrt(acceleration * longest),
                reached,
                np.array([r.trials for r in group], dtype=float),
                np.array([r.skipped for r in group], dtype=float),
                float(np.max(steady, where=keeps, initial=0.0)),
                labels,
            )
        )
    return tuple(pairs)


class RowsFit:
    """Likelihood of all rows of a sweep as a function of predicted skip speeds."""

    def __init__(self, machine: Machine, pairs: Sequence[Pair]) -> None:
        self.curves = np.array([pair.log_likelihood() for pair in pairs])
        self.tops = np.log([pair.top for pair in pairs])
        with np.errstate(divide="ignore"):
            self.kept_awhile = np.log([pair.steady for pair in pairs])
        labels = [pair.direction.label for pair in pairs]
        self.labels = list(dict.fromkeys(labels))
        self.directions = [[k for k, at in enumerate(labels) if at == label] for label in self.labels]
        self.windows = [np.log(unstable_speeds(machine, machine.direction(label))) for label in self.labels]
        apart = np.log(FREQUENCIES)
        self.near = _normalised(np.exp(-0.5 * ((apart[:, None] - apart) / ONSET_WIDTH) ** 2))
        self.onset = _normalised(np.exp(-0.5 * ((apart - math.log(UNSTABLE_AT)) / UNSTABLE_SPREAD) ** 2))
        self.apart = _normalised(np.exp(-0.5 * ((apart[:, None] - apart) / UNSTABLE_APART) ** 2))

    @cached_property
    def lucky(self) -> Array:
        """The curves of each pair, averaged over what chance adds to limits: by its scale and by which of `JUMP_SHARES` holds."""
        return _blurred(self.curves)

    def _with_luck(self, pair: int, at: Array, luck: Array, jumps: NDArray[np.intp]) -> Array:
        """Log-likelihood of a pair's rows at some limits, averaged over what chance adds to them; by which of `JUMP_SHARES` holds."""
        place = _place(at)
        scale = np.interp(np.log(np.maximum(luck, LEAST_LUCK)), _LOG_LUCK, np.arange(1.0, LUCK_SCALES + 1.0))
        scale = np.where(luck < LEAST_LUCK, luck / LEAST_LUCK, np.minimum(scale, LUCK_SCALES - 1e-3))
        below = scale.astype(np.intp)
        narrower, wider = (
            _between(self.lucky[pair], place, (below + k) * self.curves.shape[1] + jumps) for k in range(2)
        )
        return np.asarray(narrower + (scale - below) * (wider - narrower))

    def log_likelihood(self, limits: Limits, unstable: Array) -> Array:
        """(machines,) from what the machines' limits are and how likely each has an unstable speed by the common prior; such
        speeds are integrated out.
        """
        return self.together(self._each_direction(limits), unstable)

    def together(self, along: Sequence[Along], unstable: Array) -> Array:
        """The same from the likelihood `along` each direction, or some of them."""
        return self._total(along, unstable, self._by_onset(along)[0])

    def _total(self, along: Sequence[Along], unstable: Array, by_onset: Array) -> Array:
        stable = np.sum([each.without for each in along], axis=0)
        most = np.sum([each.most for each in along], axis=0)
        common = np.logaddexp(np.log1p(-unstable) + stable, np.log(unstable) + most + _log(by_onset.sum(axis=1)))
        by_map = np.prod([each.mapped for each in along], axis=0)
        return np.logaddexp(math.log(COMMON_SHARE) + common, math.log1p(-COMMON_SHARE) + most + _log(by_map))

    def instability(self, limits: Limits, unstable: Array, weight: Array) -> dict[str, tuple[float, float]]:
        """How likely each direction, by its label, loses steps to an unstable speed, and that speed [m/s].

        Directions of which no machine can are left out. Machines count by `weight`, which sums to one.
        """
        found = {}
        for label, here, speeds in zip(
            self.labels, self._unstable(limits, unstable, weight), self.windows, strict=True
        ):
            by_speed = here.sum(axis=0)
            chance = float(by_speed.sum())
            if chance > 0.0:
                found[label] = chance, math.exp(float(by_speed @ speeds) / chance)
        return found

    def _unstable(self, limits: Limits, unstable: Array, weight: Array) -> list[Array]:
        """Of each direction, how likely it is each machine that loses steps at each onset; (machines, frequencies)."""
        along = self._each_direction(limits)
        by_onset, parts = self._by_onset(along)
        whole = np.prod([each.mapped for each in along], axis=0)
        most = np.sum([each.most for each in along], axis=0)
        likely = weight * np.exp(np.minimum(most - self._total(along, unstable, by_onset), 700.0))
        by_onset *= (COMMON_SHARE * likely * unstable)[:, None]
        by_map = (1.0 - COMMON_SHARE) * likely * whole
        found = []
        for each, here, part in zip(along, limits.onsets.swapaxes(0, 1), parts, strict=True):
            mine = (by_map / np.maximum(each.mapped, TINY))[:, None] * (here @ self.near) * each.onset
            lost = by_onset * part + mine
            found.append(lost * each.matters)
        return found

    def _each_direction(self, limits: Limits) -> list[Along]:
        """Of each direction, the likelihood of its rows."""
        return [self.along(d, limits.along(d, pairs)) for d, pairs in enumerate(self.directions)]

    def along(self, direction: int, limits: Limits) -> Along:
        """Likelihood of the rows of a direction, by its number, from the limits of its pairs (machines, pairs of it)."""
        pairs, speeds = self.directions[direction], self.windows[direction]
        likely = np.where(limits.chance < 0.5, limits.kept, limits.failed)
        here, each = _shift_taken_out(self._of_pairs(pairs, limits))
        # Machines side by side: there are many of them, and few frequencies.
        from_here = np.tile(here - np.sum(each, axis=0), (speeds.size, 1))
        matters = np.zeros(from_here.shape, dtype=bool)
        for k, limit, own in zip(pairs, np.ascontiguousarray(likely.T), each, strict=True):
            onset = (speeds - self.tops[k])[:, None]
            beyond = (limit < onset) | (speeds > self.kept_awhile[k])[:, None]
            matters |= ~beyond
            from_here += np.where(beyond, own, _along(self.curves[k], onset, 0))
        most = np.maximum(here, from_here.max(axis=0))
        stable, at_onset = np.exp(here - most), np.exp(from_here - most).T
        own_onset = limits.onsets[:, 0]
        mapped = (1.0 - own_onset.sum(axis=1)) * stable + np.sum(own_onset @ self.near * at_onset, axis=1)
        return Along(most, stable, at_onset, mapped, matters.T)

    def _of_pairs(self, pairs: Sequence[int], limits: Limits) -> list[Array]:
        """Log-likelihood of the rows of each pair, without unstable speeds, by shift of starts that fail; (shifts, machines), one
        for all shifts where no start fails.
        """
        found = []
        jumps = jump_kind(limits.standing)
        for j, k in enumerate(pairs):
            kept = self._with_luck(k, limits.kept[:, j], limits.kept_luck[:, j], jumps[:, j])
            chance = limits.chance[:, j]
            if not chance.any():
                found.append(kept[None])
                continue
            at = limits.failed[:, j] + FAILED_SHIFTS[:, None]
            failed = self._with_luck(k, at, limits.failed_luck[:, j], jumps[:, j])
            with np.errstate(divide="ignore"):
                found.append(np.logaddexp(np.log1p(-chance) + kept, np.log(chance) + failed))
        return found

    def _by_onset(self, along: Sequence[Along]) -> tuple[Array, list[Array]]:
        """Likelihood, over the greatest, of machines with an onset at each of some frequencies, its common prior included
        (machines, frequencies), and of these how likely each direction has one, too.
        """
        total = np.tile(self.onset, (len(along[0].most), 1))
        parts = []
        for each in along:
            near = UNSTABLE_DIRECTIONS * (each.onset @ self.apart.T)
            either = np.maximum((1.0 - UNSTABLE_DIRECTIONS) * each.stable[:, None] + near, TINY)
            total *= either
            parts.append(near / either)
        return total, parts

    def explained(self, limits: Limits, unstable: Array, weight: Array) -> Array:
        """Posterior predictive check: how much of what a hypothesis predicts comes near each pair's rows, (pairs,).

        Machines count by `weight`, which sums to one. Near is not further below than a shallow jump, nor further above than
        offsets go; and not further from an unstable speed than offsets go, as far as such a speed is likely.
        """
        found = np.empty(len(self.curves))
        lost = self._unstable(limits, unstable, weight)
        for pairs, speeds, here in zip(self.directions, self.windows, lost, strict=True):
            for k in pairs:
                good = GRID[self.curves[k, 0] > self.curves[k, 0].max() - 2.0]
                low, high = good[0] - FAR_ABOVE, good[-1] + FAR_BELOW
                near = [np.asarray((low < at) & (at < high)) for at in (limits.kept[:, k], limits.failed[:, k])]
                chance, onset = limits.chance[:, k], speeds - self.tops[k]
                at_limit = near[0] * (1.0 - chance) + near[1] * chance
                at_onset = (low < onset) & (onset < good[-1] + FAR_ABOVE)
                reached = onset < limits.mean()[:, k, None]
                found[k] = (weight - here.sum(axis=1)) @ at_limit
                found[k] += np.sum(here * np.where(reached, at_onset, at_limit[:, None]))
        return found


def luck_of(scatter: Array) -> Array:
    """Scale of what chance adds to limits beyond what is taken in anyway, by that of how far the map says they scatter."""
    return np.sqrt(np.maximum(scatter**2 - (LUCK_TAKEN_IN / MOST_OF_IT) ** 2, 0.0))


MOST_LUCK = float(luck_of(np.exp(SCALES[1])))
_LOG_LUCK = np.linspace(math.log(LEAST_LUCK), math.log(MOST_LUCK), LUCK_SCALES)


def _blurred(curves: Array) -> Array:
    """Log-likelihoods (pairs, kinds, grid), averaged over what chance adds to limits, first where that is nothing;
    (pairs, (1 + LUCK_SCALES) * kinds, grid).
    """
    most, size = curves.max(axis=(1, 2), keepdims=True), GRID.size
    likelihood = np.exp(curves - most).reshape(-1, size)
    found = [curves]
    for scale in np.exp(_LOG_LUCK):
        # How likely chance moves a limit from one point of the grid to another; beyond its ends it is as at them.
        up_to = stdtr(FREEDOM, (np.arange(-size, size) + 0.5) * (_STEP / scale))
        to_each = np.ascontiguousarray(sliding_window_view(np.diff(up_to), size)[::-1])
        moved = likelihood @ to_each.T
        moved += likelihood[:, :1] * up_to[size - 1 :: -1] + likelihood[:, -1:] * (1.0 - up_to[: size - 1 : -1])
        found.append(most + _log(moved).reshape(curves.shape))
    return np.stack(found, axis=1).reshape(len(curves), -1, size)


def jump_kind(standing: Array) -> NDArray[np.intp]:
    """Which of `JUMP_SHARES` holds where a move asks for that (in its logarithm) of the torque at standstill."""
    return np.asarray((DOUBTFUL_STARTS[0] < standing) & (standing < DOUBTFUL_STARTS[1]), dtype=np.intp)


def _shift_taken_out(by_shift: Sequence[Array]) -> tuple[Array, Array]:
    """From log-likelihoods of pairs, (shifts or 1, machines), that of all of them, the shift that they share integrated out
    (machines,), and those of each with the shifts as likely as all of them leave them, (pairs, machines).

    All of them together are less likely than the product of the latter, since a shift has to be one for all.
    """
    whole = np.sum(np.broadcast_arrays(*by_shift), axis=0)
    if len(whole) == 1:
        return np.asarray(whole[0]), np.concatenate(by_shift)
    whole = whole + np.log(FAILED_SHARES)[:, None]
    most = whole.max(axis=0)
    likely = np.exp(whole - most)
    total = likely.sum(axis=0)
    likely /= total
    return np.asarray(most + np.log(total)), np.array(
        [np.sum(likely * own, axis=0) if len(own) > 1 else own[0] for own in by_shift]
    )


def _log(likelihood: Array) -> Array:
    """Logarithm, of nothing as of next to nothing."""
    return np.log(np.maximum(likelihood, TINY))


def _normalised(density: Array) -> Array:
    """Rows that sum to one."""
    return np.asarray(density / density.sum(axis=-1, keepdims=True))


def _along(curves: Array, at: Array, which: NDArray[np.intp] | int) -> Array:
    """One of some functions given over `GRID` (functions, grid), between its points."""
    return _between(curves, _place(at), which)


def _place(at: Array) -> Array:
    """Where on `GRID` something lies, in its steps."""
    return np.clip((at - GRID[0]) / _STEP, 0.0, GRID.size - 1.001)


def _between(curves: Array, place: Array, which: NDArray[np.intp] | int) -> Array:
    """One of some functions given over some steps (functions, steps), between them."""
    left = place.astype(np.intp)
    part = place - left
    left = left + which * curves.shape[-1]
    before = curves.take(left)
    return np.asarray(before + part * (curves.take(left + 1) - before))
