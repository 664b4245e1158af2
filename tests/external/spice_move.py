"""A whole move by a circuit simulator: windings as circuits, mechanics as their electrical analogues, on ngspice.

Speeds are voltages on capacitors of the size of the inertias, torques and forces currents into them, angles and positions
voltages on capacitors of one farad fed by the speeds.
"""

from __future__ import annotations

import math
import re
import subprocess
from pathlib import Path

from motionlimits.physics.motion import Lanes, move_time, top_speed

from ..lanes import numbers_of


def move_netlist(lane: Lanes, *, loop_time: float = 2e-6, rub_speed: float = 2e-5) -> str:
    """Netlist of one D = A = 1 lane with finite travel and no start step; steep but smooth friction and current loop."""
    p = numbers_of(lane)
    end, top = float(move_time(lane)[0]), float(top_speed(lane)[0])
    a, rise = p["acceleration"], top / p["acceleration"]
    nr, k, r, bus = p["rotor_teeth"], p["torque_constant"], p["radius"], p["voltage"]
    # Volts stand for millimetres and radians, so that all nodes are of the order of one.
    up = f"min(time,{rise:.9g})"
    level = f"max(0,min(time-{rise:.9g},{end - 2 * rise:.9g}))"
    down = f"max(0,min(time-{end - rise:.9g},{rise:.9g}))"
    distance = f"(0.5*{a:.9g}*{up}*{up}+{top:.9g}*{level}+({top:.9g}-0.5*{a:.9g}*{down})*{down})"
    pace = f"({a:.9g}*{up}-{a:.9g}*{down})"
    gain = p["inductance"] / loop_time
    turning = nr * p["axis_rate"] / r * p["inductance"] * p["current_peak"]
    force = f"({p['stiffness']:.9g}*({r:.9g}*v(th)-1e-3*v(x))+{p['damping']:.9g}*({r:.9g}*v(w)-v(u)))"
    lines = [
        "* one move of one motor with its belt and load",
        f"Bph ph 0 V = {p['phase']:.9g}+{nr * p['axis_rate'] / r:.9g}*{distance}",
        f"Bpace pace 0 V = {pace}",
        f"Bel el 0 V = {nr:.9g}*v(th)",
    ]
    for name, wave, slope, emf in (
        ("a", "cos(v(ph))", "-sin(v(ph))", f"(-{k:.9g}*v(w)*sin(v(el)))"),
        ("b", "sin(v(ph))", "cos(v(ph))", f"({k:.9g}*v(w)*cos(v(el)))"),
    ):
        asked = (
            f"{turning:.9g}*v(pace)*({slope})+{gain:.9g}*({p['current_peak']:.9g}*{wave}-i(V{name}))"
            f"+{p['resistance']:.9g}*i(V{name})+{emf}"
        )
        start = p["current_peak"] * (math.cos(p["phase"]) if name == "a" else math.sin(p["phase"]))
        lines += [
            f"B{name} {name}1 0 V = max(-{bus:.9g},min({bus:.9g},{asked}))-{emf}",
            f"V{name} {name}1 {name}2 0",
            f"R{name} {name}2 {name}3 {p['resistance']:.9g}",
            f"L{name} {name}3 0 {p['inductance']:.9g} IC={start:.9g}",
        ]
    torque = (
        f"{k:.9g}*(i(Vb)*cos(v(el))-i(Va)*sin(v(el)))-{p['detent']:.9g}*sin(4*v(el))-{p['eddy']:.9g}*v(w)"
        f"-{p['hysteresis']:.9g}*tanh(v(w)*{r / rub_speed:.9g})-{force}*{r / p['efficiency']:.9g}"
    )
    pull = f"{force}-{p['viscous']:.9g}*v(u)-{p['friction']:.9g}*tanh(v(u)*{1 / rub_speed:.9g})-{p['force']:.9g}"
    th0 = p["phase"] / nr
    lines += [
        f"BT 0 w I = ({torque})*{1e-3 / p['inertia']:.9g}",
        "Cw w 0 1e-3 IC=0",
        "BTh 0 th I = v(w)*1e-3",
        f"Cth th 0 1e-3 IC={th0:.9g}",
        f"BF 0 u I = ({pull})*{1e-3 / p['mass']:.9g}",
        "Cu u 0 1e-3 IC=0",
        "Bx 0 x I = v(u)*1",
        f"Cx x 0 1e-3 IC={1e3 * r * th0:.9g}",
        "Blag lag 0 V = abs(v(ph)-v(el))",
        f".tran 20u {end + 0.02:.9g} 0 20u uic",
        ".options method=gear reltol=1e-4 abstol=1e-9",
        ".meas tran worst max v(lag)",
        ".end",
    ]
    return "\n".join(lines)


def spice_move(lane: Lanes, program: str, folder: Path) -> tuple[bool, float]:
    """Whether a cycle is lost, and the greatest lag [rad].

    Raises
    ------
    RuntimeError
        Where the simulator gives no answer.
    """
    netlist = folder / "move.cir"
    netlist.write_text(move_netlist(lane))
    done = subprocess.run([program, "-b", str(netlist)], capture_output=True, text=True, timeout=300, check=False)
    found = re.search(r"^worst\s*=\s*([-+0-9.e]+)", done.stdout, re.MULTILINE)
    if found is None:
        raise RuntimeError(done.stdout[-1500:] + done.stderr[-1500:])
    worst = float(found.group(1))
    return worst > 2.0 * math.pi, worst
