"""What to measure next: the reading or sweep row that is expected to name the right cause most often."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from ..machine import Array, Machine
from ..readings import Reading, readings_of
from .bench import size_quantiles
from .causes import HEALTH_PRIOR, Hypothesis
from .infer import Found, Inference
from .likelihood import ACCIDENT, TRIAL_SCATTER, Pair
from .readings import expected

ROW_MINUTES = 8.0  # of a row of the sweep, beside those of readings: common practice, no source
NEARLY_AS_GOOD = 0.9  # of the best worth
BIT_WORTH = 0.1  # of a bit of information, beside the chance of naming the right cause: it decides where that stays
LEADING = 3  # causes whose readings are told
LEAST_CHANCE = 1e-4  # of a cause that is worth a thought


@dataclass(frozen=True)
class Expectation:
    """What a check would show under one cause: median, 10 and 90 % points in the key's unit, or a chance of skipping."""

    cause: str
    where: str
    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Check:
    """One suggestion: a reading, or None and a sweep row (direction, acceleration, speed; SI).

    `information` [bit] is what it is expected to tell about the cause, `right` the chance that the cause which leads after
    it is the right one.
    """

    reading: Reading | None
    how: str
    information: float
    right: float
    expectations: tuple[Expectation, ...]
    direction: str = ""
    acceleration: float = 0.0
    speed: float = 0.0

    @property
    def key(self) -> str:
        """Of the evidence that it would give; empty for a sweep row."""
        return self.reading.key if self.reading else ""

    @property
    def minutes(self) -> float:
        """Its effort."""
        return self.reading.kind.minutes if self.reading else ROW_MINUTES


def _weights(inference: Inference) -> list[tuple[float, Hypothesis, Array, Array]]:
    """Probability, hypothesis, sizes and their weights, of causes worth a thought."""
    return [
        (f.probability, f.hypothesis, f.hypothesis.sizes(size_quantiles(f.hypothesis)), f.quantile_weights)
        for f in _worth_a_thought(inference)
    ]


def _worth_a_thought(inference: Inference) -> list[Found]:
    """Causes with some chance, and those that come next even where the first is all but certain."""
    return [f for place, f in enumerate(inference.found) if f.probability >= LEAST_CHANCE or place < LEADING]


def _information(chances: Array, given: Array) -> float:
    """Mutual information [bit] of a cause and an outcome: `chances` (h,), `given` (h, outcomes) densities."""
    chances = chances / chances.sum()
    given = given / np.maximum(given.sum(axis=1, keepdims=True), 1e-300)
    mixed = chances @ given

    def entropy(p: Array) -> Array:
        return -np.sum(np.where(p > 0.0, p * np.log2(np.maximum(p, 1e-300)), 0.0), axis=-1)

    return float(entropy(mixed) - chances @ entropy(given))


def _right(chances: Array, given: Array) -> float:
    """Chance that the likeliest cause is the right one once the outcome is known; arguments as of `_information`."""
    given = given / np.maximum(given.sum(axis=1, keepdims=True), 1e-300)
    return float(np.max(chances[:, None] / chances.sum() * given, axis=0).sum())


def reading_check(machine: Machine, inference: Inference, reading: Reading) -> Check:
    """Expected information of one reading, and what it would be under the leading causes."""
    weighted = _weights(inference)
    moments = [expected(machine, h, reading.key, sizes) for _, h, sizes, _ in weighted]
    low = min(float((m - 4 * d).min()) for m, d in moments)
    high = max(float((m + 4 * d).max()) for m, d in moments)
    grid = np.linspace(low, high, 800)
    given = np.array(
        [
            weights @ (np.exp(-0.5 * ((grid - m[:, None]) / d[:, None]) ** 2) / d[:, None])
            for (m, d), (_, _, _, weights) in zip(moments, weighted, strict=True)
        ]
    )
    chances = np.array([p for p, *_ in weighted])
    expectations = []
    for density, (_, h, _, _) in zip(given[:LEADING], weighted, strict=False):
        cumulated = np.cumsum(density) / density.sum()
        points = [reading.kind.unscale(float(np.interp(q, cumulated, grid))) for q in (0.5, 0.1, 0.9)]
        if not reading.kind.logarithmic:
            points = [max(p, 0.0) for p in points]
        expectations.append(Expectation(h.cause.name, h.where, *points))
    return Check(
        reading,
        reading.how,
        _information(chances, given),
        _right(chances, given),
        tuple(expectations),
    )


