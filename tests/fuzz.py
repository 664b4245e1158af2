"""Mutated machine and sweep files: every run must end in an answer without nan, or one message."""

from __future__ import annotations

import math
import random
from pathlib import Path
from typing import Any

from motionlimits.answers.compare import compare
from motionlimits.answers.curve import curve
from motionlimits.answers.diagnose import diagnose
from motionlimits.answers.predict import predict
from motionlimits.errors import InputError
from motionlimits.files.machines import open_machine
from motionlimits.files.sweeps import read_sweep
from motionlimits.show import json as show_json
from motionlimits.show import tables, words

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


def run(count: int, seed: int, examples: Path, folder: Path) -> dict[str, int]:
    """Fuzz both examples; how many were answered and how many refused."""
    rng = random.Random(seed)
    pairs = [
        ((path / "machine.toml").read_text(), (path / "sweep.csv").read_text())
        for path in sorted(examples.iterdir())
        if path.is_dir()
    ]
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
