"""A sweep simulated under every cause, in one call."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from motionlimits.answers.infer import Inference, Simulated, rank, sweep_search
from motionlimits.machine import Machine
from motionlimits.physics.skip import together
from motionlimits.sweep import SweepRow
from motionlimits.workers import Crew, usable_cores


def simulated_sweep(
    machine: Machine, rows: Sequence[SweepRow], workers: int | None = None, **options: Any
) -> Simulated:
    """`sweep_search` run on its own, on that many processes (None: all cores)."""
    crew = Crew(workers or usable_cores())
    return together([sweep_search(machine, rows, crew=crew, **options)], crew)[0]


def infer(machine: Machine, rows: Sequence[SweepRow], **options: Any) -> Inference:
    """Simulate and rank."""
    return rank(simulated_sweep(machine, rows, **options))
