"""The machine as the rest of the program sees it: immutable, SI units, nothing optional left open.

Values that the user did not give have been replaced by typical ones before a `Machine` is made; each such
replacement is kept in `Machine.assumed`, so that every answer can say what it rests on.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from .errors import InputError

Array = NDArray[np.float64]

LAYOUTS = ("independent", "crossed-belt")
CURRENT_LOOPS = ("regulated", "slow-decay")
TRANSMISSION_KINDS = ("belt", "screw", "feed")
AXIS_LETTERS = "xyzuvwabc"  # ISO 841 (from memory): linear axes, second ones beside them, rotary ones


# One standard deviation as a fraction. Label tolerances (resistance 10 %, inductance 20 %, holding torque 10 %: common
# practice, no source) are taken as two standard deviations; the rest are estimates, from memory.
TOLERANCES: Mapping[str, float] = MappingProxyType(
    {
        "torque": 0.05,
        "resistance": 0.05,
        "inductance": 0.10,
        "detent": 0.30,
        "iron_loss": 0.30,
        "rotor_inertia": 0.05,
        "current": 0.03,
        "bridge": 0.20,
        "voltage": 0.01,
        "source_resistance": 0.30,
        "mass": 0.03,
        "friction": 0.15,
        "viscous": 0.30,
        "efficiency": 0.02,
        "stiffness": 0.25,
        "damping": 0.50,
    }
)


@dataclass(frozen=True)
class Motor:
    """A two-phase hybrid stepping motor.

    Attributes
    ----------
    step_angle : float
        Full step [rad].
    rated_current : float
        Current per phase with both phases on [A].
    resistance, inductance : float
        Of one phase at 20 C [ohm], [H].
    holding_torque, detent_torque : float
        [N.m]
    hysteresis_torque : float
        Constant drag of the iron at the shaft [N.m].
    eddy_drag : float
        Drag per speed of the iron at the shaft [N.m.s/rad].
    rotor_inertia : float
        [kg.m2]
    """

    name: str
    frame: int
    step_angle: float
    rated_current: float
    resistance: float
    inductance: float
    holding_torque: float
    detent_torque: float
    hysteresis_torque: float
    eddy_drag: float
    rotor_inertia: float
    source: str
    mass: float | None = None

    @property
    def rotor_teeth(self) -> float:
        """Electrical cycles per turn: one cycle is four full steps."""
        return 0.5 * math.pi / self.step_angle

    @property
    def torque_constant(self) -> float:
        """Torque per ampere of one phase [N.m/A], equal to the back-EMF constant [V.s/rad].

        References
        ----------
        Kenjo and Sugawara, Stepping Motors and Their Microprocessor Controls, 2nd ed., Oxford 1994.
        """
        return self.holding_torque / (math.sqrt(2.0) * self.rated_current)


@dataclass(frozen=True)
class Driver:
    """What switches the phase currents: `current_peak` [A], series `bridge_resistance` [ohm], rating [V]."""

    current_peak: float
    bridge_resistance: float
    voltage_max: float | None = None
    current_loop: str = "regulated"

    @property
    def current_rms(self) -> float:
        return self.current_peak / math.sqrt(2.0)


@dataclass(frozen=True)
class Supply:
    """Open-circuit `voltage` [V], source and wiring `resistance` [ohm], `power_limit` [W] or None."""

    voltage: float
    resistance: float
    power_limit: float | None = None


@dataclass(frozen=True)
class Transmission:
    """From motor shaft to travel.

    Attributes
    ----------
    kind : {"belt", "screw", "feed"}
    pulley_teeth, belt_pitch : for belts [1], [m]
    feed : float
        Travel per turn of the screw or output shaft, for screws and feeds [m].
    reduction : float
        Motor turns per turn of the pulley or screw.
    efficiency : float
        Of torque, motor to load.
    inertia : float
        Of pulley, coupling or screw, seen at the motor shaft [kg.m2].
    belt_stiffness : float
        Between motor and load, belts only [N/m].
    """

    kind: str
    reduction: float
    efficiency: float
    inertia: float
    pulley_teeth: int = 0
    belt_pitch: float = 0.0
    feed: float = 0.0
    belt_stiffness: float = math.inf

    @property
    def travel_per_turn(self) -> float:
        """Travel of belt or nut in one motor turn [m]."""
        turn = self.pulley_teeth * self.belt_pitch if self.kind == "belt" else self.feed
        return turn / self.reduction

    @property
    def radius(self) -> float:
        """Travel per radian of the motor shaft [m]."""
        return self.travel_per_turn / (2.0 * math.pi)


@dataclass(frozen=True)
class Drive:
    """One entry of the file's motors table: `count` equal motors that share one belt, screw or shaft."""

    name: str
    motor: Motor
    driver: Driver
    transmission: Transmission
    count: int = 1


@dataclass(frozen=True)
class Axis:
    """One straight axis: mass [kg], travel [m], Coulomb and process force [N], viscous drag [N.s/m], slope [rad]."""

    name: str
    moving_mass: float
    travel: float
    friction: float
    viscous: float
    incline: float = 0.0
    process_force: float = 0.0


@dataclass(frozen=True)
class Assumption:
    """A value the file left out: `key` as the file would name it, the typical `value` used, in `unit`."""

    key: str
    value: float | str
    unit: str
    why: str


