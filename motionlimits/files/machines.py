"""Machine files: reading, changing single values, writing."""

from __future__ import annotations

import copy
import difflib
import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import InputError
from ..machine import (
    CURRENT_LOOPS,
    LAYOUTS,
    TOLERANCES,
    TRANSMISSION_KINDS,
    Assumption,
    Axis,
    Drive,
    Driver,
    Machine,
    Motor,
    Supply,
    Transmission,
)
from .fields import Field, Lines, Reader, read_text
from .motors import load_motor, motor_table, parse_toml, read_motor
from .toml_writer import toml_table

TEMPERATURE = Field("winding_temperature_c", -40, 180, "C")
VOLTAGE = Field("voltage_v", 1.0, 400.0, "V")
SOURCE_RESISTANCE = Field("resistance_ohm", 0.0, 20.0, "ohm")
POWER_LIMIT = Field("power_limit_w", 0.5, 20_000, "W")
CURRENT_RMS = Field("current_rms_a", 0.01, 30.0, "A", per_si=math.sqrt(0.5))  # SI side: peak ampere
CURRENT_PEAK = Field("current_peak_a", 0.01, 45.0, "A")
BRIDGE_RESISTANCE = Field("bridge_resistance_ohm", 0.0, 20.0, "ohm")
VOLTAGE_MAX = Field("voltage_max_v", 1.0, 1000.0, "V")
PULLEY_TEETH = Field("pulley_teeth", 6, 500, "", whole=True)
BELT_PITCH = Field("belt_pitch_mm", 0.3, 30.0, "mm", per_si=1e3)
BELT_STIFFNESS = Field("belt_stiffness_n_per_mm", 0.5, 100_000.0, "N/mm", per_si=1e-3)
REDUCTION = Field("reduction", 0.01, 1000.0)
EFFICIENCY = Field("efficiency", 0.05, 1.0)
INERTIA = Field("inertia_gcm2", 0.0, 1e6, "g.cm2", per_si=1e7)
LEAD = Field("lead_mm", 0.1, 500.0, "mm", per_si=1e3)
FEED = Field("feed_mm_per_rev", 0.05, 5000.0, "mm", per_si=1e3)
COUNT = Field("count", 1, 8, "", whole=True)
MOVING_MASS = Field("moving_mass_kg", 0.001, 5000.0, "kg")
TRAVEL = Field("travel_mm", 1.0, 100_000.0, "mm", per_si=1e3)
FRICTION = Field("friction_n", 0.0, 50_000.0, "N")
VISCOUS = Field("viscous_n_s_per_m", 0.0, 100_000.0, "N.s/m")
INCLINE = Field("incline_deg", -90.0, 90.0, "deg", per_si=180.0 / math.pi)
PROCESS_FORCE = Field("process_force_n", 0.0, 50_000.0, "N")

# Typical values for what a file leaves out: all from memory, each carried with a wide tolerance.
SOURCE_RESISTANCE_TYPICAL = 0.05
BRIDGE_RESISTANCE_TYPICAL = 0.25
PULLEY_INERTIA_TYPICAL = 1e-7
SCREW_INERTIA_TYPICAL = 12e-7
BELT_EFFICIENCY_TYPICAL = 0.98
FEED_EFFICIENCY_TYPICAL = 0.9
BELT_STIFFNESS_TYPICAL = 60e3
FRICTION_TYPICAL_FORCE, FRICTION_TYPICAL_PER_MASS = 2.0, 1.0
VISCOUS_TYPICAL = 3.0

DRIVER_KEYS = ("current_rms_a", "current_peak_a", "bridge_resistance_ohm", "voltage_max_v", "current_loop")
TRANSMISSION_KEYS = (
    "kind",
    "pulley_teeth",
    "belt_pitch_mm",
    "belt_stiffness_n_per_mm",
    "lead_mm",
    "feed_mm_per_rev",
    "reduction",
    "efficiency",
    "inertia_gcm2",
)
AXIS_KEYS = tuple(f.key for f in (MOVING_MASS, TRAVEL, FRICTION, VISCOUS, INCLINE, PROCESS_FORCE))


@dataclass(frozen=True)
class MachineFile:
    """A parsed but unchecked machine file: its tables, text (for line numbers) and where it lies."""

    table: dict[str, Any]
    text: str
    source: str
    folder: Path

    def machine(self) -> Machine:
        """Check everything and make the machine."""
        return machine_from_table(self.table, self.source, self.text, self.folder)

    def changed(self, settings: list[str]) -> MachineFile:
        """The same file with values replaced, each setting written KEY=VALUE with a dotted key.

        Raises
        ------
        InputError
            Where a setting is not of that form or its key leads nowhere; values are checked by `machine`.
        """
        table = copy.deepcopy(self.table)
        for setting in settings:
            key, equals, value = setting.partition("=")
            parts = [part.strip() for part in key.strip().split(".")]
            if not equals or not all(parts) or not value.strip() or len(parts) > 6:
                raise InputError(
                    f"--set {setting[:80]}: write KEY=VALUE with the keys of the machine file joined by dots, for "
                    "example supply.voltage_v=48"
                )
            _put(table, parts, _setting_value(value.strip()), setting)
        return MachineFile(table, self.text, f"{self.source} with --set", self.folder)


