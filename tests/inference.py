"""A sweep looked at under every cause, in one call."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from motionlimits.answers.infer import Inference, Survey, rank, survey
from motionlimits.answers.likelihood import FREQUENCIES, Limits
from motionlimits.machine import Array, Machine
from motionlimits.sweep import SweepRow
from motionlimits.workers import Crew


def surveyed(machine: Machine, rows: Sequence[SweepRow], workers: int | None = None, **options: Any) -> Survey:
    """`survey` on that many processes (None: all cores)."""
    return survey(machine, rows, crew=Crew(workers) if workers else Crew(), **options)


def surely(kept: Array, directions: int = 1) -> Limits:
    """Limits (machines, pairs) of machines whose start succeeds, that chance leaves alone and that are stable at any speed."""
    stable = np.zeros((len(kept), directions, FREQUENCIES.size))
    nothing = np.zeros_like(kept)
    return Limits(kept, kept, *4 * (nothing,), stable)


def infer(machine: Machine, rows: Sequence[SweepRow], **options: Any) -> Inference:
    """Survey and rank."""
    return rank(surveyed(machine, rows, **options))
