"""How well some simulated machines tell what others do, and what each part of the emulator is worth.

For random machines, healthy and with faults, two emulators are fitted to a hundred machines within tolerance each and asked
about a hundred others, on every direction and acceleration of a sweep. Told are how far off they are, how far apart the
two (what hangs on the choice of machines, and so on the seed), and the mean log of the density that they give to what the
others do. Then what each tolerance does to a limit beyond statics.

Run `python -m tests.studies.emulator_study [machines] [first seed]` from the top of the checkout; it prints its table and
writes it beside this file.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy import stats

from motionlimits.answers import emulator as emulators
from motionlimits.answers.bench import BEYOND, HEADROOM, Bench
from motionlimits.answers.causes import hypotheses
from motionlimits.answers.emulator import Emulator, Traits, emulator, steady_fit
from motionlimits.answers.likelihood import JUMP_DEPTH, JUMP_SHARES, PAIR_OFFSET, Pair, jump_kind
from motionlimits.physics.skip import together
from motionlimits.plant import at_work
from motionlimits.workers import Crew

from ..lanes import random_machine
from .chunks import asked_for, in_chunks
from .diagnosis_study import sweep_of

TABLE = Path(__file__).parent / "emulator.txt"
FITTED, ASKED = 100, 100  # machines of each of two fits, and asked about
CAUSES = 4  # of every machine, health among them
LOOKED_TO, HIGHEST = math.log(HEADROOM), math.log(BEYOND)
VARIANTS = {
    "as it is": {},
    "no tolerances": {"TOLERANCE_SHRINKAGE": dict.fromkeys(emulators.TOLERANCE_SHRINKAGE, 1e9)},
    "all tolerances alike, 64": {"TOLERANCE_SHRINKAGE": dict.fromkeys(emulators.TOLERANCE_SHRINKAGE, 64.0)},
    "tolerances half as free": {
        "TOLERANCE_SHRINKAGE": {name: 2.0 * value for name, value in emulators.TOLERANCE_SHRINKAGE.items()}
    },
    "nothing joint": {"JOINT_SHRINKAGE": 1e9},
    "all joint half as free": {"JOINT_SHRINKAGE": 2.0 * emulators.JOINT_SHRINKAGE},
    "all joint twice as free": {"JOINT_SHRINKAGE": 0.5 * emulators.JOINT_SHRINKAGE},
    "drivers of one kind": {"SLOW_SHRINKAGE": 1e9},
    "odd machines like others": {"USUALLY_LEFT": 1e9},
    "odd machines from 0.05": {"USUALLY_LEFT": 0.05},
    "failed starts from a gap of 0.5": {"GAP": 0.5},
    "failed starts from a gap of 0.2": {"GAP": 0.2},
    "two kinds at 0.5": {"TWO_KINDS": 0.5},
    "two kinds at 0.65": {"TWO_KINDS": 0.65},
    "nothing between kept and failed starts": {"STRAGGLERS": 0.0},
    "no failed starts": {"GAP": 1e9},
}


class Told(NamedTuple):
    """Of one direction and acceleration under one cause: by variant error, distance of two fits and log score; coefficients.

    `coefficients`: by tolerance its coefficient beside statics, its variance, and that of what is left over.
    """

    variants: dict[str, tuple[float, float, float]]
    coefficients: list[tuple[str, float, float, float]]


@contextmanager
def changed(constants: dict[str, object]) -> Iterator[None]:
    """Constants of the emulator changed for a while."""
    before = {name: getattr(emulators, name) for name in constants}
    for name, value in constants.items():
        setattr(emulators, name, value)
    try:
        yield
    finally:
        for name, value in before.items():
            setattr(emulators, name, value)


def some_limits(seeds: Sequence[int]) -> list[Told]:
    """Simulate and fit, machine by machine."""
    found: list[Told] = []
    for seed in seeds:
        rng = np.random.default_rng([43, seed])
        machine = random_machine(rng)
        every = hypotheses(machine)
        sized = [h for h in every if h.sized]
        theories = [every[0], *(sized[int(k)] for k in rng.choice(len(sized), CAUSES - 1, replace=False))]
        directions = {label: machine.direction(label) for label, *_ in sweep_of(machine)}
        pairs = [
            Pair(directions[label], a, math.sqrt(a * machine.travel_along(directions[label])), *[np.empty(0)] * 3)
            for label, a, _ in sweep_of(machine)
        ]
        bench = Bench(machine, pairs, theories, seed)
        # The first is the machine as described.
        cloud = bench.everybody.take(slice(1, 1 + 2 * FITTED + ASKED))
        everything = dict.fromkeys(range(len(theories)), cloud)
        together([bench.simulate(everything, lambda share: None)], Crew(1))
        order = rng.permutation(len(cloud.normal))
        for which in range(len(theories)):
            for direction, _, _ in bench.directions:
                if bench.owner(which, direction) != which:
                    continue
                names = np.array(at_work(machine, direction.vector))[bench.varies].tolist()
                limits = bench.skips[which, direction.label].T
                for skip, traits in zip(limits, bench._traits(which, direction, cloud), strict=True):
                    # Nothing to tell where hardly any machine is lost.
                    if np.mean(skip < LOOKED_TO) > 0.3:
                        found.append(
                            Told(
                                compared(traits, skip, names, order), beyond_statics(traits, skip, names, cloud.normal)
                            )
                        )
    return found


def compared(
    traits: Traits, skip: np.ndarray, names: list[str], order: np.ndarray
) -> dict[str, tuple[float, float, float]]:
    """Error, distance of two fits and log score by variant."""
    listed = [name for name in names if name in emulators.TOLERANCE_SHRINKAGE]
    parts = order[:FITTED], order[FITTED : 2 * FITTED]
    asked = order[2 * FITTED :]
    told = {}
    for variant, constants in VARIANTS.items():
        with changed(constants):
            own = [emulators.TOLERANCE_SHRINKAGE[name] for name in listed]
            known = traits._replace(shrinkage=np.array([*own, *traits.shrinkage[len(own) :]]))
            fits = [emulator(known.of(p), skip[p], np.ones(p.size), LOOKED_TO, HIGHEST) for p in parts]
            logs = [log_density(fit, known.of(asked), skip[asked]) for fit in fits]
        kept, failed, chance = fits[0].predict(known.of(asked))
        off = np.minimum(np.where(chance < 0.5, kept, failed), LOOKED_TO) - np.minimum(skip[asked], LOOKED_TO)
        told[variant] = (
            float(np.median(np.abs(off))),
            float(np.mean((logs[0] - logs[1]) ** 2) / 2.0),
            float(logs[0].mean()),
        )
    return told


def log_density(fit: Emulator, traits: Traits, skip: np.ndarray) -> np.ndarray:
    """Log of the density that an emulator, blurred like the likelihood of rows, gives to limits; beyond, of the chance."""
    kept, failed, chance = fit.predict(traits)
    either = []
    for at, luck in ((kept, fit.kept_luck), (failed, fit.failed_luck)):
        law = stats.t(4, loc=at[:, None] + luck, scale=PAIR_OFFSET)
        seen = law.pdf(skip[:, None]).mean(axis=1)
        either.append(np.where(skip < LOOKED_TO, seen, law.sf(LOOKED_TO).mean(axis=1)))
    blurred = (1.0 - chance) * either[0] + chance * either[1]
    jump = np.array(JUMP_SHARES)[jump_kind(traits.standing)]
    return np.asarray(np.log((1.0 - jump) * blurred + jump / JUMP_DEPTH))


def beyond_statics(
    traits: Traits, skip: np.ndarray, names: list[str], normal: np.ndarray
) -> list[tuple[str, float, float, float]]:
    """Coefficient of every tolerance beside statics among kept starts, its variance, and that of what is left over."""
    parting = emulators._parting(traits, skip, np.ones(skip.size), LOOKED_TO)
    rows = (skip > parting) & (skip < LOOKED_TO)
    if rows.sum() < 2 * len(names) + 40:
        return []
    near = float(np.mean(traits.steady[rows])), float(np.ptp(traits.steady[rows])) / 2.0
    alone = traits._replace(features=normal[:, : len(names)], joint=np.zeros(len(names), bool))
    statics = emulators._design(alone, near)[rows]
    penalty = np.full(statics.shape[1], 1e-3)
    found, left, trust = steady_fit(
        statics, skip[rows], np.ones(int(rows.sum())), np.zeros(penalty.size), penalty, LOOKED_TO
    )
    variance = float(np.average(left**2, weights=trust))
    spread = variance * np.diag(np.linalg.inv((statics * trust[:, None]).T @ statics + np.diag(penalty)))
    first = statics.shape[1] - len(names)
    return [
        (name or "of what stands still", float(found[first + k]), float(spread[first + k]), variance)
        for k, name in enumerate(names)
    ]


def table_of(results: Sequence[Told]) -> list[str]:
    """By variant, and by tolerance."""
    lines = [
        f"directions and accelerations, of all causes: {len(results)}; two fits of {FITTED} machines, {ASKED} asked"
    ]
    lines.append("variant: median error of a limit; what two fits differ by and mean, of the log density of a limit:")
    for variant in VARIANTS:
        off, apart, score = np.array([told.variants[variant] for told in results]).T
        lines.append(f"  {variant}: {np.median(off):.3f}; {math.sqrt(apart.mean()):.3f}, {score.mean():+.3f}")
    lines.append("tolerance: what one standard deviation does beside statics, rms; variance left over by that of it:")
    rows = [row for told in results for row in told.coefficients]
    for name in sorted({row[0] for row in rows}):
        found, noise, left = np.array([row[1:] for row in rows if row[0] == name]).T
        square = float(np.mean(found**2 - noise))
        ratio = float(np.mean((found**2 - noise) / left))
        told = f"{1.0 / ratio:.0f}" if ratio > 1e-3 else "over 1000"
        lines.append(f"  {name}: {math.sqrt(max(square, 0.0)):.3f}; {told}")
    return lines


def study(seeds: range) -> list[str]:
    """All machines on all cores."""
    return in_chunks(some_limits, seeds, 1, table_of, TABLE)


if __name__ == "__main__":
    asked_for(study, "emulated limits of random machines", TABLE)
