"""Mutated files and odd options: every run must end in an answer without nan, or one message."""

from __future__ import annotations

import json
import math
import random
from pathlib import Path
from typing import Any

import numpy as np
from typer.testing import CliRunner

from motionlimits.answers.compare import compare
from motionlimits.answers.curve import curve
from motionlimits.answers.diagnose import diagnose
from motionlimits.answers.infer import SAMPLES
from motionlimits.answers.predict import predict
from motionlimits.cli import app
from motionlimits.errors import InputError
from motionlimits.files.machines import open_machine
from motionlimits.files.sweeps import read_sweep
from motionlimits.machine import Machine
from motionlimits.show import json as show_json
from motionlimits.show import tables, words
from motionlimits.sweep import SweepRow

from .lanes import random_machine

NUMBERS = [
    "0",
    "-1",
    "1e308",
    "nan",
    "inf",
    "-inf",
    "1e-308",
    "0.5",
    "999999999999999999999",
    "3,5",
    "true",
    '""',
    "[]",
    "{}",
    '"x"',
]
WORDS = [
    "[",
    "]",
    "=",
    '"',
    "#",
    "\\u0000",
    "\x00",
    "é",
    "\ufeff",
    "[[a]]",
    "x.y",
    "'''",
    ",",
    "\r",
    "\t",
    "[axes.x]",
    "[motors.q]",
]


def mutate(text: str, rng: random.Random) -> str:
    """One to four small wounds: characters, numbers, lines."""
    for _ in range(rng.randint(1, 4)):
        kind = rng.randrange(7)
        lines = text.split("\n")
        i = rng.randrange(len(lines))
        if kind == 0:
            lines[i] = ""
        elif kind == 1:
            lines.insert(i, lines[rng.randrange(len(lines))])
        elif kind == 2 and "=" in lines[i]:
            lines[i] = lines[i].partition("=")[0] + "= " + rng.choice(NUMBERS)
        elif kind == 3 and lines[i]:
            k = rng.randrange(len(lines[i]))
            lines[i] = lines[i][:k] + rng.choice(WORDS) + lines[i][k + 1 :]
        elif kind == 4 and "=" in lines[i]:
            key, _, value = lines[i].partition("=")
            try:
                lines[i] = f"{key}= {float(value) * 10 ** rng.uniform(-4, 4):.6g}"
            except ValueError:
                lines[i] = key + "=" + value[::-1]
        elif kind == 5 and "," in lines[i]:
            cells = lines[i].split(",")
            cells[rng.randrange(len(cells))] = rng.choice([*NUMBERS, "45", "z", "-x", "1000000", "0.001"])
            lines[i] = ",".join(cells)
        elif kind == 6:
            lines = lines[:i] if rng.random() < 0.2 else lines
        text = "\n".join(lines)
    return text


def check_finite(content: Any) -> None:
    """No nan or infinity anywhere in an answer."""
    if isinstance(content, dict):
        for value in content.values():
            check_finite(value)
    elif isinstance(content, list | tuple):
        for value in content:
            check_finite(value)
    elif isinstance(content, float):
        assert math.isfinite(content)


def check_text(*parts: str) -> None:
    """No nan or infinity in what is shown."""
    for part in parts:
        assert " nan" not in part
        assert " inf" not in part


def one_case(machine_text: str, sweep_text: str, folder: Path) -> str:
    """Run every answer on one pair of files; 'answered' or the error message."""
    machine_path, sweep_path = folder / "machine.toml", folder / "sweep.csv"
    machine_path.write_text(machine_text, encoding="utf-8", errors="surrogatepass")
    sweep_path.write_text(sweep_text, encoding="utf-8", errors="surrogatepass")
    try:
        file = open_machine(machine_path)
        machine = file.machine()
        found = predict(machine, quick=True)
        check_finite(show_json.prediction_dict(found))
        check_text(words.prediction_words(found), tables.prediction_table(found))
        torque = curve(machine, machine.drives[0].name)
        check_finite(show_json.curve_dict(torque))
        check_text(words.curve_words(torque), tables.curve_table(torque))
        both = compare(machine, file.changed(["supply.voltage_v=48"]).machine(), quick=True)
        check_finite(show_json.comparison_dict(both))
        check_text(words.comparison_words(both), words.power_words(both), tables.comparison_table(both))
        held = diagnose(machine, read_sweep(sweep_path, machine), quick=True)
        check_finite(show_json.diagnosis_dict(held))
        check_text(words.diagnosis_words(held), tables.agreement_table(held), words.assumed_words(machine))
    except InputError as problem:
        message = str(problem)
        assert message
        assert "\n" not in message
        assert len(message) < 1500
        return message
    return "answered"


