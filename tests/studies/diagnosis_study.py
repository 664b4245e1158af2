"""Blind set for the diagnosis: random machines with one hidden fault, swept in simulation, diagnosed from the sweep.

The truth is not the tool's model: whole moves of the whole machine at the level of the driver's switches (`switching`),
a relay that for one machine in seven only short-circuits the winding, tolerances of its own, friction that scatters from
move to move.

Run `python -m tests.studies.diagnosis_study [cases] [first seed] [clear|stated] [plan|short]` from the top of the checkout; it
prints its table and writes it beside this file. Faults are clear from their sweep, or of any size that the diagnosis takes
to be possible; sweeps are those of a plan, or short ones, at half as many directions and accelerations. Whether anybody had
looked at the cases of a table before, and with which code it was run, stands beside it there. What the tool does on cases that nobody has seen is told by others.
"""

from __future__ import annotations

import math
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from motionlimits.answers.causes import Hypothesis, hypotheses
from motionlimits.answers.infer import Inference, rank
from motionlimits.answers.nextcheck import next_checks
from motionlimits.answers.plan import move_travel, planned_accelerations
from motionlimits.answers.predict import round_figures
from motionlimits.answers.readings import expected
from motionlimits.answers.weigh import noticed, usual
from motionlimits.machine import Direction, Machine
from motionlimits.physics.lanes import move_lanes
from motionlimits.physics.limits import pull_in_acceleration
from motionlimits.physics.motion import Lanes, join, simulate
from motionlimits.physics.skip import Moves, ramp_search, together
from motionlimits.plant import SLOW_DECAY_ODDS, Plant, nominal_plant, sample_plant, stack
from motionlimits.readings import readings_of
from motionlimits.sweep import SweepRow

from ..inference import surveyed
from ..lanes import random_machine
from .chunks import asked_for, in_chunks
from .switching import switched

TABLE = Path(__file__).parent / "diagnosis.txt"
RUNG, RUNGS = 1.16, 32
CHUNK = 8  # cases whose moves are simulated together
CLEAR_SHARE, CLEAR_PAIRS = 0.75, 2
SHORT_SHARES, SHORT_HOLD = (0.1, 0.245, 0.6), 0.4  # of the acceleration at standstill where it is least; [s]
Pairs = Sequence[tuple[Direction, np.ndarray]]  # directions, and accelerations [m/s2] of each
Law = Callable[[Machine, Pairs, np.random.Generator], tuple[Hypothesis, float]]


@dataclass(frozen=True)
class Design:
    """How machines are swept: in which directions and accelerations, and how long a move is to a speed [m]."""

    pairs: Callable[[Machine], Pairs]
    travel: Callable[[Machine, Direction, float, float], float]


def planned(machine: Machine) -> Pairs:
    """What a plan has."""
    directions = machine.usual_directions()
    rates = planned_accelerations(machine, directions)
    return [(direction, np.array(here)) for direction, here in zip(directions, rates, strict=True)]


def few(machine: Machine) -> Pairs:
    """The same three accelerations along x, y and both diagonals, as somebody may choose who has no plan."""
    plant, directions = nominal_plant(machine), [machine.direction(label) for label in ("x", "y", "45", "135")]
    least = min(float(pull_in_acceleration(plant, d.vector)[0]) for d in directions)
    rates = np.array([round_figures(share * least * 1e3) / 1e3 for share in SHORT_SHARES])
    return [(direction, rates) for direction in directions]


def long_travel(machine: Machine, direction: Direction, acceleration: float, speed: float) -> float:
    """Long enough for oscillation to grow, where the machine's travel allows."""
    return round(min(machine.travel_along(direction), speed**2 / acceleration + SHORT_HOLD * speed), 6)


DESIGNS = {"plan": Design(planned, move_travel), "short": Design(few, long_travel)}


