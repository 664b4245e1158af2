"""The same move by a general integrator: own statement of the equations on scipy.integrate.solve_ivp (LSODA).

Differences from the engine that are of form only: Coulomb friction and the saturating current loop are steep but smooth
functions here, because a general integrator needs them so.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.integrate import solve_ivp

from motionlimits.physics.motion import Lanes, move_time, top_speed

from ..lanes import numbers_of


def reference_move(lane: Lanes, *, loop_time: float = 1e-6, rub_speed: float = 2e-5) -> tuple[bool, float]:
    """Whether one D = A = 1 lane without start step loses a cycle, and its greatest lag up to then [rad]."""
    p = numbers_of(lane)
    top = float(top_speed(lane)[0])
    end = float(move_time(lane)[0])
    a, ramp = p["acceleration"], math.isinf(p["travel"])
    t1 = top / a
    finish = end + (p["hold"] if ramp else 0.02)

    def distance(t: float) -> float:
        if t <= t1:
            return 0.5 * a * t * t
        s = 0.5 * a * t1 * t1
        if ramp or t <= end - t1:
            return s + top * (t - t1)
        s += top * (end - 2 * t1)
        u = min(t - (end - t1), t1)
        return s + top * u - 0.5 * a * u * u

    def pace(t: float) -> float:
        return max(min(a * t, top, math.inf if ramp else a * (end - t)), 0.0)

    nr, r, k = p["rotor_teeth"], p["radius"], p["torque_constant"]
    gain = p["inductance"] / loop_time
    rate = p["axis_rate"]

    def slopes(t: float, y: np.ndarray) -> list[float]:
        ia, ib, th, w, x, v = y
        phase = p["phase"] + nr * rate * distance(t) / r
        sin, cos = math.sin(nr * th), math.cos(nr * th)
        ea, eb = -k * w * sin, k * w * cos
        bus = p["voltage"]
        # Feed-forward of the reference's slope: without it a loop of finite gain trails its reference.
        turning = nr * rate * pace(t) / r * p["inductance"] * p["current_peak"]
        va = -turning * math.sin(phase) + gain * (p["current_peak"] * math.cos(phase) - ia) + p["resistance"] * ia + ea
        vb = turning * math.cos(phase) + gain * (p["current_peak"] * math.sin(phase) - ib) + p["resistance"] * ib + eb
        va, vb = max(-bus, min(bus, va)), max(-bus, min(bus, vb))
        force = p["stiffness"] * (r * th - x) + p["damping"] * (r * w - v)
        torque = k * (ib * cos - ia * sin) - p["detent"] * math.sin(4 * nr * th) - p["eddy"] * w
        torque -= p["hysteresis"] * math.tanh(w * r / rub_speed) + force * r / p["efficiency"]
        pull = force - p["viscous"] * v - p["friction"] * math.tanh(v / rub_speed) - p["force"]
        return [
            (va - p["resistance"] * ia - ea) / p["inductance"],
            (vb - p["resistance"] * ib - eb) / p["inductance"],
            w,
            torque / p["inertia"],
            v,
            pull / p["mass"],
        ]

    def lag(t: float, y: np.ndarray) -> float:
        return p["phase"] + nr * (rate * distance(t) / r - y[2])

    def gone(t: float, y: np.ndarray) -> float:
        return abs(lag(t, y)) - 2 * math.pi

    gone.terminal = True  # type: ignore[attr-defined]
    th0 = p["phase"] / nr
    start = [p["current_peak"] * math.cos(p["phase"]), p["current_peak"] * math.sin(p["phase"]), th0, 0.0, r * th0, 0.0]
    out = solve_ivp(slopes, (0.0, finish), start, method="LSODA", events=gone, rtol=1e-5, atol=1e-7, max_step=1e-3)
    lags = np.array([lag(t, y) for t, y in zip(out.t, out.y.T, strict=True)])
    lost = bool(out.t_events[0].size)
    return lost, float(np.abs(lags).max())
