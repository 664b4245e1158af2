"""The shipped motors must be physically consistent, whatever the numbers are."""

from __future__ import annotations

import math

import pytest

from motionlimits.files.fields import Reader
from motionlimits.files.motors import load_motor, motor_names, parse_toml, read_motor, write_motor

NAMES = motor_names()

# Heat that a motor of a frame size can lose from its surface at 80 K rise, generously: side area times 12 W/m2K, from
# memory of natural convection and radiation, with mounting taking as much again.
FRAME_SIDE_MM = {8: 20, 11: 28, 14: 35, 17: 42, 23: 57, 24: 60, 34: 86}


def test_there_are_enough_sizes() -> None:
    assert len(NAMES) >= 18
    assert {load_motor(n)[0].frame for n in NAMES} >= {8, 11, 14, 17, 23, 34}
    assert {round(math.degrees(load_motor(n)[0].step_angle), 1) for n in NAMES} == {0.9, 1.8}


@pytest.mark.parametrize("name", NAMES)
def test_motor_is_consistent(name: str) -> None:
    motor, assumed = load_motor(name)
    assert motor.name == name
    assert name.startswith(f"n{motor.frame}-")
    assert "memory" in motor.source or "published" in motor.source
    assert {a.key for a in assumed} <= {"hysteresis_torque_nm", "eddy_drag_nm_per_krpm"}
    # Torque constant, from holding torque with both phases on.
    assert motor.torque_constant * motor.rated_current * math.sqrt(2.0) == pytest.approx(motor.holding_torque)
    time_constant = motor.inductance / motor.resistance
    assert 0.2e-3 < time_constant < 12e-3
    side = FRAME_SIDE_MM[motor.frame] / 1e3
    length = float(name.split("-")[1]) / 1e3
    area = 4 * side * length + 2 * side * side
    heat = 2.0 * motor.rated_current**2 * motor.resistance
    assert heat < 2 * 12.0 * 80.0 * area + 2.0
    assert 2e4 < motor.holding_torque / motor.rotor_inertia < 1.5e5
    # Shear stress in the air gap: torque over rotor volume lies within a decade for all of them.
    assert 5e3 < motor.holding_torque / (math.pi / 4 * (0.6 * side) ** 2 * length) < 6e4
    assert 0.02 <= motor.detent_torque / motor.holding_torque <= 0.08


@pytest.mark.parametrize("name", NAMES)
def test_round_trip(name: str) -> None:
    motor, _ = load_motor(name)
    again, assumed = read_motor(Reader(parse_toml(write_motor(motor), "text"), "", "text"))
    assert again == motor
    assert not assumed
