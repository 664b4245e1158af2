"""Hard use: interrupts, full and read-only disks, many runs at once, odd files; nothing lost, no traceback."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from motionlimits import cli
from motionlimits.errors import InputError
from motionlimits.files.fields import write_text
from motionlimits.files.machines import read_machine
from motionlimits.files.sweeps import read_sweep

from .conftest import EXAMPLES, ROOT
from .test_cli import GANTRY, run

MACHINE, SWEEP = GANTRY / "machine.toml", GANTRY / "sweep.csv"
ROOT_USER = os.geteuid() == 0


def start(*args: object, **options: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "motionlimits", *map(str, args)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        **options,  # type: ignore[call-overload]
    )


def _heed_interrupts() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def test_interrupt_ends_with_130_at_once() -> None:
    # A suite that runs in the background of a shell has interrupts ignored, and its children inherit that.
    one = start("diagnose", MACHINE, SWEEP, start_new_session=True, preexec_fn=_heed_interrupts)
    time.sleep(2.5)  # well into the simulation
    assert one.poll() is None
    began = time.monotonic()
    os.killpg(one.pid, signal.SIGINT)  # as a terminal does: to every process of the group
    _, errors = one.communicate(timeout=20)
    assert one.returncode == 130
    assert time.monotonic() - began < 3.0
    assert "Traceback" not in errors
    assert "interrupted" in errors
    with pytest.raises(ProcessLookupError):
        os.killpg(one.pid, 0)  # no process left behind


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_full_disk_on_standard_output() -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "motionlimits", "curve", str(MACHINE)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            check=False,
        )
    assert done.returncode == 2
    assert "could not be written" in done.stderr
    assert "Traceback" not in done.stderr


def test_reader_of_a_pipe_that_goes_away() -> None:
    one = start("motors", "list")
    assert one.stdout is not None
    one.stdout.close()
    one.wait(timeout=30)
    assert one.stderr is not None
    assert "Traceback" not in one.stderr.read()
    one.stderr.close()


@pytest.mark.skipif(ROOT_USER, reason="root may write everywhere")
def test_read_only_folder(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    done = run("plan", MACHINE, "--csv", tmp_path / "sweep.csv", code=2)
    assert "cannot be written" in done.stderr


def test_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        write_text(tmp_path / "none" / "x.csv", "x")


def test_interrupted_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "page.html"
    path.write_text("old")

    def fails(*args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fails)
    monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(InputError, match="No space left"):
        write_text(path, "new" * 1000)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]


def test_many_runs_in_one_folder(tmp_path: Path) -> None:
    (tmp_path / "machine.toml").write_bytes(MACHINE.read_bytes())
    target = tmp_path / "move.csv"
    runs = [
        start(
            "motion",
            tmp_path / "machine.toml",
            "--direction",
            "x",
            "--acceleration",
            3000,
            "--speed",
            200,
            "--travel",
            30,
            "--csv",
            target,
        )
        for _ in range(4)
    ]
    for one in runs:
        _, errors = one.communicate(timeout=60)
        assert one.returncode == 0, errors
    lines = target.read_text().splitlines()
    assert len(lines) > 20
    assert len({line.count(",") for line in lines if not line.startswith("#")}) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == ["machine.toml", "move.csv"]


def test_paths_with_spaces_and_links(tmp_path: Path) -> None:
    folder = tmp_path / "my machines ü"
    folder.mkdir()
    (folder / "the gantry.toml").symlink_to(MACHINE)
    assert read_machine(folder / "the gantry.toml").name == read_machine(MACHINE).name
    run("curve", folder / "the gantry.toml")


@pytest.mark.parametrize("ending", ["\r\n", "\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_line_endings_and_byte_order_mark(tmp_path: Path, ending: str, mark: bytes) -> None:
    for source in (MACHINE, SWEEP):
        (tmp_path / source.name).write_bytes(mark + source.read_text().replace("\n", ending).encode())
    machine = read_machine(tmp_path / MACHINE.name)
    assert read_sweep(tmp_path / SWEEP.name, machine) == read_sweep(SWEEP, read_machine(MACHINE))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\xff\xfe\x00d\x00i", "UTF-8"),
        (b"direction;acceleration_mm_s2;speed_mm_s;travel_mm;trials;skipped\nx;3000;200;;3;0\n", "comma"),
        (b'direction,acceleration_mm_s2,speed_mm_s,travel_mm,trials,skipped\nx,"3000,5",200,,3,0\n', "decimal point"),
        (
            b"direction,acceleration_mm_s2,speed_mm_s,travel_mm,trials,skipped\n" + b"x,3000,200,,3,0\n" * 200_000,
            "large",
        ),
    ],
)
def test_odd_sweeps_are_explained(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "sweep.csv"
    path.write_bytes(content)
    with pytest.raises(InputError, match=words):
        read_sweep(path, read_machine(MACHINE))


def test_decimal_comma_in_a_machine_file(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    path.write_text(MACHINE.read_text().replace("voltage_v = 48.0", "voltage_v = 48,0"))
    with pytest.raises(InputError, match=r"line \d+") as caught:
        read_machine(path)
    assert "point" in str(caught.value)


def test_missing_motor_is_named(tmp_path: Path) -> None:
    path = tmp_path / "machine.toml"
    path.write_text(MACHINE.read_text().replace('motor = "n17', 'motor = "./gone-n17', 1))
    with pytest.raises(InputError, match="gone-n17"):
        read_machine(path)


def test_fault_of_the_program_is_one_message(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken() -> None:
        raise ZeroDivisionError("invented for this test")

    monkeypatch.delenv("MOTIONLIMITS_TRACEBACK", raising=False)
    with pytest.raises(SystemExit) as caught:
        cli._answers(broken)()
    assert caught.value.code == cli.PROGRAM_FAULT
    assert "fault of the program" in capsys.readouterr().err


def test_examples_are_untouched() -> None:
    """Runs read their inputs, and write nothing beside them."""
    assert sorted(p.name for p in EXAMPLES.iterdir()) == ["crossed-belt-gantry", "screw-cutter"]
