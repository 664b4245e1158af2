"""Time-domain checks against sources outside the project; each names its own."""

from __future__ import annotations

import math
import multiprocessing
import shutil
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import control
import numpy as np
import pytest

from motionlimits.physics.motion import Lanes, join, simulate, trace
from motionlimits.physics.pullout import pullout

from ..lanes import lane, random_moves, short_moves, with_cruise
from .reference_motion import reference_move
from .spice_move import spice_move
from .validation import Validation

NGSPICE = shutil.which("ngspice")


def agreement(moves: list[Lanes]) -> tuple[int, int, list[float]]:
    """Equal fates, moves away from the boundary, relative differences of peak lag where kept."""
    fate = simulate(join([replace(m, speed=m.speed * f) for f in (1.0, 0.95, 1.05) for m in moves]))
    # Away from the boundary: the fate is the same at 5 % less and 5 % more speed.
    here, slower, faster = np.split(fate.lost, 3)
    clear = (slower == here) & (faster == here)
    same, total, peaks = 0, 0, []
    chosen = np.flatnonzero(clear).tolist()
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as pool:
        found = list(pool.map(reference_move, [moves[i] for i in chosen]))
    for i, (lost, lag) in zip(chosen, found, strict=True):
        total += 1
        same += lost == fate.lost[i]
        if not lost and not fate.lost[i]:
            peaks.append(abs(fate.worst_lag[i] / lag - 1.0))
    return same, total, peaks


def test_fates_and_lags_against_solve_ivp(checked: Validation) -> None:
    """Source: scipy.integrate.solve_ivp (LSODA) on the same equations; the study repeats it with 200 moves."""
    same, total, peaks = agreement(short_moves(4, seed=9))
    assert total >= 3
    source, why = "scipy.integrate.solve_ivp (LSODA) on the same equations", "steep functions instead of jumps there"
    checked.close(f"equal fates of {total} moves off the boundary", same, total, source, why="all")
    checked.between("peak lag, median relative difference", float(np.median(peaks)), 0.0, 0.01, source, why=why)


@pytest.mark.skipif(NGSPICE is None, reason="ngspice is not installed (Debian package ngspice)")
def test_whole_moves_against_ngspice(checked: Validation, tmp_path: Path) -> None:
    """Source: ngspice, windings as circuits and mechanics as their electrical analogues."""
    assert NGSPICE is not None
    moves = [with_cruise(m, 0.05) for m in random_moves(4, seed=21)]
    fate = simulate(join(moves))
    source, why = "ngspice, electrical analogue of the whole move", "finite gain of its current loop, tanh friction"
    folders = [tmp_path / str(k) for k in range(len(moves))]
    for folder in folders:
        folder.mkdir()
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(spice_move, moves, [NGSPICE] * len(moves), folders))
    for k, (lost, worst) in enumerate(found):
        checked.true(
            f"move {k + 1}: same fate ({'lost' if lost else 'kept'})", bool(fate.lost[k]) == lost, source, why=why
        )
        if not lost:
            ours = float(fate.worst_lag[k])
            checked.close(f"move {k + 1}: peak lag [rad]", ours, worst, source, rel=0.01, why=why)


@pytest.mark.study
def test_two_hundred_fates_against_solve_ivp() -> None:
    same, total, peaks = agreement([with_cruise(m, 0.05) for m in random_moves(200, seed=1)])
    print(
        f"fate identical in {same} of {total} moves away from the boundary; peak lag: median difference "
        f"{np.median(peaks):.2%}, 90 % {np.percentile(peaks, 90):.2%}"
    )
    assert same >= 0.98 * total
    assert np.median(peaks) < 0.01


def quiet(**changes: float) -> Lanes:
    """No losses, no detent, a bus that can force anything, a stiff spring and hardly a load."""
    base = {"hysteresis": 0.0, "eddy": 0.0, "detent": 0.0, "friction": 0.0, "viscous": 0.0, "voltage": 5000.0}
    return lane(**{**base, "mass": 1e-3, "stiffness": 3e5, "damping": 0.5, **changes})


def test_undamped_shock_limit(checked: Validation) -> None:
    """Source: equal-area criterion, 0.7246 of peak (Kundur 1994); the engine finds it with losses off."""
    one = quiet()
    peak = float(one.torque_constant[0, 0] * one.current_peak[0, 0])
    radius = float(one.radius[0, 0])
    inertia = float(one.inertia[0, 0]) + 1e-3 * radius**2
    ratios = np.linspace(0.70, 0.75, 51)
    lanes = join(
        [replace(one, acceleration=np.array([t * peak / inertia * radius]), speed=np.array([4.0])) for t in ratios]
    )
    lost = simulate(lanes, phase_step=0.03, longest_step=5e-6).lost
    assert not lost[0]
    assert lost[-1]
    critical = float(ratios[lost.argmax()])
    source = "equal-area criterion (Kundur 1994)"
    checked.close(
        "abrupt demand survived, over peak, simulated", critical, 0.7246, source, abs=0.005, why="finite steps"
    )


