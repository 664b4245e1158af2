"""Makes the invented sweeps of examples/ from a model of the machine with a hidden fault.

Run `python -m tests.studies.make_example_sweeps` from the top of the checkout; it rewrites examples/*/sweep.csv.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from motionlimits.answers.predict import predict
from motionlimits.files.machines import read_machine
from motionlimits.files.sweeps import write_sweep
from motionlimits.machine import Machine
from motionlimits.sweep import SweepRow

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
TRIALS = 3
SCATTER = 0.02


def with_drag(machine: Machine, axis: str, force: float) -> Machine:
    """The same machine with more Coulomb friction on one axis [N]."""
    axes = tuple(replace(a, friction=a.friction + force) if a.name == axis else a for a in machine.axes)
    return replace(machine, axes=axes)


def ladder(
    machine: Machine, accelerations: list[float], directions: list[str], step: float, seed: int
) -> list[SweepRow]:
    """Speeds raised step by step until steps are lost or the travel ends, three trials each."""
    rng = np.random.default_rng(seed)
    rows = []
    for label in directions:
        direction = machine.direction(label)
        for acceleration in accelerations:
            limit = predict(machine, [direction], [acceleration], quick=True).limits[0]
            speed = step * round(0.45 * limit.reachable / step)
            while speed <= limit.reachable:
                skips = np.inf if limit.skip is None else limit.skip * np.exp(SCATTER * rng.standard_normal(TRIALS))
                lost = int(np.sum(speed > np.broadcast_to(skips, TRIALS)))
                rows.append(SweepRow(label, acceleration, round(speed, 6), None, TRIALS, lost))
                if lost == TRIALS:
                    break
                speed += step
    return rows


def main() -> None:
    """Write both sweeps."""
    folder = EXAMPLES / "crossed-belt-gantry"
    gantry = read_machine(folder / "machine.toml")
    rows = ladder(with_drag(gantry, "x", 26.0), [3.0, 6.0, 12.0], ["x", "y", "45", "135"], 0.1, seed=1)
    notes = [
        "Invented: made by a model of machine.toml with a hidden extra drag of 26 N on x, and 2 % trial scatter.",
        "Three trials at each speed; 'skipped' is how many of them lost steps.",
    ]
    (folder / "sweep.csv").write_text(write_sweep(rows, notes))
    folder = EXAMPLES / "screw-cutter"
    cutter = read_machine(folder / "machine.toml")
    rows = ladder(cutter, [2.0, 5.0], ["x", "y"], 0.2, seed=2) + ladder(cutter, [2.0, 5.0], ["z", "-z"], 0.04, seed=3)
    notes = [
        "Invented: made by a model of machine.toml as it stands, without any fault, and 2 % trial scatter.",
        "Three trials at each speed; 'skipped' is how many of them lost steps.",
    ]
    (folder / "sweep.csv").write_text(write_sweep(rows, notes))


if __name__ == "__main__":
    main()
