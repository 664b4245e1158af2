"""Electrical checks against sources outside the project; each names its own."""

from __future__ import annotations

import math
import re
import shutil
import subprocess
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import sympy as sp

from motionlimits.files.motors import load_motor
from motionlimits.physics.pullout import pullout, similarity_numbers, steady_bounds, voltage_bound, winding_resistance
from motionlimits.physics.waveform import waveform_at_angle

from .validation import Validation


def test_voltage_bound_is_what_the_phase_equations_give(checked: Validation) -> None:
    """Source: sympy, from v = R i + L di/dt + e in steady state, maximised over the load angle."""
    r, x, v, e, d, kt = sp.symbols("R X V E delta K", positive=True)
    z = sp.sqrt(r**2 + x**2)
    # Phasors with the back-EMF on the real axis: both phases give the same mean power E I cos / 2 each.
    current = (v * sp.exp(sp.I * d) - e) / (r + sp.I * x)
    torque = sp.simplify(sp.expand_complex(sp.re(current)))  # per unit of Kt: two phases, half each
    best = torque.subs(d, sp.atan2(x, r))
    source = "sympy: phasor equations maximised over the load angle"
    flat = sp.simplify(sp.diff(torque, d).subs(d, sp.atan2(x, r))) == 0
    checked.true("pull-out load angle is that of the impedance", flat, source, why="symbolic")
    same = sp.simplify(best - (v / z - e * r / z**2)) == 0
    checked.true("pull-out torque Kt (V/Z - E R/Z^2)", same, source, why="symbolic")
    numbers = {r: 1.4, x: 9.0, v: 24.0, e: 5.0, kt: 0.17}
    ours = voltage_bound(0.17, 1.4, 9.0 / (50 * 5.0 / 0.17), 50, 24.0, 5.0 / 0.17)
    expected = float((kt * best).subs(numbers))
    checked.close(
        "voltage-limited torque [N.m]", float(ours), expected, source, rel=1e-12, why="same formula, rounding"
    )


def test_square_wave_fundamental(checked: Validation) -> None:
    """Source: Fourier series of a square wave, worked by sympy: 4 V / pi."""
    t = sp.symbols("t")
    expected = float(2 / sp.pi * sp.integrate(sp.sin(t), (t, 0, sp.pi)))
    # Without resistance the bound on torque is proportional to the voltage of the wave.
    low, high = steady_bounds(0.17, 0.0, 3e-3, 50, 100.0, 24.0, 400.0)
    checked.close(
        "upper over lower bound on torque without resistance",
        float(high / low),
        expected,
        "sympy: Fourier series of a square wave",
        rel=1e-6,
        why="rounding",
    )


def test_copper(checked: Validation) -> None:
    """Source: IEC 60028: 0.00393 per kelvin at 20 C, so 100 ohm at 20 C is 131.44 ohm at 100 C."""
    for ohm, celsius, expected in ((100.0, 100.0, 131.44), (1.4, 20.0, 1.4)):
        checked.close(
            f"copper of {ohm:g} ohm at {celsius:g} C",
            float(winding_resistance(ohm, celsius)),
            expected,
            "IEC 60028, 0.00393 per kelvin",
            abs=0.005,
            why="last digit of the source",
        )


NGSPICE = shutil.which("ngspice")
SETTLING = 3.0  # time constants of a winding; with 12 no figure differs by 0.0002
SpicePoint = tuple[str, float, float, float, float]  # motor, bus [V], rms current [A], rev/s, load angle [rad]
SPICE_POINTS: list[SpicePoint] = [
    ("n17-48-2a0", 24.0, 1.4, 12.0, 0.10),
    ("n17-48-2a0", 24.0, 1.4, 25.0, 0.60),
    ("n23-56-2a8", 48.0, 2.0, 6.0, 0.30),
    ("n23-56-2a8", 48.0, 2.0, 14.0, 0.80),
    ("n11-51-1a0", 24.0, 0.8, 20.0, 0.20),
    ("n11-51-1a0", 24.0, 0.8, 60.0, 0.90),
]


def _netlist(
    resistance: float, inductance: float, flux_voltage: float, peak: float, bus: float, hz: float, angle: float
) -> str:
    """Two R-L branches with sinusoidal EMF, each driven by a bridge that follows a sinusoidal reference and saturates."""
    period = 1.0 / hz
    gain = 2.0 * inductance / (period / 4000.0)  # fast enough to follow, slow enough for the simulator
    lines = ["* two phases of a stepping motor on a saturating current loop"]
    for name, shift in (("a", 0.0), ("b", -math.pi / 2)):
        ref = f"{peak:.9g}*sin(6.283185307179586*{hz:.9g}*time+({shift:.9g}))"
        emf = f"{flux_voltage:.9g}*sin(6.283185307179586*{hz:.9g}*time+({shift - angle:.9g}))"
        lines += [
            f"B{name} {name}1 0 V = max(-{bus:.9g}, min({bus:.9g}, {gain:.9g}*({ref}-i(V{name}))+{resistance:.9g}*i(V{name})+{emf}))",
            f"V{name} {name}1 {name}2 0",
            f"R{name} {name}2 {name}3 {resistance:.9g}",
            f"L{name} {name}3 {name}4 {inductance:.9g} IC={peak * math.sin(shift):.9g}",
            f"E{name} {name}4 0 {name}5 0 1",
            f"BE{name} {name}5 0 V = {emf}",
            f"RE{name} {name}5 0 1k",
        ]
    # Currents start at their reference; two cycles are measured, after what else was at the start has died down.
    cycles = math.ceil(SETTLING * inductance / resistance / period) + 2
    lines += [
        f".tran {period / 2000:.9g} {cycles * period:.9g} {(cycles - 2) * period:.9g} {period / 2000:.9g} uic",
        ".options method=gear reltol=1e-4",
        f".meas tran pa avg par('i(Va)*sin(6.283185307179586*{hz:.9g}*time-({angle:.9g}))')",
        f".meas tran pb avg par('i(Vb)*sin(6.283185307179586*{hz:.9g}*time-({angle + math.pi / 2:.9g}))')",
        ".meas tran ra rms i(Va)",
        ".end",
    ]
    return "\n".join(lines)


