"""Properties of the emulator: what it is told it must give back, and where starts fail it must say so."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motionlimits.answers.causes import hypotheses
from motionlimits.answers.emulator import (
    GAP,
    LEAST_CHANCE,
    LUCK_POINTS,
    LUCK_TAKEN_IN,
    TOLERANCE_SHRINKAGE,
    USUALLY_LEFT,
    Limits,
    Traits,
    emulator,
    weighted_quantiles,
)
from motionlimits.machine import Machine
from motionlimits.physics.limits import (
    available_under_load,
    load_ratio,
    pull_in_acceleration,
    pull_out_speed,
    standing_ratio,
    static_limits,
    torque_curve,
)
from motionlimits.plant import PER_SAMPLE, at_work, log_widths, nominal_plant, plant_at, sample_plant

from ..lanes import random_machine
from ..machines import machine

LOOKED_TO, HIGHEST = math.log(1.25), math.log(1.6)


def machines(count: int, seed: int) -> Traits:
    """Eight features, a fifth of the drivers of the slow kind."""
    rng = np.random.default_rng(seed)
    return Traits(
        -0.5 + 0.2 * rng.standard_normal(count),
        rng.uniform(-1.3, -0.3, count),
        (rng.random(count) < 0.2).astype(float),
        rng.standard_normal((count, 8)),
        np.full(8, 10.0),
        np.arange(8) < 3,
    )


def first(traits: Traits, count: int) -> Traits:
    return traits.of(np.arange(count))


@given(st.integers(0, 1000), st.floats(-0.5, 0.0), st.floats(0.0, 0.02), st.floats(0.7, 1.2))
def test_what_is_linear_is_carried_over(seed: int, offset: float, slope: float, of_static: float) -> None:
    traits = machines(400, seed)
    truth = offset + of_static * traits.steady + slope * traits.features @ np.linspace(-1.0, 1.0, 8)
    truth = np.minimum(truth - 0.2 * traits.standing, LOOKED_TO)
    model = emulator(first(traits, 200), truth[:200], np.ones(200), LOOKED_TO, math.inf)
    kept, failed, chance = model.predict(traits)
    assert np.minimum(kept, LOOKED_TO) == pytest.approx(truth, abs=0.05)
    assert np.array_equal(kept, failed)
    assert not chance.any()
    assert not model.kept_luck.any()


@given(st.integers(0, 150), st.floats(-0.3, 0.0), st.floats(0.6, 1.0))
def test_drivers_of_the_slow_kind_follow_statics_in_their_own_way(seed: int, offset: float, of_static: float) -> None:
    traits = machines(400, seed)
    slow = traits.slow > 0.0
    truth = traits.steady + np.where(slow, offset + (of_static - 1.0) * (traits.steady + 0.8), 0.0)
    model = emulator(first(traits, 200), truth[:200], np.ones(200), math.inf, math.inf)
    off = np.square(model.predict(traits)[0] - truth)
    assert math.sqrt(off[~slow].mean()) < 0.01
    assert math.sqrt(off[slow].mean()) < 0.04


@given(st.integers(0, 1000), st.floats(-0.1, 0.1), st.floats(-0.1, 0.1), st.floats(-0.1, 0.1))
def test_what_belts_do_hangs_on_other_things(seed: int, by_load: float, by_kind: float, bent: float) -> None:
    """Products with the load and the kind of driver are carried over for joint features, and for no others."""
    traits = machines(1000, seed)

    def left(feature: int) -> float:
        x = traits.features[:, feature]
        truth = traits.steady + x * (by_load * (traits.standing + 0.5) / 0.4 + by_kind * traits.slow) + bent * x**2
        model = emulator(first(traits, 800), truth[:800], np.ones(800), math.inf, math.inf)
        return float((model.predict(traits)[0] - truth)[800:].std())

    size = math.hypot(by_load, by_kind, bent)
    assert left(0) < 0.25 * size + 0.001
    assert left(7) > 0.25 * size - 0.001


@given(st.integers(0, 1000), st.floats(-1.0, -0.2))
def test_a_few_odd_machines_hardly_bend_the_rest(seed: int, far: float) -> None:
    """However far off they are, and whether they are taken for failed starts or not: one in twenty counts for no more than
    one in twenty at the distance that is usual, and half as much again.
    """
    traits = machines(200, seed)
    odd = np.arange(200) % 20 == 0
    truth = traits.steady + 0.05 * traits.features[:, 0]
    alone = emulator(traits, truth, np.ones(200), math.inf, math.inf)
    bent = emulator(traits, truth + far * odd, np.ones(200), math.inf, math.inf)
    assert abs(np.mean((bent.predict(traits)[0] - alone.predict(traits)[0])[~odd])) < 1.5 * USUALLY_LEFT / 20


@given(st.integers(0, 1000), st.floats(-0.2, 0.6))
def test_limits_beyond_what_was_looked_at_do_not_bend_the_rest(seed: int, offset: float) -> None:
    """Of those only a lower bound is known: the regression goes on as it does below."""
    traits = machines(400, seed)
    truth = 0.3 + offset + traits.steady
    seen = np.where(truth > LOOKED_TO, HIGHEST, truth)
    model = emulator(first(traits, 200), seen[:200], np.ones(200), LOOKED_TO, math.inf)
    kept, _, _ = model.predict(traits)
    within = truth < LOOKED_TO
    assert np.abs((kept - truth)[within]).max() < 0.08
    assert np.all(kept[truth > LOOKED_TO + 0.1] > LOOKED_TO - 0.05)


@given(st.integers(0, 1000), st.floats(-0.6, -0.4))
def test_starts_that_fail_are_told_apart(seed: int, cliff: float) -> None:
    traits = machines(600, seed)
    fails = traits.standing > cliff
    truth = np.where(fails, -2.5, traits.steady + 0.3) + 0.02 * traits.features[:, 0]
    model = emulator(first(traits, 300), truth[:300], np.ones(300), LOOKED_TO, math.inf)
    kept, failed, chance = model.predict(traits)
    clear = np.abs(traits.standing - cliff) > 0.1
    assert np.array_equal(chance[clear] > 0.5, fails[clear])
    assert np.median(np.abs(np.where(fails, failed, kept) - truth)) < 0.05
    assert chance.min() >= LEAST_CHANCE
    assert chance.max() <= 1.0 - LEAST_CHANCE


@given(st.integers(0, 1000), st.floats(-0.55, -0.45), st.floats(0.2, 0.6))
def test_starts_that_fail_not_far_below_the_others(seed: int, cliff: float, deep: float) -> None:
    """A fall no deeper than what limits vary by anyway: told from what either kind does, not from the gap alone."""
    traits = machines(400, seed)
    fails = traits.standing > cliff
    truth = np.where(fails, -1.8 - deep - 2.0 * (traits.standing - cliff), -1.8 + 0.01 * traits.features[:, 0])
    model = emulator(first(traits, 200), truth[:200], np.ones(200), LOOKED_TO, math.inf)
    kept, failed, chance = model.predict(traits)
    off = np.where(chance > 0.5, failed, kept) - truth
    clear = (np.abs(traits.standing - cliff) > 0.1) & (truth > truth[:200].min())
    assert np.median(np.abs(off[clear])) < 0.03
    assert np.abs(off[clear]).max() < 0.3


@given(st.integers(0, 1000), st.integers(800, 1500), st.floats(0.01, 0.02))
@settings(max_examples=30)
def test_stragglers_do_not_make_one_kind_of_two(seed: int, count: int, share: float) -> None:
    """However many machines are simulated: with them come some that lie between kept and failed starts."""
    traits, rng = machines(count, seed), np.random.default_rng(seed)
    fails = traits.standing > -0.5
    truth = np.where(fails, -2.4, -1.8) + 0.02 * rng.standard_normal(count)
    strays = rng.random(count) < share
    truth[strays] = rng.uniform(-2.4, -1.8, strays.sum())
    kept, failed, chance = emulator(traits, truth, np.ones(count), LOOKED_TO, math.inf).predict(traits)
    clear = np.abs(traits.standing + 0.5) > 0.1
    assert np.median(kept) == pytest.approx(-1.8, abs=0.05)
    assert np.median(failed) == pytest.approx(-2.4, abs=0.05)
    assert np.mean((chance > 0.5)[clear] == fails[clear]) > 0.98


@given(st.integers(0, 1000), st.floats(-1.0, 1.5), st.floats(0.1, 0.9))
def test_starts_that_fail_at_random_have_their_share(seed: int, load: float, share: float) -> None:
    """With one phase a start fails or not by where the rotor stands, whatever the load."""
    traits = machines(300, seed)._replace(standing=np.full(300, load))
    fails = np.random.default_rng(seed).random(300) < share
    model = emulator(traits, np.where(fails, -3.0, 0.4), np.ones(300), math.inf, math.inf)
    assert model.predict(traits)[2].mean() == pytest.approx(fails.mean(), abs=0.05)


@given(st.integers(0, 1000), st.floats(0.22, 0.8))
def test_what_chance_does_is_told(seed: int, size: float) -> None:
    """Beyond what the likelihood of rows takes in anyway: variances add up."""
    traits = machines(600, seed)
    chance = size * np.random.default_rng(seed).uniform(-math.sqrt(3.0), math.sqrt(3.0), 600)
    model = emulator(traits, traits.steady - 1.0 + chance, np.ones(600), math.inf, math.inf)
    assert model.lowest is None
    assert model.kept_luck.std() ** 2 + LUCK_TAKEN_IN**2 == pytest.approx(size**2, rel=0.2)
    assert np.all(np.diff(model.kept_luck) >= 0.0)
    assert abs(model.kept_luck.mean()) < 0.1 * size


@given(st.integers(0, 1000), st.floats(0.1, 10.0))
def test_only_ratios_of_weights_count(seed: int, scale: float) -> None:
    traits = machines(60, seed)
    rng = np.random.default_rng(seed)
    skip, weight = rng.normal(-0.5, 0.1, 60), rng.uniform(0.1, 1.0, 60)
    one, two = (emulator(traits, skip, w, LOOKED_TO, HIGHEST) for w in (weight, scale * weight))
    assert one.kept == pytest.approx(two.kept, abs=1e-9)
    assert one.kept_luck == pytest.approx(two.kept_luck, abs=1e-9)
    assert np.all(one.predict(traits)[0] <= HIGHEST)


def test_few_and_odd_machines() -> None:
    traits = machines(4, 0)
    for skip in (np.full(4, -0.3), np.array([-3.0, -0.2, -0.2, -0.2]), np.full(4, HIGHEST)):
        model = emulator(traits, skip, np.ones(4), LOOKED_TO, HIGHEST)
        assert np.all(np.isfinite([*model.predict(machines(50, 1))]))
        assert np.all(np.isfinite(model.kept_luck))
    within = np.linspace(-1.0, -1.0 + 2.9 * GAP, 4)  # a slope, not a fall
    model = emulator(traits, within, np.ones(4), math.inf, math.inf)
    assert not model.predict(traits)[2].any()


@given(st.lists(st.tuples(st.floats(-5.0, 5.0), st.floats(0.01, 1.0)), min_size=2, max_size=30), st.floats(0.0, 1.0))
def test_weighted_quantiles_lie_among_the_values(pairs: list[tuple[float, float]], probability: float) -> None:
    values, weight = np.array(pairs).T
    share = weight / weight.sum()
    (at,) = weighted_quantiles(values, share, [probability])
    assert values.min() <= at <= values.max()
    # No more than that share lies clearly below, no more than the rest clearly above.
    assert share[values < at - 1e-9].sum() <= probability + share.max()
    assert share[values > at + 1e-9].sum() <= 1.0 - probability + share.max()


def test_limits_move_together() -> None:
    luck = np.zeros((LUCK_POINTS, 3))
    limits = Limits(np.zeros((2, 3)), np.full((2, 3), -2.0), np.full((2, 3), 0.25), np.zeros((2, 3)), luck, luck)
    moved = limits.moved(np.array([0.1, -0.1]))
    assert moved.kept[:, 0] == pytest.approx([0.1, -0.1])
    assert moved.failed[:, 2] == pytest.approx([-1.9, -2.1])
    assert np.array_equal(moved.chance, limits.chance)


def test_quick_statics_are_those_of_the_full_ones(cutter: Machine) -> None:
    rng = np.random.default_rng(2)
    for described in (machine(), cutter, *(random_machine(rng) for _ in range(4))):
        plant = sample_plant(described, 20, 3)
        top = 2.0
        for direction in described.usual_directions():
            unit = direction.vector
            accelerations = np.array([0.05, 0.2, 0.4]) * float(pull_in_acceleration(plant, unit)[0])
            fastest = top * float(np.max(np.abs(plant.kinematic_map @ unit) / plant.radius))
            curve = torque_curve(plant, fastest)
            first = load_ratio(plant, unit, accelerations, np.ones(3), points=1).standing
            assert standing_ratio(plant, curve.torque[:, 0], unit, accelerations) == pytest.approx(first, rel=0.01)
            told, quick = (load_ratio(plant, unit, accelerations, np.ones(3), curve=known) for known in (None, curve))
            assert quick.standing == pytest.approx(told.standing, rel=0.01)
            assert quick.worst == pytest.approx(told.worst, rel=0.1)
            assert np.median(quick.worst / told.worst) == pytest.approx(1.0, abs=0.02)
            full = static_limits(plant, unit, accelerations, top, points=400).steady
            crossing = pull_out_speed(plant, curve, unit, accelerations)
            inside = (full > 0.02 * top) & np.isfinite(full)
            # Coarser, but off alike for all machines, which a regression takes in.
            off = np.ma.masked_array(np.log(crossing / np.where(inside, full, 1.0)), ~inside)
            assert np.all(np.abs(off) < 0.08)
            assert np.all(off.std(axis=0) < 0.02)
            assert np.all(crossing[np.isinf(full)] > 0.9 * top)


@given(st.integers(0, 1000), st.floats(0.0, 0.05))
def test_quick_torque_curve_minds_the_supply(seed: int, source_resistance: float) -> None:
    """The drop of the bus voltage at few speeds in place of all: within half a per cent of the torque at standstill."""
    described = random_machine(np.random.default_rng(seed))
    supply = replace(described.supply, resistance=source_resistance)
    plant = sample_plant(replace(described, supply=supply), 10, seed)
    curve = torque_curve(plant, 400.0)
    shaft = np.broadcast_to(curve.speeds[:, None], curve.torque.shape)
    full = available_under_load(plant, shaft).torque
    assert np.all(np.abs(curve.torque - full) < 0.005 * full[:, :1])


@given(st.integers(0, 200), st.sampled_from(["voltage", "friction", "moving_mass", "viscous"]), st.floats(1.05, 2.0))
@settings(max_examples=20)
def test_static_limits_go_the_right_way(seed: int, name: str, factor: float) -> None:
    described = machine()
    plant = sample_plant(described, 5, seed)
    unit = described.direction("x").vector
    changed = replace(plant, **{name: factor * getattr(plant, name)})
    before, after = (pull_out_speed(p, torque_curve(p, 400.0), unit, np.array([2.0, 8.0])) for p in (plant, changed))
    assert np.all((after >= before) if name == "voltage" else (after <= before))


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


def test_what_stands_still_tells_nothing(gantry: Machine, cutter: Machine) -> None:
    for described in (gantry, cutter):
        count = log_widths(described).size
        drives = len(described.drives)
        for direction in described.usual_directions():
            names = at_work(described, direction.vector)
            turning = int(np.count_nonzero(nominal_plant(described).kinematic_map @ direction.vector))
            assert len(names) == count
            assert names.count("voltage") == 1
            assert names.count("inductance") == turning
            assert names.count("moving_mass") == np.count_nonzero(direction.vector)
            assert names.count("") >= (drives - turning) * 3
            assert set(TOLERANCE_SHRINKAGE) <= set(names)


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
