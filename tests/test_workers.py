"""Simulations dealt out to processes: every lane once, pieces alike in cost, the same fates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from motionlimits.physics.motion import join, simulate, step_counts
from motionlimits.workers import STEP_COST, deal, simulator

from .lanes import lane


@given(st.lists(st.floats(10.0, 1e5), min_size=1, max_size=300), st.integers(1, 6))
def test_every_lane_is_dealt_once_and_pieces_cost_alike(work: list[float], pieces: int) -> None:
    steps = np.array(work)
    shares = deal(steps, pieces)
    assert len(shares) <= pieces
    assert sorted(np.concatenate(shares).tolist()) == list(range(steps.size))
    costs = [STEP_COST * steps[share].max() + steps[share].sum() for share in shares]
    # No deal can do better than one piece's share of the lanes' own cost with the longest lane's steps on top.
    assert max(costs) <= STEP_COST * steps.max() + steps.sum() + 1e-6
    assert max(costs) <= STEP_COST * steps.max() + steps.sum() / pieces + steps.max() + 1e-6


def test_fates_do_not_depend_on_the_dealing() -> None:
    speeds = np.linspace(0.05, 1.5, 400)
    lanes = join([lane(speed=float(v), acceleration=12.0, hold=0.01) for v in speeds])
    lanes = replace(lanes, slow_decay=lanes.slow_decay | (np.arange(400) % 3 == 0))
    with simulator(2) as shared:
        dealt = shared(lanes)
    alone = simulate(lanes)
    assert np.array_equal(dealt.lost, alone.lost)
    assert np.array_equal(dealt.speed, alone.speed, equal_nan=True)


def test_step_counts_are_about_right() -> None:
    """Counted by the recorder, which is called every sixth step of blocks of 48."""
    for speed, acceleration in ((0.1, 2.0), (0.6, 4.0)):
        one = lane(speed=speed, acceleration=acceleration, friction=0.0)
        calls: list[int] = []
        simulate(one, record=lambda *args, calls=calls: calls.append(1))
        assert 0.6 < 6 * len(calls) / float(step_counts(one)[0]) < 1.5
