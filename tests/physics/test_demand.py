from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motionlimits.machine import Machine
from motionlimits.physics.limits import move_demand, pull_in_acceleration, static_limits
from motionlimits.plant import nominal_plant

from ..machines import machine, machine_tables, number


def torque(described: Machine, direction: str, speed: float, acceleration: float) -> np.ndarray:
    unit = described.direction(direction).vector
    return move_demand(nominal_plant(described), unit, np.array([[speed]]), np.array([[acceleration]])).torque[0, 0]


def test_pure_moves_load_both_crossed_motors_alike() -> None:
    for direction in ("x", "y", "-x", "-y"):
        a, b = torque(machine(), direction, 0.1, 3.0)
        assert abs(a) == pytest.approx(abs(b), rel=1e-12)


def test_a_diagonal_turns_one_motor_alone_at_root_two_and_carries_everything() -> None:
    described = machine(axes__x__moving_mass_kg=1.0, axes__y__moving_mass_kg=1.0)
    unit = described.direction("45").vector
    demand = move_demand(nominal_plant(described), unit, np.array([[0.1]]), np.array([[3.0]]))
    r = described.drives[0].transmission.radius
    assert demand.shaft_speed[0, 0] == pytest.approx([0.1 * math.sqrt(2) / r, 0.0], abs=1e-12)
    straight = torque(machine(axes__x__moving_mass_kg=1.0), "x", 0.1, 3.0)
    # One motor carries what two share, each over sin 45: 1/2 against 1/sqrt 2 of the force.
    inertial = 3.0 * described.drives[0].transmission.inertia * 0
    assert demand.torque[0, 0, 0] > 1.3 * straight[0] + inertial


def test_masses_count_where_they_move() -> None:
    heavy_y = machine(axes__y__moving_mass_kg=5.0)
    assert torque(heavy_y, "x", 0.1, 3.0) == pytest.approx(torque(machine(), "x", 0.1, 3.0))
    assert np.all(np.abs(torque(heavy_y, "y", 0.1, 3.0)) > np.abs(torque(machine(), "y", 0.1, 3.0)))


@given(machine_tables(), number(0, 360), number(0.01, 0.5), number(0.1, 20))
def test_reversal_on_level_axes(raw: dict, angle: float, speed: float, acceleration: float) -> None:
    from motionlimits.files.machines import machine_from_table

    raw["axes"] = {k: v for k, v in raw["axes"].items() if k != "z"}
    raw["motors"] = {k: v for k, v in raw["motors"].items() if k != "z"}
    described = machine_from_table(raw, "drawn")
    there = torque(described, str(angle), speed, acceleration)
    back = torque(described, str((angle + 180.0) % 360.0), speed, acceleration)
    assert back == pytest.approx(-there, rel=1e-9, abs=1e-12)


def test_gravity_acts_up_and_not_down(cutter: Machine) -> None:
    column = cutter.drive_names.index("z")
    up, down = (torque(cutter, d, 0.01, 0.0)[column] for d in ("z", "-z"))
    z = cutter.axes[2]
    t = cutter.drives[column].transmission
    weight = z.moving_mass * 9.80665
    rub = z.friction + 0.01 * z.viscous
    assert up == pytest.approx((weight + rub) * t.radius / t.efficiency)
    # Going down the weight drives, friction holds: what is left comes back through the screw with its losses.
    assert down == pytest.approx((weight - rub) * t.radius * t.efficiency)


def test_motors_on_one_axis_share(cutter: Machine) -> None:
    from dataclasses import replace

    column = cutter.drive_names.index("y")
    one = replace(cutter, drives=tuple(replace(d, count=1) for d in cutter.drives))
    shaft = cutter.drives[column]
    inertia = shaft.motor.rotor_inertia + shaft.transmission.inertia
    rotor = inertia * 3.0 / shaft.transmission.radius
    assert torque(cutter, "y", 0.1, 3.0)[column] - rotor == pytest.approx(
        (torque(one, "y", 0.1, 3.0)[column] - rotor) / 2
    )


def static_skip(described: Machine, direction: str, accelerations: list[float]) -> np.ndarray:
    unit = described.direction(direction).vector
    return static_limits(nominal_plant(described), unit, np.array(accelerations), 5.0).skip[0]


CHANGES = {
    "axes__x__moving_mass_kg": (0.42, -1),
    "axes__x__friction_n": (4.0, -1),
    "axes__x__viscous_n_s_per_m": (3.0, -1),
    "supply__voltage_v": (24.0, 1),
}


@given(st.sampled_from(sorted(CHANGES)), number(1.01, 2.5), st.sampled_from(["x", "45", "30"]), number(0.5, 60))
def test_static_skip_speed_is_monotone(key: str, factor: float, direction: str, acceleration: float) -> None:
    value, sign = CHANGES[key]
    before, after = (
        static_skip(m, direction, [acceleration])[0] for m in (machine(), machine(**{key: value * factor}))
    )
    if not np.isfinite(before) or not np.isfinite(after):
        assert (after >= before) if sign > 0 else (after <= before)
    else:
        assert sign * (after - before) >= -0.01 * before


@given(st.sampled_from(["x", "y", "45"]), number(0.5, 60), number(1.02, 3))
def test_static_skip_speed_never_rises_with_acceleration(direction: str, acceleration: float, factor: float) -> None:
    slow, fast = static_skip(machine(), direction, [acceleration, acceleration * factor])
    assert fast <= slow * 1.01


def test_pull_in_acceleration_is_where_standstill_torque_is_used_up() -> None:
    described = machine()
    unit = described.direction("x").vector
    plant = nominal_plant(described)
    most = pull_in_acceleration(plant, unit)[0]
    demand = torque(described, "x", 0.0, most)
    peak = 0.48 / 2.0 * 1.4
    assert abs(demand[0]) + plant.hysteresis[0, 0] == pytest.approx(peak, rel=1e-3)
