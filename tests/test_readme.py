"""What the README says works: its commands, its Python."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys

import pytest

from .conftest import ROOT

README = (ROOT / "README.md").read_text()
BLOCKS = re.findall(r"```(\w*)\n(.*?)```", README, re.DOTALL)
COMMANDS = [line for _, block in BLOCKS for line in block.split("\n") if line.startswith("motionlimits ")]


def test_there_are_commands() -> None:
    assert len(COMMANDS) >= 3


@pytest.mark.parametrize("command", COMMANDS)
def test_everyday_question(command: str) -> None:
    words = shlex.split(command)[1:]
    done = subprocess.run(
        [sys.executable, "-m", "motionlimits", *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split("\n")[0].endswith(".")


def test_python_example() -> None:
    (code,) = [block for kind, block in BLOCKS if kind == "python"]
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert "drag x" in done.stdout
