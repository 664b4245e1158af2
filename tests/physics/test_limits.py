"""Statics of thousands of machines against those of one, and the way they must go."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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
from motionlimits.plant import sample_plant

from ..lanes import random_machine
from ..machines import machine


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
            # Coarser, but off alike for all machines.
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
    # Of some machines, whichever motor was asked about before.
    some = np.array([7, 2])
    asked = curve.take(some[::-1])
    asked.of(plant.radius.size - 1)
    assert np.array_equal(asked.take(slice(None, None, -1)).torque, curve.torque[some])


@given(st.integers(0, 200), st.sampled_from(["voltage", "friction", "moving_mass", "viscous"]), st.floats(1.05, 2.0))
@settings(max_examples=20)
def test_static_limits_go_the_right_way(seed: int, name: str, factor: float) -> None:
    described = machine()
    plant = sample_plant(described, 5, seed)
    unit = described.direction("x").vector
    changed = replace(plant, **{name: factor * getattr(plant, name)})
    before, after = (pull_out_speed(p, torque_curve(p, 400.0), unit, np.array([2.0, 8.0])) for p in (plant, changed))
    assert np.all((after >= before) if name == "voltage" else (after <= before))
