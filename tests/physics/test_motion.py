from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motionlimits.answers.motion import simulate_move
from motionlimits.answers.predict import usual_accelerations
from motionlimits.errors import InputError
from motionlimits.machine import Array, Machine
from motionlimits.physics.lanes import move_lanes, reducible
from motionlimits.physics.limits import load_ratio, pull_in_acceleration
from motionlimits.physics.motion import (
    MARK_RATIO,
    MARKS,
    Lanes,
    _sines,
    join,
    move_time,
    resumed,
    simulate,
    top_speed,
    trace,
)
from motionlimits.physics.pullout import similarity_numbers
from motionlimits.physics.waveform import waveform_at_angle
from motionlimits.plant import sample_plant
from motionlimits.workers import Crew

from ..lanes import lane, random_machine, random_moves, short_moves, with_travel
from ..machines import machine, number
from ..studies.switching import switched


def test_result_does_not_depend_on_the_company() -> None:
    rng = np.random.default_rng(3)
    parts = []
    for _ in range(3):
        described = random_machine(rng)
        plant = sample_plant(described, 3, seed=1)
        one = move_lanes(
            plant,
            described.direction("x").vector,
            np.array([5.0, 9.0, 20.0]),
            np.array([1.0, 0.8, 2.0]),
            np.full(3, np.inf),
            sample=np.arange(3),
            coupled=True,
        )
        parts.append(one.lanes)
    together = simulate(join(parts))
    start = 0
    for part in parts:
        alone = simulate(part)
        for whole, piece in zip(together, alone, strict=True):
            assert np.array_equal(whole[start : start + part.size], piece, equal_nan=True)
        start += part.size
    many = join(parts * 40)
    spread = Crew(2)(many)
    serial = simulate(many)
    for one_field, other in zip(spread, serial, strict=True):
        assert np.array_equal(one_field, other, equal_nan=True)


@pytest.mark.parametrize("direction", ["x", "y", "45", "-z"])
def test_one_motor_says_what_all_motors_say(cutter: Machine, direction: str) -> None:
    """Where every axis has a motor of its own."""
    plant = sample_plant(cutter, 1)
    unit = cutter.direction(direction).vector
    assert reducible(plant.kinematic_map)
    accelerations = np.array([2.0, 5.0, 10.0, 20.0]) * float(pull_in_acceleration(plant, unit)[0]) / 25.0
    args = (accelerations, np.full(4, 0.6), np.full(4, np.inf))
    found = []
    for coupled in (False, True):
        moves = move_lanes(plant, unit, *args, sample=np.zeros(4, int), coupled=coupled)
        fate = simulate(moves.lanes)
        speed = np.full(4, np.inf)
        np.minimum.at(speed, moves.move, np.where(fate.lost, fate.speed, np.inf))
        found.append(speed)
    assert np.array_equal(np.isfinite(found[0]), np.isfinite(found[1]))
    assert found[0][np.isfinite(found[0])] == pytest.approx(found[1][np.isfinite(found[1])], rel=0.02)


def test_crossed_belts_need_all_motors() -> None:
    described = machine()
    plant = sample_plant(described, 1)
    assert not reducible(plant.kinematic_map)
    # The belt of the motor that stands gives.
    ramp = (np.array([20.0]), np.array([1.2]), np.array([np.inf]))
    stiff = replace(plant, belt_stiffness=plant.belt_stiffness * 1e4)
    lost = [
        float(simulate(move_lanes(p, described.direction("45").vector, *ramp, sample=np.zeros(1, int)).lanes).speed[0])
        for p in (plant, stiff)
    ]
    assert lost[0] != pytest.approx(lost[1], rel=0.01)


@given(st.lists(number(-1e5, 1e5), min_size=1, max_size=6))
def test_asked_currents_are_sines_however_far_the_move_has_come(angles: list[float]) -> None:
    at = np.array(angles)
    found = _sines(at[None, None])
    assert found[0, 0, 0] == pytest.approx(-np.cos(at), abs=4e-7)
    assert found[0, 1, 0] == pytest.approx(np.sin(at), abs=4e-7)


@given(number(0.5, 20.0), number(0.05, 0.6), number(0.05, 0.4))
def test_reference_covers_the_travel(acceleration: float, speed: float, travel: float) -> None:
    one = with_travel(lane(acceleration=acceleration, speed=speed), travel)
    top = float(top_speed(one)[0])
    assert top <= speed
    assert top == pytest.approx(min(speed, math.sqrt(acceleration * travel)))
    assert float(move_time(one)[0]) == pytest.approx(travel / top + top / acceleration)


