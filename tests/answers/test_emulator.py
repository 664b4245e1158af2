"""Properties of the emulator: what it is told it must give back, and where starts fail it must say so."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motionlimits.answers.causes import hypotheses
from motionlimits.answers.emulator import GAP, LEAST_CHANCE, Limits, emulator
from motionlimits.machine import Machine
from motionlimits.physics.limits import load_ratio, standing_ratio, standing_torque
from motionlimits.plant import PER_SAMPLE, log_widths, nominal_plant, plant_at, sample_plant

from ..machines import machine


def machines(count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Features and logs of standing ratios."""
    rng = np.random.default_rng(seed)
    return rng.standard_normal((count, 8)), -0.5 + 0.2 * rng.standard_normal(count)


@given(st.integers(0, 1000), st.floats(-2.0, 0.0), st.floats(0.0, 0.1))
def test_what_is_linear_is_carried_over(seed: int, middle: float, slope: float) -> None:
    features, standing = machines(400, seed)
    truth = middle + slope * features @ np.linspace(-1.0, 1.0, 8) - 0.2 * standing
    model = emulator(features[:200], standing[:200], truth[:200], np.ones(200), math.inf)
    kept, failed, chance = model.predict(features, standing)
    assert kept == pytest.approx(truth, abs=0.05 * (1.0 + np.ptp(truth)))
    assert np.array_equal(kept, failed)
    assert not chance.any()


@given(st.integers(0, 1000), st.floats(-0.6, -0.4))
def test_starts_that_fail_are_told_apart(seed: int, cliff: float) -> None:
    features, standing = machines(600, seed)
    fails = standing > cliff
    truth = np.where(fails, -2.5, -0.5) + 0.02 * features[:, 0]
    model = emulator(features[:300], standing[:300], truth[:300], np.ones(300), math.inf)
    kept, failed, chance = model.predict(features[300:], standing[300:])
    clear = np.abs(standing[300:] - cliff) > 0.1
    assert np.array_equal(chance[clear] > 0.5, fails[300:][clear])
    assert np.median(np.abs(kept - failed) - 2.0) == pytest.approx(0.0, abs=0.1)
    assert chance.min() >= LEAST_CHANCE
    assert chance.max() <= 1.0 - LEAST_CHANCE


@given(st.integers(0, 1000), st.floats(-1.0, 1.5), st.floats(0.1, 0.9))
def test_starts_that_fail_at_random_have_their_share(seed: int, load: float, share: float) -> None:
    """With one phase a start fails or not by where the rotor stands, whatever the load."""
    features, _ = machines(300, seed)
    fails = np.random.default_rng(seed).random(300) < share
    model = emulator(features, np.full(300, load), np.where(fails, -3.0, 0.4), np.ones(300), math.inf)
    assert model.predict(features, np.full(300, load))[2].mean() == pytest.approx(fails.mean(), abs=0.05)


@given(st.integers(0, 1000), st.floats(0.1, 10.0))
def test_only_ratios_of_weights_count(seed: int, scale: float) -> None:
    features, standing = machines(60, seed)
    rng = np.random.default_rng(seed)
    skip, weight = rng.normal(-0.5, 0.1, 60), rng.uniform(0.1, 1.0, 60)
    one, two = (emulator(features, standing, skip, w, 0.4) for w in (weight, scale * weight))
    assert one.kept == pytest.approx(two.kept, abs=1e-9)
    assert np.all(one.predict(features, standing)[0] <= 0.4)


def test_few_and_odd_machines() -> None:
    features, standing = machines(4, 0)
    for skip in (np.full(4, -0.3), np.array([-3.0, -0.2, -0.2, -0.2]), np.full(4, 0.47)):
        kept, failed, chance = emulator(features, standing, skip, np.ones(4), 0.47).predict(*machines(50, 1))
        assert np.all(np.isfinite([kept, failed, chance]))
    within = np.linspace(-1.0, -1.0 + 3.0 * GAP, 4)  # a slope, not a fall
    assert not emulator(features, standing, within, np.ones(4), 0.47).predict(features, standing)[2].any()


def test_limits_move_together() -> None:
    limits = Limits(np.zeros((2, 3)), np.full((2, 3), -2.0), np.full((2, 3), 0.25))
    moved = limits.moved(np.array([0.1, -0.1]))
    assert moved.kept[:, 0] == pytest.approx([0.1, -0.1])
    assert moved.failed[:, 2] == pytest.approx([-1.9, -2.1])
    assert np.array_equal(moved.chance, limits.chance)


def test_standing_ratio_is_the_first_of_the_load_ratios(cutter: Machine) -> None:
    for described in (machine(), cutter):
        plant = sample_plant(described, 20, 3)
        for direction in described.usual_directions():
            accelerations = np.array([1.0, 4.0])
            first, _ = load_ratio(plant, direction.vector, accelerations, np.ones(2), points=1)
            ratio = standing_ratio(plant, standing_torque(plant), direction.vector, accelerations)
            assert ratio == pytest.approx(first)


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


def test_a_size_for_each_sample_is_one_size_at_a_time(cutter: Machine) -> None:
    for described in (machine(), cutter):
        plant = sample_plant(described, 3, 2)
        for theory in hypotheses(described):
            sizes = theory.sizes(np.array([0.1, 0.5, 0.9]))
            together = theory.applied(plant, sizes)
            for i, size in enumerate(sizes.tolist()):
                alone = theory.applied(plant.take(slice(i, i + 1)), size)
                for name in ("voltage", "current_peak", "winding_resistance", "moving_mass", "friction", "open_phase"):
                    assert getattr(together, name)[i] == pytest.approx(getattr(alone, name)[0])
