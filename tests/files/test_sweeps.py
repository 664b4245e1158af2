from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motionlimits.errors import InputError
from motionlimits.files.sweeps import MAX_ROWS, parse_sweep, write_sweep
from motionlimits.sweep import SweepRow

from ..machines import machine, number

HEADER = "direction,acceleration_mm_s2,speed_mm_s,travel_mm,trials,skipped\n"

rows = st.builds(
    lambda d, a, v, t, n, k, note: SweepRow(d, a / 1e3, v / 1e3, t and t / 1e3, n, min(n, k), note=note),
    st.sampled_from(["x", "-y", "45", "135", "-30.5"]),
    number(1, 1e5),
    number(1, 5000),
    st.none() | number(10, 300),
    st.integers(1, 50),
    st.integers(0, 50),
    st.text(st.characters(codec="ascii", categories=["L", "N", "P"]), max_size=12)
    .map(str.strip)
    .filter(lambda s: not s.startswith("#")),
)


@given(st.lists(rows, min_size=1, max_size=8))
def test_round_trip(measured: list[SweepRow]) -> None:
    read = parse_sweep(write_sweep(measured, ["invented"]), machine())
    assert [SweepRow(**{**vars(r), "line": 0}) for r in read] == measured


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("# only a comment\n", "empty"),
        (HEADER, "no measured rows"),
        ("direction;speed\n", "commas, not semicolons"),
        (HEADER.replace("skipped", "skiped"), "did you mean 'skipped'"),
        ("direction,speed_mm_s,trials,skipped\n", "'acceleration_mm_s2' is missing"),
        (HEADER + "x,3000,100,,3,4\n", "line 2, column skipped: read 4; allowed: up to the 3 trials"),
        (HEADER + "q,3000,100,,3,0\n", "line 2, column direction"),
        (HEADER + "x,3000,fast,,3,0\n", "column speed_mm_s: read 'fast'"),
        (HEADER + "x,3000,nan,,3,0\n", "column speed_mm_s"),
        (HEADER + "x,3000,-5,,3,0\n", "column speed_mm_s"),
        (HEADER + "x,3000,100,,0,0\n", "column trials"),
        (HEADER + "x,3000,100,,2.5,0\n", "whole number"),
        (HEADER + "x,3000,100,5,,3,0\n", "decimal comma"),
        (HEADER + "x,3000,100\n", "3 values under 6 column names"),
        (HEADER + '"x,3000\n', "not a valid CSV"),
        (HEADER + "x,3000,1_00,,3,0\n", "column speed_mm_s"),
        (HEADER + "x,3000,100,,3,0\n" * (MAX_ROWS + 1), "more than"),
    ],
)
def test_bad_sweeps_are_explained(text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_sweep(text, machine())
    assert words in str(caught.value)


def test_directions_of_other_machines_are_read() -> None:
    """Whoever asks for a diagnosis is told that they are left out; what names no direction at all is an error."""
    read = parse_sweep(HEADER + "z,3000,100,,3,0\n-c,3000,100,,3,0\n", machine())
    assert [(row.direction, row.line) for row in read] == [("z", 2), ("-c", 3)]
    for odd in ("q", "up", "xy", "--x", "400", "nan", "x45", ""):
        with pytest.raises(InputError, match="column direction"):
            parse_sweep(HEADER + f"{odd},3000,100,,3,0\n", machine())


def test_comments_and_missing_travel_column() -> None:
    text = "# invented\ndirection,acceleration_mm_s2,speed_mm_s,trials,skipped\n\nx,3000,100,3,0\n"
    (row,) = parse_sweep(text, machine())
    assert row.travel is None
    assert row.line == 4
