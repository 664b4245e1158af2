"""Studies of the time-domain model: speed against a general integrator, convergence in the step, and a blind set.

Run `python -m tests.studies.motion_studies speed|convergence|blind` from the top of the checkout; each prints its table
and writes it beside this file.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp  # noqa: F401 (imported before timing)

from motionlimits import workers
from motionlimits.answers.predict import Question, predict_together, usual_accelerations
from motionlimits.machine import Direction, Machine
from motionlimits.physics.lanes import move_lanes
from motionlimits.physics.motion import LONGEST_STEP, PHASE_STEP, Lanes, join, simulate
from motionlimits.plant import SLOW_DECAY_ODDS, Plant, nominal_plant, sample_plant

from ..external.reference_motion import reference_move
from ..lanes import random_machine, random_moves
from .chunks import in_chunks
from .switching import switched

HERE = Path(__file__).parent
LONGEST_CRUISE = 0.25  # [s] of a true move: ten periods of a rotor's swing and more; the rest would only cost time


def speed(count: int = 40, batch: int = 2000) -> list[str]:
    """Time for one simulated move: LSODA one by one, the engine in a batch, in the same minute."""
    moves = random_moves(count, seed=12)
    start = time.perf_counter()
    theirs = [reference_move(move)[0] for move in moves]
    general = (time.perf_counter() - start) / count
    lanes = join(moves * (batch // count))
    start = time.perf_counter()
    ours = simulate(lanes).lost[:count]
    engine = (time.perf_counter() - start) / lanes.size
    return [
        f"moves {count} (general integrator), {lanes.size} in one batch (engine, one process)",
        f"LSODA {general * 1e3:.1f} ms per move, engine {engine * 1e3:.3f} ms per move, ratio {general / engine:.0f}",
        f"same fate in {int(np.sum(ours == np.array(theirs)))} of {count}",
    ]


def convergence(count: int = 200) -> list[str]:
    """Skip speeds of ramps at the usual step and at half of it."""
    rng = np.random.default_rng(77)
    parts = []
    for _ in range(count):
        machine = random_machine(rng)
        direction = machine.direction("x")
        acceleration = np.array(usual_accelerations(machine, [direction], 4)[2:3])
        top = np.sqrt(acceleration * machine.travel_along(direction))
        parts.append(
            move_lanes(
                nominal_plant(machine),
                direction.vector,
                acceleration,
                top,
                np.array([np.inf]),
                sample=np.zeros(1, np.intp),
                coupled=True,
            ).lanes
        )
    lanes = join(parts)
    found = []
    for half in (1.0, 0.5):
        fate = simulate(lanes, phase_step=PHASE_STEP * half, longest_step=LONGEST_STEP * half)
        found.append(np.where(fate.lost, fate.speed, np.inf))
    both = np.isfinite(found[0]) | np.isfinite(found[1])
    change = np.full(count, 0.0)
    change[both] = np.abs(np.log(found[0][both] / found[1][both]))
    small = np.mean(change <= 0.02)
    far = [f"{a * 1e3:.0f} -> {b * 1e3:.0f} mm/s" for a, b, c in zip(*found, change, strict=True) if c > 0.02]
    return [
        f"machines {count}, of which a ramp is lost in {int(both.sum())}",
        f"change at most 2 %: {small:.1%} of all, {np.mean(change[both] <= 0.02):.1%} of those lost at either step",
        "the rest: " + "; ".join(far[:30]),
    ]


RUNG, RUNGS = 1.08, 40  # ratio and number of the speeds of a true ladder


def true_ladder(
    plant: Plant, direction: Direction, acceleration: float, travel: float, rng: np.random.Generator
) -> tuple[np.ndarray, Lanes]:
    """Speeds of a ladder, slow to fast, and its moves on a true machine whose friction scatters by 5 % from move to move."""
    speeds = np.sqrt(acceleration * travel) / RUNG ** np.arange(0, RUNGS)[::-1]
    lanes = move_lanes(
        plant,
        direction.vector,
        np.full(RUNGS, acceleration),
        speeds,
        np.minimum(travel, speeds**2 / acceleration + LONGEST_CRUISE * speeds),
        sample=np.zeros(RUNGS, np.intp),
        friction_factor=np.exp(0.05 * rng.standard_normal(RUNGS)),
        phase=rng.uniform(0, 2 * np.pi, RUNGS),
        coupled=True,
    )
    return speeds, lanes.lanes


def lowest_lost(speeds: np.ndarray, lost: np.ndarray) -> float:
    """Between the lowest speed lost and the one below it; infinite where none is."""
    if not lost.any():
        return float("inf")
    first = int(lost.argmax())
    return float(np.sqrt(speeds[first] * speeds[max(first - 1, 0)]))


def interval_score(low: np.ndarray, high: np.ndarray, truth: np.ndarray, alpha: float = 0.2) -> np.ndarray:
    """Gneiting and Raftery, Strictly proper scoring rules, JASA 102, 2007, eq. 43."""
    below, above = np.maximum(low - truth, 0.0), np.maximum(truth - high, 0.0)
    return (high - low) + 2.0 / alpha * (below + above)


BlindRow = tuple[float, float, float, float, float, float, float]


def some_blind(seeds: Sequence[int]) -> list[BlindRow]:
    """Random machines: predicted median and band, three truths and the top speed, for x and a second direction of each.

    The truths are relays at the level of the switches that short-circuit a winding whose current is too large; the first
    also turns the bus round where it is too large by more than a band, the second never does, the third is one of the two,
    machine by machine, at the odds that the bands assume.
    """
    workers.usable_cores = lambda: 1  # type: ignore[assignment]
    questions, ladders = [], []
    for seed in seeds:
        rng = np.random.default_rng([2026, seed])
        machine: Machine = random_machine(rng)
        second = "45" if machine.layout == "crossed-belt" and rng.random() < 0.5 else "y"
        true = sample_plant(machine, 2, seed=10_000 + seed).take(slice(1, 2))
        wanted = []
        for label in ("x", second):
            direction = machine.direction(label)
            accelerations = usual_accelerations(machine, [direction], 6)[2:5]
            wanted.append((direction, accelerations, None))
            travel = machine.travel_along(direction)
            ladders += [true_ladder(true, direction, a, travel, rng) for a in accelerations]
        questions.append(Question(machine, tuple(wanted)))
    moves = join([lanes for _, lanes in ladders])
    truths = []
    for reverse in (True, False):
        lost = switched(moves, reverse=reverse).reshape(len(ladders), RUNGS)
        truths.append([lowest_lost(speeds, row) for (speeds, _), row in zip(ladders, lost, strict=True)])
    rows: list[BlindRow] = []
    pairs = zip(*truths, strict=True)
    for seed, question in zip(seeds, questions, strict=True):
        slow = np.random.default_rng([2027, seed]).random() < SLOW_DECAY_ODDS
        for limit in predict_together([question], seed=seed)[0].limits:
            skip, low, high = (np.inf if v is None else v for v in (limit.skip, limit.low, limit.high))
            turning, plain = next(pairs)
            rows.append((skip, low, high, turning, plain, plain if slow else turning, limit.reachable))
    return rows


def blind(count: int = 100) -> list[str]:
    """Predicted bands against truth; pairs where truth and band are both beyond the travel count as covered."""
    return in_chunks(some_blind, range(count), 5, blind_tables, HERE / "motion_blind.txt")


def blind_tables(found: Sequence[BlindRow]) -> list[str]:
    """Errors, coverage and interval score of predicted bands against all truths."""
    rows = np.array(found)
    lines = [f"machines {len(rows) // 6}, pairs {len(rows)}"]
    truths = {
        3: "recirculates, and turns the bus round beyond a band",
        4: "only recirculates",
        5: f"is one of the two, the second for {SLOW_DECAY_ODDS:.0%} of the machines as the bands assume",
    }
    for column, name in truths.items():
        lines += [f"truth: a relay that {name}", *blind_table(rows[:, [0, 1, 2, column, 6]])]
    return lines


def blind_table(rows: np.ndarray) -> list[str]:
    """Errors, coverage and interval score; rows of predicted median, low and high, truth, top speed."""
    top = rows[:, 4]
    # Beyond the travel is one value, and so is anything below the slowest rung.
    capped = np.clip(rows[:, :4], (top / RUNG ** (RUNGS - 1))[:, None], top[:, None] * 1.03)
    median, low, high, truth = np.log(capped).T
    # The truth lies somewhere between two rungs: the share of that which the band holds. Beyond the travel is a point.
    rung = np.where(np.isfinite(rows[:, 3]), 0.5 * np.log(RUNG), 1e-9)
    inside = np.minimum(truth + rung, high + 1e-6) - np.maximum(truth - rung, low - 1e-6)
    covered = np.clip(inside / (2.0 * rung), 0.0, 1.0)
    finite = np.isfinite(rows[:, 3]) & np.isfinite(rows[:, 0])
    error = np.abs(median - truth)
    ours = interval_score(low, high, truth).mean()
    fixed = interval_score(median + np.log(0.75), np.minimum(median + np.log(1.25), np.log(top * 1.03)), truth).mean()
    decided = np.isfinite(rows[:, 3]) | np.isfinite(rows[:, 1])
    return [
        f"  lost in truth {int(np.isfinite(rows[:, 3]).sum())}, truth and median both within the travel {int(finite.sum())}",
        f"  |ln(predicted/true)| of those: median {np.median(error[finite]):.3f}, 90 % {np.percentile(error[finite], 90):.3f}",
        f"  |ln(predicted/true)| of all: median {np.median(error):.3f}, 90 % {np.percentile(error, 90):.3f}",
        f"  band holds the truth: {covered.mean():.1%} of all, {covered[decided].mean():.1%} where the truth or the band's low end is within the travel",
        f"  interval score {ours:.3f}, of a fixed band of 25 % either way {fixed:.3f}: {1 - ours / fixed:.0%} better",
    ]


STUDIES = {"speed": speed, "convergence": convergence, "blind": blind}


def main() -> None:
    """Run the named study (all by default) and write its table."""
    for name in sys.argv[1:] or list(STUDIES):
        start = time.monotonic()
        lines = STUDIES[name]()
        lines.append(f"took {time.monotonic() - start:.0f} s")
        text = "\n".join([f"study: {name}", *lines]) + "\n"
        (HERE / f"motion_{name}.txt").write_text(text)
        print(text)


if __name__ == "__main__":
    main()
