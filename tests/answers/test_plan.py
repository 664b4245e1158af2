from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from motionlimits.answers.plan import GENTLEST, MOST, PAIRS, plan, planned_accelerations, sizing
from motionlimits.answers.predict import predict
from motionlimits.errors import InputError
from motionlimits.files.sweeps import parse_sweep
from motionlimits.machine import Machine
from motionlimits.physics.limits import pull_in_acceleration
from motionlimits.physics.skip import brief_travel
from motionlimits.plant import nominal_plant
from motionlimits.show.programs import blank_sweep, sweep_program


@pytest.fixture(scope="module")
def planned(cutter: Machine):  # type: ignore[no-untyped-def]
    return plan(cutter, [cutter.direction("x"), cutter.direction("45")], trials=2)


def test_no_planned_speed_is_out_of_reach(planned) -> None:  # type: ignore[no-untyped-def]
    for row in planned.rows:
        assert row.speed <= math.sqrt(row.acceleration * row.travel) + 1e-9
        assert row.reached == row.speed


def test_gentle_first(planned) -> None:  # type: ignore[no-untyped-def]
    rates = [row.acceleration for row in planned.rows]
    assert rates == sorted(rates)
    assert planned.duration > 0
    assert all(bits >= 0 for _, _, bits in planned.information)


def test_every_direction_has_accelerations_of_its_own(cutter: Machine) -> None:
    x, y = cutter.direction("x"), cutter.direction("y")
    of_x, of_y = planned_accelerations(cutter, [x, y])
    assert len(of_x) == len(of_y) == MOST
    for direction, rates in ((x, of_x), (y, of_y)):
        most = float(pull_in_acceleration(nominal_plant(cutter), direction.vector)[0])
        assert rates[-1] == pytest.approx(most, rel=0.05)
        assert rates[0] == pytest.approx(GENTLEST * most, rel=0.05)
        assert list(rates) == sorted(rates)
    assert of_y[-1] > 1.3 * of_x[-1]
    many = planned_accelerations(cutter, list(cutter.usual_directions()))
    assert len(many) * len(many[0]) == PAIRS


def test_moves_are_no_longer_than_their_speed_needs(planned, cutter: Machine) -> None:  # type: ignore[no-untyped-def]
    for row in planned.rows:
        direction = cutter.direction(row.direction)
        shortest = brief_travel(nominal_plant(cutter), direction.vector, row.acceleration, row.speed)
        assert row.travel <= cutter.travel_along(direction)
        assert min(shortest, cutter.travel_along(direction)) <= row.travel <= 1.011 * shortest


def test_directions_take_turns_at_one_acceleration(cutter: Machine) -> None:
    rows = plan(cutter, [cutter.direction("x"), cutter.direction("y")], [2.0, 4.0]).rows
    assert [row.acceleration for row in rows] == sorted(row.acceleration for row in rows)
    assert [row.direction for row in rows[:4]] == ["x", "y", "x", "y"]


def test_blank_sweep_can_be_filled_in(planned, cutter: Machine) -> None:  # type: ignore[no-untyped-def]
    blank = blank_sweep(planned)
    with pytest.raises(InputError, match="empty 'skipped'"):
        parse_sweep(blank, cutter)
    lines = blank.split("\n")
    lines[2] += "1"
    (row,) = parse_sweep("\n".join(lines), cutter)
    assert (row.trials, row.skipped) == (2, 1)


def test_program_stays_inside_the_travel(planned, cutter: Machine) -> None:  # type: ignore[no-untyped-def]
    """Parsed as ISO 6983 words: only G1, G4, F and axes; every target inside; every feed the planned one or slower."""
    text = sweep_program(planned)
    limits = {axis.name.upper(): axis.travel * 1e3 for axis in cutter.axes}
    feeds = set()
    for line in text.strip().split("\n"):
        if line.startswith("("):
            assert line.endswith(")")
            continue
        words = line.split()
        assert words[0] in ("G1", "G4")
        for word in words[1:]:
            letter, value = word[0], float(word[1:])
            if words[0] == "G4":
                assert letter == "P"
                assert value > 0
            elif letter == "F":
                feeds.add(round(value / 60, 1))
            else:
                assert 0.0 <= value <= limits[letter]
    assert max(feeds) <= max(row.speed for row in planned.rows) * 1e3 + 0.1
    assert text.count("G1") == 2 * planned.trials * len(planned.rows)


def test_acceleration_line_is_the_users_own(planned) -> None:  # type: ignore[no-untyped-def]
    text = sweep_program(planned, "SET-ACC {acceleration}")
    assert re.search(r"^SET-ACC \d+", text, re.MULTILINE)
    for bad in ("no place", "two\nlines {acceleration}", "{acceleration}" + "x" * 300):
        with pytest.raises(InputError):
            sweep_program(planned, bad)


def test_sizing(gantry: Machine) -> None:
    x = gantry.direction("x")
    size = sizing(gantry, 0.5, x)
    assert size.least == pytest.approx(0.25 / 0.32, rel=1e-3)
    assert size.most is not None
    assert size.most > size.least
    none = sizing(gantry, 6.0, x)
    assert none.most is None
    assert none.why in ("voltage", "shock", "current", "instability")
    with pytest.raises(InputError):
        sizing(gantry, math.nan, x)


def test_a_machine_that_cannot_move_is_told_so(cutter: Machine) -> None:
    held = replace(cutter, axes=tuple(replace(axis, friction=1e4) for axis in cutter.axes))
    for ask in (lambda: plan(held), lambda: predict(held), lambda: predict(held, quick=True)):
        with pytest.raises(InputError, match="cannot move it along x"):
            ask()