@dataclass(frozen=True)
class Direction:
    """A straight move: `label` as the user wrote it, `unit` vector over the machine's axes, shape (axes,)."""

    label: str
    unit: tuple[float, ...]

    @property
    def vector(self) -> Array:
        return np.array(self.unit)


def names_direction(text: str) -> bool:
    """Whether a text is a direction of some machine: an axis, `-` and an axis, or an angle."""
    label = text.strip()
    return _angle(label) is not None or _without_sign(label) in tuple(AXIS_LETTERS)


def _without_sign(label: str) -> str:
    return label[1:].strip() if label.startswith("-") else label


def _angle(label: str) -> float | None:
    """An angle in degrees; None where it is none."""
    try:
        angle = float(label)
    except ValueError:
        return None
    return angle if abs(angle) <= 360.0 else None


@dataclass(frozen=True)
class Machine:
    """Everything a prediction needs."""

    name: str
    layout: str
    supply: Supply
    drives: tuple[Drive, ...]
    axes: tuple[Axis, ...]
    tolerance: Mapping[str, float] = field(default_factory=dict)
    assumed: tuple[Assumption, ...] = ()
    winding_temperature: float = 20.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "tolerance", MappingProxyType(dict(self.tolerance)))

    @property
    def axis_names(self) -> tuple[str, ...]:
        return tuple(axis.name for axis in self.axes)

    @property
    def drive_names(self) -> tuple[str, ...]:
        return tuple(drive.name for drive in self.drives)

    def drive(self, name: str) -> Drive:
        for drive in self.drives:
            if drive.name == name:
                return drive
        raise InputError(f"this machine has no motor '{name}'; its motors are {', '.join(self.drive_names)}")

    @property
    def kinematic_map(self) -> Array:
        """Belt (or nut) travel of each drive per travel of each axis, shape (drives, axes).

        Independent axes: the identity. Crossed belts: a = x + y, b = x - y, that is dx = (da + db)/2 and
        dy = (da - db)/2.
        """
        jacobian = np.zeros((len(self.drives), len(self.axes)))
        for i, drive in enumerate(self.drives):
            for k, axis in enumerate(self.axes):
                if self.layout == "crossed-belt" and drive.name in ("a", "b"):
                    sign = -1.0 if drive.name == "b" and axis.name == "y" else 1.0
                    jacobian[i, k] = sign if axis.name in ("x", "y") else 0.0
                else:
                    jacobian[i, k] = float(drive.name == axis.name)
        return jacobian

    def direction(self, text: str) -> Direction:
        """Read a direction: an axis name, `-` and an axis name, or an angle in the x-y plane in degrees.

        Raises
        ------
        InputError
            Where the machine cannot move that way.
        """
        label = text.strip()
        sign = -1.0 if label.startswith("-") else 1.0
        bare = _without_sign(label)
        if bare in self.axis_names:
            unit = [sign if name == bare else 0.0 for name in self.axis_names]
            return Direction(label, tuple(unit))
        angle = _angle(label)
        if angle is None:
            raise InputError(
                f"direction '{text}' is not known; allowed: {', '.join(self.axis_names)}, one of these with a minus "
                "before it, or an angle in the x-y plane from -360 to 360 degrees"
            )
        if not {"x", "y"} <= set(self.axis_names):
            raise InputError(f"direction '{text}' is an angle in the x-y plane, but this machine has no axes x and y")
        # Exact zeros at the quarter turns, so that 0 is the same move as x and 45 leaves motor b standing.
        eighth = round(angle / 45.0)
        if abs(angle - 45.0 * eighth) < 1e-9:
            half = math.sqrt(0.5)
            cosines = (1.0, half, 0.0, -half, -1.0, -half, 0.0, half)
            cos, sin = cosines[eighth % 8], cosines[(eighth - 2) % 8]
        else:
            cos, sin = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        values = {"x": cos, "y": sin}
        return Direction(label, tuple(values.get(name, 0.0) for name in self.axis_names))

    def travel_along(self, direction: Direction) -> float:
        """Longest straight move in a direction [m], from the axes' travels."""
        lengths = [axis.travel / abs(part) for axis, part in zip(self.axes, direction.unit, strict=True) if part != 0.0]
        return min(lengths)

    def asks_of_motors(self, direction: Direction) -> tuple[float, ...]:
        """What a direction asks of every axis and motor: the same for directions that are mirror images of each other.

        Those are -x and x, and where each axis has its own motor both diagonals. Gravity tells up from down.
        """
        axes, drives = direction.vector, self.kinematic_map @ direction.vector
        inclined = np.array([axis.incline != 0.0 for axis in self.axes])
        if not inclined.any():
            axes, drives = np.abs(axes), np.abs(drives)
        elif self.layout == "independent":
            axes, drives = np.where(inclined, axes, np.abs(axes)), np.abs(drives)
        return tuple(np.round(np.concatenate([axes, drives]), 9).tolist())

    def usual_directions(self) -> tuple[Direction, ...]:
        """The directions that tell the motors apart: the axes, and on crossed belts the two diagonals."""
        labels = list(self.axis_names)
        if self.layout == "crossed-belt":
            labels += ["45", "135"]
        for axis in self.axes:
            if axis.incline != 0.0:
                labels.append("-" + axis.name)
        return tuple(self.direction(label) for label in labels)
