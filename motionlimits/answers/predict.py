"""What the machine ought to reach: the speed at which steps are lost, by direction and acceleration."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import InputError
from ..machine import Array, Direction, Machine
from ..physics.limits import pull_in_acceleration, static_limits
from ..plant import Plant, nominal_plant, sample_plant

STATIC_SAMPLES = 100
BAND = (10.0, 90.0)  # per cent
LIMITED_BY = ("current", "voltage", "shock", "instability", "travel")


@dataclass(frozen=True)
class Limit:
    """What limits moves in one direction at one acceleration. Speeds [m/s], travel [m], acceleration [m/s2].

    `skip`, `low` and `high` are None where nothing skips up to `reachable`; `simulated` is the place of the
    time-domain result and None where only the static limits were worked out.
    """

    direction: str
    acceleration: float
    travel: float
    reachable: float
    steady: float | None
    shock: float | None
    skip: float | None
    low: float | None
    high: float | None
    limited_by: str
    simulated: float | None = None


@dataclass(frozen=True)
class Prediction:
    """Limits of a machine over directions and accelerations."""

    machine: Machine
    limits: tuple[Limit, ...]
    method: str
    samples: int

    def at(self, direction: str, acceleration: float) -> Limit:
        """The limit of one direction and acceleration."""
        return next(
            limit for limit in self.limits if limit.direction == direction and limit.acceleration == acceleration
        )


def round_figures(value: float, figures: int = 2) -> float:
    """A value rounded to a few significant figures."""
    return float(f"{value:.{figures}g}") if value > 0.0 else value


def usual_accelerations(machine: Machine, directions: Sequence[Direction], count: int = 8) -> tuple[float, ...]:
    """Accelerations from gentle to nearly the most that the drive gives at standstill [m/s2], round numbers in mm/s2."""
    plant = nominal_plant(machine)
    most = max(float(pull_in_acceleration(plant, direction.vector)[0]) for direction in directions)
    top = max(0.9 * most, 1e-3)
    ladder = [round_figures(a * 1e3) / 1e3 for a in np.geomspace(top / 40.0, top, count)]
    return tuple(dict.fromkeys(ladder))


def check_accelerations(accelerations: Sequence[float]) -> tuple[float, ...]:
    """Accelerations as given [m/s2], or an error."""
    for value in accelerations:
        if not math.isfinite(value) or not 1e-4 <= value <= 1e4:
            raise InputError(f"acceleration {value * 1e3:g} mm/s2: allowed: from 0.1 to 10,000,000 mm/s2")
    return tuple(dict.fromkeys(accelerations))


def travel_of(machine: Machine, direction: Direction, travel: float | None) -> float:
    """The travel to use: the machine's, or a shorter one that is given [m]."""
    longest = machine.travel_along(direction)
    if travel is None:
        return longest
    if not math.isfinite(travel) or travel <= 0.0:
        raise InputError(f"travel {travel * 1e3:g} mm: allowed: more than 0 mm")
    return min(travel, longest)


def predict(
    machine: Machine,
    directions: Sequence[Direction] | None = None,
    accelerations: Sequence[float] | None = None,
    *,
    travel: float | None = None,
    quick: bool = False,
    seed: int = 0,
) -> Prediction:
    """Predict skip speeds.

    Parameters
    ----------
    machine : Machine
    directions : sequence of Direction, optional
        By default those that tell the motors apart.
    accelerations : sequence of float, optional
        [m/s2]; by default eight that span the drive's capability.
    travel : float, optional
        Length of the moves [m]; by default the machine's.
    quick : bool
        Nominal values only, no band.
    seed : int
        Of the tolerance samples.

    Returns
    -------
    Prediction

    Raises
    ------
    InputError
        For accelerations or travels out of range.
    """
    directions = tuple(directions) if directions else machine.usual_directions()
    chosen = check_accelerations(accelerations) if accelerations else usual_accelerations(machine, directions)
    plant = nominal_plant(machine) if quick else sample_plant(machine, STATIC_SAMPLES, seed)
    limits: list[Limit] = []
    for direction in directions:
        limits += _direction_limits(machine, plant, direction, np.array(chosen), travel)
    return Prediction(machine, tuple(limits), "static", plant.samples)


def _direction_limits(
    machine: Machine, plant: Plant, direction: Direction, accelerations: Array, travel: float | None
) -> list[Limit]:
    length = travel_of(machine, direction, travel)
    reachable = np.sqrt(accelerations * length)
    static = static_limits(plant, direction.vector, accelerations, float(reachable.max()))
    skip = static.skip
    found = []
    for k, acceleration in enumerate(accelerations):
        top = float(reachable[k])

        def up_to(value: float, top: float = top) -> float | None:
            return float(value) if value <= top else None

        if skip[0, k] != static.steady[0, k]:
            reason = "shock"
        else:
            reason = "current" if static.current_limited[0, k] else "voltage"
        low, high = np.percentile(skip[:, k], BAND, method="nearest")
        nominal = up_to(skip[0, k])
        banded = plant.samples > 1
        found.append(
            Limit(
                direction=direction.label,
                acceleration=float(acceleration),
                travel=length,
                reachable=top,
                steady=up_to(static.steady[0, k]),
                shock=up_to(static.shock[0, k]),
                skip=nominal,
                low=up_to(low) if banded else None,
                high=up_to(high) if banded else None,
                limited_by="travel" if nominal is None else reason,
            )
        )
    return found
