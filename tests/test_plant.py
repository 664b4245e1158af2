from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motionlimits.plant import SLOW_DECAY_ODDS, nominal_plant, sample_plant, spread

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