def test_small_oscillation_on_the_magnetic_spring(checked: Validation) -> None:
    """Source: sqrt(Nr T / J), from the linearised equation of motion; timed on the engine's own swing."""
    # A long slow crawl after a small abrupt step of speed sets it swinging.
    one = quiet(acceleration=1.0, speed=1e-3, start_speed=1e-3, hold=0.1)
    _, series = trace(one, longest_step=5e-6)
    lag = series.lag[:, 0] - series.lag[:, 0].mean()
    rising = series.time[1:][(lag[:-1] < 0) & (lag[1:] >= 0)]
    measured = 2 * math.pi * (rising.size - 1) / (rising[-1] - rising[0])
    radius = float(one.radius[0, 0])
    inertia = float(one.inertia[0, 0]) + 1e-3 * radius**2
    expected = math.sqrt(50 * 0.17 * 2.0 / inertia)
    source = "sqrt(Nr T / J), linearised equation of motion"
    checked.close("natural frequency, simulated [rad/s]", measured, expected, source, rel=0.01, why="finite swing")


def test_two_mass_resonance_against_control(checked: Validation) -> None:
    """Source: python-control, poles of the rotor-belt-load system on the linear magnetic spring."""
    one = quiet(mass=0.25, stiffness=60e3, damping=3.0, acceleration=1.0, speed=1e-3, start_speed=1e-3, hold=0.6)
    j, m, k, c, r = 7.3e-6, 0.25, 60e3, 3.0, float(one.radius[0, 0])
    spring = 50 * 0.17 * 2.0
    a = np.array(
        [
            [0, 1, 0, 0],
            [-(spring + k * r * r) / j, -c * r * r / j, k * r / j, c * r / j],
            [0, 0, 0, 1],
            [k * r / m, c * r / m, -k / m, -c / m],
        ]
    )
    poles = control.ss(a, np.zeros((4, 1)), np.eye(4), np.zeros((4, 1))).poles()
    lowest = min(abs(p.imag) for p in poles if p.imag > 1.0)
    _, series = trace(one, longest_step=10e-6)
    late = series.time > 0.1  # the fast mode has died down
    # The lower mode is the load's: its speed shows it best.
    lag = series.speed[late, 0] - series.speed_reference[late]
    t = series.time[late]
    rising = t[1:][(lag[:-1] < 0) & (lag[1:] >= 0)]
    measured = float(2 * math.pi * (rising.size - 1) / (rising[-1] - rising[0]))
    source = f"python-control {control.__version__}, poles of rotor, belt and load"
    checked.close("two-mass resonance, simulated [rad/s]", measured, lowest, source, rel=0.01, why="finite swing")


def test_steady_torque_limit_is_the_pullout_torque() -> None:
    """The static map is the independent side here: a very slow ramp against a constant force is lost where torque ends."""
    force = 0.20 / float(lane().radius[0, 0])
    one = lane(
        friction=force,
        hysteresis=0.0,
        eddy=0.0,
        detent=0.0,
        viscous=0.0,
        acceleration=0.4,
        speed=1.5,
        mass=0.05,
        damping=30.0,
    )
    found = float(simulate(one).speed[0])
    radius = float(one.radius[0, 0])
    speeds = np.linspace(0.3, 1.5, 2000)
    torque = pullout(0.17, 1.65, 3e-3, 50, 2.0, 24.0, speeds / radius).torque
    demand = 0.20 + 0.4 * (0.05 * radius + 7.3e-6 / radius)
    static = float(speeds[(torque < demand).argmax()])
    assert found == pytest.approx(static, rel=0.06)
    assert found <= static * 1.03


def unstable(**changes: float) -> np.ndarray:
    """Which of 34 speeds, held for 0.3 s, lose a lightly damped motor on a driver that lets its current die down."""
    speeds = np.linspace(0.15, 1.8, 34)
    base = {"friction": 1.0, "viscous": 1.0, "damping": 4.0, "mass": 0.3, "current_peak": 1.4}
    lanes = join([lane(**{**base, **changes, "speed": v, "acceleration": 5.0, "hold": 0.3}) for v in speeds])
    fate = simulate(replace(lanes, slow_decay=np.ones_like(lanes.slow_decay)))
    return speeds[fate.lost & (fate.time > speeds / 5.0 * 0.99)]


def test_mid_range_instability_and_what_moves_it(checked: Validation) -> None:
    """Common practice, no source: microstepped rotors are unstable in a range around the corner, and work again above
    it; damping cures it; 48 V instead of 24 V moves it up."""
    plain = unstable()
    corner = 24.0 / (50 * 3e-3 * 1.4) / math.hypot(1.0, 0.17 / (50 * 3e-3 * 1.4)) * float(lane().radius[0, 0])
    assert plain.size >= 2
    source, why = "common practice, no source", "a range, not a figure, is what the trade knows"
    lowest = float(plain.min())
    checked.between("lowest unstable speed over the corner's", lowest / corner, 0.5, 1.5, source, why=why)
    checked.between("highest unstable speed [m/s]; faster works", float(plain.max()), 0.0, 1.0, source, why=why)
    checked.true("damping cures it", unstable(damping=20.0).size == 0, source, why=why)
    raised = float(unstable(voltage=48.0).min()) / lowest
    checked.between("48 V moves it up from 24 V by", raised, 1.3, 4.0, source, why=why)


def test_added_inertia_lowers_the_resonance(checked: Validation) -> None:
    """Common practice, no source."""
    frequencies = []
    for mass in (1e-3, 0.1):
        one = quiet(mass=mass, acceleration=1.0, speed=1e-3, start_speed=1e-3, hold=0.1)
        _, series = trace(one, longest_step=5e-6)
        lag = series.lag[:, 0] - series.lag[:, 0].mean()
        frequencies.append(int(np.sum((lag[:-1] < 0) & (lag[1:] >= 0))))
    source = "common practice, no source"
    checked.between(
        "resonance with inertia over without", frequencies[1] / frequencies[0], 0.0, 0.9, source, why="lower"
    )
