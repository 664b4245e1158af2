"""What the machine ought to reach: the speed at which steps are lost, by direction and acceleration."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np

from ..errors import InputError
from ..machine import Array, Direction, Machine
from ..physics.limits import StaticLimits, pull_in_acceleration, static_limits, swung_inertia
from ..physics.skip import Moves, Search, Skips, skip_search, together
from ..physics.swing import natural_frequency
from ..plant import Plant, nominal_plant, sample_plant
from ..workers import Crew

# Machines within tolerance: the same in predictions, plans and diagnoses, so that all state the same bands.
SAMPLES = 64
BAND = (10.0, 90.0)  # per cent
LEAST_ACCELERATION, MOST_ACCELERATION = 1e-4, 1e4  # [m/s2] that any question may ask about


@dataclass(frozen=True)
class Limit:
    """What limits moves in one direction at one acceleration. Speeds [m/s], travel [m], acceleration [m/s2].

    `skip` is the median, `low` and `high` the 10 and 90 % points of the speed at which steps are first lost; None where
    nothing is lost up to `reachable`. `steady` and `shock` are the static limits of the nominal machine, `simulated`
    the skip speed of the nominal machine in the time-domain model (None also where it was not run). `spread` holds the
    skip speed of every sample, infinite where none, in the order of the samples.
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
    spread: tuple[float, ...] = ()

    def chance(self, speed: float) -> float:
        """Chance that a move to a speed [m/s] loses steps; a speed out of reach counts as the one reached."""
        if not self.spread:
            return float(self.skip is not None and speed >= self.skip)
        lost = sum(value <= min(speed, self.reachable) for value in self.spread)
        return (lost + 0.5) / (len(self.spread) + 1.0)


@dataclass(frozen=True)
class Window:
    """A range of constant speeds in which oscillation grows until steps are lost: `low` to `high` [m/s]."""

    direction: str
    low: float
    high: float
    chance: float


@dataclass(frozen=True)
class Resonance:
    """Low-speed resonance of one direction: natural frequency [Hz], and the speed [m/s] at which full steps meet it."""

    direction: str
    frequency: float
    speed: float


@dataclass(frozen=True)
class Contribution:
    """Share of the variance of the (log) skip speed that one uncertain input explains."""

    what: str
    share: float
    assumed: bool


@dataclass(frozen=True)
class Prediction:
    """Limits of a machine over directions and accelerations; `method` is "simulated" or "static"."""

    machine: Machine
    limits: tuple[Limit, ...]
    method: str
    samples: int
    windows: tuple[Window, ...] = ()
    resonances: tuple[Resonance, ...] = ()
    contributions: tuple[Contribution, ...] = ()

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
    top = float(np.clip(0.9 * most, 40.0 * LEAST_ACCELERATION, MOST_ACCELERATION))
    ladder = [round_figures(a * 1e3) / 1e3 for a in np.geomspace(top / 40.0, top, count)]
    return tuple(dict.fromkeys(ladder))


def check_accelerations(accelerations: Sequence[float]) -> tuple[float, ...]:
    """Accelerations as given [m/s2], or an error."""
    for value in accelerations:
        if not math.isfinite(value) or not LEAST_ACCELERATION <= value <= MOST_ACCELERATION:
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
    samples: int = SAMPLES,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
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
        Static and shock limits of the nominal machine only, no simulation, no band.
    samples : int
        Machines drawn within tolerance (JCGM 101), the nominal one among them.
    seed : int
        Of the draws.
    progress : callable, optional
        Called with the share done.

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
    question = Question(machine, tuple((direction, chosen, travel) for direction in directions))
    return predict_together([question], quick=quick, samples=samples, seed=seed, progress=progress)[0]


@dataclass(frozen=True)
class Question:
    """Moves of a machine whose limits are asked for: direction, accelerations [m/s2], travel [m] (None: the machine's).

    `brief`: directions in which no move keeps its speed long enough for oscillation to grow.
    """

    machine: Machine
    wanted: tuple[tuple[Direction, tuple[float, ...], float | None], ...]
    brief: frozenset[str] = frozenset()

    @property
    def moves(self) -> list[Moves]:
        """The same as arrays."""
        return [
            Moves(
                direction.vector,
                np.array(rates),
                np.full(len(rates), travel_of(self.machine, direction, travel)),
                direction.label in self.brief,
            )
            for direction, rates, travel in self.wanted
        ]


