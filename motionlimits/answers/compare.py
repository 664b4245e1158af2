"""What a change would bring: the same limits before and after, the power drawn, ratings passed."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from ..errors import InputError
from ..machine import Direction, Machine
from .power import Power, power
from .predict import Limit, Prediction, Question, check_accelerations, predict_together, usual_accelerations

COMPARE_SAMPLES = 12
COMPARE_ACCELERATIONS = 5


@dataclass(frozen=True)
class Change:
    """One direction and acceleration: skip speeds [m/s], None where nothing skips in the travel; what binds after."""

    direction: str
    acceleration: float
    before: float | None
    after: float | None
    ratio: float | None
    why: str


@dataclass(frozen=True)
class Comparison:
    """Two predictions of the same moves, the power of each, and what to beware of."""

    before: Prediction
    after: Prediction
    changes: tuple[Change, ...]
    power_before: Power
    power_after: Power
    warnings: tuple[str, ...]


def _why(before: Limit, after: Limit) -> str:
    """Why the skip speed moved or did not: one of the words a table can carry."""
    if before.skip is None and after.skip is None:
        return "travel"
    return after.limited_by if after.skip is not None else "travel"


def _ratio(before: Limit, after: Limit) -> float | None:
    # Where nothing skips any more, the speed the travel allows is what was gained, at least.
    a = before.skip if before.skip is not None else before.reachable
    b = after.skip if after.skip is not None else after.reachable
    return b / a if a > 0.0 else None


def compare(
    before: Machine,
    after: Machine,
    directions: Sequence[Direction] | None = None,
    accelerations: Sequence[float] | None = None,
    *,
    speed: float | None = None,
    travel: float | None = None,
    quick: bool = False,
    samples: int = COMPARE_SAMPLES,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Comparison:
    """Compare two machines on the same moves.

    Parameters
    ----------
    before, after : Machine
        With the same axes.
    directions, accelerations, travel, quick, samples, seed, progress
        As in `predict`; directions and accelerations by default fewer, those that suit `before`. The same seed draws
        both machines' tolerances, so that they are compared sample by sample.
    speed : float, optional
        At which the power is stated [m/s]; by default half the slowest skip speed of the first direction.

    Raises
    ------
    InputError
        Where the axes differ or a speed is out of range.
    """
    if before.axis_names != after.axis_names:
        raise InputError("the two machines have different axes; compare machines with the same axes")
    if speed is not None and not (math.isfinite(speed) and 0.0 < speed < 1e3):
        raise InputError(f"speed {speed * 1e3:g} mm/s: allowed: from 0 to 1,000,000 mm/s")
    directions = tuple(directions) if directions else _telling_directions(before, after)
    chosen = tuple(accelerations) if accelerations else usual_accelerations(before, directions, COMPARE_ACCELERATIONS)
    wanted = tuple((direction, check_accelerations(chosen), travel) for direction in directions)
    first, second = predict_together(
        [Question(before, wanted), Question(after, wanted)],
        quick=quick,
        samples=samples,
        seed=seed,
        progress=progress,
    )
    changes = tuple(
        Change(a.direction, a.acceleration, a.skip, b.skip, _ratio(a, b), _why(a, b))
        for a, b in zip(first.limits, second.limits, strict=True)
    )
    powers = _powers(first, second, directions[0], speed)
    return Comparison(first, second, changes, *powers, tuple(_warnings(before, after, powers[1])))


def _telling_directions(before: Machine, after: Machine) -> tuple[Direction, ...]:
    """The usual directions, less the second diagonal where the two motors are alike: it would say the same again."""
    alike = all(
        replace(machine.drive("a"), name="b") == machine.drive("b")
        for machine in (before, after)
        if machine.layout == "crossed-belt"
    )
    return tuple(d for d in before.usual_directions() if not (alike and d.label == "135"))


def _powers(before: Prediction, after: Prediction, direction: Direction, speed: float | None) -> tuple[Power, Power]:
    def limit_speed(limit: Limit) -> float:
        return limit.reachable if limit.skip is None else limit.skip

    rows = [limit for limit in before.limits if limit.direction == direction.label]
    middle = rows[len(rows) // 2]
    at = speed if speed is not None else 0.5 * min(limit_speed(row) for row in rows)
    first, second = (
        power(
            prediction.machine,
            direction,
            at,
            middle.acceleration,
            limit_speed(prediction.at(direction.label, middle.acceleration)),
        )
        for prediction in (before, after)
    )
    return first, second


def ratings(machine: Machine) -> list[str]:
    """What the machine's own settings exceed."""
    found = []
    for drive in machine.drives:
        rating = drive.driver.voltage_max
        if rating is not None and machine.supply.voltage > rating:
            found.append(
                f"motor {drive.name}: {machine.supply.voltage:g} V is above the driver's rating of {rating:g} V: "
                "it will be destroyed"
            )
        rms, rated = drive.driver.current_rms, drive.motor.rated_current
        if rms > 1.02 * rated:
            found.append(
                f"motor {drive.name}: set to {rms:.2f} A rms ({drive.driver.current_peak:.2f} A peak), above the "
                f"motor's rated {rated:g} A: {(rms / rated) ** 2:.1f} times the rated heat"
            )
    return list(dict.fromkeys(found))


def _warnings(before: Machine, after: Machine, drawn: Power) -> list[str]:
    found = ratings(after)
    if after.supply.voltage > before.supply.voltage:
        unknown = [drive.name for drive in after.drives if drive.driver.voltage_max is None]
        if unknown:
            found.append(
                f"the file states no voltage rating for the driver of motor {', '.join(unknown)}: read it off the "
                f"driver before connecting {after.supply.voltage:g} V"
            )
    most = max(drawn.limit, drawn.rest)
    limit = after.supply.power_limit
    if limit is not None and most > limit:
        found.append(f"the supply's limit of {limit:g} W is below the {most:.0f} W drawn at the limit of motion")
    return found
