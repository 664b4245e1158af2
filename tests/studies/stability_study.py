"""How far probabilities move when twice as many machines are drawn, and how far with another seed.

Blind cases as in `diagnosis_study`, each diagnosed three times: as usual, with twice the samples, and from another seed.

Run `python -m tests.studies.stability_study [cases] [first seed]` from the top of the checkout; it prints its table and
writes it beside this file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from motionlimits.answers.infer import SAMPLES, STABLE, rank

from ..inference import surveyed
from .chunks import asked_for, in_chunks
from .diagnosis_study import CHUNK, Truth, draw_cases

TABLE = Path(__file__).parent / "stability.txt"
OTHER_SEED = 1000


@dataclass(frozen=True)
class Moved:
    """A case: largest change of a probability with twice the samples, and with another seed; likeliest causes; what is told."""

    seed: int
    doubled: float
    reseeded: float
    likeliest: str
    told: float


def one_case(truth: Truth) -> Moved:
    """Diagnose three times."""

    def chances(samples: int, seed: int) -> tuple[dict[tuple[str, str], float], float]:
        found = rank(surveyed(truth.machine, truth.rows, workers=1, samples=samples, seed=seed))
        return {(f.hypothesis.cause.name, f.hypothesis.where): f.probability for f in found.found}, found.moved

    usual, told = chances(SAMPLES, truth.seed)
    doubled, _ = chances(2 * SAMPLES, truth.seed)
    reseeded, _ = chances(SAMPLES, truth.seed + OTHER_SEED)
    likeliest = sorted(usual, key=lambda at: -usual[at])[:3]
    return Moved(
        truth.seed,
        *(max(abs(usual[at] - other[at]) for at in usual) for other in (doubled, reseeded)),
        ", ".join(f"{cause} {where} {usual[cause, where]:.2f}" for cause, where in likeliest),
        told,
    )


def some_cases(seeds: Sequence[int]) -> list[Moved]:
    """Draw, sweep and diagnose a few cases."""
    return [one_case(truth) for truth in draw_cases(seeds)]


def study(seeds: range) -> list[str]:
    """All cases on all cores."""
    return in_chunks(some_cases, seeds, CHUNK, table_of, TABLE)


def table_of(results: Sequence[Moved]) -> list[str]:
    """How many stay, and those that do not."""
    lines = [f"cases {len(results)}, {SAMPLES} samples"]
    for name, moves in (
        ("twice the samples", np.array([r.doubled for r in results])),
        ("another seed", np.array([r.reseeded for r in results])),
    ):
        lines.append(
            f"{name}: no probability moves by {STABLE} in {np.sum(moves < STABLE)}; largest move: median "
            f"{np.median(moves):.3f}, mean {moves.mean():.3f}, greatest {moves.max():.3f}"
        )
    lines.append("the others: twice the samples, another seed, what the answer says is left; likeliest causes:")
    lines += [
        f"  {r.seed}: {r.doubled:.3f}, {r.reseeded:.3f}, {r.told:.3f}; {r.likeliest}"
        for r in results
        if max(r.doubled, r.reseeded) >= STABLE
    ]
    return lines


if __name__ == "__main__":
    asked_for(study, "chances with twice the machines and with another seed", TABLE)