def test_a_gentle_move_ends_where_it_should() -> None:
    fate, series = trace(with_travel(lane(acceleration=3.0, speed=0.2), 0.1))
    assert not fate.lost[0]
    assert series.position[-1, 0] == pytest.approx(0.1, abs=3e-4)
    assert series.speed_reference.max() == pytest.approx(0.2)
    assert abs(series.speed[-1, 0]) < 0.01


def test_an_impossible_move_is_lost_and_counted() -> None:
    fate, series = trace(with_travel(lane(acceleration=100.0, speed=2.0), 0.3))
    assert fate.lost[0]
    assert fate.drive[0] == 0
    assert 0.0 < fate.time[0] < 0.05
    assert fate.cycles[0] == pytest.approx(series.lag[-1, 0] / (2 * math.pi), abs=0.6)
    assert fate.cycles[0] >= 1


def test_gravity_is_borne_at_rest(cutter: Machine) -> None:
    found = simulate_move(cutter, cutter.direction("z"), 0.5, 0.01, travel=0.002)
    assert found.lost_drive is None
    assert found.trace.lag[0, 2] > 0.02
    # No swing at the start: the lag grows little from what holding the weight needs.
    early = found.trace.lag[found.trace.time < 0.002, 2]
    assert np.ptp(early) < 0.15


def _steady_torque(beyond: float, revolutions: float, one: Lanes) -> float:
    """Mean torque over full torque at a steady speed, so many radians beyond where it is greatest."""
    shaft = 2.0 * math.pi * revolutions
    speed = np.array([0.006 * shaft])
    angle = -(0.5 * math.pi + beyond)
    begin = np.array([[angle], [angle / 50.0 * 0.006], [shaft], speed, [0.0], [0.0]])
    one = replace(one, speed=speed, start_speed=speed, hold=np.full(1, 0.1), begin=begin)
    torques: list[float] = []

    def record(time: Array, speed: Array, angle: Array, torque: Array, state: object) -> None:
        if time[0] > 0.03:
            torques.append(float(torque[0, 0]))

    simulate(one, record=record)
    return float(np.mean(torques)) / (0.17 * 2.0)


def _heavy_rotor() -> Lanes:
    """So heavy that its angle stays."""
    return lane(inertia=1e3, radius=0.006, friction=0.0, viscous=0.0, detent=0.0, hysteresis=0.0, eddy=0.0)


@pytest.mark.parametrize("slow_decay", [False, True])
@pytest.mark.parametrize("revolutions", [12.0, 25.0, 40.0])
@pytest.mark.parametrize("beyond", [-0.3, 0.1, 0.6])
def test_steady_torque_is_that_of_the_waveform(beyond: float, revolutions: float, slow_decay: bool) -> None:
    """Whether or not the bus has the voltage for the current asked for."""
    found = _steady_torque(beyond, revolutions, replace(_heavy_rotor(), slow_decay=np.full((1, 1), slow_decay)))
    numbers = similarity_numbers(0.17, 1.65, 3e-3, 50.0, 2.0, 24.0, 2.0 * math.pi * revolutions)
    loop = "slow-decay" if slow_decay else "regulated"
    exact = waveform_at_angle(*numbers, beyond, steps=1000, current_loop=loop).torque
    assert found == pytest.approx(float(exact), abs=0.004 if slow_decay else 0.01)


@settings(max_examples=8)
@given(number(-1.2, 1.2), number(5.0, 25.0))
def test_steps_lose_no_torque_where_the_bus_has_voltage_to_spare(beyond: float, revolutions: float) -> None:
    """Sines of current against sines of flux: the cosine of the angle between them, however long the step."""
    found = _steady_torque(beyond, revolutions, replace(_heavy_rotor(), voltage=np.full((1, 1), 500.0)))
    assert found == pytest.approx(math.cos(beyond), abs=0.001)


def test_unstable_machines_do_not_hang_on_the_step(gantry: Machine) -> None:
    """At one speed, with drivers that only short-circuit a winding."""
    plant = sample_plant(gantry, 61, seed=0)
    plant = replace(plant, slow_decay=np.ones_like(plant.slow_decay))
    which = np.arange(1, 61)
    move = (np.full(60, 6.0), np.full(60, 0.6), np.full(60, np.inf))
    lanes = move_lanes(plant, gantry.direction("y").vector, *move, sample=which, phase=1.0, hold=0.3).lanes
    long, short = simulate(lanes).lost, simulate(lanes, phase_step=0.15, longest_step=20e-6).lost
    assert 4 <= short.sum() <= 12
    assert np.sum(long == short) >= 58


