"""Shared test machines: all invented."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from motionlimits.answers.diagnose import Diagnosis, diagnose
from motionlimits.files.machines import read_machine
from motionlimits.files.sweeps import read_sweep
from motionlimits.machine import Machine
from motionlimits.sweep import SweepRow

ROOT = Path(__file__).resolve().parents[1]
EXAMPLES = ROOT / "examples"

settings.register_profile(
    "steady", derandomize=True, deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("steady")


@pytest.fixture(scope="session", autouse=True)
def one_process_each() -> Iterator[None]:
    """Where tests run in several processes, none deals out work to more: two halves of the same moves cost more than the whole."""
    with pytest.MonkeyPatch.context() as patch:
        if "PYTEST_XDIST_WORKER" in os.environ:
            patch.setattr("motionlimits.workers.usable_cores", lambda: 1)
        yield


@pytest.fixture(scope="session")
def gantry() -> Machine:
    return read_machine(EXAMPLES / "crossed-belt-gantry" / "machine.toml")


@pytest.fixture(scope="session")
def short(gantry: Machine) -> Machine:
    """The gantry with little travel: its moves are simulated in a third of the time."""
    return replace(gantry, axes=tuple(replace(axis, travel=0.12) for axis in gantry.axes))


@pytest.fixture(scope="session")
def cutter() -> Machine:
    return read_machine(EXAMPLES / "screw-cutter" / "machine.toml")


@pytest.fixture(scope="session")
def example_rows(gantry: Machine) -> tuple[SweepRow, ...]:
    return tuple(read_sweep(EXAMPLES / "crossed-belt-gantry" / "sweep.csv", gantry))


@pytest.fixture(scope="session")
def example(gantry: Machine, example_rows: tuple[SweepRow, ...]) -> Diagnosis:
    """The gantry's sweep diagnosed, once for all tests that look at it."""
    return diagnose(gantry, example_rows)
