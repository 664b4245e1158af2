from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motionlimits.machine import Machine
from motionlimits.plant import PER_SAMPLE, SLOW_DECAY_ODDS, log_widths, nominal_plant, plant_at, sample_plant, spread

from .machines import machine


@given(st.integers(2, 60), st.integers(0, 10_000))
def test_samples_are_spread_evenly(samples: int, seed: int) -> None:
    """One in each stratum of its distribution (Latin hypercube), the first nominal."""
    described = machine()
    plant, nominal = sample_plant(described, samples, seed), nominal_plant(described)
    assert plant.torque_constant[0] == pytest.approx(nominal.torque_constant[0])
    width = math.sqrt(math.log1p(float(spread(described)["torque_constant"][0]) ** 2))
    drawn = np.log(plant.torque_constant[1:, 0] / nominal.torque_constant[0, 0]) / width
    strata = np.floor([NormalDist().cdf(z) * (samples - 1) + 1e-9 for z in drawn])
    assert sorted(np.minimum(strata, samples - 2)) == list(range(samples - 1))
    slow = int(np.sum(plant.slow_decay[:, 0]))
    assert abs(slow - SLOW_DECAY_ODDS * (samples - 1)) <= 1.0
    assert not plant.slow_decay[0].any()


def test_inputs_are_drawn_apart() -> None:
    plant = sample_plant(machine(), 200, 5)
    drawn = [plant.torque_constant[1:, 0], plant.torque_constant[1:, 1], plant.friction[1:, 0], plant.voltage[1:]]
    correlation = np.corrcoef(np.log(drawn)) - np.eye(4)
    assert np.abs(correlation).max() < 0.3


def test_a_plant_at_no_deviation_is_the_one_described(cutter: Machine) -> None:
    for described in (machine(), cutter):
        count = log_widths(described).size
        at = plant_at(described, np.zeros((2, count)), np.ones(2))
        for name in PER_SAMPLE:
            assert getattr(at, name) == pytest.approx(np.repeat(getattr(nominal_plant(described), name), 2, axis=0))
        one_up = plant_at(described, np.eye(count), np.ones(count))
        with np.errstate(invalid="ignore"):  # a stiff screw stays infinitely stiff
            up = np.concatenate(
                [np.log(getattr(one_up, n) / getattr(at, n)[:1]).reshape(count, -1) for n in PER_SAMPLE[:-2]], axis=1
            )
        told = np.isfinite(up).all(axis=0)
        expected = np.diag(log_widths(described))
        limited = np.concatenate([np.full(getattr(at, n)[0].size, n == "efficiency") for n in PER_SAMPLE[:-2]])
        assert up[:, told & ~limited] == pytest.approx(expected[:, told & ~limited])
