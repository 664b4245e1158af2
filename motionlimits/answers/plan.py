"""Design a sweep: which accelerations and speeds, in which order, what each is expected to tell, and when to stop."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import InputError
from ..machine import Array, Direction, Machine
from ..physics.constants import EQUAL_AREA_LIMIT
from ..physics.limits import pull_in_acceleration
from ..physics.skip import brief_travel, together
from ..plant import nominal_plant
from ..workers import Crew
from .infer import information
from .predict import (
    Limit,
    Prediction,
    Question,
    check_accelerations,
    check_moves,
    predict,
    prediction_search,
    round_figures,
    travel_of,
)

# Shares of the acceleration that pull-out torque at standstill gives along a direction, spread enough to tell a fixed force
# (drag), a mass and a voltage apart. A start is lost from about 0.7 on (equal-area criterion): to see where tells torque per
# mass without the voltage.
GENTLEST, BRISKEST = 0.06, 1.0
# How many accelerations of all directions together, and of one: what one of them tells is off by what no tolerance explains, and
# only others average that out, so that twice as many say more than twice as many trials. Without diagonals, which show each motor
# twice, more of them make up for the missing directions.
PAIRS, FEWEST, MOST = 24, 4, 12
RUNGS, TRIALS = 7, 2  # speeds of a ladder, moves at each
HANDLING = 6.0  # [s] to check the position after a trial: common practice, no source
# Where one in ten may lose steps: with 24 the greatest acceleration hung on the seed by a factor of two.
SIZING_SAMPLES = 150


@dataclass(frozen=True)
class PlannedRow:
    """One speed to test, SI; `reached` is what the travel allows, `chance` of losing steps on a healthy machine.

    `travel` is no longer than it takes to come to the speed and to see that it is kept: held for longer, oscillation may
    lose steps from one speed on, whatever else is wrong, and hide what the motors can do.
    """

    direction: str
    acceleration: float
    speed: float
    reached: float
    travel: float
    chance: float


@dataclass(frozen=True)
class Plan:
    """A sweep in the order in which it should be driven; `duration` [s], `information` [bit] by direction and acceleration."""

    machine: Machine
    rows: tuple[PlannedRow, ...]
    trials: int
    duration: float
    information: tuple[tuple[str, float, float], ...]
    prediction: Prediction


@dataclass(frozen=True)
class Sizing:
    """Which acceleration reaches a speed: `least` that reaches it in the travel, `most` the drive gives with margin.

    `most` is None where even the least acceleration that reaches the speed is too much; `why` then says what limits.
    """

    direction: str
    speed: float
    travel: float
    least: float
    most: float | None
    chance_at_least: float
    why: str


def _ladder(limit: Limit) -> list[float]:
    """Speeds around the predicted band, round numbers of mm/s, none above what the travel allows."""
    top = limit.reachable
    low = limit.low if limit.low is not None else 0.75 * top
    high = limit.high if limit.high is not None else top
    first, last = 0.5 * min(low, 0.9 * top), min(1.15 * high, 0.98 * top)
    speeds = [round_figures(v * 1e3) / 1e3 for v in np.geomspace(first, max(last, 1.3 * first), RUNGS)]
    return list(dict.fromkeys(v for v in speeds if v <= top))


def planned_accelerations(machine: Machine, directions: Sequence[Direction]) -> list[tuple[float, ...]]:
    """Accelerations of a sweep [m/s2], for each direction from gentle to the most that the motors can give there.

    Raises
    ------
    InputError
        Where the motors cannot move the machine.
    """
    check_moves(machine, directions)
    plant = nominal_plant(machine)
    count = int(np.clip(PAIRS // len(directions), FEWEST, MOST))
    planned = []
    for direction in directions:
        most = float(pull_in_acceleration(plant, direction.vector)[0])
        rates = [round_figures(share * most * 1e3) / 1e3 for share in np.geomspace(GENTLEST, BRISKEST, count)]
        planned.append(check_accelerations(rates))
    return planned


def move_travel(
    machine: Machine, direction: Direction, acceleration: float, speed: float, longest: float | None = None
) -> float:
    """Length of a move that tests a speed [m]: as short as that allows, three figures of mm, rounded up."""
    shortest = 1e3 * brief_travel(nominal_plant(machine), direction.vector, acceleration, speed)
    digits = 10.0 ** (math.floor(math.log10(shortest)) - 2)
    return min(round(math.ceil(shortest / digits) * digits, 6) / 1e3, longest or machine.travel_along(direction))


def plan(
    machine: Machine,
    directions: list[Direction] | None = None,
    accelerations: list[float] | None = None,
    *,
    travel: float | None = None,
    trials: int = TRIALS,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Plan:
    """Design a sweep.

    Parameters
    ----------
    machine : Machine
    directions, accelerations, travel, seed, progress
        As in `predict`; accelerations by default those of `planned_accelerations`.
    trials : int
        Moves at each speed.

    Raises
    ------
    InputError
        For values out of range.
    """
    if not 1 <= trials <= 50:
        raise InputError(f"--trials {trials}: allowed: from 1 to 50")
    chosen = tuple(directions or machine.usual_directions())
    if accelerations is None:
        rates = planned_accelerations(machine, chosen)
    else:
        rates = [check_accelerations(accelerations)] * len(chosen)
    wanted = tuple((d, here, travel) for d, here in zip(chosen, rates, strict=True))
    question = Question(machine, wanted, brief=frozenset(d.label for d in chosen))
    (prediction,) = together([prediction_search(question, seed=seed, progress=progress)], Crew())
    by_direction = {
        d.label: [
            PlannedRow(
                d.label,
                limit.acceleration,
                v,
                min(v, limit.reachable),
                move_travel(machine, d, limit.acceleration, v, limit.travel),
                limit.chance(v),
            )
            for a in here
            for limit in [prediction.at(d.label, a)]
            for v in _ladder(limit)
        ]
        for d, here in zip(chosen, rates, strict=True)
    }
    rows = _order(by_direction)
    duration = sum(trials * (2.0 * _move_time(row) + HANDLING) for row in rows)
    told = information(machine, list(zip(chosen, rates, strict=True)), seed=seed)
    return Plan(machine, tuple(rows), trials, duration, told, prediction)


def _order(by_direction: dict[str, list[PlannedRow]]) -> list[PlannedRow]:
    """Gentle first; at each acceleration from slow to fast, the directions that have it in turn so that motors cool between."""
    ordered: list[PlannedRow] = []
    for rate in sorted({row.acceleration for rows in by_direction.values() for row in rows}):
        ladders = [[r for r in rows if r.acceleration == rate] for rows in by_direction.values()]
        for rung in range(max(len(ladder) for ladder in ladders)):
            ordered += [ladder[rung] for ladder in ladders if rung < len(ladder)]
    return ordered


def _move_time(row: PlannedRow) -> float:
    return row.travel / row.reached + row.reached / row.acceleration


def sizing(
    machine: Machine,
    speed: float,
    direction: Direction,
    *,
    travel: float | None = None,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Sizing:
    """Which accelerations reach a speed in the travel and leave the drive a margin.

    Parameters
    ----------
    speed : float
        [m/s]
    others
        As in `predict`. The margin is that at most one machine in ten within tolerance loses steps.

    Raises
    ------
    InputError
        For a speed out of range.
    """
    if not math.isfinite(speed) or not 1e-4 <= speed <= 100.0:
        raise InputError(f"--acceleration-for {speed * 1e3:g}: allowed: from 0.1 to 100,000 mm/s")
    length = travel_of(machine, direction, travel)
    least = speed**2 / length * 1.0001
    ceiling = max(float(pull_in_acceleration(nominal_plant(machine), direction.vector)[0]), least * 1.01)
    tried = np.unique(np.concatenate([[least], np.geomspace(least, max(ceiling, 1.5 * least), 12)]))
    tried = tried[tried <= 1e4] if least <= 1e4 else np.array([least])
    if least > 1e4:
        raise InputError(
            f"{speed * 1e3:g} mm/s cannot be reached in {length * 1e3:.0f} mm at any acceleration allowed here"
        )
    prediction = predict(
        machine, [direction], tried.tolist(), travel=travel, samples=SIZING_SAMPLES, seed=seed, progress=progress
    )
    chances = np.array([limit.chance(speed) for limit in prediction.limits])
    good = chances < 0.1
    most = None
    if good[0]:
        count = int(np.argmin(good)) if not good.all() else good.size
        most = _rounded_down(float(tried[count - 1]))
        if most < least:
            most = float(tried[count - 1])
    why = prediction.limits[0].limited_by
    if why == "travel":
        why = _load_reason(machine, direction, least)
    return Sizing(direction.label, speed, length, float(least), most, float(chances[0]), why)


def _rounded_down(value: float) -> float:
    """Two significant figures of mm/s2, never more than the value."""
    digits = 10.0 ** (math.floor(math.log10(value * 1e3)) - 1)
    return math.floor(value * 1e3 / digits) * digits / 1e3


def _load_reason(machine: Machine, direction: Direction, acceleration: float) -> str:
    most = float(pull_in_acceleration(nominal_plant(machine), direction.vector)[0])
    return "shock" if acceleration > EQUAL_AREA_LIMIT * most else "voltage"


def program_moves(planned: Plan) -> list[tuple[PlannedRow, Array, Array]]:
    """Start and end of every planned move in machine coordinates [m], in the middle of the travel, x and y."""
    machine = planned.machine
    moves = []
    for row in planned.rows:
        direction = machine.direction(row.direction)
        centre = np.array([0.5 * axis.travel for axis in machine.axes])
        half = 0.5 * min(row.travel, 0.98 * machine.travel_along(direction)) * direction.vector
        moves.append((row, centre - half, centre + half))
    return moves