def _measured(netlist: Path) -> dict[str, float]:
    """What ngspice measured."""
    assert NGSPICE is not None
    out = subprocess.run([NGSPICE, "-b", str(netlist)], capture_output=True, text=True, timeout=240, check=False).stdout
    found = {key: float(value) for key, value in re.findall(r"^(pa|pb|ra)\s*=\s*([-+0-9.e]+)", out, re.MULTILINE)}
    assert set(found) == {"pa", "pb", "ra"}, out
    return found


@pytest.fixture(scope="module")
def spiced(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[SpicePoint, Future[dict[str, float]]]]:
    """Runs of all circuits, two at a time."""
    with ThreadPoolExecutor(2) as pool:
        runs = {}
        for point in SPICE_POINTS:
            name, bus, rms, rev_s, angle = point
            motor, _ = load_motor(name)
            flux_voltage = motor.torque_constant * rev_s * 2 * math.pi
            netlist = tmp_path_factory.mktemp("spice") / "drive.cir"
            peak, hz = rms * math.sqrt(2), motor.rotor_teeth * rev_s
            netlist.write_text(_netlist(motor.resistance, motor.inductance, flux_voltage, peak, bus, hz, angle))
            runs[point] = pool.submit(_measured, netlist)
        yield runs


@pytest.mark.skipif(NGSPICE is None, reason="ngspice is not installed (Debian package ngspice)")
@pytest.mark.parametrize("point", SPICE_POINTS, ids=lambda point: "-".join(str(part) for part in point))
def test_waveform_against_ngspice(
    spiced: dict[SpicePoint, Future[dict[str, float]]], checked: Validation, point: SpicePoint
) -> None:
    """Source: ngspice (Debian package), transient analysis of the same circuit. Within 2 % of full torque, of current."""
    name, bus, rms, rev_s, angle = point
    motor, _ = load_motor(name)
    peak = rms * math.sqrt(2)
    speed = rev_s * 2 * math.pi
    found = spiced[point].result()
    numbers = similarity_numbers(
        motor.torque_constant, motor.resistance, motor.inductance, motor.rotor_teeth, peak, bus, speed
    )
    ours = waveform_at_angle(*numbers, angle)
    case, source = f"{name}, {bus:g} V, {rev_s:g} rev/s", "ngspice, transient analysis of the same circuit"
    theirs = (found["pa"] + found["pb"]) / peak
    why = "switching ripple and finite loop gain of the circuit"
    checked.close(f"torque over full torque, {case}", float(ours.torque), theirs, source, abs=0.02, why=why)
    current = found["ra"] / peak
    checked.close(f"current over set peak, {case}", float(ours.current_rms), current, source, rel=0.02, why=why)


MOTOR = load_motor("n17-48-2a0")[0]
CHECK_TABLE = [(10, 0.336), (12, 0.328), (15, 0.298), (20, 0.246), (25, 0.204), (30, 0.173)]


def _torque(rms: float, volts: float, rev_s: float) -> float:
    args = (MOTOR.torque_constant, MOTOR.resistance, MOTOR.inductance, MOTOR.rotor_teeth)
    return float(pullout(*args, rms * math.sqrt(2), volts, rev_s * 2 * math.pi).torque)


@pytest.mark.parametrize(("rev_s", "expected"), CHECK_TABLE)
def test_pullout_check_table(checked: Validation, rev_s: float, expected: float) -> None:
    """Source: a waveform integration of the same motor made outside the project, unpublished (0.48 N.m, 2.0 A, 1.4 ohm, 3.0 mH, 1.4 A rms, 24 V)."""
    torque = float(
        pullout(0.48 / (math.sqrt(2) * 2.0), 1.4, 3e-3, 50, 1.4 * math.sqrt(2), 24.0, rev_s * 2 * math.pi).torque
    )
    checked.close(
        f"pull-out torque at {rev_s:g} rev/s [N.m]",
        torque,
        expected,
        "waveform integration made outside the project, unpublished",
        rel=0.015,
        why="three digits, another integrator",
    )


def test_more_current_buys_low_speed_torque_and_hardly_any_top_speed(checked: Validation) -> None:
    """Common practice, no source."""
    low = _torque(2.0, 24, 1.0) / _torque(1.4, 24, 1.0)
    high = _torque(2.0, 24, 40.0) / _torque(1.4, 24, 40.0)
    source, why = "common practice, no source", "rule of thumb"
    checked.close("torque at 1 rev/s, 2.0 A over 1.4 A", low, 2.0 / 1.4, source, rel=0.01, why="proportional")
    checked.between("torque at 40 rev/s, 2.0 A over 1.4 A", high, 0.9, 1.1, source, why=why)


def test_a_doubled_bus_moves_the_corner_to_about_twice_the_speed(checked: Validation) -> None:
    """Common practice, no source."""
    speeds = np.geomspace(1, 200, 2000)

    def corner(volts: float) -> float:
        torque = np.array([_torque(1.4, volts, s) for s in speeds])
        return float(speeds[(torque < 0.9 * torque[0]).argmax()])

    ratio = corner(48.0) / corner(24.0)
    why = "exact only without resistance"
    checked.close("corner speed, 48 V over 24 V", ratio, 2.0, "common practice, no source", rel=0.15, why=why)