def limits_with(machine: Machine, theory: Hypothesis, size: float, pairs: Pairs) -> np.ndarray:
    """Log of skip over top speed, at most 0, of the nominal machine without and with a fault; (2, all pairs).

    By whole ramps.
    """
    healthy = nominal_plant(machine)
    both = stack([healthy, theory.applied(healthy, size)])
    moves = [
        Moves(d.vector, accelerations, np.full(accelerations.size, machine.travel_along(d)))
        for d, accelerations in pairs
    ]
    found = together([ramp_search(both, moves)], simulate)[0]
    reach = np.concatenate(
        [np.minimum(f.skip, m.top[:, None]) / m.top[:, None] for f, m in zip(found, moves, strict=True)]
    )
    return np.log(reach).T


def clear_fault(machine: Machine, pairs: Pairs, rng: np.random.Generator) -> tuple[Hypothesis, float]:
    """A cause (all alike), one of its places, and a size from the upper three quarters of its prior, that is clear from the sweep.

    Clear is what takes at least a quarter off the limit of two directions and accelerations, by the tool's model of the
    nominal machine. Nobody asks about a machine that lost nothing: a resistance in the wiring of a motor that never comes to
    its corner in the travel leaves no trace in any sweep.
    """
    theories = hypotheses(machine)
    names = list(dict.fromkeys(h.cause.name for h in theories))
    while True:
        name = str(rng.choice(names))
        theory = [h for h in theories if h.cause.name == name]
        chosen = theory[int(rng.integers(len(theory)))]
        quantile = rng.uniform(0.25, 0.9)
        # Of factors the small ones are the large faults.
        if chosen.cause.name in ("low-voltage", "low-current"):
            quantile = 1.0 - quantile
        size = chosen.size(float(quantile))
        if not chosen.sized:
            return chosen, size
        healthy, faulty = limits_with(machine, chosen, size, pairs)
        if np.sum(faulty - healthy <= math.log(CLEAR_SHARE)) >= CLEAR_PAIRS:
            return chosen, size


def stated_fault(machine: Machine, pairs: Pairs, rng: np.random.Generator) -> tuple[Hypothesis, float]:
    """A cause at a place, and its size, by the priors that the diagnosis states and as common as it takes it for (`weigh.usual`),
    kept with the chance that its owner asks (`weigh.noticed`).

    Small faults are among them that no sweep shows. Chances as stated can only be right for cases drawn as they are stated for.
    """
    theories = hypotheses(machine)
    ends = np.cumsum([accelerations.size for _, accelerations in pairs])
    directions = [range(start, end) for start, end in zip([0, *ends[:-1].tolist()], ends.tolist(), strict=True)]
    while True:
        theory = theories[int(rng.choice(len(theories), p=[h.prior for h in theories]))]
        quantiles = rng.random(100)
        common = rng.random(100) * usual(np.array(0.5)) < usual(quantiles)
        size, chance = theory.size(float(quantiles[common.argmax()])), 1.0
        if theory.sized:
            healthy, faulty = limits_with(machine, theory, size, pairs)
            chance = float(noticed(healthy, faulty[None], directions)[0])
        if rng.random() < chance:
            return theory, size


def sweep_of(machine: Machine, pairs: Pairs) -> list[tuple[str, float, np.ndarray]]:
    """Direction, acceleration [m/s2] and ladder of speeds [m/s], slow to fast, of every pair of a sweep."""
    found = []
    for direction, accelerations in pairs:
        travel = machine.travel_along(direction)
        for a in accelerations:
            top = math.sqrt(a * travel)
            speeds = 0.99 * top / RUNG ** np.arange(0, RUNGS)[::-1]
            found.append((direction.label, float(a), np.array([float(f"{v:.3g}") for v in speeds])))
    return found


@dataclass(frozen=True)
class Truth:
    """A blind case: the machine as its file has it, the hidden fault and its size, the sweep."""

    seed: int
    machine: Machine
    theory: Hypothesis
    size: float
    rows: tuple[SweepRow, ...]


