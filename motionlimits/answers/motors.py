"""Figures derived from a motor's data, and a better motor from a published torque curve."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import InputError
from ..machine import Array, Motor
from ..physics.pullout import pullout, shaft_loss

USUAL_VOLTAGES = (24.0, 36.0, 48.0)


@dataclass(frozen=True)
class Fit:
    """A fitted motor and what is left over at each point; speeds [rev/s], torques [N.m]."""

    motor: Motor
    speeds: tuple[float, ...]
    published: tuple[float, ...]
    fitted: tuple[float, ...]

    @property
    def rms(self) -> float:
        """Root mean square of what is left over [N.m]."""
        return math.sqrt(float(np.mean((np.array(self.published) - np.array(self.fitted)) ** 2)))


def _torque(motor: Motor, speeds: Array, voltage: float, current_rms: float) -> Array:
    omega = speeds * 2.0 * math.pi
    field = pullout(
        motor.torque_constant,
        motor.resistance,
        motor.inductance,
        motor.rotor_teeth,
        current_rms * math.sqrt(2.0),
        voltage,
        omega,
    ).torque
    return field - shaft_loss(motor.hysteresis_torque, motor.eddy_drag, omega)


def corner_speeds(motor: Motor, voltages: Sequence[float] = USUAL_VOLTAGES) -> list[tuple[float, float]]:
    """Shaft speed [rev/s] up to which the motor keeps 95 % of its torque at rated current, for each voltage [V]."""
    speeds = np.geomspace(0.05, 300.0, 1500)
    found = []
    for voltage in voltages:
        torque = _torque(replace(motor, hysteresis_torque=0.0, eddy_drag=0.0), speeds, voltage, motor.rated_current)
        fallen = torque < 0.95 * torque[0]
        found.append((voltage, float(speeds[fallen.argmax()]) if fallen.any() else float(speeds[-1])))
    return found


def fit_motor(
    start: Motor, speeds: Sequence[float], torques: Sequence[float], voltage: float, current_rms: float, name: str
) -> Fit:
    """Fit inductance, holding torque and iron losses to a pull-out curve, by bounded least squares.

    Parameters
    ----------
    start : Motor
        Whose other values are kept, and whose fitted ones are started from.
    speeds, torques : sequence of float
        Published [rev/s], [N.m].
    voltage, current_rms : float
        At which the curve was published [V], [A].
    name : str
        Of the fitted motor.

    Raises
    ------
    InputError
        For fewer than four points, or values out of range.
    """
    from scipy.optimize import least_squares

    if len(speeds) < 4:
        raise InputError("a fit needs at least four points of the published curve")
    if not 1.0 <= voltage <= 400.0:
        raise InputError(f"--voltage {voltage:g}: allowed: from 1 to 400 V")
    if not 0.01 <= current_rms <= 30.0:
        raise InputError(f"--current-rms {current_rms:g}: allowed: from 0.01 to 30 A")
    if max(torques) <= 0.0:
        raise InputError("the published curve has no torque above zero")
    x, y = np.array(speeds), np.array(torques)
    # Iron losses are told as shares of the holding torque: constant, and at 1000 rev/min.
    per_krpm = 1000.0 / 60.0 * 2.0 * math.pi

    def motor_of(p: Array) -> Motor:
        holding = start.holding_torque * float(p[1])
        return replace(
            start,
            name=name,
            inductance=start.inductance * float(p[0]),
            holding_torque=holding,
            hysteresis_torque=holding * float(p[2]),
            eddy_drag=holding * float(p[3]) / per_krpm,
            source=f"fitted to a published curve at {voltage:g} V, {current_rms:g} A rms, from {start.name}"[:280],
        )

    def left_over(p: Array) -> Array:
        return np.asarray((_torque(motor_of(p), x, voltage, current_rms) - y) / y.max())

    found = least_squares(
        left_over,
        [1.0, 1.0, 0.03, 0.01],
        bounds=([0.2, 0.4, 0.0, 0.0], [5.0, 2.5, 0.3, 0.3]),
    )
    motor = motor_of(found.x)
    fitted = _torque(motor, x, voltage, current_rms)
    return Fit(motor, tuple(speeds), tuple(torques), tuple(fitted.tolist()))