def predict_together(
    questions: Sequence[Question],
    *,
    quick: bool = False,
    samples: int = SAMPLES,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> list[Prediction]:
    """Predict for several machines at once, their moves simulated side by side.

    Parameters
    ----------
    questions : sequence of Question
    quick, samples, seed, progress
        As in `predict`; the same seed draws the tolerances of all machines, so that they compare sample by sample.
    """
    if quick:
        return [static_prediction(question) for question in questions]
    searches = [prediction_search(question, samples, seed, progress) for question in questions]
    return together(searches, Crew())


def static_prediction(question: Question) -> Prediction:
    """Static and shock limits of the nominal machine."""
    check_moves(question.machine, [direction for direction, *_ in question.wanted])
    return _answer(question, nominal_plant(question.machine), None)


def check_moves(machine: Machine, directions: Sequence[Direction]) -> None:
    """An error where the motors of the machine as described cannot move it."""
    plant = nominal_plant(machine)
    for direction in directions:
        if float(pull_in_acceleration(plant, direction.vector)[0]) <= 0.0:
            raise InputError(
                f"the motors of this machine cannot move it along {direction.label} at all: friction, gravity and process "
                "force there ask for more torque than they have at standstill; check these, current and motor"
            )


def prediction_search(
    question: Question, samples: int = SAMPLES, seed: int = 0, progress: Callable[[float], None] | None = None
) -> Search[Prediction]:
    """A prediction as a search, to be simulated together with others. Parameters as in `predict`."""
    check_moves(question.machine, [direction for direction, *_ in question.wanted])
    plant = sample_plant(question.machine, samples, seed)
    found = yield from skip_search(plant, question.moves, seed=seed, progress=progress)
    return _answer(question, plant, found)


@contextmanager
def prediction_beside(question: Question, crew: Crew, seed: int = 0) -> Iterator[Callable[[], Prediction]]:
    """A prediction made beside other work, as `Crew.beside` has it: gives what waits for it.

    All moves in one process: their lanes share what a step in time costs, so that two halves in two processes, one beside the
    other, take nearly as long.
    """
    check_moves(question.machine, [direction for direction, *_ in question.wanted])
    plant = sample_plant(question.machine, SAMPLES, seed)
    # Limits travel from one process to the other; an answer, which holds the machine, cannot.
    with crew.beside(lambda: together([skip_search(plant, question.moves, seed=seed)], Crew(1))[0]) as found:
        yield lambda: _answer(question, plant, found())


def _answer(question: Question, plant: Plant, found: Sequence[Skips] | None) -> Prediction:
    """Limits, windows and resonances from what a search found; static limits alone where nothing was simulated."""
    nominal = nominal_plant(question.machine)
    limits: list[Limit] = []
    windows: list[Window] = []
    for k, ((direction, *_), moves) in enumerate(zip(question.wanted, question.moves, strict=True)):
        static = static_limits(nominal, moves.unit, moves.acceleration, float(moves.top.max()))
        limits += _direction_limits(direction, moves, static, found[k] if found else None)
        if found:
            windows += _windows(direction, found[k])
    return Prediction(
        question.machine,
        tuple(limits),
        "simulated" if found else "static",
        plant.samples,
        tuple(windows),
        tuple(resonance(nominal, direction) for direction, *_ in question.wanted),
        contributions(question.machine, plant, limits) if found else (),
    )


def _direction_limits(direction: Direction, moves: Moves, static: StaticLimits, found: Skips | None) -> list[Limit]:
    limits = []
    for k, acceleration in enumerate(moves.acceleration):
        top = float(moves.top[k])

        def up_to(value: float, top: float = top) -> float | None:
            return float(value) if value <= top else None

        common = {
            "direction": direction.label,
            "acceleration": float(acceleration),
            "travel": float(moves.travel[k]),
            "reachable": top,
            "steady": up_to(static.steady[0, k]),
            "shock": up_to(static.shock[0, k]),
        }
        by_torque = "current" if static.current_limited[0, k] else "voltage"
        if found is None:
            skip = up_to(static.skip[0, k])
            reason = "shock" if static.skip[0, k] != static.steady[0, k] else by_torque
            limits.append(
                Limit(skip=skip, low=None, high=None, limited_by=reason if skip is not None else "travel", **common)  # type: ignore[arg-type]
            )
            continue
        spread = found.skip[k]
        order = np.argsort(spread, kind="stable")
        low, middle, high = (order[round(share / 100.0 * (order.size - 1))] for share in (BAND[0], 50.0, BAND[1]))
        skip = up_to(spread[middle])
        if skip is None:
            reason = "travel"
        elif found.unstable[k, middle]:
            reason = "instability"
        else:
            reason = "shock" if found.swing[k, middle] else by_torque
        limits.append(
            Limit(
                skip=skip,
                low=up_to(spread[low]),
                high=up_to(spread[high]),
                limited_by=reason,
                simulated=up_to(spread[0]),
                spread=tuple(spread.tolist()),
                **common,  # type: ignore[arg-type]
            )
        )
    return limits


def _windows(direction: Direction, found: Skips, least: float = 0.2) -> list[Window]:
    """Neighbouring hold speeds that at least a fifth of the samples do not survive, taken together."""
    chance = found.hold_lost.mean(axis=1)
    speeds = found.hold_speeds
    edges = np.concatenate(
        [
            [speeds[0] ** 1.5 / speeds[1] ** 0.5],
            np.sqrt(speeds[1:] * speeds[:-1]),
            [speeds[-1] ** 1.5 / speeds[-2] ** 0.5],
        ]
    )
    windows: list[Window] = []
    for i in np.flatnonzero(chance >= least):
        if windows and windows[-1].high == edges[i]:
            last = windows.pop()
            windows.append(Window(direction.label, last.low, float(edges[i + 1]), max(last.chance, float(chance[i]))))
        else:
            windows.append(Window(direction.label, float(edges[i]), float(edges[i + 1]), float(chance[i])))
    return windows


def resonance(plant: Plant, direction: Direction) -> Resonance:
    """Natural frequency of the slowest moving motor with its load, and the speed at which full steps meet it.

    A full step is a quarter of an electrical cycle: the detent torque and a coarse step both push at that rate.
    """
    unit = direction.vector
    rate = plant.kinematic_map @ unit
    inertia = swung_inertia(plant, unit)[0]
    peak = (plant.torque_constant * plant.current_peak)[0]
    moving = np.abs(rate) > 1e-12
    frequency = natural_frequency(plant.rotor_teeth, peak, np.where(moving, inertia, 1.0)) / (2.0 * math.pi)
    slowest = int(np.argmin(np.where(moving, frequency, np.inf)))
    full_step = 2.0 * math.pi * plant.radius[slowest] / (4.0 * plant.rotor_teeth[slowest])
    hertz = float(frequency[slowest])
    return Resonance(direction.label, hertz, hertz * float(full_step) / abs(float(rate[slowest])))


_INPUT_NAMES = {
    "torque_constant": "holding torque",
    "winding_resistance": "winding resistance",
    "inductance": "inductance",
    "detent": "detent torque",
    "hysteresis": "iron losses",
    "eddy": "iron losses",
    "rotor_inertia": "rotor inertia",
    "transmission_inertia": "pulley or screw inertia",
    "current_peak": "driver current",
    "bridge_resistance": "bridge resistance",
    "efficiency": "transmission efficiency",
    "belt_stiffness": "belt stiffness",
    "belt_damping": "damping of the belt or screw",
    "moving_mass": "moving mass",
    "friction": "friction",
    "viscous": "viscous drag",
    "voltage": "supply voltage",
    "source_resistance": "supply resistance",
}


def contributions(machine: Machine, plant: Plant, limits: Sequence[Limit]) -> tuple[Contribution, ...]:
    """How much of the spread each uncertain input explains, largest first.

    Squared rank correlation of each input with the skip speed, averaged over the moves whose band has a width, less
    what chance alone would give; a first-order share of variance, so it leaves out what inputs do together.
    """
    n = plant.samples
    responses = [np.minimum(np.array(limit.spread), 1.2 * limit.reachable) for limit in limits if limit.spread]
    ranks = [_ranks(r) for r in responses if np.ptp(r) > 0.0]
    if n < 8 or not ranks:
        return ()
    shares: dict[str, float] = {}
    for name, words in _INPUT_NAMES.items():
        values = getattr(plant, name).reshape(n, -1)
        owners = machine.axis_names if name in ("moving_mass", "friction", "viscous") else ()
        for column in range(values.shape[1]):
            if not np.all(np.isfinite(values[:, column])) or np.ptp(values[:, column]) == 0.0:
                continue
            drawn = _ranks(values[:, column])
            squared = np.mean([np.corrcoef(drawn, r)[0, 1] ** 2 for r in ranks])
            # Motors are equal as a rule: what they share is one thing to measure. Axes differ.
            label = f"{words} of {owners[column]}" if owners else words
            shares[label] = shares.get(label, 0.0) + max(float(squared) - 1.0 / (n - 1), 0.0)
    keys = {assumption.key for assumption in machine.assumed}
    guessed = {
        "iron losses": "hysteresis_torque_nm",
        "friction": "friction_n",
        "viscous drag": "viscous_n_s_per_m",
        "belt stiffness": "belt_stiffness_n_per_mm",
        "detent torque": "detent_torque_nm",
        "bridge resistance": "bridge_resistance_ohm",
    }
    found = []
    for label, share in shares.items():
        words, _, owner = label.partition(" of ")
        leaf = guessed.get(words, "-")
        assumed = any(key.endswith(f".{owner}.{leaf}" if owner else f".{leaf}") for key in keys)
        found.append(Contribution(label, min(share, 1.0), assumed))
    return tuple(sorted(found, key=lambda c: -c.share))


def _ranks(values: Array) -> Array:
    return np.argsort(np.argsort(values, kind="stable"), kind="stable").astype(float)
