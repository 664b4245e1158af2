"""Writes a commented machine file from a few answers."""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import InputError
from ..machine import Motor
from .motors import load_motor, motor_names
from .toml_writer import toml_value


@dataclass(frozen=True)
class Answers:
    """What the owner can say. mm, kg, N, V, A; None where it is not known."""

    name: str
    layout: str
    voltage: float
    current: float
    current_is_peak: bool
    motor: str
    kind: str
    pulley_teeth: int
    belt_pitch: float
    lead: float
    screw_efficiency: float
    axes: tuple[tuple[str, float, float, float | None], ...]  # name, mass, travel, friction


def matching_motors(
    frame: int | None = None,
    current: float | None = None,
    holding_torque: float | None = None,
    step_angle: float | None = None,
) -> list[Motor]:
    """Motors of the package that go with what is on a label, nearest first."""
    found = []
    for name in motor_names():
        motor = load_motor(name)[0]
        if frame is not None and motor.frame != frame:
            continue
        if step_angle is not None and abs(motor.step_angle * 57.29577951308232 - step_angle) > 0.05:
            continue
        off = 0.0
        for wanted, value in ((current, motor.rated_current), (holding_torque, motor.holding_torque)):
            if wanted is not None:
                off += abs(wanted - value) / value
        found.append((off, motor))
    return [motor for _, motor in sorted(found, key=lambda pair: (pair[0], pair[1].name))]


def machine_text(a: Answers) -> str:
    """The text of the machine file.

    Raises
    ------
    InputError
        Where no axis is given.
    """
    if not a.axes:
        raise InputError("at least one axis is needed")
    current_key = "current_peak_a" if a.current_is_peak else "current_rms_a"
    names = [name for name, *_ in a.axes]
    motors = ["a", "b", *[n for n in names if n not in ("x", "y")]] if a.layout == "crossed-belt" else names
    lines = [
        "# A machine for motionlimits. Values that stay out get typical ones, with a wide tolerance.",
        "[machine]",
        f"name = {toml_value(a.name)}",
        f"layout = {toml_value(a.layout)}  # crossed-belt: both motors pull the carriage through two long crossed belts",
        "",
        "[supply]",
        f"voltage_v = {a.voltage:g}  # at the driver, as a meter reads it",
        "# resistance_ohm = 0.05  # of the supply and its leads",
        "# power_limit_w = 150  # from the supply's label",
        "",
        "[driver]",
        f"{current_key} = {a.current:g}  # what the driver is set to; rms or peak, see its manual: peak is 1.41 times rms",
        "# voltage_max_v = 40  # from the driver's manual",
        "# bridge_resistance_ohm = 0.25",
        "",
        "[transmission]",
        f"kind = {toml_value(a.kind)}",
    ]
    if a.kind == "belt":
        lines += [
            f"pulley_teeth = {a.pulley_teeth}  # count them on the motor's pulley",
            f"belt_pitch_mm = {a.belt_pitch:g}  # from tooth to tooth; measure ten",
            "# belt_stiffness_n_per_mm = 60",
        ]
    else:
        lines += [
            f"lead_mm = {a.lead:g}  # travel in one turn",
            f"efficiency = {a.screw_efficiency:g}  # about 0.4 for a sliding nut, 0.9 for balls",
        ]
    lines.append("# reduction = 1.0  # motor turns for one turn of the pulley or screw")
    for motor in motors:
        lines += [
            "",
            f"[motors.{motor}]",
            f"motor = {toml_value(a.motor)}  # see: motionlimits motors list",
            "# count = 1",
        ]
    for name, mass, travel, friction in a.axes:
        lines += [
            "",
            f"[axes.{name}]",
            f"moving_mass_kg = {mass:g}  # all that moves along {name}, on a kitchen scale",
            f"travel_mm = {travel:g}",
        ]
        hint = "pull the carriage with a luggage scale, motors off"
        lines.append(
            f"friction_n = {friction:g}  # {hint}" if friction is not None else f"# friction_n = 4.0  # {hint}"
        )
        lines.append("# viscous_n_s_per_m = 3.0")
        if name == "z":
            lines.append("# incline_deg = 90  # 90 is vertical")
    return "\n".join(lines) + "\n"