# Values an option may be given, from sensible to absurd.
VALUES = ["1", "0.5", "3000", "150", "0", "-1", "1e9", "1e-9", "nan", "inf", "x", "", "3,5", "999999999999999999999"]
DIRECTIONS = ["x", "y", "-y", "45", "135.5", "z", "", "-", "1e9", "nan", "xy", "--x"]
SETTINGS = [
    "supply.voltage_v=48",
    "supply.voltage_v=-1",
    "axes.x.moving_mass_kg=3",
    "driver.current_rms_a=nan",
    "driver.current_rms_a",
    "=",
    "motors.a.motor=n23-56-2a8",
    "motors.a.motor=../../x",
    "transmission.kind=screw",
    "axes.q.travel_mm=1",
]
FOUND = ["pull_x_n=12.5", "supply_v=0", "phase_ohm_a=1e9", "mass_y_kg=x", "current_rms_a_a=1", "supply_v", "x=1"]
MOTORS = ["n17-48-2a0", "n17", "", "../n17", "n23-56-2a8", "x" * 300]


def _option(rng: random.Random, name: str, values: list[str], chance: float = 0.7) -> list[str]:
    return [f"{name}={rng.choice(values)}"] if rng.random() < chance else []


def command_line(rng: random.Random, machine: str, sweep: str, simulated: bool) -> list[str]:
    """A command with options, most of them sensible; only those that simulate, or only those that do not."""
    number = lambda name, chance=0.7: _option(rng, name, VALUES, chance)  # noqa: E731
    direction = _option(rng, "--direction", DIRECTIONS)
    if simulated:
        kind = rng.choice(["motion", "predict", "compare"])
        bound = ["--direction=x", "--acceleration=3000"]
        if kind == "motion":
            moves = ["--direction=x", "--acceleration=6000", "--speed=200"]
            return ["motion", machine, *moves, *direction, *number("--travel"), *number("--start-speed")]
        if kind == "predict":
            return ["predict", machine, *bound, *number("--speed"), *number("--travel", 0.3)]
        return ["compare", machine, "--set", rng.choice(SETTINGS), *bound]
    kind = rng.choice(["curve", "predict", "compare", "diagnose", "limit", "shift", "motors", "plan", "new"])
    if kind == "curve":
        line = ["curve", machine, *_option(rng, "--motor", ["a", "b", "q"], 0.3), *number("--speeds-rev-s", 0.4)]
        line += [*direction, *number("--acceleration"), *_option(rng, "--no-losses", [""], 0.0)]
    elif kind == "predict":
        line = ["predict", machine, "--quick", *direction, *number("--acceleration"), *number("--travel", 0.3)]
        line += number("--speed", 0.3)
    elif kind == "compare":
        line = ["compare", machine, "--quick", "--set", rng.choice(SETTINGS), *direction, *number("--speed", 0.3)]
    elif kind == "diagnose":
        line = ["diagnose", machine, sweep, "--quick", *_option(rng, "--found", FOUND, 0.4)]
        line += ["--fail-on-mismatch"] if rng.random() < 0.3 else []
    elif kind == "limit":
        line = ["diagnose", machine, "--quick", *direction, *number("--acceleration", 0.9)]
        line += [*number("--passed"), *number("--skipped")]
    elif kind == "shift":
        line = ["shift", machine, *number("--dx"), *number("--dy"), *number("--error", 0.3)]
    elif kind == "motors":
        line = rng.choice(
            [
                ["motors", "list", *number("--frame"), *number("--current", 0.4)],
                ["motors", "show", rng.choice(MOTORS)],
                [
                    "motors",
                    "fit",
                    sweep,
                    "--motor",
                    rng.choice(MOTORS),
                    *number("--voltage", 1),
                    *number("--current-rms", 1),
                ],
            ]
        )
    elif kind == "plan":  # refused before anything is simulated
        line = ["plan", machine, "--csv", machine, *direction, *number("--trials", 0.3)]
    else:
        line = ["new", machine, "--motor", rng.choice(MOTORS), *number("--voltage"), *number("--current")]
    return line + (["--json"] if rng.random() < 0.4 and kind not in ("new",) else [])


