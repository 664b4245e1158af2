"""The command line as a user meets it: first line, JSON keys, exit codes, messages."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from motionlimits.answers import diagnose, infer
from motionlimits.answers.diagnose import Diagnosis
from motionlimits.cli import app

from .conftest import EXAMPLES, ROOT

GANTRY = EXAMPLES / "crossed-belt-gantry"
CUTTER = EXAMPLES / "screw-cutter"


def run(*args: object, code: int = 0) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-m", "motionlimits", *map(str, args)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
        timeout=120,
    )
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    assert "\x1b" not in done.stdout + done.stderr
    return done


@pytest.mark.parametrize("folder", [GANTRY, CUTTER])
def test_every_answer_in_words_and_json(folder: Path) -> None:
    machine, sweep = folder / "machine.toml", folder / "sweep.csv"
    for args in (
        ("curve", machine),
        ("predict", machine, "--quick"),
        ("compare", machine, "--set", "supply.voltage_v=24", "--quick"),
        ("diagnose", machine, sweep, "--quick"),
    ):
        text = run(*args).stdout
        first = text.split("\n")[0]
        assert first.endswith(".")
        assert "mm/s" in first or args[0] in ("diagnose", "compare")
        content = json.loads(run(*args, "--json").stdout)
        assert content


def test_thorough_draws_more(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def answer(*args: object, samples: int, **options: object) -> Diagnosis:
        asked.append(samples)
        return static(*args, **{**options, "quick": True})  # type: ignore[arg-type]

    static = diagnose.diagnose
    monkeypatch.setattr(diagnose, "diagnose", answer)
    for more in ([], ["--thorough"]):
        done = CliRunner().invoke(app, ["diagnose", str(GANTRY / "machine.toml"), str(GANTRY / "sweep.csv"), *more])
        assert done.exit_code == 0, done.output
    assert asked == [infer.SAMPLES, infer.THOROUGH_SAMPLES]
    assert (
        "--thorough"
        in run("diagnose", GANTRY / "machine.toml", GANTRY / "sweep.csv", "--quick", "--thorough", code=2).stderr
    )


def test_json_keys() -> None:
    machine = GANTRY / "machine.toml"
    curve = json.loads(
        run("curve", machine, "--motor", "a", "--speeds-rev-s", "5,10,20", "--no-losses", "--json").stdout
    )
    assert curve["motor"] == "a"
    assert curve["speeds_rev_s"] == [5, 10, 20]
    assert {"pullout_nm", "steady_bound_low_nm", "steady_bound_high_nm"} <= set(curve)
    assert len(json.loads(run("predict", machine, "--quick", "--json").stdout)["limits"]) == 4 * 8
    predicted = json.loads(run("predict", machine, "--direction", "x", "--json").stdout)
    assert len(predicted["limits"]) == 8
    keys = {
        "direction",
        "acceleration_mm_s2",
        "travel_mm",
        "reachable_mm_s",
        "steady_mm_s",
        "skip_mm_s",
        "low_mm_s",
        "high_mm_s",
        "limited_by",
    }
    assert keys <= set(predicted["limits"][0])
    for limit in predicted["limits"]:
        assert limit["limited_by"] in ("current", "voltage", "shock", "instability", "travel")
        assert (limit["skip_mm_s"] is None) == (limit["limited_by"] == "travel")
    compared = json.loads(run("compare", machine, "--set", "supply.voltage_v=24", "--json", "--quick").stdout)
    assert {"before", "after", "changes", "power", "warnings"} <= set(compared)
    assert {"direction", "acceleration_mm_s2", "before_mm_s", "after_mm_s", "ratio"} <= set(compared["changes"][0])


def test_quick_form_and_exit_codes() -> None:
    args = (
        "diagnose",
        GANTRY / "machine.toml",
        "--direction",
        "x",
        "--acceleration",
        "3000",
        "--passed",
        "150",
        "--skipped",
        "160",
    )
    assert "below" in run(*args, "--quick").stdout
    run(*args, "--quick", "--fail-on-mismatch", code=1)
    run(
        "diagnose",
        GANTRY / "machine.toml",
        "--direction",
        "-x",
        "--acceleration",
        "3000",
        "--passed",
        "150",
        "--quick",
        "--fail-on-mismatch",
    )


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("predict", "none.toml"), "there is no such machine file"),
        (("predict", GANTRY / "machine.toml", "--direction", "up"), "direction 'up' is not known"),
        (("predict", GANTRY / "machine.toml", "--acceleration", "-5"), "acceleration -5"),
        (("predict", GANTRY / "machine.toml", "--acceleration", "nan"), "acceleration nan"),
        (("predict", GANTRY / "machine.toml", "--travel", "0"), "travel 0"),
        (("curve", GANTRY / "machine.toml", "--motor", "c"), "its motors are a, b"),
        (
            ("curve", GANTRY / "machine.toml", "--motor", "b", "--direction", "45", "--acceleration", "3000"),
            "stands still",
        ),
        (("curve", GANTRY / "machine.toml", "--speeds-rev-s", "5;10"), "separated by commas"),
        (("compare", GANTRY / "machine.toml"), "--set"),
        (("compare", GANTRY / "machine.toml", "--set", "supply.volts=3"), "did you mean"),
        (("diagnose", GANTRY / "machine.toml"), "give a sweep file"),
        (
            (
                "diagnose",
                GANTRY / "machine.toml",
                "--direction",
                "x",
                "--acceleration",
                "1",
                "--passed",
                "9",
                "--skipped",
                "8",
            ),
            "below --skipped",
        ),
        (("motors", "show", "n17"), "there is no motor 'n17'"),
        (("motors", "list", "--frame", "99"), "no motor of frame size 99"),
    ],
)
def test_bad_input_gets_one_message(args: tuple[object, ...], words: str) -> None:
    done = run(*args, code=2)
    assert words in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


def test_ratings_are_warned_about() -> None:
    done = run(
        "compare", GANTRY / "machine.toml", "--set", "supply.voltage_v=72", "--set", "driver.current_rms_a=3", "--quick"
    )
    assert "above the driver's rating of 60 V" in done.stderr
    assert "above the motor's rated 1.68 A" in done.stderr
    assert "never plug or unplug a motor under power" in done.stdout


def test_volts_times_amps_is_set_beside_the_power_drawn() -> None:
    """2 A: 48 W becomes 96 W (common practice, no source)."""
    args = (
        "compare",
        EXAMPLES / "crossed-belt-gantry" / "machine.toml",
        "--set",
        "supply.voltage_v=24",
        "--quick",
        "--json",
    )
    settings = ("--set", "driver.current_rms_a=2")
    power = json.loads(run(*args, *settings).stdout)["power"]["after"]
    assert power["volts_times_amps_w"] == pytest.approx(2 * 48.0)  # two motors
    assert power["rest_w"] < 0.5 * power["volts_times_amps_w"]


def test_motors() -> None:
    assert "n17-48-2a0" in run("motors", "list").stdout
    assert len(json.loads(run("motors", "list", "--json").stdout)["motors"]) >= 18
    assert 'source = "typical of the size, from memory"' in run("motors", "show", "n17-48-2a0").stdout


def test_motor_fit_and_its_corners(tmp_path: Path) -> None:
    """A curve made from a motor of the package fits back to about that motor; the file written is one it can show."""
    from motionlimits.answers.curve import curve
    from motionlimits.files.machines import read_machine

    made = curve(read_machine(GANTRY / "machine.toml"), "a", [2.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0])
    points, fitted = tmp_path / "curve.csv", tmp_path / "mine.toml"
    rows = [f"{s},{t:.5f}" for s, t in zip(made.speeds_rev_s, made.pullout, strict=True)]
    points.write_text("\n".join(["speed_rev_s,torque_nm", *rows]) + "\n")
    args = ("motors", "fit", points, "--motor", "n17-40-1a7-fine", "--voltage", 48, "--current-rms", 0.8)
    found = json.loads(run(*args, "--output", fitted, "--name", "mine", "--json").stdout)
    assert found["rms_nm"] < 0.01 * max(made.pullout)
    assert "full torque up to" in run("motors", "show", fitted).stdout
    assert run(*args).stdout.startswith("Fitted 7 points")
    assert "exists" in run(*args, "--output", fitted, code=2).stderr


def test_help() -> None:
    for args in (
        (),
        ("predict",),
        ("curve",),
        ("compare",),
        ("diagnose",),
        ("motors", "list"),
        ("motors", "fit"),
        ("plan",),
        ("shift",),
        ("new",),
        ("motion",),
    ):
        assert "Usage" in run(*args, "--help").stdout
