"""What the parts cost: map, engine, answers, start-up; against general integrators on the same moves; growth with size.

Run `python -m tests.studies.benchmarks` from the top of the checkout; it prints its table and writes it beside this file.
Machines differ and are noisy: ratios are of runs in the same minute, and each time is the least of a few.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from tabulate import tabulate

from motionlimits.answers.causes import hypotheses
from motionlimits.files.machines import read_machine
from motionlimits.files.sweeps import read_sweep
from motionlimits.physics.motion import join, simulate
from motionlimits.physics.pullout import map_lookup
from motionlimits.physics.waveform import waveform_pullout

from ..external.reference_motion import reference_move
from ..external.spice_move import spice_move
from ..inference import infer
from ..lanes import random_moves

HERE = Path(__file__).parent
TOP = HERE.parents[1]
GANTRY = TOP / "examples" / "crossed-belt-gantry"


def least(call: Callable[[], object], times: int = 3) -> float:
    """Least time of a few calls [s]."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        call()
        found.append(time.perf_counter() - start)
    return min(found)


def slope(sizes: Sequence[float], times: Sequence[float]) -> float:
    """Slope of log time over log size: 1 where time grows in proportion."""
    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0])


def maps() -> list[tuple[str, str]]:
    """Similarity map against the waveform integration that defines it."""
    rng = np.random.default_rng(1)
    s, r, f = rng.uniform(0.05, 3.0, 1_000_000), rng.uniform(0.02, 0.5, 1_000_000), rng.uniform(0.3, 3.0, 1_000_000)
    quick = least(lambda: map_lookup(s, r, f))
    slow = least(lambda: waveform_pullout(s[:20], r[:20], f[:20]), 1) / 20
    return [
        ("1,000,000 torques from the map", f"{quick:.2f} s"),
        ("one torque by waveform integration", f"{slow * 1e3:.1f} ms, {slow / (quick / 1e6):,.0f} times the map"),
    ]


def engines(count: int = 8, batch: int = 2000) -> list[tuple[str, str]]:
    """The engine in a batch against LSODA and ngspice, the same moves in one run."""
    moves = random_moves(count, seed=12)
    lanes = join(moves * (batch // count))
    ours = least(lambda: simulate(lanes)) / lanes.size
    rows = [(f"engine, one move in a batch of {lanes.size}", f"{ours * 1e3:.3f} ms")]
    theirs = least(lambda: [reference_move(move) for move in moves], 1) / count
    rows.append(("LSODA (scipy), one move", f"{theirs * 1e3:.0f} ms, {theirs / ours:,.0f} times the engine"))
    program = shutil.which("ngspice")
    if program is not None:
        with tempfile.TemporaryDirectory() as folder:
            spice = least(lambda: [spice_move(move, program, Path(folder)) for move in moves], 1) / count
        rows.append(("ngspice, one move", f"{spice * 1e3:.0f} ms, {spice / ours:,.0f} times the engine"))
    sizes = [125, 250, 500, 1000, 2000, 4000]
    times = [least(lambda n=n: simulate(join(moves * (n // count + 1)).take(slice(0, n)))) for n in sizes]  # type: ignore[misc]
    each = ", ".join(f"{n}: {t:.2f} s" for n, t in zip(sizes, times, strict=True))
    rows.append(
        ("engine over lanes", f"{each}; slope {slope(sizes, times):.2f}, last two {slope(sizes[-2:], times[-2:]):.2f}")
    )
    return rows


def diagnoses() -> list[tuple[str, str]]:
    """Growth of a diagnosis with rows and with hypotheses."""
    machine = read_machine(GANTRY / "machine.toml")
    rows = list(read_sweep(GANTRY / "sweep.csv", machine))
    found = []
    sizes, times = [1, 4, 16], []
    for k in sizes:
        times.append(least(lambda k=k: infer(machine, rows * k), 1))  # type: ignore[misc]
    each = ", ".join(f"{len(rows) * k}: {t:.1f} s" for k, t in zip(sizes, times, strict=True))
    found.append(("diagnosis over rows (same pairs)", f"{each}; slope {slope(sizes, times):.2f}"))
    theories = hypotheses(machine)
    counts, times = [4, 8, len(theories)], []
    for n in counts:
        times.append(least(lambda n=n: infer(machine, rows, theories=theories[:n]), 1))  # type: ignore[misc]
    each = ", ".join(f"{n}: {t:.1f} s" for n, t in zip(counts, times, strict=True))
    found.append(("diagnosis over hypotheses", f"{each}; slope {slope(counts, times):.2f}"))
    return found


def commands() -> list[tuple[str, str]]:
    """Whole processes, as a user starts them."""
    machine, sweep = str(GANTRY / "machine.toml"), str(GANTRY / "sweep.csv")
    lines = {
        "--help": ["--help"],
        "curve": ["curve", machine],
        "predict --quick": ["predict", machine, "--quick"],
        "predict (4 directions, 8 accelerations, 48 samples)": ["predict", machine],
        "compare": ["compare", machine, "--set", "supply.voltage_v=24"],
        "diagnose (12 pairs, all causes)": ["diagnose", machine, sweep],
        "plan": ["plan", machine],
    }
    rows = []
    for name, line in lines.items():
        seconds = least(
            lambda line=line: subprocess.run(  # type: ignore[misc]
                [sys.executable, "-m", "motionlimits", *line], capture_output=True, check=True, cwd=TOP
            )
        )
        rows.append((f"motionlimits {name}", f"{seconds:.2f} s"))
    return rows


def main() -> None:
    """Run all and write the table, as far as it has come, after every part."""
    rows: list[tuple[str, str]] = []
    for part in (maps, commands, engines, diagnoses):
        rows += part()
        (HERE / "benchmarks.txt").write_text(tabulate(rows, ["what", "time"], disable_numparse=True) + "\n")
    print((HERE / "benchmarks.txt").read_text())


if __name__ == "__main__":
    main()