def _skips(found: Found, k: int, pair: Pair, share: float) -> float:
    """Chance that a trial at a share of the top speed loses steps under a cause, by its limit or by instability."""
    scatter = 3.0 * TRIAL_SCATTER
    kept = 1.0 - float(found.quantile_weights @ ndtr((math.log(share) - found.log_skip[k]) / scatter))
    if pair.direction.label in found.unstable:
        chance, onset = found.unstable[pair.direction.label]
        kept *= 1.0 - chance * float(ndtr(math.log(share * pair.top / onset) / scatter))
    return ACCIDENT + (1.0 - 2.0 * ACCIDENT) * (1.0 - kept)


def row_checks(machine: Machine, inference: Inference, trials: int = 3) -> list[Check]:
    """Candidate sweep rows: speeds between those measured, in every direction and acceleration of the sweep."""
    weighted = [f for f in _worth_a_thought(inference) if f.log_skip.any()]
    if not weighted:
        return []
    chances = np.array([f.probability for f in weighted])
    found = []
    for k, pair in enumerate(inference.pairs):
        for share in (0.35, 0.5, 0.65, 0.8, 0.95):
            skip = np.array([_skips(f, k, pair, share) for f in weighted])
            # Outcomes none and some lost: what most people note.
            none = (1.0 - skip) ** trials
            outcomes = np.stack([none, 1.0 - none], axis=1)
            speed = share * pair.top
            how = (
                f"move along {pair.direction.label} at {pair.acceleration * 1e3:.0f} mm/s2 to {speed * 1e3:.0f} mm/s, "
                f"{trials} times"
            )
            expectations = tuple(
                Expectation(f.hypothesis.cause.name, f.hypothesis.where, float(s), float(s), float(s))
                for f, s in list(zip(weighted, skip, strict=True))[:LEADING]
            )
            found.append(
                Check(
                    None,
                    how,
                    _information(chances, outcomes),
                    _right(chances, outcomes),
                    expectations,
                    pair.direction.label,
                    pair.acceleration,
                    speed,
                )
            )
    return found


def next_checks(machine: Machine, inference: Inference, readings: Mapping[str, float], count: int = 3) -> list[Check]:
    """The checks expected to tell most about the cause; the cheap one first among those that tell about as much.

    Parameters
    ----------
    machine : Machine
    inference : Inference
    readings : mapping
        Readings already taken, which are not suggested again.
    count : int
        How many.
    """
    checks = [reading_check(machine, inference, r) for key, r in readings_of(machine).items() if key not in readings]
    now = inference.best.probability

    def worth(check: Check) -> float:
        # What names the right cause comes before what rules out the unlikely ones.
        return max(check.right - now, 0.0) + BIT_WORTH * check.information

    checks += sorted(row_checks(machine, inference), key=worth)[-1:]
    chosen: list[Check] = []
    while checks and len(chosen) < count:
        best = max(worth(c) for c in checks)
        if best < 1e-6 and chosen:
            break
        near = [c for c in checks if worth(c) >= NEARLY_AS_GOOD * best]
        pick = min(near, key=lambda c: (c.minutes, -c.information))
        chosen.append(pick)
        checks.remove(pick)
    return chosen


def swap_test(machine: Machine, inference: Inference) -> str:
    """What exchanging two motors' leads at the driver would show, for a fault on the side of one motor."""
    best = inference.best.hypothesis
    if (
        best.cause.sits not in ("motor", "motor or all")
        or best.where == "all"
        or inference.best.probability < HEALTH_PRIOR
    ):
        return ""
    others = [
        d for d in machine.drives if d.name != best.where and d.motor.name == machine.drive(best.where).motor.name
    ]
    if not others:
        return ""
    other, where = others[0].name, best.where
    if machine.layout == "crossed-belt" and {where, other} == {"a", "b"}:
        own, far = ("45", "135") if where == "a" else ("135", "45")
        shown = (
            f"commands along {own} (which then turn motor {other}) still lose steps early, the driver of {where} is at "
            f"fault; if instead commands along {far} (which then turn motor {where}) do, it is motor {where}, its cable or "
            "its plug"
        )
    else:
        shown = (
            f"commands for {where} (which then turn motor {other}) still lose steps early, the driver of {where} is at "
            f"fault; if instead commands for {other} do, it is motor {where}, its cable or its plug"
        )
    return (
        f"Swap test: power off, wait for the capacitors, exchange the leads of motors {where} and {other} at the driver, "
        f"power on and repeat short moves in the middle of the travel at a quarter of the speed first. If {shown}."
    )
