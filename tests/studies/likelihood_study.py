"""What each constant of the likelihood is worth: the evidence of the true cause on blind sweeps, one constant changed at a time.

Sweeps of `diagnosis_study`, the tool told the true cause and its place, not its size. A constant that matches the switching
truth more nearly makes the rows more likely. Real machines differ from both simulations, so the constants are a little wider
than what is best here.

Run `python -m tests.studies.likelihood_study [cases] [first seed]` from the top of the checkout; it prints its table and
writes it beside this file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from scipy.special import logsumexp

from motionlimits.answers import likelihood
from motionlimits.answers.causes import hypotheses
from motionlimits.answers.infer import Survey

from ..inference import surveyed
from .chunks import asked_for, in_chunks
from .diagnosis_study import CHUNK, draw_cases

TABLE = Path(__file__).parent / "likelihood.txt"
USUAL = {"PAIR_OFFSET": likelihood.PAIR_OFFSET}
CHANGES: tuple[dict[str, Any], ...] = (
    {"COMMON_SHARE": 0.05},
    {"COMMON_SHARE": 0.4},
    {"COMMON_SHARE": 1.0 - 1e-9},
    {"UNSTABLE": 1e-9, "UNSTABLE_SLOW": 1e-9},
    {"UNSTABLE": 0.05, "UNSTABLE_SLOW": 0.3},
    {"UNSTABLE": 0.2, "UNSTABLE_SLOW": 0.5},
    {"UNSTABLE_SLOW": 0.1},
    {"UNSTABLE_DIRECTIONS": 0.3},
    {"UNSTABLE_DIRECTIONS": 0.9},
    {"UNSTABLE_AT": 400.0},
    {"UNSTABLE_AT": 750.0},
    {"UNSTABLE_SPREAD": 0.25},
    {"UNSTABLE_SPREAD": 0.8},
    {"UNSTABLE_APART": 0.06},
    {"UNSTABLE_APART": 0.5},
    {"ONSET_WIDTH": 0.12},
    {"ONSET_WIDTH": 0.3},
    {"PAIR_OFFSET": 0.05},
    {"PAIR_OFFSET": 0.08},
    {"JUMP_SHARES": (0.1, 0.1)},
    {"JUMP_SHARES": (0.01, 0.1)},
    {"JUMP_SHARES": (0.04, 0.1)},
    {"JUMP_SHARES": (0.02, 0.05)},
    {"JUMP_SHARES": (0.02, 0.15)},
    {"JUMP_DEPTH": 2.0},
    {"TRIAL_SCATTER": 0.02},
    {"TRIAL_SCATTER": 0.06},
    {"ACCIDENT": 0.005},
)


def evidence(change: Mapping[str, float], case: Survey) -> float:
    """Log evidence of the true cause with some constants of the likelihood changed."""
    outlook = case.outlooks[-1]
    # What a machine counts for, less the likelihood it counted for: how often such occur over how often they were drawn.
    log_density = outlook.log_weight - case.fit.log_likelihood(outlook.limits, outlook.unstable)
    slow = outlook.unstable == likelihood.UNSTABLE_SLOW
    with patch.multiple(likelihood, **change):
        fit = likelihood.RowsFit(case.machine, case.pairs)
        unstable = np.where(slow, likelihood.UNSTABLE_SLOW, likelihood.UNSTABLE)
        machines = fit.log_likelihood(outlook.limits, unstable) + log_density
    return float(logsumexp(machines)) - math.log(outlook.drawn)


def some_cases(seeds: Sequence[int]) -> list[list[float]]:
    """Of some sweeps, the log evidence of the true cause: as it is, and with each change."""
    found = []
    for truth in draw_cases(seeds):
        # Health comes first: others refer to it.
        theories = list(dict.fromkeys([hypotheses(truth.machine)[0], truth.theory]))
        case = surveyed(truth.machine, truth.rows, workers=1, seed=truth.seed, theories=theories)
        found.append([evidence(change, case) for change in (USUAL, *CHANGES)])
    return found


def table_of(found: Sequence[Sequence[float]]) -> list[str]:
    """What each change does to the sum over the cases."""
    told = np.array(found)
    lines = [f"cases {len(told)}; mean log evidence of the true cause {told[:, 0].mean():.2f}; changes of the sum:"]
    for change, changed in zip(CHANGES, told[:, 1:].T, strict=True):
        difference = changed - told[:, 0]
        name = ", ".join(f"{key} {value}" for key, value in change.items())
        error = difference.std() * math.sqrt(difference.size)
        lines.append(f"  {name}: {difference.sum():+.1f} (standard error {error:.1f})")
    return lines


def study(seeds: range) -> list[str]:
    """All cases on all cores."""
    return in_chunks(some_cases, seeds, CHUNK, table_of, TABLE)


if __name__ == "__main__":
    asked_for(study, "constants of the likelihood on blind sweeps", TABLE)
