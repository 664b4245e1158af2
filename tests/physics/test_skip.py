"""Speeds at which oscillation at constant speed loses steps, as a search among ramps finds them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motionlimits.physics import skip
from motionlimits.physics.lanes import move_lanes
from motionlimits.physics.motion import Fate, Lanes, simulate
from motionlimits.physics.skip import (
    CRUISE,
    MOST_AT_ONCE,
    SHORTEST_CRUISE,
    Moves,
    _cruise_time,
    _portions,
    ramp_search,
    steady_speed,
    together,
)
from motionlimits.plant import sample_plant

from ..lanes import random_machine

SHAKY = random_machine(np.random.default_rng([40, 1737]))  # invented, and drawn for its poor damping
LOOKED, NOT_LOOKED = 24, 8
MOVES = [
    Moves(d.vector, np.array([4.0, 8.0]), np.full(2, SHAKY.travel_along(d))) for d in map(SHAKY.direction, ("x", "y"))
]


def test_unstable_speeds_lose_steps_and_slower_ones_do_not() -> None:
    plant = sample_plant(SHAKY, LOOKED + NOT_LOOKED, seed=3)
    direction = SHAKY.direction("y")
    travel = SHAKY.travel_along(direction)
    moves = Moves(direction.vector, np.array([4.0, 8.0]), np.full(2, travel))
    (plain,) = together([ramp_search(plant, [moves])], simulate)[0]
    (cruised,) = together([ramp_search(plant, [moves], cruising=[np.arange(LOOKED)])], simulate)[0]
    assert np.array_equal(plain.skip, cruised.skip)
    assert np.all(np.isinf(plain.onset))
    assert np.all(np.isinf(cruised.onset[LOOKED:]))
    some = np.flatnonzero(np.isfinite(cruised.onset))
    assert some.size >= 8
    # A ramp of its own from another angle, and as long at its speed.
    onset = cruised.onset[some]
    assert np.all(onset < cruised.skip[:, some].max(axis=0))
    brisk = np.full(some.size, 4.0)

    def lost(share: float) -> int:
        speed = share * onset
        lanes = move_lanes(
            plant, direction.vector, brisk, speed, np.full(some.size, np.inf), sample=some, hold=CRUISE, phase=1.0
        )
        return int(simulate(lanes.lanes).lost.sum())

    assert lost(1.1) >= 0.75 * some.size
    assert lost(0.85) <= 0.25 * some.size


@given(st.floats(0.05, 50.0), st.floats(0.02, 3.0))
def test_steady_speeds_are_kept_just_long_enough(acceleration: float, travel: float) -> None:
    moves = Moves(np.ones(1), np.array([acceleration]), np.array([travel]))
    speed = steady_speed(moves)
    assert speed < moves.top
    assert _cruise_time(speed, moves.acceleration, moves.travel) == pytest.approx(SHORTEST_CRUISE)


def test_no_move_is_simulated_twice_in_a_round() -> None:
    """Where few moves are left to look at, several of their marks are, each once."""
    plant = sample_plant(SHAKY, LOOKED, seed=3)
    rounds = []

    def simulated(lanes: Lanes) -> Fate:
        if lanes.begin is not None:
            state = np.vstack([lanes.begin, lanes.speed, lanes.hold]).T
            rounds.append((len(state), len(np.unique(state, axis=0))))
        return simulate(lanes)

    together([ramp_search(plant, MOVES, cruising=[np.arange(LOOKED)] * 2)], simulated)
    assert len(rounds) >= 4
    assert all(lanes == different for lanes, different in rounds)


@given(st.lists(st.integers(0, 80_000), max_size=9))
def test_portions_take_every_direction_once(sizes: list[int]) -> None:
    found = list(_portions(sizes))
    assert [k for portion in found for k in range(portion.start, portion.stop)] == list(range(len(sizes)))
    for portion in found:
        assert sum(sizes[portion]) <= MOST_AT_ONCE or portion.stop - portion.start == 1


def test_limits_do_not_hang_on_portions(monkeypatch: pytest.MonkeyPatch) -> None:
    plant = sample_plant(SHAKY, LOOKED, seed=3)
    told: list[list[float]] = [[], []]
    looked = [np.arange(8)] * 2
    (whole,) = together([ramp_search(plant, MOVES, cruising=looked, progress=told[0].append)], simulate)
    monkeypatch.setattr(skip, "MOST_AT_ONCE", 1)
    (parts,) = together([ramp_search(plant, MOVES, cruising=looked, progress=told[1].append)], simulate)
    for one, other in zip(whole, parts, strict=True):
        assert np.array_equal(one.skip, other.skip)
        assert np.array_equal(one.onset, other.onset)
    for shares in told:
        assert shares == sorted(shares)
        assert shares[-1] == 1.0
    assert len(told[1]) > len(told[0])