def _random_ramps(count: int, seed: int) -> tuple[Lanes, Lanes]:
    """Ramps of random machines, four accelerations each: in the usual steps all along, and in longer ones while calm."""
    rng = np.random.default_rng(seed)
    ramps = []
    for _ in range(count):
        described = random_machine(rng)
        direction = described.usual_directions()[0]
        acceleration = np.array(usual_accelerations(described, [direction], 4))
        plant = sample_plant(described, 2, seed=seed).take(slice(1, 2))
        top = np.sqrt(acceleration * described.travel_along(direction))
        calm = np.minimum(load_ratio(plant, direction.vector, acceleration, top).calm[0], top)
        move = (acceleration, top, np.full(4, np.inf))
        sample = np.zeros(4, np.intp)
        ramps.append(move_lanes(plant, direction.vector, *move, sample=sample, calm=calm, coupled=True).lanes)
    lanes = join(ramps)
    return replace(lanes, calm=np.zeros(lanes.size)), lanes


def test_limits_are_those_of_short_steps() -> None:
    """Most are within 1 %, and neither slower nor faster on average; longer steps where a move is calm change hardly any."""
    usual, calm = _random_ramps(24, seed=4)
    exact, found, calmly = (
        np.where(fate.lost, fate.speed, np.inf)
        for fate in (simulate(usual, phase_step=0.12, longest_step=15e-6), simulate(usual), simulate(calm))
    )
    lost = np.isfinite(exact) & np.isfinite(found) & np.isfinite(calmly)
    assert lost.sum() > 40
    # Swings that hang on a hair are lost, or not, as they like.
    assert np.sum(np.isfinite(found) != np.isfinite(exact)) <= 5
    assert np.sum(np.isfinite(calmly) != np.isfinite(found)) <= 5
    off = np.log(found[lost] / exact[lost])
    assert np.median(np.abs(off)) < 0.01
    assert np.mean(np.abs(off) > 0.05) < 0.12
    assert abs(np.mean(off[np.abs(off) < 0.1])) < 0.008
    more = np.abs(np.log(calmly[lost] / found[lost]))
    assert np.median(more) < 0.005
    assert np.mean(more > 0.05) < 0.1


def test_stiff_springs_bound_the_step(cutter: Machine) -> None:
    """A screw on a stiff nut swings a thousand times a second, which longer steps would not follow."""
    direction, plant = cutter.direction("z"), sample_plant(cutter, 30, seed=3)
    acceleration = np.repeat([2.0, 8.0], 30)
    top = 1.2 * np.sqrt(acceleration * cutter.travel_along(direction))
    calm = load_ratio(plant, direction.vector, acceleration[::30], top[::30]).calm.T.ravel()
    sample = np.tile(np.arange(30), 2)
    move = (acceleration, top, np.full(60, np.inf))
    lanes = move_lanes(plant, direction.vector, *move, sample=sample, calm=np.minimum(calm, top)).lanes
    lanes = replace(lanes, stiffness=2.0 * lanes.stiffness)
    exact, found = (
        np.where(fate.lost, fate.speed, top)
        for fate in (simulate(lanes, phase_step=0.12, longest_step=15e-6), simulate(lanes))
    )
    # Steps twice as long that nothing bounds leave four of ten further off.
    assert np.mean(np.abs(np.log(found / exact)) > 0.1) <= 0.1


def test_calm_ramps_take_fewer_steps() -> None:
    counts = []
    for calm in (0.0, 0.3):
        calls: list[int] = []
        simulate(lane(speed=0.3, acceleration=1.0, calm=calm), record=lambda *_, calls=calls: calls.append(1))
        counts.append(len(calls))
    assert counts[1] == pytest.approx(0.5 * counts[0], rel=0.1)


def test_start_step_is_survived_up_to_a_point() -> None:
    speeds = np.array([0.02, 0.05, 0.1, 0.2, 0.4, 0.8])
    lost = simulate(join([lane(speed=v, start_speed=v, acceleration=1.0, hold=0.05) for v in speeds])).lost
    assert not lost[0]
    assert lost[-1]
    assert np.all(np.diff(lost.astype(int)) >= 0)


