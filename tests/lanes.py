"""Single lanes and random moves for tests of the time-domain model; all invented."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from motionlimits.files.machines import machine_from_table
from motionlimits.files.motors import load_motor, motor_names
from motionlimits.machine import Machine
from motionlimits.physics.lanes import move_lanes
from motionlimits.physics.limits import pull_in_acceleration
from motionlimits.physics.motion import Lanes, join, move_time, simulate
from motionlimits.plant import nominal_plant


def lane(**changes: float) -> Lanes:
    """One motor, one axis; a crossed-belt gantry's share. Any field can be replaced by a number."""
    values: dict[str, Any] = {
        "torque_constant": 0.17,
        "resistance": 1.65,
        "inductance": 3e-3,
        "current_peak": 2.0,
        "voltage": 24.0,
        "rotor_teeth": 50.0,
        "hysteresis": 0.017,
        "eddy": 5e-5,
        "detent": 0.02,
        "inertia": 7.3e-6,
        "radius": 0.04 / (2 * math.pi),
        "count": 1.0,
        "efficiency": 1.0,
        "stiffness": 60e3,
        "damping": 8.0,
        "phase": 0.0,
        "mass": 0.25,
        "friction": 2.0,
        "viscous": 1.5,
        "force": 0.0,
        "axis_rate": 1.0,
        "acceleration": 5.0,
        "speed": 0.5,
        "travel": math.inf,
        "start_speed": 0.0,
        "hold": 0.0,
        "calm": 0.0,
    }
    values |= changes
    moves = ("acceleration", "speed", "travel", "start_speed", "hold", "calm")
    arrays = {k: np.array([v]) if k in moves else np.array([[float(v)]]) for k, v in values.items()}
    return Lanes(
        slow_decay=np.zeros((1, 1), bool),
        open_phase=np.zeros((1, 1), bool),
        coupling=np.ones((1, 1, 1)),
        marked=np.zeros(1, bool),
        **arrays,
    )


def numbers_of(one: Lanes) -> dict[str, float]:
    """Parameters of one lane of one motor and one axis, for programs that take numbers."""
    flags = ("slow_decay", "open_phase", "coupling", "marked", "begin")
    return {name: float(getattr(one, name).flat[0]) for name in one.__dataclass_fields__ if name not in flags}


def with_travel(one: Lanes, travel: float) -> Lanes:
    return replace(one, travel=np.full(one.size, travel))


def random_machine(rng: np.random.Generator) -> Machine:
    """A usual belt machine that can move: frames 14, 17 and 23, 12 to 48 V, 45 to 95 % of rated current."""
    while True:
        drawn = _any_machine(rng)
        plant = nominal_plant(drawn)
        # Less than this is no machine that anybody built.
        if min(float(pull_in_acceleration(plant, d.vector)[0]) for d in drawn.usual_directions()) > 5.0:
            return drawn


def _any_machine(rng: np.random.Generator) -> Machine:
    name = str(rng.choice([n for n in motor_names() if n[:3] in ("n14", "n17", "n23")]))
    motor = load_motor(name)[0]
    layout = str(rng.choice(["crossed-belt", "independent"]))
    scale = 1.0 if motor.frame < 20 else 4.0
    names = ("a", "b") if layout == "crossed-belt" else ("x", "y")
    return machine_from_table(
        {
            "machine": {"name": "random (invented)", "layout": layout},
            "supply": {"voltage_v": float(rng.choice([12, 24, 24, 36, 48])), "resistance_ohm": 0.05},
            "driver": {
                "current_rms_a": float(motor.rated_current * rng.uniform(0.45, 0.95)),
                "bridge_resistance_ohm": float(rng.uniform(0.1, 0.4)),
            },
            "transmission": {
                "kind": "belt",
                "pulley_teeth": int(rng.integers(16, 25)),
                "belt_pitch_mm": 2.0 if motor.frame < 20 else 3.0,
                "belt_stiffness_n_per_mm": float(rng.uniform(30, 150)),
            },
            "motors": {n: {"motor": name} for n in names},
            "axes": {
                "x": {
                    "moving_mass_kg": float(rng.uniform(0.25, 0.8) * scale),
                    "travel_mm": float(rng.uniform(200, 500)),
                    "friction_n": float(rng.uniform(2, 8)),
                    "viscous_n_s_per_m": float(rng.uniform(1, 6)),
                },
                "y": {
                    "moving_mass_kg": float(rng.uniform(0.8, 2.0) * scale),
                    "travel_mm": float(rng.uniform(200, 500)),
                    "friction_n": float(rng.uniform(2, 8)),
                    "viscous_n_s_per_m": float(rng.uniform(1, 6)),
                },
            },
        },
        "random",
    )


def with_cruise(move: Lanes, longest: float) -> Lanes:
    """A move whose time at constant speed is cut to `longest` [s]: more would only cost time."""
    return replace(move, travel=np.minimum(move.travel, move.speed**2 / move.acceleration + longest * move.speed))


def random_moves(count: int, seed: int) -> list[Lanes]:
    """Moves of one motor of random machines, with its share of the load, off the boundary.

    At 60 to 95 % or 105 to 140 % of the speed where their ramp is lost.
    """
    rng = np.random.default_rng(seed)
    moves: list[Lanes] = []
    while len(moves) < count:
        # Their ramps are simulated together: a step costs the same for one as for some.
        ramps, drawn = [], []
        for _ in range(count - len(moves)):
            machine = random_machine(rng)
            direction = machine.direction("x")
            acceleration = float(np.exp(rng.uniform(np.log(2.0), np.log(20.0))))
            travel = machine.travel_along(direction)
            top = math.sqrt(acceleration * travel)
            ramp = move_lanes(
                nominal_plant(machine),
                direction.vector,
                np.array([acceleration]),
                np.array([top]),
                np.array([np.inf]),
                sample=np.zeros(1, dtype=np.intp),
                coupled=False,
            )
            ramps.append(ramp.lanes.take(slice(0, 1)))
            drawn.append((travel, top, bool(rng.random() < 0.6), float(rng.random())))
        fates = simulate(join(ramps))
        for ramp, (travel, top, slow, luck), lost, speed in zip(ramps, drawn, fates.lost, fates.speed, strict=True):
            limit = float(speed) if lost else top
            share = (0.6 if slow or not lost else 1.05) + 0.35 * luck
            if limit * share >= 0.98 * top:
                share = 0.9 * top / limit
                if 0.95 < share < 1.05:
                    continue
            moves.append(with_travel(replace(ramp, speed=np.array([limit * share])), travel))
    return moves


def short_moves(count: int, seed: int) -> list[Lanes]:
    """The shorter half of twice as many random moves, for references that cost by the second."""
    moves = [with_cruise(m, 0.05) for m in random_moves(2 * count, seed)]
    return sorted(moves, key=lambda m: float(move_time(m)[0]))[:count]