def draw_cases(seeds: Sequence[int], law: Law = clear_fault, design: Design = DESIGNS["plan"]) -> list[Truth]:
    """Machines, hidden faults by a law, and their sweeps by a design; the moves of all are simulated together.

    Every speed is tried once up to two lost in a row, those around the limit a second time.
    """
    drawn = []
    ladders: list[tuple[int, str, float, np.ndarray]] = []
    for k, seed in enumerate(seeds):
        rng = np.random.default_rng([40, seed])
        machine = random_machine(rng)
        pairs = design.pairs(machine)
        theory, size = law(machine, pairs, rng)
        plant = theory.applied(sample_plant(machine, 2, seed=50_000 + seed).take(slice(1, 2)), size)
        drawn.append((machine, theory, size, plant, bool(rng.random() >= SLOW_DECAY_ODDS), rng))
        ladders += [(k, *pair) for pair in sweep_of(machine, pairs)]

    def tried(chosen: list[np.ndarray]) -> list[np.ndarray]:
        """Whether each of the chosen rungs of each ladder is lost."""
        parts: dict[bool, list[Lanes]] = {False: [], True: []}
        for (k, label, a, speeds), rungs in zip(ladders, chosen, strict=True):
            machine, _, _, plant, reverse, rng = drawn[k]
            travel = [design.travel(machine, machine.direction(label), a, float(v)) for v in speeds[rungs]]
            parts[reverse].append(_moves(machine, plant, label, a, speeds[rungs], np.array(travel), rng))
        lost = {}
        for reverse, lanes in parts.items():
            lost[reverse] = switched(join(lanes), reverse=reverse) if lanes else np.zeros(0, bool)
        found, at = [], {False: 0, True: 0}
        for (k, *_), rungs in zip(ladders, chosen, strict=True):
            reverse = drawn[k][4]
            found.append(lost[reverse][at[reverse] : at[reverse] + rungs.size])
            at[reverse] += rungs.size
        return found

    once = tried([np.arange(RUNGS)] * len(ladders))
    ends = [_end(lost) for lost in once]
    # Two below the first lost, up to the end; none where all were kept.
    again = [
        np.arange(max(int(lost.argmax()) - 2, 0) if lost.any() else end, end)
        for lost, end in zip(once, ends, strict=True)
    ]
    twice = tried(again)
    rows: list[list[SweepRow]] = [[] for _ in seeds]
    for (k, label, a, speeds), first, end, rungs, second in zip(ladders, once, ends, again, twice, strict=True):
        skipped, trials = first[:end].astype(int), np.ones(end, int)
        skipped[rungs] += second
        trials[rungs] += 1
        rows[k] += [
            SweepRow(
                label, a, float(v), design.travel(machine, machine.direction(label), a, float(v)), int(n), int(bad)
            )
            for v, n, bad in zip(speeds[:end], trials, skipped, strict=True)
        ]
    return [
        Truth(seed, machine, theory, size, tuple(r))
        for seed, (machine, theory, size, *_), r in zip(seeds, drawn, rows, strict=True)
    ]


def _end(lost: np.ndarray) -> int:
    """Rungs tried: up to the second in a row that is lost."""
    pair = np.flatnonzero(lost[1:] & lost[:-1])
    return int(pair[0]) + 2 if pair.size else lost.size


def _moves(
    machine: Machine,
    plant: Plant,
    label: str,
    acceleration: float,
    speeds: np.ndarray,
    travel: np.ndarray,
    rng: np.random.Generator,
) -> Lanes:
    direction = machine.direction(label)
    return move_lanes(
        plant,
        direction.vector,
        np.full(speeds.size, acceleration),
        speeds,
        travel,
        sample=np.zeros(speeds.size, np.intp),
        friction_factor=np.exp(0.05 * rng.standard_normal(speeds.size)),
        phase=rng.uniform(0, 2 * np.pi, speeds.size),
        coupled=True,
    ).lanes


@dataclass(frozen=True)
class Case:
    """One diagnosed case."""

    seed: int
    layout: str
    cause: str
    where: str
    rank: int
    probability: float
    top: str
    top_probability: float
    size_inside: bool | None
    rank_after_check: int
    seconds: float


