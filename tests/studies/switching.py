"""Moves at the level of the driver's switches: the truth that the blind studies hold the tool against.

Own statement of the equations, apart from the engine: every motor and axis of the machine is there (no reduction to one
motor), the bridge is a relay that looks at each winding every few microseconds and either connects the bus or
short-circuits the winding (`reverse`: or turns the bus round, where the current is more than a band too large), steps are
fixed and short, and friction scatters from move to move. Lanes are the engine's arrays, filled by `move_lanes` with
`coupled=True`.
"""

from __future__ import annotations

import math

import numpy as np

from motionlimits.machine import Array
from motionlimits.physics.motion import Lanes, move_time, top_speed

STEP = 6e-6  # [s] between looks of the relay at a winding
BAND = 0.03  # of the set current, by which a current must be too large before the bus is turned round
LOOK = 32  # steps between looks at the lag
BATCH = 1500


def switched(lanes: Lanes, *, reverse: bool = False, step: float = STEP) -> Array:
    """Whether each lane loses a whole electrical cycle, shape (n,) of bool.

    Parameters
    ----------
    lanes : Lanes
        Whole moves (finite travel), n of them.
    reverse : bool
        Whether the bridge can turn the bus round to bring a current down.
    step : float
        [s]
    """
    order = np.argsort(move_time(lanes), kind="stable")
    lost = np.zeros(lanes.size, bool)
    for start in range(0, lanes.size, BATCH):
        rows = order[start : start + BATCH]
        lost[rows] = _batch(lanes.take(rows), reverse, step)
    return lost


def _batch(p: Lanes, reverse: bool, dt: float) -> Array:
    n, drives = p.size, p.coupling.shape[0]
    fate = np.zeros(n, bool)
    where = np.arange(n)
    top, end = top_speed(p), move_time(p)
    rise = top / p.acceleration
    theta = p.phase / p.rotor_teeth
    omega = np.zeros((drives, n))
    x = np.linalg.solve(np.moveaxis(p.coupling, -1, 0), (theta * p.radius).T[..., None])[..., 0].T
    v = np.zeros_like(x)
    ia, ib = p.current_peak * np.cos(p.phase), p.current_peak * np.sin(p.phase) * ~p.open_phase
    rate = p.rotor_teeth / p.radius * p.drive_rate()
    t, k = 0.0, 0
    while where.size:
        t += dt
        k += 1
        # Distance along the trapezoid: up, level, down.
        up = np.minimum(t, rise)
        level = np.clip(t - rise, 0.0, end - 2.0 * rise)
        down = np.clip(t - (end - rise), 0.0, rise)
        distance = 0.5 * p.acceleration * up**2 + top * level + (top - 0.5 * p.acceleration * down) * down
        phase = p.phase + rate * distance
        electrical = p.rotor_teeth * theta
        sin, cos = np.sin(electrical), np.cos(electrical)
        emf = p.torque_constant * omega
        for current, reference, back in ((ia, np.cos(phase), -emf * sin), (ib, np.sin(phase), emf * cos)):
            reference *= p.current_peak
            side = np.sign(reference)
            over = side * current - np.abs(reference)
            volts = np.where(over < 0.0, side * p.voltage, 0.0)
            if reverse:
                volts = np.where(over > BAND * p.current_peak, -side * p.voltage, volts)
            # A current against the sense of its reference flows back into the bus, against its voltage.
            current += dt / p.inductance * (volts - p.resistance * current - back)
        ib *= ~p.open_phase
        stretch = p.radius * theta - np.einsum("dan,an->dn", p.coupling, x)
        pull = p.stiffness * stretch + p.damping * (p.radius * omega - np.einsum("dan,an->dn", p.coupling, v))
        torque = p.torque_constant * (ib * cos - ia * sin) - p.detent * np.sin(4.0 * electrical) - p.eddy * omega
        omega += dt / p.inertia * (torque - pull * p.radius / (p.count * p.efficiency))
        omega -= np.clip(omega, -dt / p.inertia * p.hysteresis, dt / p.inertia * p.hysteresis)
        force = np.einsum("dan,dn->an", p.coupling, pull) - p.viscous * v - p.force
        v += dt / p.mass * force
        v -= np.clip(v, -dt / p.mass * p.friction, dt / p.mass * p.friction)
        theta += dt * omega
        x += dt * v
        if k % LOOK == 0:
            gone = np.any(np.abs(phase - p.rotor_teeth * theta) > 2.0 * math.pi, axis=0)
            fate[where[gone]] = True
            done = gone | (t > end + 0.02)
            if done.mean() > 0.05 or done.all():
                stay = ~done
                p, where = p.take(stay), where[stay]
                top, end, rise, rate = top[stay], end[stay], rise[stay], rate[:, stay]
                theta, omega, x, v, ia, ib = (a[:, stay] for a in (theta, omega, x, v, ia, ib))
            else:
                # A lane that is lost but waits to leave must not run on into infinity.
                for array in (omega, v, ia, ib):
                    array[:, gone] = 0.0
    return fate