def _setting_value(text: str) -> object:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except (tomllib.TOMLDecodeError, RecursionError):
        return text


def _put(table: dict[str, Any], parts: list[str], value: object, setting: str) -> None:
    for part in parts[:-1]:
        inner = table.setdefault(part, {})
        if not isinstance(inner, dict):
            raise InputError(f"--set {setting[:80]}: '{part}' is a value in the machine file, not a table")
        table = inner
    sibling = {"current_rms_a": "current_peak_a", "current_peak_a": "current_rms_a"}.get(parts[-1])
    if sibling:
        table.pop(sibling, None)
    table[parts[-1]] = value


def open_machine(path: Path) -> MachineFile:
    """Read a machine file's tables without checking their content."""
    text = read_text(path, "machine")
    return MachineFile(parse_toml(text, str(path)), text, str(path), path.parent)


def read_machine(path: Path | str) -> Machine:
    """Read and check a machine file.

    Raises
    ------
    InputError
        With file, table, key, line, what was read and what is allowed.
    """
    return open_machine(Path(path)).machine()


class _Typical:
    """Collects which values were assumed."""

    def __init__(self) -> None:
        self.assumed: list[Assumption] = []

    def __call__(self, table: Reader, field: Field, value: float, why: str, prefix: str | None = None) -> float:
        given = table.number(field)
        if given is not None:
            return given
        key = f"{prefix or table.path}.{field.key}"
        self.assumed.append(Assumption(key, field.from_si(value), field.unit, why))
        return value


def _driver(table: Reader, prefix: str, typical: _Typical) -> Driver:
    table.only(DRIVER_KEYS)
    stated = [key for key in ("current_rms_a", "current_peak_a") if key in table.table]
    if len(stated) != 1:
        found = "both are given" if stated else "neither is given"
        raise table.fail(
            stated[1] if stated else None,
            f"exactly one of current_rms_a and current_peak_a is needed, {found} (peak is 1.41 times rms: "
            "see what the driver's manual means by its setting)",
        )
    if "current_loop" not in table.table:
        why = "drivers differ in how they let the current down; the bands span both kinds"
        typical.assumed.append(Assumption(f"{prefix}.current_loop", "regulated", "", why))
    return Driver(
        current_peak=table.required(CURRENT_RMS if stated == ["current_rms_a"] else CURRENT_PEAK),
        bridge_resistance=typical(
            table, BRIDGE_RESISTANCE, BRIDGE_RESISTANCE_TYPICAL, "two switches and a sense resistor", prefix
        ),
        voltage_max=table.number(VOLTAGE_MAX),
        current_loop=table.text("current_loop", "regulated", CURRENT_LOOPS),
    )


def _transmission(table: Reader, prefix: str, typical: _Typical) -> Transmission:
    table.only(TRANSMISSION_KEYS)
    kind = table.text("kind", choices=TRANSMISSION_KINDS)
    own = {"belt": (PULLEY_TEETH, BELT_PITCH, BELT_STIFFNESS), "screw": (LEAD,), "feed": (FEED,)}
    for other, keys in own.items():
        for field in keys:
            if other != kind and field.key in table.table:
                raise table.fail(field.key, f"this key belongs to kind = \"{other}\", but the kind here is '{kind}'")
    reduction = table.number(REDUCTION, 1.0)
    assert reduction is not None
    if kind == "belt":
        return Transmission(
            kind=kind,
            reduction=reduction,
            efficiency=typical(table, EFFICIENCY, BELT_EFFICIENCY_TYPICAL, "a toothed belt in good order", prefix),
            inertia=typical(table, INERTIA, PULLEY_INERTIA_TYPICAL, "a small pulley, seen at the motor shaft", prefix),
            pulley_teeth=int(table.required(PULLEY_TEETH)),
            belt_pitch=table.required(BELT_PITCH),
            belt_stiffness=typical(
                table,
                BELT_STIFFNESS,
                BELT_STIFFNESS_TYPICAL,
                "a light belt of half a metre to a metre",
                prefix,
            ),
        )
    if kind == "screw":
        return Transmission(
            kind=kind,
            reduction=reduction,
            efficiency=table.required(EFFICIENCY),
            inertia=typical(table, INERTIA, SCREW_INERTIA_TYPICAL, "a steel screw of 8 mm by 400 mm", prefix),
            feed=table.required(LEAD),
        )
    return Transmission(
        kind=kind,
        reduction=reduction,
        efficiency=typical(table, EFFICIENCY, FEED_EFFICIENCY_TYPICAL, "a rack or gear in good order", prefix),
        inertia=typical(table, INERTIA, PULLEY_INERTIA_TYPICAL, "a small pinion, seen at the motor shaft", prefix),
        feed=table.required(FEED),
    )


