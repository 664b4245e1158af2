"""A newcomer's path: new, plan, fill in the sweep from a machine with a hidden fault, diagnose with a report."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from motionlimits.files.machines import read_machine
from motionlimits.physics.lanes import move_lanes
from motionlimits.physics.motion import join, simulate
from motionlimits.plant import nominal_plant

from .conftest import ROOT
from .lanes import with_cruise

pytest.importorskip("matplotlib")


def run(*args: object) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "motionlimits", *map(str, args)], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_newcomer(tmp_path: Path) -> None:
    machine, sweep, page = tmp_path / "my plotter.toml", tmp_path / "sweep.csv", tmp_path / "page.html"
    start = time.monotonic()
    run(
        "new", machine, "--name", "plotter", "--layout", "independent", "--voltage", 24, "--current-rms", 0.9, "--motor",
        "n17-40-1a7", "--teeth", 20, "--pitch", 2, "--axis", "x,0.9,300,5", "--axis", "y,1.6,300,6",
    )  # fmt: skip
    run("plan", machine, "--csv", sweep)
    planned = time.monotonic() - start
    described = read_machine(machine)
    plant = nominal_plant(described)
    faulty = replace(plant, friction=plant.friction + np.array([[15.0, 0.0]]))
    lines = sweep.read_text().split("\n")
    rows = [k for k, line in enumerate(lines) if not line.startswith(("#", "direction")) and line.count(",") >= 5]
    moves = []
    for k in rows:
        cells = lines[k].split(",")
        rate, speed, travel = (np.array([float(cells[i]) / 1e3]) for i in (1, 2, 3))
        unit = described.direction(cells[0]).vector
        whole = move_lanes(faulty, unit, rate, speed, travel, sample=np.zeros(1, np.intp)).lanes
        moves.append(with_cruise(whole, 0.1))
    # Independent axes: one lane for each row, since only one motor turns.
    lost = simulate(join(moves)).lost
    assert lost.size == len(rows)
    for k, bad in zip(rows, lost, strict=True):
        cells = lines[k].split(",")
        cells[5] = cells[4] if bad else "0"
        lines[k] = ",".join(cells)
    sweep.write_text("\n".join(lines))
    start = time.monotonic()
    answer = run("diagnose", machine, sweep, "--report", page)
    seconds = planned + time.monotonic() - start
    # One motor for one axis: drag and a low current of its motor look much alike, and the answer says both.
    assert answer.startswith("Rows along x fall")
    causes = re.findall(r"^(drag|low-current|heavy|speed-drag)\s+x\s", answer, re.MULTILINE)
    assert "drag" in causes[:3]
    assert page.read_text().startswith("<!DOCTYPE html>")
    assert seconds < 30.0
    # Nothing is overwritten by accident.
    again = subprocess.run(
        [sys.executable, "-m", "motionlimits", "plan", str(machine), "--csv", str(sweep)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert again.returncode == 2
    assert "exists" in again.stderr