def one_command(line: list[str]) -> str:
    """Run one command in this process; 'answered' or 'refused'."""
    result = CliRunner().invoke(app, line)
    assert result.exception is None or isinstance(result.exception, SystemExit), (line, result.exception)
    assert result.exit_code in (0, 1, 2), (line, result.exit_code, result.output)
    assert "Traceback" not in result.output
    if result.exit_code == 2:
        assert not result.stdout.strip(), line
        return "refused"
    if "--json" in line:
        check_finite(json.loads(result.stdout, parse_constant=_no_constant))
    else:
        check_text(result.stdout)
    return "answered"


def _no_constant(text: str) -> float:
    raise AssertionError(f"{text} in JSON")


def run_commands(count: int, seed: int, examples: Path, folder: Path, simulated_share: float = 0.0) -> dict[str, int]:
    """Fuzz all commands on mutated files; how many runs were answered and how many refused."""
    rng = random.Random(seed)
    pairs = _examples(examples)
    machine, sweep = folder / "machine.toml", folder / "sweep.csv"
    tally = {"answered": 0, "refused": 0, "simulated": 0}
    for _ in range(count):
        machine_text, sweep_text = rng.choice(pairs)
        wounded = rng.random()
        machine.write_text(mutate(machine_text, rng) if wounded < 0.4 else machine_text, errors="surrogatepass")
        sweep.write_text(mutate(sweep_text, rng) if wounded > 0.7 else sweep_text, errors="surrogatepass")
        simulated = rng.random() < simulated_share
        tally[one_command(command_line(rng, str(machine), str(sweep), simulated))] += 1
        tally["simulated"] += simulated
    return tally


def _examples(examples: Path) -> list[tuple[str, str]]:
    return [
        ((path / "machine.toml").read_text(), (path / "sweep.csv").read_text())
        for path in sorted(examples.iterdir())
        if path.is_dir()
    ]


def run(count: int, seed: int, examples: Path, folder: Path) -> dict[str, int]:
    """Fuzz both examples; how many were answered and how many refused."""
    rng = random.Random(seed)
    pairs = _examples(examples)
    tally = {"answered": 0, "refused": 0}
    for _ in range(count):
        machine_text, sweep_text = rng.choice(pairs)
        if rng.random() < 0.6:
            machine_text = mutate(machine_text, rng)
        else:
            sweep_text = mutate(sweep_text, rng)
        outcome = one_case(machine_text, sweep_text, folder)
        tally["answered" if outcome == "answered" else "refused"] += 1
    return tally


def few_rows(machine: Machine, rng: np.random.Generator) -> list[SweepRow]:
    """What an owner may have tried: one to three limits in any directions, kept, lost or both, clear or doubtful."""
    labels = [d.label for d in machine.usual_directions()]
    rows = []
    for _ in range(int(rng.integers(1, 4))):
        label, acceleration = str(rng.choice(labels)), float(np.exp(rng.uniform(np.log(0.5), np.log(20.0))))
        speed = float(rng.uniform(0.03, 1.05)) * math.sqrt(
            acceleration * machine.travel_along(machine.direction(label))
        )
        told = rng.choice(["both", "lost", "kept"])
        if told != "lost":
            rows.append(SweepRow(label, acceleration, speed, None, int(rng.integers(1, 5)), 0))
        if told != "kept":
            trials = int(rng.integers(1, 5))
            faster = speed * float(rng.uniform(1.02, 1.3))
            rows.append(SweepRow(label, acceleration, faster, None, trials, int(rng.integers(1, trials + 1))))
    return rows


def diagnosed(seed: int) -> float:
    """Diagnose a few rows of a random machine, a reading among them now and then; the sum of probabilities."""
    rng = np.random.default_rng([70, seed])
    machine = random_machine(rng)
    rows = few_rows(machine, rng)
    readings = {"supply_v": machine.supply.voltage * float(rng.uniform(0.4, 1.1))} if rng.random() < 0.3 else {}
    found = diagnose(machine, rows, readings, samples=int(rng.choice([10, SAMPLES])), seed=seed)
    assert found.inference is not None
    assert words.diagnosis_words(found).endswith(".")
    return math.fsum(f.probability for f in found.inference.found)
