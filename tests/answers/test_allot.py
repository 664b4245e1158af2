from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize

from motionlimits.answers.allot import EVEN_SHARE, MOST_MORE, _filled, by_cause, by_pair, least_left, left

PAIRS = 3


@given(st.lists(st.floats(1e-3, 1.0), min_size=1, max_size=6), st.integers(50, 700), st.integers(4, 200))
def test_machines_go_to_causes_whose_chance_hangs_on_them(odds: list[float], altogether: int, before: int) -> None:
    chances = np.array(odds) / sum(odds)
    likely = list(range(len(odds)))
    had = {i: np.full(PAIRS, before) for i in likely}
    count = by_cause(chances, {i: [i] * PAIRS for i in likely}, had, altogether)
    assert set(count) == set(likely)
    assert all(np.all(number == number[0]) for number in count.values())
    assert sum(number[0] for number in count.values()) <= altogether + len(likely)
    assert all(0 < number[0] <= MOST_MORE * before for number in count.values())
    by_distance = sorted(likely, key=lambda i: abs(chances[i] - 0.5))
    assert all(count[one][0] >= count[other][0] - 1 for one, other in pairwise(by_distance))


def test_what_causes_share_is_simulated_once() -> None:
    """Of the second pair healthy machines stand for all three causes."""
    chances = np.array([0.2, 0.5, 0.3])
    owners = {0: [0, 0], 1: [1, 0], 2: [2, 0]}
    had = {i: np.array([40, 80]) for i in owners}
    count = by_cause(chances, owners, had, 300)
    most = max(number[0] for number in count.values())
    shared = sum(number[1] for number in count.values())
    assert most <= shared <= most + len(owners)
    assert count[1][1] > count[2][1] > count[0][1] > 0


@given(
    st.lists(st.floats(0.01, 2.0), min_size=2, max_size=5),
    st.lists(st.integers(10, 1000), min_size=5, max_size=5),
)
def test_least_is_left_open(hangs: list[float], had: list[int]) -> None:
    """As minimised by scipy.optimize.minimize (SLSQP): what is open to so many machines falls with the root of their number."""
    open_, number = np.array(hangs), np.array(had[: len(hangs)], dtype=float)
    share = least_left(open_, number)
    assert share.sum() == pytest.approx(1.0)

    def open_after(shares: np.ndarray) -> float:
        return float(np.sum(open_**2 * number / shares))

    even = np.full(open_.size, 1.0 / open_.size)
    bounds, whole = [(1e-4, 1.0)] * open_.size, {"type": "eq", "fun": lambda shares: shares.sum() - 1.0}
    best = minimize(
        lambda shares: open_after(shares) / open_after(even), even, bounds=bounds, constraints=whole, method="SLSQP"
    )
    assert best.success
    assert open_after(share) <= open_after(best.x) * (1.0 + 1e-6)
    assert open_after(share) == pytest.approx(open_after(best.x), rel=0.01)


@given(st.lists(st.tuples(st.floats(0.01, 1.0), st.floats(1.0, 500.0)), min_size=1, max_size=8), st.floats(1.0, 5000.0))
def test_none_gets_more_than_its_most(each: list[tuple[float, float]], altogether: float) -> None:
    share, most = (np.array(column) for column in zip(*each, strict=True))
    count = _filled(share, most, altogether)
    assert np.all(count <= most * (1.0 + 1e-9))
    assert count.sum() == pytest.approx(min(altogether, most.sum()), rel=1e-6)
    # Those that could take more have it by their shares.
    room = count < 0.999 * most
    assert np.ptp((count / share)[room]) <= 1e-6 * count.sum() / share.min() if room.any() else True


def test_ramps_go_to_pairs_on_which_chances_hang() -> None:
    chances = np.array([0.5, 0.4, 0.1])
    owners = {0: [0, 0, 0], 1: [1, 1, 0], 2: [2, 2, 0]}
    had = {i: np.full(PAIRS, 200) for i in owners}
    odd = np.array([1.0, -1.0, 1.0, -1.0])[:, None]
    still = np.zeros(PAIRS)
    moves = {0: odd * still, 1: odd * [0.3, 0.0, 0.2], 2: odd * [0.0, 0.0, 0.2]}
    count = by_pair(chances, owners, had, moves, 2500)
    cells = len({(owner, k) for of in owners.values() for k, owner in enumerate(of)})
    even = EVEN_SHARE * 2500 / cells
    assert count[1][0] > 5 * even
    # Nothing hangs on these; and little where all causes but one move alike.
    assert [count[1][1], count[2][0], count[2][1], count[0][0]] == pytest.approx([even] * 4, abs=2)
    shared = sum(number[2] for number in count.values())
    assert even < shared < count[1][0]
    assert sum(number.sum() for number in count.values()) == pytest.approx(2500, abs=3 * cells)
    # Where all move alike, nothing.
    alike = {i: odd * [0.0, 0.0, 0.5] for i in owners} | {1: odd * [0.3, 0.0, 0.5]}
    again = by_pair(chances, owners, had, alike, 2500)
    assert sum(number[2] for number in again.values()) == pytest.approx(even, abs=3)
    assert again[1][0] > count[1][0]


def test_no_more_ramps_than_it_takes() -> None:
    chances = np.array([0.6, 0.4])
    owners = {0: [0, 0, 0], 1: [1, 1, 1]}
    had = {i: np.full(PAIRS, 200) for i in owners}
    odd = np.array([1.0, -1.0])[:, None]
    moves = {0: 0.0 * odd * np.ones(PAIRS), 1: odd * [0.2, 0.05, 0.0]}

    def ramps(enough: float, too_much: float = math.inf) -> int:
        count = by_pair(chances, owners, had, moves, 3000, enough, too_much)
        return int(sum(number.sum() for number in count.values()))

    # A chance of 0.4 moves by 0.24 times what its logarithm moves by, and the other as far the other way.
    before = math.hypot(0.2, 0.05) * 0.24 * math.sqrt(2.0)
    assert ramps(1.02 * before) == 0
    assert 0 < ramps(0.95 * before) < ramps(0.7 * before) < ramps(0.55 * before) <= 3000 + 6
    assert ramps(0.0) == ramps(1e-6)
    # Up to twice as many where too much is left.
    assert ramps(0.0) == pytest.approx(3000, abs=6)
    assert ramps(0.0, 0.5 * before) == ramps(0.0)
    assert ramps(0.0, 0.01 * before) == pytest.approx(6000, abs=6)


@given(st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(1.0, 500.0)), min_size=1, max_size=6), st.floats(0.0, 100.0))
def test_as_many_again_leave_open_by_the_root_of_two(each: list[tuple[float, float]], times: float) -> None:
    hangs, number = (np.array(column) for column in zip(*each, strict=True))
    whole = math.sqrt(float(np.sum(hangs**2)))
    assert left(hangs, number, times * number) == pytest.approx(whole / math.sqrt(1.0 + times))
