"""The package finds its motors and table wherever it is installed from."""

from __future__ import annotations

import os
import subprocess
import sys
import venv
from pathlib import Path

import pytest

from .conftest import EXAMPLES, ROOT

CODE = """
from motionlimits.files.motors import motor_names
from motionlimits.physics.pullout import map_lookup
import motionlimits
assert len(motor_names()) >= 18
assert 0.9 < map_lookup(0.1, 0.1, 0.5)[0] < 1.01
print(motionlimits.__file__)
"""


def test_in_a_checkout(tmp_path: Path) -> None:
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    out = subprocess.run(
        [sys.executable, "-c", CODE], cwd=tmp_path, env=env, capture_output=True, text=True, check=True
    )
    assert str(ROOT) in out.stdout


@pytest.mark.parametrize("how", ["wheel", "editable"])
def test_installed(tmp_path: Path, how: str) -> None:
    """Into a new environment that sees this one's numpy through the path, so that only the package is installed."""
    home = tmp_path / "env"
    venv.create(home, with_pip=False)
    python = home / ("Scripts" if os.name == "nt" else "bin") / "python"
    target = ["-e", str(ROOT)] if how == "editable" else [str(ROOT)]
    done = subprocess.run(
        [sys.executable, "-m", "pip", "--python", str(python), "install", "--quiet", "--no-deps", *target],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0 and "hatchling" in done.stderr and "No matching distribution" in done.stderr:
        pytest.skip("the build backend cannot be fetched here")
    assert done.returncode == 0, done.stderr
    site = Path(next(p for p in sys.path if p.endswith("site-packages")))
    (next(home.glob("lib/python*/site-packages")) / "borrowed.pth").write_text(str(site))
    env = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    out = subprocess.run([python, "-c", CODE], cwd=tmp_path, env=env, capture_output=True, text=True, check=False)
    assert out.returncode == 0, out.stderr
    assert (str(ROOT) in out.stdout) == (how == "editable")
    machine = EXAMPLES / "screw-cutter" / "machine.toml"
    shown = subprocess.run(
        [home / "bin" / "motionlimits", "predict", machine, "--quick"],
        cwd=tmp_path,
        env=env,
        capture_output=True,
        text=True,
        check=False,
    )
    assert shown.returncode == 0, shown.stderr