def _merged(base: Reader, own: Reader) -> Reader:
    """A motor's own table laid over the common one; errors point at the table that holds the key."""
    own.only(DRIVER_KEYS if base.path == "driver" else TRANSMISSION_KEYS)
    merged = dict(base.table)
    if "current_rms_a" in own.table or "current_peak_a" in own.table:
        merged.pop("current_rms_a", None)
        merged.pop("current_peak_a", None)
    if "kind" in own.table and own.table["kind"] != merged.get("kind"):
        merged = {}
    merged.update(own.table)
    path = own.path if own.table else base.path
    return Reader(merged, path, base.source, base._lines)


def _motor(table: Reader, folder: Path, typical: _Typical) -> Motor:
    given = table.table.get("motor")
    if isinstance(given, dict):
        motor, assumed = read_motor(table.sub("motor"), name="inline motor")
        found = tuple(assumed)
    else:
        try:
            motor, found = load_motor(table.text("motor"), folder)
        except InputError as problem:
            if str(problem).startswith(table.source):
                raise
            raise table.fail("motor", str(problem)) from None
    typical.assumed += [Assumption(f"{table.path}.{a.key}", a.value, a.unit, a.why) for a in found]
    return motor


def _drive(table: Reader, root: Reader, folder: Path, typical: _Typical) -> Drive:
    table.only(("motor", "count", "driver", "transmission"))
    count = table.number(COUNT, 1.0)
    assert count is not None
    return Drive(
        name=table.path.rpartition(".")[2],
        motor=_motor(table, folder, typical),
        driver=_driver(_merged(root.sub("driver", False), table.sub("driver", False)), table.path, typical),
        transmission=_transmission(
            _merged(root.sub("transmission", False), table.sub("transmission", False)), table.path, typical
        ),
        count=int(count),
    )


def _axis(table: Reader, typical: _Typical) -> Axis:
    table.only(AXIS_KEYS)
    mass = table.required(MOVING_MASS)
    friction = FRICTION_TYPICAL_FORCE + FRICTION_TYPICAL_PER_MASS * mass
    incline, force = table.number(INCLINE, 0.0), table.number(PROCESS_FORCE, 0.0)
    assert incline is not None and force is not None
    return Axis(
        name=table.path.rpartition(".")[2],
        moving_mass=mass,
        travel=table.required(TRAVEL),
        friction=typical(table, FRICTION, friction, "guides in good order: 2 N and 1 N for every kg"),
        viscous=typical(table, VISCOUS, VISCOUS_TYPICAL, "lightly greased guides"),
        incline=incline,
        process_force=force,
    )


def _check_names(root: Reader, layout: str, motors: Reader, axes: Reader) -> None:
    """Motors and axes must belong together."""
    for reader in (motors, axes):
        for name in reader.table:
            if not name.isidentifier() or not name.isascii() or len(name) > 20:
                raise reader.fail(name, "names are short words of letters, digits and underscores")
    needed = set(axes.table)
    if layout == "crossed-belt":
        for name in ("x", "y"):
            if name not in axes.table:
                raise axes.fail(None, f"a crossed-belt machine needs the table [axes.{name}]")
        needed = (needed - {"x", "y"}) | {"a", "b"}
        if "a" in axes.table or "b" in axes.table:
            raise axes.fail("a" if "a" in axes.table else "b", "a and b are the motors of the crossed belts, not axes")
    if not needed:
        raise root.fail(None, "at least one table [axes.NAME] is needed")
    rule = (
        "crossed belts need motors a and b, further axes a motor of their own name"
        if layout == "crossed-belt"
        else ("on an independent layout every axis has a motor of its own name")
    )
    for name in sorted(needed - set(motors.table)):
        near = difflib.get_close_matches(name, list(motors.table), n=1)
        raise motors.fail(None, f"the table [motors.{name}] is missing{f' (found {near[0]})' if near else ''}; {rule}")
    for name in motors.table:
        if name not in needed:
            raise motors.fail(name, f"no axis goes with this motor; {rule}")
    if len(needed) > 12:
        raise root.fail(None, "a machine may have up to 12 motors")