@pytest.mark.parametrize("open_phase", [False, True])
def test_half_an_electrical_turn_later_everything_repeats(open_phase: bool) -> None:
    """With both currents turned round: starting angles over half a turn stand for all."""
    moves = join(random_moves(3, seed=11))
    if open_phase:
        moves = replace(moves, open_phase=np.ones_like(moves.open_phase))
    both = simulate(join([replace(moves, phase=moves.phase + at) for at in (0.3, 0.3 + math.pi)]))
    here, there = np.split(both.lost, 2)
    assert np.array_equal(here, there)
    # Single precision of the angle alone tells them apart.
    assert both.speed[:3][here] == pytest.approx(both.speed[3:][here], rel=0.02)


def test_bad_moves_are_refused() -> None:
    described = machine()
    x = described.direction("x")
    for acceleration, speed, travel in (
        (math.nan, 0.1, None),
        (1.0, math.inf, None),
        (1.0, 0.0, None),
        (1.0, 0.1, -1.0),
    ):
        with pytest.raises(InputError):
            simulate_move(described, x, acceleration, speed, travel=travel)
    with pytest.raises(InputError, match="more than a minute"):
        simulate_move(described, x, 1.0, 1e-4)
    with pytest.raises(ValueError, match="one lane"):
        trace(join([lane(), lane()]))


def test_fates_against_a_switching_bridge() -> None:
    """The truth of the blind studies, own statement of the equations with a relay for a bridge; no outside source."""
    lanes = join(short_moves(8, seed=9))
    around = np.split(simulate(join([replace(lanes, speed=lanes.speed * f) for f in (0.93, 1.0, 1.07)])).lost, 3)
    clear = (around[0] == around[1]) & (around[1] == around[2])
    assert clear.sum() >= 5
    assert np.sum(switched(lanes.take(clear), reverse=True) == around[1][clear]) >= clear.sum() - 1


def _marked(count: int, seed: int) -> Lanes:
    """Ramps of random machines well beyond what they can do."""
    moves = join(random_moves(count, seed=seed))
    return replace(moves, speed=moves.speed * 2.0, travel=np.full(count, np.inf), marked=np.ones(count, bool))


def test_ramps_leave_their_state_at_a_ladder_of_speeds() -> None:
    ramps = _marked(6, seed=21)
    fate = simulate(ramps)
    assert fate.kept.shape == (6, MARKS, 1 + 5 + 2)
    speeds = fate.kept[:, :, 0]
    ladder = ramps.speed[:, None] * MARK_RATIO ** np.arange(1.0 - MARKS, 1.0)
    for lane_speeds, rungs, lost in zip(speeds, ladder, fate.lost, strict=True):
        alive = np.isfinite(lane_speeds)
        # Up to its loss, and without gaps.
        assert np.array_equal(alive, np.arange(MARKS) < alive.sum())
        assert alive.all() != lost
        reached = lane_speeds[alive]
        assert np.all(reached >= 0.999 * rungs[alive])
        # The engine looks every few steps: by then the fastest of the slow marks are passed by a little.
        assert np.all(reached[rungs[alive] > 0.2 * rungs[-1]] <= 1.1 * rungs[alive][rungs[alive] > 0.2 * rungs[-1]])
    assert simulate(replace(ramps, marked=np.zeros(6, bool))).kept.shape[1] == 0


def test_a_resumed_move_is_the_move_from_rest() -> None:
    ramps = _marked(16, seed=22)
    fate = simulate(ramps)
    alive = np.sum(np.isfinite(fate.kept[:, :, 0]), axis=1)
    resumed_ones, from_rest = [], []
    for back in (0, 2, 5, 9):
        mark = np.maximum(alive - 1 - back, 0)
        kept = fate.kept[np.arange(16), mark]
        resumed_ones.append(resumed(ramps, kept, 0.03))
        from_rest.append(replace(ramps, speed=kept[:, 0], hold=np.full(16, 0.03), marked=np.zeros(16, bool)))
    same = np.sum(simulate(join(resumed_ones)).lost == simulate(join(from_rest)).lost)
    # Steps fall differently; a move at its boundary may then go either way.
    assert same >= 63


def test_marks_do_not_change_a_ramp() -> None:
    ramps = _marked(6, seed=23)
    plain = simulate(replace(ramps, marked=np.zeros(6, bool)))
    for one, other in zip(simulate(ramps)[:-1], plain[:-1], strict=True):
        assert np.array_equal(one, other, equal_nan=True)