def one_case(truth: Truth, rng: np.random.Generator) -> Case:
    """Diagnose; then answer the first suggested reading truthfully and rank again."""
    machine, theory, size = truth.machine, truth.theory, truth.size
    start = time.perf_counter()
    seen = surveyed(machine, truth.rows, workers=1, seed=truth.seed)
    inference = rank(seen)
    seconds = time.perf_counter() - start

    def rank_in(inference: Inference) -> int:
        order = [(f.hypothesis.cause.name, f.hypothesis.where) for f in inference.found]
        return order.index((theory.cause.name, theory.where))

    place = rank_in(inference)
    mine = inference.found[place]
    inside = bool(mine.size_low <= size <= mine.size_high) if theory.sized and place == 0 else None
    after = place
    checks = [c for c in next_checks(machine, inference, {}) if c.key]
    if checks:
        key = checks[0].key
        mean, deviation = expected(machine, theory, key, np.array([size]))
        reading = readings_of(machine)[key].kind.unscale(float(rng.normal(mean[0], deviation[0])))
        after = rank_in(rank(seen, {key: max(reading, 1e-3)}))
    best = inference.best
    return Case(
        truth.seed,
        machine.layout,
        theory.cause.name,
        theory.where,
        place,
        mine.probability,
        f"{best.hypothesis.cause.name} {best.hypothesis.where}",
        best.probability,
        inside,
        after,
        seconds,
    )


def some_cases(seeds: Sequence[int], law: Law = clear_fault, design: Design = DESIGNS["plan"]) -> list[Case]:
    """Draw, sweep and diagnose a few cases, one after the other."""
    return [one_case(truth, np.random.default_rng([41, truth.seed])) for truth in draw_cases(seeds, law, design)]


def study(seeds: range, law: Law, design: Design) -> list[str]:
    """All cases on all cores."""
    return in_chunks(partial(some_cases, law=law, design=design), seeds, CHUNK, table_of, TABLE)


def table_of(results: Sequence[Case]) -> list[str]:
    """Hit rates, calibration, and what was taken for what."""
    cases = len(results)
    ranks = np.array([c.rank for c in results])
    healthy = [c for c in results if c.cause == "as-predicted"]
    blamed = [c for c in healthy if not c.top.startswith("as-predicted") and c.top_probability > 0.5]
    sized = [c.size_inside for c in results if c.size_inside is not None]
    lines = [
        f"cases {cases}; right cause and place first {np.mean(ranks == 0):.1%}, in the first two {np.mean(ranks <= 1):.1%}",
        f"healthy {len(healthy)}, called something else with more than 50 %: {len(blamed)}",
        f"size within its 10 to 90 % range: {sum(sized) / max(len(sized), 1):.1%} of {len(sized)}",
        f"with the first suggested reading answered truthfully: first {np.mean([c.rank_after_check == 0 for c in results]):.1%}",
        f"time of one diagnosis on one core: median {np.median([c.seconds for c in results]):.1f} s",
        "stated probability of the first cause, and how often it was right:",
    ]
    for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 1.01)):
        here = [c for c in results if low <= c.top_probability < high]
        if here:
            stated = np.mean([c.top_probability for c in here])
            right = np.mean([c.rank == 0 for c in here])
            lines.append(
                f"  {low:.2f} to {min(high, 1.0):.2f}: {len(here)} cases, stated {stated:.2f}, right {right:.2f}"
            )
    lines.append("by cause, right first:")
    for layout in dict.fromkeys(c.layout for c in results):
        mine = [c for c in results if c.layout == layout]
        first, two = (np.mean([c.rank <= k for c in mine]) for k in (0, 1))
        lines.insert(1, f"  {layout}, {len(mine)} cases: first {first:.1%}, in the first two {two:.1%}")
    for name in dict.fromkeys(c.cause for c in results):
        here = [c for c in results if c.cause == name]
        missed = Counter(c.top for c in here if c.rank)
        lines.append(f"  {name}: {sum(c.rank == 0 for c in here)} of {len(here)}; taken for {dict(missed)}")
    return lines


if __name__ == "__main__":
    law, sweep = [*sys.argv[3:5], *("clear", "plan")[len(sys.argv[3:5]) :]]
    laws = {"clear": clear_fault, "stated": stated_fault}
    for name, known in ((law, laws), (sweep, DESIGNS)):
        if name not in known:
            raise SystemExit(f"{name!r} is not known; there are: {', '.join(known)}")
    title = f"diagnosis of blind cases, {law} faults, sweeps of the kind '{sweep}'"
    asked_for(partial(study, law=laws[law], design=DESIGNS[sweep]), title, TABLE)
