from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motionlimits.errors import InputError
from motionlimits.files.fields import MAX_FILE_BYTES, Field
from motionlimits.files.machines import machine_from_table, open_machine, read_machine, write_machine
from motionlimits.files.toml_writer import toml_table

from ..machines import CROSSED, machine, machine_tables, table


@given(machine_tables())
def test_written_machine_reads_back_equal(raw: dict) -> None:
    first = machine_from_table(raw, "drawn")
    second = machine_from_table(tomllib.loads(write_machine(first)), "written")
    assert second == first


@given(st.floats(1e-6, 1e6), st.sampled_from([1e3, 1e7, 1e-3, 57.29577951308232, math.sqrt(0.5)]))
def test_unit_conversion_round_trip(value: float, per_si: float) -> None:
    field = Field("k", 0, 1e9, per_si=per_si)
    si = field.to_si(value)
    assert field.to_si(field.from_si(si)) == si


def test_peak_and_rms_are_the_same_machine() -> None:
    rms = machine()
    peak = machine(driver__current_rms_a=None, driver__current_peak_a=1.4 * math.sqrt(2.0))
    assert peak.drives[0].driver.current_peak == pytest.approx(rms.drives[0].driver.current_peak, rel=1e-15)


def test_reduction_and_pulley_are_interchangeable() -> None:
    one = machine()
    two = machine(transmission__reduction=2.0, transmission__pulley_teeth=40)
    assert two.drives[0].transmission.radius == pytest.approx(one.drives[0].transmission.radius, rel=1e-15)
    assert two.drives[0].transmission.inertia == one.drives[0].transmission.inertia


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"supply__voltage_v": 2400}, ["[supply] voltage_v", "read 2400", "from 1 to 400 V"]),
        ({"supply__voltage_v": "24"}, ["read '24'", "a number"]),
        ({"supply__voltage_v": "24,5"}, ["decimal point"]),
        ({"supply__voltage_v": True}, ["read True"]),
        ({"supply__voltage_v": math.nan}, ["read nan"]),
        ({"supply__voltage_v": math.inf}, ["read inf"]),
        ({"supply__voltage_v": 10**400}, ["voltage_v"]),
        ({"supply__voltage": 24}, ["voltage", "did you mean 'voltage_v'"]),
        ({"driver__current_peak_a": 2.0}, ["exactly one of current_rms_a and current_peak_a", "both"]),
        ({"driver__current_rms_a": None}, ["exactly one of", "neither"]),
        ({"machine__layout": "corss-belt"}, ["did you mean 'crossed-belt'"]),
        ({"machine__layout": "round"}, ["independent, crossed-belt"]),
        ({"motors__c": {"motor": "n17-48-2a0"}}, ["no axis goes with this motor"]),
        ({"motors__b": None}, ["[motors.b] is missing", "crossed belts need motors a and b"]),
        ({"axes__y": None}, ["[axes.y]"]),
        ({"motors__a__motor": "n17-48-2a"}, ["n17-48-2a0", "motors list"]),
        ({"motors__a__motor": "gone/none.toml"}, ["there is no such motor file"]),
        ({"motors__a": 3}, ["a table [motors.a] is needed"]),
        ({"transmission__lead_mm": 8}, ['belongs to kind = "screw"']),
        ({"transmission__pulley_teeth": 20.5}, ["a whole number"]),
        ({"axes__x__moving_mass_kg": -1}, ["axes.x", "moving_mass_kg"]),
        ({"axes__x__moving_mass_kg": None}, ["moving_mass_kg", "missing"]),
        ({"tolerance": {"inductanse": 0.1}}, ["did you mean 'inductance'"]),
        ({"supply": None}, ["[supply] is missing"]),
    ],
)
def test_bad_values_are_explained(changes: dict, words: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        machine(**changes)
    for word in words:
        assert word in str(caught.value)
    assert "\n" not in str(caught.value)


def test_error_names_file_and_line(tmp_path: Path) -> None:
    path = tmp_path / "my machine.toml"
    path.write_text("\ufeff" + toml_table(CROSSED).replace("travel_mm = 300", "travel_mm = -3"), encoding="utf-8")
    number = 1 + path.read_text(encoding="utf-8").split("\n").index("travel_mm = -3")
    with pytest.raises(InputError, match=rf"my machine\.toml, line {number}: \[axes\.y\] travel_mm: read -3 mm"):
        read_machine(path)


def test_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such machine file"):
        read_machine(tmp_path / "none.toml")
    with pytest.raises(InputError, match="folder"):
        read_machine(tmp_path)
    big = tmp_path / "big.toml"
    big.write_bytes(b"#" * (MAX_FILE_BYTES + 1))
    with pytest.raises(InputError, match="larger than"):
        read_machine(big)
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'name = "\xe9"')
    with pytest.raises(InputError, match="UTF-8"):
        read_machine(latin)
    comma = tmp_path / "comma.toml"
    comma.write_text("[supply]\nvoltage_v = 24,0\n")
    with pytest.raises(InputError, match="decimal point"):
        read_machine(comma)
    nested = tmp_path / "nested.toml"
    nested.write_text("a = " + "[" * 5000 + "]" * 5000)
    with pytest.raises(InputError):
        read_machine(nested)


