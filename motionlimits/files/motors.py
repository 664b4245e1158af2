"""Motor files: reading, writing, and finding the ones that come with the package."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from pathlib import Path

from ..errors import InputError
from ..machine import Assumption, Motor
from .fields import Field, Lines, Reader, read_text
from .toml_writer import toml_table

FRAME = Field("frame", 6, 60, "(frame size)", whole=True)
STEP_ANGLE = Field("step_angle_deg", 0.3, 15.0, "deg", per_si=57.29577951308232)
RATED_CURRENT = Field("rated_current_a", 0.02, 30.0, "A")
RESISTANCE = Field("resistance_ohm", 0.02, 300.0, "ohm")
INDUCTANCE = Field("inductance_mh", 0.05, 500.0, "mH", per_si=1e3)
HOLDING_TORQUE = Field("holding_torque_nm", 0.0005, 100.0, "N.m")
DETENT_TORQUE = Field("detent_torque_nm", 0.0, 10.0, "N.m")
HYSTERESIS_TORQUE = Field("hysteresis_torque_nm", 0.0, 10.0, "N.m")
EDDY_DRAG = Field("eddy_drag_nm_per_krpm", 0.0, 10.0, "N.m per 1000 rev/min", per_si=104.71975511965977)
ROTOR_INERTIA = Field("rotor_inertia_gcm2", 0.05, 100_000.0, "g.cm2", per_si=1e7)
MASS = Field("mass_kg", 0.005, 100.0, "kg")

NUMBERS = (
    FRAME,
    STEP_ANGLE,
    RATED_CURRENT,
    RESISTANCE,
    INDUCTANCE,
    HOLDING_TORQUE,
    DETENT_TORQUE,
    HYSTERESIS_TORQUE,
    EDDY_DRAG,
    ROTOR_INERTIA,
    MASS,
)
KEYS = ("name", *(field.key for field in NUMBERS), "source")

# Typical of hybrid motors, from memory: detent torque of 3 to 6 % of the holding torque; iron losses of a 0.5 N.m
# motor of 1 to 2 W at 1000 rev/min, of which the constant (hysteresis) part is of the order of the detent torque.
DETENT_FRACTION = 0.04
HYSTERESIS_OF_DETENT = 0.8
EDDY_FRACTION_AT_1000_RPM = 0.01


def motor_folder() -> Path:
    """The folder of motor files: inside an installed package, beside it in a checkout or editable install."""
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "motors", package.parent / "motors"):
        if folder.is_dir():
            return folder
    raise InputError("the folder of motor files is missing from this installation; install the package again")


def motor_names() -> tuple[str, ...]:
    """Names of the motors that come with the package."""
    return tuple(sorted(path.stem for path in motor_folder().glob("*.toml")))


def read_motor(table: Reader, name: str | None = None) -> tuple[Motor, list[Assumption]]:
    """Make a motor of an open table; assumptions carry the bare key.

    Parameters
    ----------
    table : Reader
        The keys of a motor file.
    name : str, optional
        Used where the table has no name of its own.
    """
    table.only(KEYS)
    holding = table.required(HOLDING_TORQUE)
    assumed: list[Assumption] = []

    def typical(field: Field, value: float, why: str) -> float:
        given = table.number(field)
        if given is None:
            assumed.append(Assumption(field.key, field.from_si(value), field.unit, why))
            return value
        return given

    detent = typical(DETENT_TORQUE, DETENT_FRACTION * holding, "4 % of the holding torque is typical")
    motor = Motor(
        name=table.text("name", name),
        frame=int(table.required(FRAME)),
        step_angle=table.required(STEP_ANGLE),
        rated_current=table.required(RATED_CURRENT),
        resistance=table.required(RESISTANCE),
        inductance=table.required(INDUCTANCE),
        holding_torque=holding,
        detent_torque=detent,
        hysteresis_torque=typical(
            HYSTERESIS_TORQUE, HYSTERESIS_OF_DETENT * detent, "of the order of the detent torque"
        ),
        eddy_drag=typical(
            EDDY_DRAG,
            EDDY_DRAG.to_si(EDDY_FRACTION_AT_1000_RPM * holding),
            "1 % of the holding torque at 1000 rev/min is typical",
        ),
        rotor_inertia=table.required(ROTOR_INERTIA),
        source=table.text("source"),
        mass=table.number(MASS),
    )
    if detent > 0.5 * holding:
        raise table.fail(DETENT_TORQUE.key, f"read {detent:g} N.m; allowed: less than half the holding torque")
    return motor, assumed


def parse_toml(text: str, source: str) -> dict[str, object]:
    """TOML text as tables, with the parser's complaint as a plain message."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        hint = ""
        if any("," in line.partition("=")[2].partition("#")[0] and "{" not in line for line in text.split("\n")):
            hint = "; numbers are written with a decimal point, not a comma"
        raise InputError(f"{source}: not a valid TOML file: {problem}{hint}") from None
    except RecursionError:
        raise InputError(f"{source}: not a valid TOML file: tables are nested too deeply") from None


