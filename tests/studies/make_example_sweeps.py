"""Makes the invented sweeps of examples/ from the time-domain model of the machine with a hidden fault.

Run `python -m tests.studies.make_example_sweeps` from the top of the checkout; it rewrites examples/*/sweep.csv.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from motionlimits.files.machines import read_machine
from motionlimits.files.sweeps import write_sweep
from motionlimits.machine import Machine
from motionlimits.physics.lanes import move_lanes
from motionlimits.physics.motion import simulate
from motionlimits.plant import nominal_plant
from motionlimits.sweep import SweepRow

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
TRIALS = 3


def with_drag(machine: Machine, axis: str, force: float) -> Machine:
    """The same machine with more Coulomb friction on one axis [N]."""
    axes = tuple(replace(a, friction=a.friction + force) if a.name == axis else a for a in machine.axes)
    return replace(machine, axes=axes)


def ladder(
    machine: Machine, accelerations: list[float], directions: list[str], first: float, step: float, seed: int
) -> list[SweepRow]:
    """Speeds raised step by step until every trial loses steps or the travel ends, three trials each."""
    rng = np.random.default_rng(seed)
    plant = nominal_plant(machine)
    rows = []
    for label in directions:
        direction = machine.direction(label)
        travel = machine.travel_along(direction)
        for acceleration in accelerations:
            top = math.sqrt(acceleration * travel)
            for speed in np.round(np.arange(first, top, step), 6):
                moves = move_lanes(
                    plant,
                    direction.vector,
                    np.full(TRIALS, acceleration),
                    np.full(TRIALS, speed),
                    np.full(TRIALS, travel),
                    sample=np.zeros(TRIALS, np.intp),
                    friction_factor=np.exp(0.05 * rng.standard_normal(TRIALS)),
                    phase=rng.uniform(0.0, 2.0 * math.pi, TRIALS),
                )
                lost = np.zeros(TRIALS, bool)
                np.logical_or.at(lost, moves.move, simulate(moves.lanes).lost)
                rows.append(SweepRow(label, acceleration, float(speed), None, TRIALS, int(lost.sum())))
                if lost.all():
                    break
    return rows


def main() -> None:
    """Write both sweeps."""
    folder = EXAMPLES / "crossed-belt-gantry"
    gantry = read_machine(folder / "machine.toml")
    rows = ladder(with_drag(gantry, "x", 20.0), [3.0, 6.0, 12.0], ["x", "y", "45", "135"], 0.3, 0.1, seed=1)
    notes = [
        "Invented: made by simulating machine.toml with a hidden extra drag of 20 N on x, friction scattering by 5 %.",
        "Three trials at each speed; 'skipped' is how many of them lost steps.",
    ]
    (folder / "sweep.csv").write_text(write_sweep(rows, notes))
    folder = EXAMPLES / "screw-cutter"
    cutter = read_machine(folder / "machine.toml")
    rows = ladder(cutter, [2.0, 5.0], ["x", "y"], 0.4, 0.2, seed=2)
    rows += ladder(cutter, [2.0, 5.0], ["z", "-z"], 0.1, 0.05, seed=3)
    notes = [
        "Invented: made by simulating machine.toml as it stands, without any fault, friction scattering by 5 %.",
        "Three trials at each speed; 'skipped' is how many of them lost steps.",
    ]
    (folder / "sweep.csv").write_text(write_sweep(rows, notes))


if __name__ == "__main__":
    main()