def test_windows_line_ends_and_bom(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_bytes(b"\xef\xbb\xbf" + toml_table(CROSSED).replace("\n", "\r\n").encode())
    assert read_machine(path) == machine()


def test_assumptions_are_listed() -> None:
    keys = {a.key for a in machine(axes__x__friction_n=None).assumed}
    assert "axes.x.friction_n" in keys
    assert "motors.a.hysteresis_torque_nm" in keys
    assert "axes.y.friction_n" not in keys


def test_settings(tmp_path: Path) -> None:
    path = tmp_path / "m.toml"
    path.write_text(toml_table(table()))
    file = open_machine(path)
    assert file.changed(["supply.voltage_v=48"]).machine().supply.voltage == 48.0
    assert file.changed(["motors.a.motor=n17-60-2a1"]).machine().drives[0].motor.name == "n17-60-2a1"
    peak = file.changed(["driver.current_peak_a = 2.5"]).machine()
    assert peak.drives[1].driver.current_peak == 2.5
    own = file.changed(["motors.b.driver.current_rms_a=0.7"]).machine()
    assert own.drives[1].driver.current_rms == pytest.approx(0.7)
    for bad in ("supply.voltage_v", "=3", "supply.voltage_v=", "a..b=1", "machine.name.x=1", "supply.volts=3"):
        with pytest.raises(InputError):
            file.changed([bad]).machine()


def test_motor_paths_are_relative_to_the_machine_file(tmp_path: Path) -> None:
    from motionlimits.files.motors import load_motor, write_motor

    motor = load_motor("n17-48-2a0")[0]
    folder = tmp_path / "own motors"
    folder.mkdir()
    (folder / "mine.toml").write_text(write_motor(motor).replace("n17-48-2a0", "mine"))
    path = tmp_path / "m.toml"
    path.write_text(toml_table(table(motors__a__motor="own motors/mine.toml")))
    assert read_machine(path).drives[0].motor.name == "mine"


def test_inline_motor() -> None:
    inline = {
        "frame": 17,
        "step_angle_deg": 1.8,
        "rated_current_a": 2.0,
        "resistance_ohm": 1.4,
        "inductance_mh": 3.0,
        "holding_torque_nm": 0.48,
        "rotor_inertia_gcm2": 72,
        "source": "label",
    }
    drive = machine(motors__a__motor=inline).drives[0]
    assert drive.motor.rotor_teeth == pytest.approx(50.0)
    assert drive.motor.torque_constant == pytest.approx(0.48 / math.sqrt(2.0) / 2.0)
    with pytest.raises(InputError, match="source"):
        machine(motors__a__motor={k: v for k, v in inline.items() if k != "source"})