def machine_from_table(table: dict[str, Any], source: str, text: str = "", folder: Path | None = None) -> Machine:
    """Check the tables of a machine file and make the machine.

    Raises
    ------
    InputError
        With file, table, key, line, what was read and what is allowed.
    """
    lines = Lines(text)
    root = Reader(table, "", source, lines)
    root.only(("machine", "supply", "driver", "transmission", "motors", "axes", "tolerance"))
    head = root.sub("machine")
    head.only(("name", "layout", TEMPERATURE.key))
    layout = head.text("layout", choices=LAYOUTS)
    supply = root.sub("supply")
    supply.only((VOLTAGE.key, SOURCE_RESISTANCE.key, POWER_LIMIT.key))
    motors, axes = root.sub("motors"), root.sub("axes")
    _check_names(root, layout, motors, axes)
    root.sub("driver", False).only(DRIVER_KEYS)
    root.sub("transmission", False).only(TRANSMISSION_KEYS)
    typical = _Typical()
    tolerance = root.sub("tolerance", False)
    tolerance.only(tuple(TOLERANCES))
    temperature = head.number(TEMPERATURE, 20.0)
    assert temperature is not None
    machine = Machine(
        name=head.text("name"),
        layout=layout,
        supply=Supply(
            voltage=supply.required(VOLTAGE),
            resistance=typical(supply, SOURCE_RESISTANCE, SOURCE_RESISTANCE_TYPICAL, "a bench supply and its leads"),
            power_limit=supply.number(POWER_LIMIT),
        ),
        drives=tuple(_drive(motors.sub(name), root, folder or Path(), typical) for name in motors.table),
        axes=tuple(_axis(axes.sub(name), typical) for name in axes.table),
        tolerance={key: tolerance.required(Field(key, 0.0, 1.0)) for key in tolerance.table},
        assumed=tuple(typical.assumed),
        winding_temperature=temperature,
    )
    for name in motors.table:
        own = motors.sub(name)
        for key in ("driver", "transmission"):
            own.sub(key, False)
    return machine


def machine_table(machine: Machine) -> dict[str, object]:
    """The tables of a machine's file, in its units, leaving out what was assumed.

    Every motor is written as an inline table with its own driver and transmission, so that nothing is lost.
    """
    assumed = {a.key for a in machine.assumed}

    def kept(path: str, values: list[tuple[Field, float | None]]) -> dict[str, object]:
        return {
            field.key: int(value) if field.whole else field.from_si(value)
            for field, value in values
            if value is not None and f"{path}.{field.key}" not in assumed
        }

    motors: dict[str, object] = {}
    for drive in machine.drives:
        path = f"motors.{drive.name}"
        t = drive.transmission
        own = {
            "belt": [
                (PULLEY_TEETH, float(t.pulley_teeth)),
                (BELT_PITCH, t.belt_pitch),
                (BELT_STIFFNESS, t.belt_stiffness),
            ],
            "screw": [(LEAD, t.feed)],
            "feed": [(FEED, t.feed)],
        }[t.kind]
        prefix = f"{path}."
        unknown = frozenset(key.removeprefix(prefix) for key in assumed if key.startswith(prefix))
        motors[drive.name] = {
            "count": drive.count,
            "motor": motor_table(drive.motor, unknown),
            "driver": {
                **kept(
                    path,
                    [
                        (CURRENT_PEAK, drive.driver.current_peak),
                        (BRIDGE_RESISTANCE, drive.driver.bridge_resistance),
                        (VOLTAGE_MAX, drive.driver.voltage_max),
                    ],
                ),
                **({} if f"{path}.current_loop" in assumed else {"current_loop": drive.driver.current_loop}),
            },
            "transmission": {
                "kind": t.kind,
                **kept(path, [*own, (REDUCTION, t.reduction), (EFFICIENCY, t.efficiency), (INERTIA, t.inertia)]),
            },
        }
    supply = machine.supply
    head: dict[str, object] = {"name": machine.name, "layout": machine.layout}
    head[TEMPERATURE.key] = machine.winding_temperature
    return {
        "machine": head,
        "supply": kept(
            "supply",
            [
                (VOLTAGE, supply.voltage),
                (SOURCE_RESISTANCE, supply.resistance),
                (POWER_LIMIT, supply.power_limit),
            ],
        ),
        "motors": motors,
        "axes": {
            axis.name: kept(
                f"axes.{axis.name}",
                [
                    (MOVING_MASS, axis.moving_mass),
                    (TRAVEL, axis.travel),
                    (FRICTION, axis.friction),
                    (VISCOUS, axis.viscous),
                    (INCLINE, axis.incline),
                    (PROCESS_FORCE, axis.process_force),
                ],
            )
            for axis in machine.axes
        },
        "tolerance": dict(machine.tolerance),
    }


def write_machine(machine: Machine) -> str:
    """The text of a machine file that reads back as an equal machine."""
    return toml_table(machine_table(machine))
