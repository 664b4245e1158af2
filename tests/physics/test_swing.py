from __future__ import annotations

import numpy as np
from hypothesis import given

from motionlimits.physics.constants import EQUAL_AREA_LIMIT
from motionlimits.physics.swing import clearing_time, start_step

from ..machines import number


@given(number(0.73, 20), number(1.01, 3))
def test_more_demand_may_last_less(demand: float, factor: float) -> None:
    assert clearing_time(demand * factor) < clearing_time(demand)


@given(number(0.0, 0.7), number(0.001, 0.02))
def test_more_friction_leaves_less_step(after: float, more: float) -> None:
    assert start_step(after + more) < start_step(after)


def test_ends() -> None:
    assert clearing_time(EQUAL_AREA_LIMIT * 0.999) == np.inf
    assert np.isfinite(clearing_time(EQUAL_AREA_LIMIT * 1.001))
    assert start_step(0.0) == 2.0
    assert start_step(EQUAL_AREA_LIMIT) < 1e-3
