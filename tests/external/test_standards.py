"""Checks against published standards and the standard library's own readers of them; each names its own."""

from __future__ import annotations

import csv
import io
import math
import re
import tomllib

import pytest
from scipy import stats

from motionlimits.answers.plan import plan
from motionlimits.files.machines import read_machine, write_machine
from motionlimits.files.motors import load_motor
from motionlimits.files.sweeps import write_sweep
from motionlimits.physics.power import electrical_power, loaded_voltage
from motionlimits.plant import sample_plant, spread
from motionlimits.show.programs import sweep_program
from motionlimits.sweep import SweepRow

from ..conftest import EXAMPLES
from ..machines import machine
from .validation import Validation

# One word of a block: a letter and a decimal number.
WORD = re.compile(r"([A-Z])(-?\d+(?:\.\d*)?)")


def test_program_is_made_of_standard_words(checked: Validation) -> None:
    """Source: ISO 6983-1: blocks of address letters with numbers, comments in parentheses."""
    gantry = machine()
    planned = plan(gantry, [gantry.direction("x")], [3.0], trials=1)
    words: set[str] = set()
    clean = True
    for line in sweep_program(planned).splitlines():
        block = re.sub(r"\([^()]*\)", "", line).strip()
        found = WORD.findall(block)
        clean &= "".join(letter + number for letter, number in found) == block.replace(" ", "")
        words |= {letter + number if letter == "G" else letter for letter, number in found}
    source = "ISO 6983-1 (words from memory)"
    checked.true("every block is words and comments", clean, source, why="exact")
    checked.true(
        "words used are G1, G4, G21, G90, F, P and axes",
        words <= {"G1", "G4", "G21", "G90", "F", "P", "X", "Y"},
        source,
        why="exact",
    )


def test_machine_files_are_toml(checked: Validation) -> None:
    """Source: TOML 1.0 as read by Python's tomllib."""
    path = EXAMPLES / "crossed-belt-gantry" / "machine.toml"
    written = tomllib.loads(write_machine(read_machine(path)))
    stated = tomllib.loads(path.read_text())
    source = "TOML 1.0, Python's tomllib"
    checked.close(
        "supply voltage written and read [V]",
        written["supply"]["voltage_v"],
        stated["supply"]["voltage_v"],
        source,
        abs=0.0,
        why="exact",
    )
    for axis, table in stated["axes"].items():
        mass = written["axes"][axis]["moving_mass_kg"]
        checked.close(
            f"moving mass of {axis} written and read [kg]",
            mass,
            table["moving_mass_kg"],
            source,
            rel=1e-12,
            why="unit changed and back",
        )


def test_sweeps_are_csv(checked: Validation) -> None:
    """Source: RFC 4180 as read by Python's csv module."""
    rows = [SweepRow("x", 3.0, 0.25, None, 3, 1), SweepRow("45", 6.0, 0.5, 0.2, 2, 0)]
    text = "\n".join(line for line in write_sweep(rows).splitlines() if not line.startswith("#"))
    read = list(csv.DictReader(io.StringIO(text)))
    source = "RFC 4180, Python's csv"
    checked.close(
        "speeds written and read [mm/s]",
        [float(r["speed_mm_s"]) for r in read],
        [250.0, 500.0],
        source,
        rel=1e-12,
        why="exact",
    )


@pytest.mark.parametrize("name", ["torque_constant", "inductance", "winding_resistance", "moving_mass"])
def test_tolerances_are_propagated_as_distributions(checked: Validation, name: str) -> None:
    """Source: JCGM 101:2008, propagation by sampling; the drawn factors against scipy.stats.lognorm."""
    gantry = machine()
    plant = sample_plant(gantry, 4001, seed=5)
    values = getattr(plant, name)[:, 0]
    factor = values[1:] / values[0]
    width = float(spread(gantry)[name][0])
    sigma = math.sqrt(math.log1p(width**2))
    distance = stats.kstest(factor, stats.lognorm(sigma).cdf).statistic
    source = "JCGM 101:2008; scipy.stats.kstest against a log-normal"
    checked.between(
        f"greatest distance of distribution functions, {name}",
        float(distance),
        0.0,
        0.026,
        source,
        why="1 % point for 4000 draws",
    )


def test_steps_of_a_turn(checked: Validation) -> None:
    """Source: definition of the step angle, any text (from memory): full steps of a turn = 360 / step angle = 4 x rotor teeth."""
    for name, angle in (("n17-48-2a0", 1.8), ("n17-48-2a0-fine", 0.9)):
        steps = 4 * load_motor(name)[0].rotor_teeth
        what = f"full steps of a turn at {angle} degrees"
        checked.close(
            what,
            steps,
            360.0 / angle,
            "definition of the step angle, any text (from memory)",
            rel=1e-12,
            why="rounding",
        )


def test_power_balance(checked: Validation) -> None:
    """Source: conservation of energy; the loaded bus against Kirchhoff's voltage law."""
    power = float(electrical_power(0.2, 0.02, 50.0, 1.5, 1.4))
    checked.close(
        "power into a motor [W]", power, 0.22 * 50 + 2 * 1.5**2 * 1.4, "conservation of energy", rel=1e-12, why="exact"
    )
    volts = float(loaded_voltage(24.0, 0.5, 60.0))
    checked.close(
        "bus: open voltage less drop [V]",
        volts,
        24.0 - 0.5 * 60.0 / volts,
        "Kirchhoff's voltage law",
        rel=1e-12,
        why="exact",
    )
