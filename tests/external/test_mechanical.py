"""Mechanical checks against sources outside the project; each names its own."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from motionlimits.answers.predict import predict
from motionlimits.physics.constants import EQUAL_AREA_LIMIT
from motionlimits.physics.demand import axis_forces, drive_forces, motor_torque, pitch_radius
from motionlimits.physics.swing import clearing_time, natural_frequency, start_step

from ..machines import machine
from .validation import Validation


def _largest_swing(demand: float, seconds: float = 200.0, cleared: float = math.inf, speed: float = 0.0) -> bool:
    """Whether phi'' = T - sin phi, started at rest, stays below a full turn (own code on scipy's integrator)."""

    def rate(t: float, y: np.ndarray) -> list[float]:
        return [y[1], (demand if t < cleared else 0.0) - math.sin(y[0])]

    def gone(t: float, y: np.ndarray) -> float:
        return y[0] - 2 * math.pi

    gone.terminal = True  # type: ignore[attr-defined]
    out = solve_ivp(rate, (0, seconds), [0.0, speed], events=gone, rtol=1e-10, atol=1e-12, max_step=0.05)
    return out.t[-1] >= seconds


def test_equal_area_constant_by_integration(checked: Validation) -> None:
    """Source: direct integration of the swing equation with scipy.integrate.solve_ivp; Kundur 1994 for the criterion."""
    low, high = 0.70, 0.75
    for _ in range(16):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _largest_swing(middle) else (low, middle)
    source = "scipy.integrate.solve_ivp on the swing equation"
    checked.close(
        "abrupt demand survived, over peak", EQUAL_AREA_LIMIT, low, source, abs=2e-4, why="bisection, long swings"
    )
    root = brentq(lambda t: t * (math.pi - math.asin(t)) - 1 - math.cos(math.asin(t)), 0.5, 0.9)
    source = "equal-area criterion (Kundur, Power System Stability and Control, 1994), scipy.optimize.brentq"
    checked.close("the same by equal areas", EQUAL_AREA_LIMIT, root, source, abs=1e-9, why="root's tolerance")


@pytest.mark.parametrize("demand", [0.8, 1.0, 1.5, 4.0])
def test_clearing_time_by_integration(checked: Validation, demand: float) -> None:
    """Source: scipy.integrate.solve_ivp on the swing equation with the demand ended at a trial time."""
    expected = float(clearing_time(demand))
    held = _largest_swing(demand, 60.0, cleared=expected * 0.995)
    lost = not _largest_swing(demand, 60.0, cleared=expected * 1.005)
    checked.true(
        f"longest time a demand of {demand:g} of peak may last",
        held and lost,
        "scipy.integrate.solve_ivp on the swing equation",
        why="kept at 0.5 % less, lost at 0.5 % more",
    )


def test_start_step_by_integration(checked: Validation) -> None:
    """Source: scipy.integrate.solve_ivp; the separatrix of the pendulum, speed 2, for no demand."""
    for after in (0.0, 0.2, 0.5):
        step = float(start_step(after))
        held, lost = (_largest_swing(after, 60.0, speed=step * f) for f in (0.998, 1.002))
        checked.true(
            f"step of speed survived under a load of {after:g} of peak",
            held and not lost,
            "scipy.integrate.solve_ivp on the swing equation",
            why="kept at 0.2 % less, lost at 0.2 % more",
        )
    checked.close(
        "step of speed survived without load",
        float(start_step(0.0)),
        2.0,
        "separatrix of the pendulum",
        rel=1e-6,
        why="closed form",
    )


def test_small_oscillations(checked: Validation) -> None:
    """Source: scipy.integrate.solve_ivp on J th'' = -T sin(Nr th), zero crossings timed."""
    teeth, peak, inertia = 50, 0.4, 7e-6
    omega = float(natural_frequency(teeth, peak, inertia))
    out = solve_ivp(
        lambda t, y: [y[1], -peak / inertia * math.sin(teeth * y[0])],
        (0, 20 / omega),
        [1e-5, 0.0],
        events=lambda t, y: y[0],
        rtol=1e-10,
        atol=1e-14,
    )
    measured = float(math.pi / np.mean(np.diff(out.t_events[0])))
    source = "scipy.integrate.solve_ivp on J th'' = -T sin(Nr th)"
    checked.close("natural frequency [rad/s]", omega, measured, source, rel=1e-4, why="small swing, timed crossings")


def test_pitch_diameter(checked: Validation) -> None:
    """Source: ISO 5295 / any belt handbook: pitch diameter = teeth x pitch / pi; 20 teeth of 2 mm: 12.732 mm."""
    source = "ISO 5295 / belt handbooks (from memory): teeth x pitch / pi"
    t = machine().drives[0].transmission
    for what, radius in (
        ("pitch diameter, 20 teeth of 2 mm [mm]", float(pitch_radius(20, 2e-3))),
        ("as read from a file [mm]", t.radius),
    ):
        checked.close(what, 2e3 * radius, 12.732, source, abs=5e-4, why="digits of the source")


def test_crossed_belt_kinematics(checked: Validation) -> None:
    """Source: published relation of crossed-belt drives (any text on parallel kinematics; from memory): dx = (da + db)/2, dy = (da - db)/2."""
    jacobian = machine().kinematic_map
    for da, db in ((1.0, 0.0), (0.0, 1.0), (0.3, -2.0)):
        dx, dy = (da + db) / 2, (da - db) / 2
        source = "published relation of crossed-belt drives (from memory)"
        what = f"belt travels for dx {dx:g}, dy {dy:g}"
        checked.close(what, jacobian @ [dx, dy], [da, db], source, abs=1e-12, why="exact")
    # Virtual work: power at the belts equals power at the carriage.
    force, velocity = np.array([3.0, -7.0]), np.array([0.2, 0.5])
    power = float(drive_forces(jacobian, force) @ (jacobian @ velocity))
    checked.close(
        "power at the belts [W]",
        power,
        float(force @ velocity),
        "principle of virtual work (exact)",
        rel=1e-12,
        why="exact",
    )


def _torque(
    mass: float, friction: float, incline: float, radius: float, efficiency: float, inertia: float, acceleration: float
) -> float:
    one = np.array([1.0])
    force = axis_forces(
        np.array([mass]), np.array([friction]), np.zeros(1), np.array([incline]), np.zeros(1), one, 0.1, acceleration
    )
    shaft = np.array([acceleration / radius])
    return float(motor_torque(force, one, radius, efficiency, one, inertia, shaft)[0])


def test_worked_example_ball_screw_table(checked: Validation) -> None:
    """Ball-screw table sizing as stepping-motor makers' technical references work it (from memory).

    Table and work 40 kg on guides of friction coefficient 0.05, screw of 15 mm diameter, 600 mm long, 15 mm lead,
    efficiency 0.9, steel 7.9e3 kg/m3. The reference relations: J_screw = pi/32 rho L D^4, J_table = m (P/2pi)^2,
    load torque F P / (2 pi eta).
    """
    density, length, diameter, lead, mass, efficiency = 7.9e3, 0.6, 0.015, 0.015, 40.0, 0.9
    screw = math.pi / 32 * density * length * diameter**4
    assert screw == pytest.approx(0.236e-4, rel=0.01)  # the reference's own figures, so that ours start where it does
    table = mass * (lead / (2 * math.pi)) ** 2
    assert table == pytest.approx(2.28e-4, rel=0.01)
    friction = 0.05 * mass * 9.807
    load = friction * lead / (2 * math.pi * efficiency)
    assert load == pytest.approx(0.052, rel=0.01)
    radius = lead / (2 * math.pi)
    source = "makers' technical references, worked example (from memory)"
    ours = _torque(mass, friction, 0.0, radius, efficiency, screw, 0.0)
    checked.close("ball-screw table, load torque [N.m]", ours, load, source, rel=1e-9, why="same relation")
    # Acceleration torque (J_screw + J_table / eta) dw/dt for 0.2 m/s reached in 0.1 s.
    rate = 0.2 / 0.1 / radius
    expected = load + (screw + table / efficiency) * rate
    ours = _torque(mass, friction, 0.0, radius, efficiency, screw, 2.0)
    checked.close("ball-screw table, accelerating torque [N.m]", ours, expected, source, rel=1e-9, why="same relation")


def test_worked_example_belt_conveyor(checked: Validation) -> None:
    """Belt drive sizing as makers' technical references work it (from memory).

    Load 7 kg with its belt, roller 30 mm diameter, friction coefficient 0.3, efficiency 0.9: F = mu m g = 20.6 N, load
    torque F D / (2 eta) = 0.343 N.m, load inertia m (D/2)^2 = 15.75e-4 kg.m2.
    """
    friction = 0.3 * 7.0 * 9.807
    assert friction == pytest.approx(20.6, rel=0.01)
    source = "makers' technical references, worked example (from memory)"
    ours = _torque(7.0, friction, 0.0, 0.015, 0.9, 0.0, 0.0)
    checked.close("belt conveyor, load torque [N.m]", ours, 0.343, source, rel=0.01, why="three digits of the source")
    inertia = (
        _torque(7.0, friction, 0.0, 0.015, 1.0, 0.0, 1.0) - _torque(7.0, friction, 0.0, 0.015, 1.0, 0.0, 0.0)
    ) / (1 / 0.015)
    checked.close("belt conveyor, load inertia [kg.m2]", inertia, 15.75e-4, source, rel=1e-6, why="exact in the source")


def test_worked_example_vertical_screw(checked: Validation) -> None:
    """Vertical axis: load torque m g P / (2 pi eta) (any handbook; numbers of our own: 10 kg, 5 mm, 0.9)."""
    expected = 10 * 9.80665 * 0.005 / (2 * math.pi * 0.9)
    ours = _torque(10.0, 0.0, math.pi / 2, 0.005 / (2 * math.pi), 0.9, 0.0, 0.0)
    source = "handbooks: m g P / (2 pi eta) (from memory)"
    checked.close("vertical screw, holding torque [N.m]", ours, expected, source, rel=1e-9, why="same relation")


def test_light_gantry_needs_27_newtons_and_26_millimetres(checked: Validation) -> None:
    """Common practice, no source: a little over 0.9 kg at 30,000 mm/s2 to 1250 mm/s."""
    force = axis_forces(np.array([0.91]), np.array([0.0]), np.zeros(1), np.zeros(1), np.zeros(1), np.ones(1), 0.0, 30.0)
    source, why = "common practice, no source", "rounded in the telling"
    checked.close("force on 0.91 kg at 30,000 mm/s2 [N]", float(force[0]), 27.0, source, abs=0.5, why=why)
    # Our own account of the same move: it is reached in twice that travel (speeding up and stopping).
    short = predict(machine(), [machine().direction("x")], [30.0], travel=2 * 0.02604, quick=True).limits[0]
    what = "speed reached by speeding up over 26.04 mm [m/s]"
    checked.close(what, short.reachable, 1.25, "v^2 = 2 a s, uniform acceleration", rel=1e-3, why="rounded travel")


def test_300_mm_s_is_unambitious_for_a_healthy_crossed_belt_printer(checked: Validation) -> None:
    """Common practice, no source: 300 mm/s is an easy rapid for such a machine, 150 mm/s a sign of a fault."""
    printer = machine(driver__current_rms_a=1.0)
    for direction in ("x", "y", "45"):
        limit = predict(printer, [printer.direction(direction)], [3.0]).limits[0]
        floor = limit.low if limit.low is not None else limit.reachable
        what = f"low end of the band along {direction} at 3000 mm/s2 [m/s]"
        checked.between(what, floor, 0.600, math.inf, "common practice, no source", why="300 mm/s is easy: twice that")
