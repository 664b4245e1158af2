"""Speeds at which oscillation at constant speed loses steps, as a search among ramps finds them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motionlimits.physics import skip
from motionlimits.physics.lanes import move_lanes
from motionlimits.physics.motion import MARK_RATIO, Fate, Lanes, simulate
from motionlimits.physics.skip import (
    CRUISE,
    HELD_CYCLES,
    HOLD,
    MOST_AT_ONCE,
    SHORTEST_CRUISE,
    Moves,
    _portions,
    brief_travel,
    ramp_search,
    skip_search,
    steady_speed,
    together,
)
from motionlimits.plant import sample_plant

from ..lanes import random_machine

SHAKY = random_machine(np.random.default_rng([40, 1737]))  # invented, and drawn for its poor damping
LOOKED = 32
MOVES = [
    Moves(d.vector, np.array([4.0, 8.0]), np.full(2, SHAKY.travel_along(d))) for d in map(SHAKY.direction, ("x", "y"))
]


def test_unstable_speeds_lose_steps_and_slower_ones_do_not() -> None:
    plant = sample_plant(SHAKY, LOOKED, seed=3)
    direction = SHAKY.direction("y")
    travel = SHAKY.travel_along(direction)
    moves = Moves(direction.vector, np.array([4.0, 8.0]), np.full(2, travel))
    (plain,) = together([ramp_search(plant, [moves])], simulate)[0]
    (cruised,) = together([ramp_search(plant, [moves], cruising=True)], simulate)[0]
    assert np.array_equal(plain.skip, cruised.skip)
    assert np.all(np.isinf(plain.onset))
    assert not plain.cruised.any()
    looked = cruised.cruised > 0.0
    assert looked.mean() > 0.9
    assert np.all(cruised.cruised[looked] < cruised.skip[0, looked])
    # The fastest looked at is hardly below what else loses the sample.
    within = np.minimum(cruised.skip[0], moves.top[0])[looked]
    assert np.all(cruised.cruised[looked] > within / MARK_RATIO**2)
    some = np.flatnonzero(np.isfinite(cruised.onset))
    assert some.size >= 8
    # A ramp of its own from another angle, and as long at its speed.
    onset = cruised.onset[some]
    assert np.all(onset < cruised.cruised[some])
    brisk = np.full(some.size, 4.0)

    def lost(share: float) -> int:
        speed = share * onset
        lanes = move_lanes(
            plant, direction.vector, brisk, speed, np.full(some.size, np.inf), sample=some, hold=CRUISE, phase=1.0
        )
        return int(simulate(lanes.lanes).lost.sum())

    # Where a range of speeds is narrow the angle decides.
    assert lost(MARK_RATIO) >= 0.6 * some.size
    assert lost(0.85) <= 0.25 * some.size


@given(st.floats(0.05, 50.0), st.floats(0.02, 3.0))
def test_steady_speeds_are_kept_just_long_enough(acceleration: float, travel: float) -> None:
    moves = Moves(np.ones(1), np.array([acceleration]), np.array([travel]))
    speed = steady_speed(moves)
    assert speed < moves.top
    # What is left of the travel, at that speed.
    assert travel / speed - speed / acceleration == pytest.approx(SHORTEST_CRUISE)


@given(st.floats(0.05, 50.0), st.floats(0.01, 3.0), st.sampled_from(["x", "y", "45"]))
def test_brief_moves_keep_their_speed_for_a_swing_and_some_cycles(
    acceleration: float, speed: float, label: str
) -> None:
    plant, unit = sample_plant(SHAKY, 2, seed=3), SHAKY.direction(label).vector
    kept = (brief_travel(plant, unit, acceleration, speed) - speed**2 / acceleration) / speed
    # Electrical frequency of the faster motor by hand: a turn of the pulley is 50 periods.
    turns = np.abs(plant.kinematic_map @ unit) * speed / (2.0 * np.pi * plant.radius)
    frequency = 50.0 * turns.max()
    assert kept == pytest.approx(max(HOLD, HELD_CYCLES / frequency))
    if frequency > 200.0:
        assert kept < SHORTEST_CRUISE


def test_instability_limits_no_brief_move() -> None:
    """Oscillation needs time at a speed: without it the limits are those of ramps."""
    plant, travel = sample_plant(SHAKY, LOOKED, seed=3), SHAKY.travel_along(SHAKY.direction("y"))
    moves = Moves(SHAKY.direction("y").vector, np.array([4.0, 8.0]), np.full(2, travel))
    (long,) = together([skip_search(plant, [moves])], simulate)[0]
    (brief,) = together([skip_search(plant, [moves._replace(brief=True)])], simulate)[0]
    assert long.unstable.any()
    assert not brief.unstable.any()
    assert np.array_equal(brief.skip[~long.unstable], long.skip[~long.unstable])
    assert np.all(brief.skip[long.unstable] > long.skip[long.unstable])


def test_no_move_is_simulated_twice_in_a_round() -> None:
    """Where few moves are left to look at, several of their marks are, each once."""
    plant = sample_plant(SHAKY, LOOKED, seed=3)
    rounds = []

    def simulated(lanes: Lanes) -> Fate:
        if lanes.begin is not None:
            state = np.vstack([lanes.begin, lanes.speed, lanes.hold]).T
            rounds.append((len(state), len(np.unique(state, axis=0))))
        return simulate(lanes)

    together([ramp_search(plant, MOVES, cruising=True)], simulated)
    assert len(rounds) >= 3
    assert all(lanes == different for lanes, different in rounds)


@given(st.lists(st.integers(0, 80_000), max_size=9))
def test_portions_take_every_direction_once(sizes: list[int]) -> None:
    found = list(_portions(sizes))
    assert [k for portion in found for k in range(portion.start, portion.stop)] == list(range(len(sizes)))
    for portion in found:
        assert sum(sizes[portion]) <= MOST_AT_ONCE or portion.stop - portion.start == 1


def test_limits_do_not_hang_on_portions(monkeypatch: pytest.MonkeyPatch) -> None:
    plant = sample_plant(SHAKY, LOOKED, seed=3)
    (whole,) = together([ramp_search(plant, MOVES, cruising=True)], simulate)
    monkeypatch.setattr(skip, "MOST_AT_ONCE", 1)
    (parts,) = together([ramp_search(plant, MOVES, cruising=True)], simulate)
    for one, other in zip(whole, parts, strict=True):
        assert np.array_equal(one.skip, other.skip)
        assert np.array_equal(one.onset, other.onset)
        assert np.array_equal(one.cruised, other.cruised)
