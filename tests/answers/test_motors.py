from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from motionlimits.answers.motors import corner_speeds, fit_motor
from motionlimits.errors import InputError
from motionlimits.files.motors import load_motor, read_torque_curve
from motionlimits.physics.pullout import pullout, shaft_loss


def test_corner_rises_with_voltage() -> None:
    corners = [speed for _, speed in corner_speeds(load_motor("n17-48-2a0")[0])]
    assert corners == sorted(corners)
    assert corners[2] == pytest.approx(2.0 * corners[0], rel=0.2)


def test_fit_finds_the_motor_that_made_the_curve() -> None:
    start = load_motor("n17-48-2a0")[0]
    true = replace(
        start,
        inductance=start.inductance * 1.4,
        holding_torque=start.holding_torque * 0.9,
        hysteresis_torque=0.012,
        eddy_drag=3e-5,
    )
    speeds = np.linspace(0.5, 40, 14)
    omega = speeds * 2 * math.pi
    field = pullout(
        true.torque_constant, true.resistance, true.inductance, true.rotor_teeth, 1.4 * math.sqrt(2), 24.0, omega
    )
    torque = field.torque - shaft_loss(true.hysteresis_torque, true.eddy_drag, omega)
    fit = fit_motor(start, speeds.tolist(), torque.tolist(), 24.0, 1.4, "fitted")
    assert fit.rms < 0.01 * torque.max()
    assert fit.motor.inductance == pytest.approx(true.inductance, rel=0.05)
    assert fit.motor.holding_torque == pytest.approx(true.holding_torque, rel=0.05)


def test_bad_curves(tmp_path) -> None:  # type: ignore[no-untyped-def]
    start = load_motor("n17-48-2a0")[0]
    with pytest.raises(InputError, match="four points"):
        fit_motor(start, [1.0], [0.3], 24.0, 1.4, "x")
    with pytest.raises(InputError, match="voltage"):
        fit_motor(start, [1.0] * 5, [0.3] * 5, 0.0, 1.4, "x")
    path = tmp_path / "curve.csv"
    path.write_text("speed_rev_s,torque_nm\n5,0.3\n10,0.2\n")
    assert read_torque_curve(path) == ([5.0, 10.0], [0.3, 0.2])
    path.write_text("speed,torque_nm\n5,0.3\n")
    with pytest.raises(InputError, match="did you mean 'speed_rev_s'"):
        read_torque_curve(path)
