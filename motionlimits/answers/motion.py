"""One move seen from inside: the time-domain model of all motors and axes, recorded."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..errors import InputError
from ..machine import Direction, Machine
from ..physics.lanes import move_lanes
from ..physics.motion import Fate, Trace, trace
from ..plant import nominal_plant
from .predict import check_accelerations, travel_of

# Finer than a fate needs, for curves to look at: electrical angle [rad] and time [s] of a step.
SHOWN_STEPS = {"phase_step": 0.2, "longest_step": 40e-6}


@dataclass(frozen=True)
class Motion:
    """A simulated move of the nominal machine. Speeds [m/s], travel [m], acceleration [m/s2], times [s].

    `lost_drive` names the motor that slipped first, None where every step was kept; `lost_speed` is the reference speed
    when its lag passed the point of no return, `lost_cycles` how many electrical cycles it was behind at the end.
    `worst_lag` is the greatest load angle [rad, electrical] before that.
    """

    machine: Machine
    direction: Direction
    acceleration: float
    speed: float
    reached: float
    travel: float
    lost_drive: str | None
    lost_time: float | None
    lost_speed: float | None
    lost_cycles: int
    worst_lag: float
    trace: Trace


def simulate_move(
    machine: Machine,
    direction: Direction,
    acceleration: float,
    speed: float,
    *,
    travel: float | None = None,
    start_speed: float = 0.0,
) -> Motion:
    """Simulate one trapezoidal move with every motor and axis of the machine.

    Parameters
    ----------
    machine : Machine
    direction : Direction
    acceleration : float
        [m/s2]
    speed : float
        Commanded [m/s]; a short travel may not reach it.
    travel : float, optional
        [m]; by default the machine's.
    start_speed : float
        Abrupt step of speed at the start and the end [m/s].

    Raises
    ------
    InputError
        For values out of range.
    """
    check_accelerations([acceleration])
    for name, value, low in (("speed", speed, 1e-5), ("start speed", start_speed, 0.0)):
        if not math.isfinite(value) or not low <= value <= 100.0:
            raise InputError(f"{name} {value * 1e3:g} mm/s: allowed: from {low * 1e3:g} to 100,000 mm/s")
    length = travel_of(machine, direction, travel)
    top = min(speed, math.sqrt(acceleration * length + start_speed**2))
    if length / top + top / acceleration > 60.0:
        raise InputError(
            "this move takes more than a minute; give a shorter --travel or a higher speed or acceleration"
        )
    found = move_lanes(
        nominal_plant(machine),
        direction.vector,
        np.array([acceleration]),
        np.array([speed]),
        np.array([length]),
        sample=np.zeros(1, dtype=np.intp),
        start_speed=min(start_speed, speed),
        coupled=True,
    )
    fate, series = trace(found.lanes, **SHOWN_STEPS)
    return _motion(machine, direction, acceleration, speed, top, length, fate, series)


def _motion(
    machine: Machine,
    direction: Direction,
    acceleration: float,
    speed: float,
    reached: float,
    travel: float,
    fate: Fate,
    series: Trace,
) -> Motion:
    lost = bool(fate.lost[0])
    return Motion(
        machine=machine,
        direction=direction,
        acceleration=acceleration,
        speed=speed,
        reached=reached,
        travel=travel,
        lost_drive=machine.drive_names[int(fate.drive[0])] if lost else None,
        lost_time=float(fate.time[0]) if lost else None,
        lost_speed=float(fate.speed[0]) if lost else None,
        lost_cycles=int(fate.cycles[0]) if lost else 0,
        worst_lag=float(fate.worst_lag[0]),
        trace=series,
    )
