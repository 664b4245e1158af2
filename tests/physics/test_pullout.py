from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given

from motionlimits.files.motors import load_motor, motor_names
from motionlimits.machine import CURRENT_LOOPS
from motionlimits.physics import simmap
from motionlimits.physics.pullout import map_lookup, pullout, similarity_numbers, steady_bounds
from motionlimits.physics.waveform import waveform_at_angle, waveform_pullout

from ..machines import number

KT, R, L, NR, IPK = 0.48 / math.sqrt(2) / 2.0, 1.4, 3e-3, 50, 1.4 * math.sqrt(2)
SPEEDS = np.array([10, 12, 15, 20, 25, 30]) * 2 * np.pi
# Design check table: motor 0.48 N.m, 2.0 A, 1.4 ohm, 3.0 mH, 1.8 deg; 1.4 A rms; 24 V; no losses. Computed
# independently of this code by waveform integration.
TABLE = np.array([0.336, 0.328, 0.298, 0.246, 0.204, 0.173])


def test_check_table_by_waveform_and_map() -> None:
    numbers = similarity_numbers(KT, R, L, NR, IPK, 24.0, SPEEDS)
    assert waveform_pullout(*numbers).torque * KT * IPK == pytest.approx(TABLE, rel=0.015)
    assert pullout(KT, R, L, NR, IPK, 24.0, SPEEDS).torque == pytest.approx(TABLE, rel=0.015)


def random_drives(count: int, seed: int) -> tuple[np.ndarray, ...]:
    """Real motors at random settings: current 0.3 to 1 of rated, 12 to 75 V, up to five times the corner."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(count):
        m = load_motor(str(rng.choice(motor_names())))[0]
        current = m.rated_current * math.sqrt(2) * rng.uniform(0.3, 1.0)
        voltage = rng.uniform(12, 75)
        resistance = m.resistance * rng.uniform(0.9, 1.4) + rng.uniform(0, 0.5)
        corner = voltage / (m.rotor_teeth * m.inductance * current)
        speed = corner * rng.uniform(0.05, 5.0)
        rows.append((m.torque_constant, resistance, m.inductance, m.rotor_teeth, current, voltage, speed))
    return tuple(np.array(column) for column in zip(*rows, strict=True))


@pytest.mark.parametrize("loop", CURRENT_LOOPS)
def test_map_against_waveform_on_real_drives(loop: str) -> None:
    numbers = similarity_numbers(*random_drives(500, seed=7))
    error = np.abs(map_lookup(*numbers, loop)[0] - waveform_pullout(*numbers, steps=720, current_loop=loop).torque)
    assert np.median(error) <= 0.005
    assert error.max() <= 0.02


@given(number(0.01, 300), number(0, 3), number(0.05, 30))
def test_never_above_full_current(s: float, r: float, f: float) -> None:
    # The table's 180 steps in half a cycle leave its current up to 1.5 parts in a thousand ahead of the reference.
    assert map_lookup(s, r, f)[0] <= 1.0 + 1.5e-3


@given(number(12, 75), number(1, 80), number(0.3, 3), number(1.0, 3.0))
def test_without_resistance_voltage_and_speed_scale_together(v: float, w: float, i: float, k: float) -> None:
    one = pullout(KT, 0.0, L, NR, i, v, w * 6.28).torque
    two = pullout(KT, 0.0, L, NR, i, k * v, k * w * 6.28).torque
    assert two == pytest.approx(one, rel=1e-9, abs=1e-9)
    numbers = similarity_numbers(KT, 0.0, L, NR, i, np.array([v, k * v]), np.array([w, k * w]))
    assert np.ptp(waveform_pullout(*numbers, steps=90).torque) < 1e-9


@given(number(0.3, 2.8), number(12, 75), number(5, 60), number(1.02, 1.5))
def test_monotony(i: float, v: float, n: float, k: float) -> None:
    """Where magnet flux stays below winding flux, the range in which the current loop keeps hold."""
    w = n * 2 * math.pi
    if KT / (NR * L * i) * 1.0 > 0.95:
        return
    base = pullout(KT, R, L, NR, i, v, w).torque
    slack = 2e-3 * KT * i
    assert pullout(KT, R * k, L, NR, i, v, w).torque <= base + slack
    assert pullout(KT, R, L * k, NR, i, v, w).torque <= base + slack
    assert pullout(KT, R, L, NR, i, v, w * k).torque <= base + slack
    assert pullout(KT, R, L, NR, i, v * k, w).torque >= base - slack


@given(number(0.1, 8), number(0.0, 0.4), number(0.05, 0.9))
def test_between_the_closed_form_bounds(s: float, r: float, f: float) -> None:
    """In units where V = 1, I_pk = 1: truth lies between the sinusoid of V and of 4 V / pi, up to the corner's rounding."""
    low, high = steady_bounds(f, r, 1.0, 1.0, 1.0, 1.0, s)
    torque = waveform_pullout(s, r, f, steps=180).torque * f
    assert low - 0.01 * f <= torque <= high + 0.01 * f


def test_slow_decay_costs_torque_around_the_corner() -> None:
    full = waveform_pullout(*similarity_numbers(KT, R, L, NR, IPK, 24.0, SPEEDS)).torque
    slow = waveform_pullout(*similarity_numbers(KT, R, L, NR, IPK, 24.0, SPEEDS), current_loop="slow-decay").torque
    loss = 1.0 - slow / full
    assert np.all(loss > 0.0)
    assert np.all(loss < 0.12)


def test_any_load_angle_gives_less() -> None:
    numbers = similarity_numbers(KT, R, L, NR, IPK, 24.0, SPEEDS[2])
    best = waveform_pullout(*numbers).torque
    angles = np.linspace(-math.pi, math.pi, 400)
    assert waveform_at_angle(*numbers, angles).torque.max() <= best + 1e-4


def test_speed_of_the_map() -> None:
    import time

    rng = np.random.default_rng(0)
    s, r, f = np.exp(rng.uniform(-3, 3, (3, 1_000_000)))
    map_lookup(s[:10], r[:10], f[:10])
    times = []
    for _ in range(3):
        start = time.perf_counter()
        map_lookup(s, r, f)
        times.append(time.perf_counter() - start)
    assert min(times) <= 0.6


def test_table_is_the_programs_own() -> None:
    """A coarse rebuild agrees with the shipped table at the shared corner points."""
    first, last = simmap.grid_limits()
    coarse = simmap.build("regulated", shape=(3, 2, 3), steps=180)
    path = Path(simmap.__file__).with_name("pullout_map.npz")
    with np.load(path) as shipped:
        assert shipped["first"] == pytest.approx(first)
        assert shipped["last"] == pytest.approx(last)
        corners = shipped["regulated"][:: shipped["regulated"].shape[0] - 1, :: shipped["regulated"].shape[1] - 1]
    assert corners[:, :, [0, -1]] == pytest.approx(coarse[::2, :, ::2], rel=1e-5, abs=1e-5)
