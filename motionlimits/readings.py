"""Readings that tell about a machine beside its sweep, as data: one entry for each kind of reading.

A new kind is one new `Kind` here and what it would read under each cause in `answers/readings.py`. Evidence files, next
checks and words work on the list `KINDS`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .machine import Machine


@dataclass(frozen=True)
class Kind:
    """One kind of reading. Errors and efforts: common practice, no source.

    Attributes
    ----------
    name : str
    owner : {"machine", "axis", "motor"}
        Of what there is one.
    key : str
        In evidence files, with {} for the axis or motor.
    unit : str
    how : str
        How to take it, with {} for the axis or motor.
    allowed : tuple of float
        Lowest and highest.
    error : tuple of float
        One standard deviation of the reading: a share of it, and a part in its unit.
    minutes : float
        Effort, to choose among readings that tell about as much.
    speed : float, optional
        Of an axis that is pulled by hand [m/s]: common practice, no source. None where nothing is pulled.
    logarithmic : bool
        Whether it is compared by its logarithm, since it may have no scale.
    """

    name: str
    owner: str
    key: str
    unit: str
    how: str
    allowed: tuple[float, float]
    error: tuple[float, float]
    minutes: float
    speed: float | None = None
    logarithmic: bool = False

    def scale(self, reading: float) -> float:
        """A reading on the scale on which it is compared."""
        return math.log(reading) if self.logarithmic else reading

    def unscale(self, value: float) -> float:
        """The reverse of `scale`."""
        return math.exp(value) if self.logarithmic else value


_SCALE = "pull the carriage along {} with a luggage scale"
_BRISK = 0.5  # [m/s] of a pull that shows what grows with speed
KINDS = (
    Kind(
        "supply_v",
        "machine",
        "supply_v",
        "V",
        "measure the bus voltage at the driver while the machine moves",
        allowed=(0.5, 500.0),
        error=(0.01, 0.1),
        minutes=3.0,
    ),
    Kind(
        "pull",
        "axis",
        "pull_{}_n",
        "N",
        _SCALE,
        allowed=(0.0, 1e5),
        error=(0.10, 0.5),
        minutes=2.0,
        speed=0.0,
    ),
    Kind(
        "fast_pull",
        "axis",
        "fast_pull_{}_n",
        "N",
        f"{_SCALE} at about {_BRISK:g} m/s",
        allowed=(0.0, 1e5),
        error=(0.15, 0.7),
        minutes=4.0,
        speed=_BRISK,
    ),
    Kind(
        "mass",
        "axis",
        "mass_{}_kg",
        "kg",
        "weigh what moves along {}",
        allowed=(0.0005, 1e4),
        error=(0.02, 0.005),
        minutes=15.0,
    ),
    Kind(
        "phase_ohm",
        "motor",
        "phase_ohm_{}",
        "ohm",
        "measure both phases of motor {} at the driver plug, power off",
        allowed=(0.005, 1e9),
        error=(0.03, 0.1),
        minutes=4.0,
        logarithmic=True,
    ),
    Kind(
        "current_rms",
        "motor",
        "current_rms_{}_a",
        "A",
        "measure the phase current of motor {} with a clamp meter at slow motion",
        allowed=(0.0, 50.0),
        error=(0.05, 0.02),
        minutes=6.0,
    ),
)


@dataclass(frozen=True)
class Reading:
    """A reading that a machine can give: its kind, the axis or motor (`place`, empty where neither), how to take it."""

    key: str
    kind: Kind
    place: str
    how: str


def readings_of(machine: Machine) -> dict[str, Reading]:
    """All readings that a machine can give, by evidence key."""
    places = {"machine": ("",), "axis": machine.axis_names, "motor": machine.drive_names}
    found = {}
    for kind in KINDS:
        for place in places[kind.owner]:
            how = kind.how.format(place)
            if kind.speed is not None:
                how += _loose(machine, machine.axis_names.index(place))
            key = kind.key.format(place)
            found[key] = Reading(key, kind, place, how)
    return found


def _loose(machine: Machine, column: int) -> str:
    """What must be off or let go for an axis to be pulled by hand, and what is read then."""
    driving = [d for d, moves in zip(machine.drives, machine.kinematic_map[:, column] != 0.0, strict=True) if moves]
    how = ", motors off"
    # A nut cannot drive its screw, or only with far more force than the axis itself takes. What rubs in the nut is not read.
    if any(drive.transmission.kind == "screw" for drive in driving):
        how += " and the nut of the screw let go"
    if machine.axes[column].incline != 0.0:
        # One way it shows the weight's share more, the other way less.
        how += ", and take half the difference of up and down (secure what could fall)"
    return how