@lru_cache(maxsize=256)
def _load(path: Path) -> tuple[Motor, tuple[Assumption, ...]]:
    text = read_text(path, "motor")
    motor, assumed = read_motor(Reader(parse_toml(text, str(path)), "", str(path), Lines(text)))
    return motor, tuple(assumed)


def load_motor(name: str, beside: Path | None = None) -> tuple[Motor, tuple[Assumption, ...]]:
    """A motor by its name in the package, or by the path of a motor file (relative to `beside`).

    Raises
    ------
    InputError
        Where there is none, or the file is not valid.
    """
    import difflib

    if name.endswith(".toml") or "/" in name or "\\" in name:
        if "\0" in name or len(name) > 1000:
            raise InputError(f"{name[:60]!r} is not a usable path of a motor file")
        path = Path(name)
        return _load(path if path.is_absolute() or beside is None else beside / path)
    names = motor_names()
    if name not in names:
        near = difflib.get_close_matches(name, names, n=3, cutoff=0.4)
        hint = f"did you mean {' or '.join(near)}? " if near else ""
        raise InputError(
            f"there is no motor '{name}'; {hint}allowed: one of the names that 'motionlimits motors list' shows, the "
            "path of a motor file (ending in .toml), or an inline table"
        )
    return _load(motor_folder() / f"{name}.toml")


def motor_table(motor: Motor, assumed: frozenset[str] = frozenset()) -> dict[str, object]:
    """The keys and values of a motor's file, in its units, leaving out those assumed."""
    values: dict[str, float | None] = {
        "frame": motor.frame,
        "step_angle_deg": motor.step_angle,
        "rated_current_a": motor.rated_current,
        "resistance_ohm": motor.resistance,
        "inductance_mh": motor.inductance,
        "holding_torque_nm": motor.holding_torque,
        "detent_torque_nm": motor.detent_torque,
        "hysteresis_torque_nm": motor.hysteresis_torque,
        "eddy_drag_nm_per_krpm": motor.eddy_drag,
        "rotor_inertia_gcm2": motor.rotor_inertia,
        "mass_kg": motor.mass,
    }
    table: dict[str, object] = {"name": motor.name}
    for field in NUMBERS:
        value = values[field.key]
        if value is not None and field.key not in assumed:
            table[field.key] = int(value) if field.whole else field.from_si(value)
    table["source"] = motor.source
    return table


def write_motor(motor: Motor) -> str:
    """The text of a motor file that reads back as the same motor."""
    return toml_table(motor_table(motor))


def read_torque_curve(path: Path) -> tuple[list[float], list[float]]:
    """Speeds [rev/s] and torques [N.m] of a CSV with header speed_rev_s,torque_nm.

    Raises
    ------
    InputError
        With file, line and column.
    """
    from .sweeps import csv_number, csv_rows

    speeds, torques = [], []
    for where, cells in csv_rows(read_text(path, "torque curve"), str(path), ("speed_rev_s", "torque_nm"), ("note",)):
        speeds.append(csv_number(cells, "speed_rev_s", 0.0, 1000.0, "rev/s", where))
        torques.append(csv_number(cells, "torque_nm", 0.0, 1000.0, "N.m", where))
    if not speeds:
        raise InputError(f"{path}: no points under the header line")
    return speeds, torques
