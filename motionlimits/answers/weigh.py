"""What rows, readings and displacements say of one cause: the weight of its machines, and of the cause."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from scipy.special import logsumexp

from ..machine import Array, Machine
from ..readings import readings_of
from .bench import Outlook, Said, size_quantiles
from .causes import Hypothesis
from .proposal import shares, smoothed
from .readings import expected

# Loss of skip speed (its logarithm, in the mean of half of the accelerations of a direction, two at least: where it is worst) up to
# which hardly anybody asks, and from which everybody does: a fifth, and a third. UNNOTICED is how many ask all the same.
UNNOTICED_LOSS, NOTICED_LOSS = 0.2, 0.4
WORST_SHARE, LEAST_WORST = 0.5, 2
UNNOTICED = 0.03
# How common the sizes at either end of a range are, over the mean: there a fault is hardly noticed, or the machine hardly moves.
# A choice: nobody has counted how large faults are.
AT_ENDS = 0.1


class Weight(NamedTuple):
    """What rows and readings say of one hypothesis: log of prior times evidence, and of the weights of its machines; and how much
    `smoothed` changed both.
    """

    score: float
    machines: Array
    smoothing: float = 0.0


def said_of(
    machine: Machine,
    theory: Hypothesis,
    typical: Array,
    healthy: Array,
    directions: Sequence[Sequence[int]],
    readings: Mapping[str, float],
) -> Said:
    """What readings, that somebody asks, and how common sizes are say of the size of a fault.

    `typical` as of `Outlook`; `healthy` (pairs,) is what the healthy machine does; pairs by `directions`.
    """
    at = size_quantiles(theory)
    read = evidence_fit(machine, theory, readings, theory.sizes(at))
    if theory.sized:
        read = read + np.log(usual(at) * noticed(healthy, typical, directions))
    return lambda quantiles: np.asarray(np.interp(quantiles, at, read))


def weigh(
    machine: Machine, theory: Hypothesis, outlook: Outlook, said: Said, slipped: Sequence[tuple[str, ...]]
) -> Weight:
    """Weigh a hypothesis by rows, by what is `said_of` the size of its fault, and by which motors lost steps."""
    whole = outlook.log_weight + said(outlook.quantiles)
    machines = smoothed(whole)
    total = float(logsumexp(machines))
    score = math.log(theory.prior) + total - math.log(outlook.drawn) + damage_fit(machine, theory, slipped)
    return Weight(score, machines, abs(float(logsumexp(whole)) - total))


def chances_of(scores: Iterable[float]) -> Array:
    """Probability of each hypothesis from the logarithm of prior times evidence."""
    return shares(np.array(list(scores)))


def usual(quantiles: Array) -> Array:
    """How common faults of some size are, over the mean, by quantiles of its prior: a parabola, most in the middle."""
    return AT_ENDS + (1.0 - AT_ENDS) * 6.0 * quantiles * (1.0 - quantiles)


def noticed(healthy: Array, faulty: Array, directions: Sequence[Sequence[int]]) -> Array:
    """Chance that a fault makes its owner ask, by size: (pairs,) and (sizes, pairs) log skip over top speed -> (sizes,).

    A sweep is driven since a machine does clearly less than it did. A fault that takes little within the travel from each of the
    `directions`, which are pairs of the sweep, is not why, nor is one that only shows at a few of many accelerations, where a
    start is just about to fail. Common practice, no source.
    """
    taken = np.minimum(healthy, 0.0) - np.minimum(faulty, 0.0)
    most = np.zeros(len(faulty))
    for pairs in directions:
        worst = max(math.ceil(WORST_SHARE * len(pairs)), LEAST_WORST)
        most = np.maximum(most, np.sort(taken[:, list(pairs)], axis=1)[:, -worst:].sum(axis=1) / worst)
    share = (most - UNNOTICED_LOSS) / (NOTICED_LOSS - UNNOTICED_LOSS)
    return UNNOTICED + (1.0 - UNNOTICED) * np.clip(share, 0.0, 1.0)


def evidence_fit(machine: Machine, theory: Hypothesis, readings: Mapping[str, float], sizes: Array) -> Array:
    """Log-likelihood of the readings for each size."""
    total = np.zeros(sizes.size)
    for key, reading in readings.items():
        mean, deviation = expected(machine, theory, key, sizes)
        z = (readings_of(machine)[key].kind.scale(reading) - mean) / deviation
        # A slip of the pen or a bad contact now and then: long tails.
        total += np.logaddexp(math.log(0.98) - 0.5 * z * z, math.log(0.02) - 0.5 * (z / 10.0) ** 2 - math.log(10.0))
        total -= np.log(deviation)
    return total


def damage_fit(machine: Machine, theory: Hypothesis, slipped: Sequence[tuple[str, ...]]) -> float:
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
