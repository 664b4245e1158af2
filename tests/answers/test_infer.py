from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate
from scipy.special import logsumexp

from motionlimits.answers.bench import FEW, MANY, Bench, Outlook, Seen
from motionlimits.answers.causes import CAUSES, hypotheses
from motionlimits.answers.diagnose import Diagnosis, _against, _inference_warnings, _instability, diagnose, quick_rows
from motionlimits.answers.infer import (
    ENOUGH,
    FAIRLY,
    LARGEST_PART,
    LEAST_GROWTH,
    LEAST_PARTS,
    MOST_GROWTH,
    SAMPLES,
    SETTLED,
    SMALLEST_PART,
    STABLE,
    Found,
    _open,
    _parts,
    _scatter,
    _settled,
    rank,
)
from motionlimits.answers.likelihood import GRID, JUMP_SHARES, UNSTABLE, Pair, RowsFit, pairs_of
from motionlimits.answers.looks import Looks, View
from motionlimits.answers.nextcheck import _information, _right, next_checks, reading_check, row_checks, swap_test
from motionlimits.answers.predict import predict
from motionlimits.answers.proposal import effective
from motionlimits.answers.readings import expected
from motionlimits.answers.weigh import AT_ENDS, UNNOTICED, Weight, chances_of, noticed, usual
from motionlimits.errors import InputError
from motionlimits.files.evidence import evidence_fields, read_evidence
from motionlimits.machine import Machine
from motionlimits.physics.limits import pull_in_acceleration
from motionlimits.plant import nominal_plant
from motionlimits.readings import readings_of
from motionlimits.show.json import diagnosis_dict
from motionlimits.show.words import amount, cause_words, diagnosis_words
from motionlimits.sweep import SweepRow

from ..inference import infer, surely, surveyed

NAMES = {"as-predicted", "drag", "speed-drag", "low-voltage", "low-current", "series-resistance", "open-phase", "heavy"}


def test_every_cause_is_a_hypothesis_at_every_place(gantry: Machine, cutter: Machine) -> None:
    assert {c.name for c in CAUSES} == NAMES
    for described in (gantry, cutter):
        theories = hypotheses(described)
        assert math.fsum(h.prior for h in theories) == pytest.approx(1.0)
        assert {h.cause.name for h in theories} == NAMES
        for h in theories:
            assert h.low <= h.size(0.5) <= h.high
            plant = nominal_plant(described)
            h.applied(plant, h.size(0.5))
            assert plant.moving_mass == pytest.approx(nominal_plant(described).moving_mass)  # not changed in place
    assert len(hypotheses(cutter)) >= 16
    where = {(h.cause.name, h.where) for h in hypotheses(gantry)}
    assert {("drag", "x"), ("heavy", "y"), ("low-current", "all"), ("low-current", "b"), ("open-phase", "a")} <= where


def test_who_feels_what(gantry: Machine) -> None:
    by_name = {(h.cause.name, h.where): h for h in hypotheses(gantry)}
    x, y, up = (gantry.direction(d).vector for d in ("x", "y", "45"))
    assert by_name["drag", "x"].touches(gantry, x)
    assert not by_name["drag", "x"].touches(gantry, y)
    assert by_name["series-resistance", "a"].touches(gantry, up)
    assert not by_name["series-resistance", "b"].touches(gantry, up)
    assert by_name["low-voltage", "all"].touches(gantry, y)


def test_row_likelihood_points_at_the_bracket(gantry: Machine) -> None:
    pair = Pair(gantry.direction("x"), 3.0, 1.0, np.array([0.4, 0.5]), np.array([3.0, 3.0]), np.array([0.0, 3.0]))
    usually, doubtful = pair.log_likelihood()
    for curve in (usually, doubtful):
        assert 0.40 < math.exp(GRID[curve.argmax()]) < 0.50
        assert np.all(np.isfinite(curve))
    only_passed = Pair(gantry.direction("x"), 3.0, 1.0, np.array([0.5]), np.array([3.0]), np.array([0.0]))
    for curve in only_passed.log_likelihood():
        assert curve[-1] > curve[0] + 3.0
        assert np.diff(curve).min() > -0.05


def test_a_limit_far_below_is_likelier_where_a_start_is_about_to_fail(gantry: Machine) -> None:
    pair = Pair(gantry.direction("x"), 3.0, 1.0, np.array([0.1, 0.11]), np.array([3.0, 3.0]), np.array([0.0, 3.0]))
    fit = RowsFit(gantry, [pair])

    def told(kept: float) -> np.ndarray:
        """Of machines whose move asks for 0.2, 0.65, 1 of the torque at standstill."""
        limits = surely(np.full((3, 1), kept))._replace(standing=np.log([[0.2], [0.65], [1.0]]))
        return fit.log_likelihood(limits, np.full(3, 1e-12))

    # The odds of a jump are what differs, and where limits are as predicted they hardly do.
    rare, common = JUMP_SHARES
    assert told(-0.3) - told(-0.3)[0] == pytest.approx([0.0, math.log(common / rare), 0.0], abs=0.05)
    assert told(math.log(0.105)) - told(math.log(0.105))[0] == pytest.approx(
        [0.0, math.log((1.0 - common) / (1.0 - rare)), 0.0], abs=0.05
    )


def test_directions_that_fail_at_one_speed_of_the_motors_point_at_instability(gantry: Machine) -> None:
    """Along x and y the motors of crossed belts turn alike: limits at one speed speak for an onset, at two less so."""

    def told(
        speeds: dict[str, float], predicted: Mapping[str, float] = MappingProxyType({})
    ) -> tuple[float, dict[str, tuple[float, float]]]:
        """Log odds for some unstable speed, beyond the prior's; by direction how likely and which."""
        pairs = [
            Pair(gantry.direction(label), a, 1.0, np.array([v / 1.08, v]), np.full(2, 3.0), np.array([0.0, 3.0]))
            for label, v in speeds.items()
            for a in (3.0, 6.0, 12.0)
        ]
        # Predicted at 1 m/s where nothing else is said.
        limits = np.log([[predicted.get(pair.direction.label, 1.0) for pair in pairs]])
        fit, sure, some = RowsFit(gantry, pairs), surely(limits, len(speeds)), np.array([UNSTABLE])
        evidence = fit.log_likelihood(sure, some) - fit.log_likelihood(sure, np.array([1e-30]))
        return float(evidence[0]), fit.instability(sure, some, np.ones(1))

    alone, together, apart = told({"x": 0.45}), told({"x": 0.45, "y": 0.45}), told({"x": 0.45, "y": 0.25})
    assert together[0] > alone[0] + 1.0 > 1.0
    assert together[0] > apart[0] + 1.0
    for chance, speed in together[1].values():
        assert chance > 0.9
        assert speed == pytest.approx(0.44, rel=0.06)
    ((chance, _),) = told({"x": 1.04})[1].values()
    assert chance < UNSTABLE
    # Where x says that the machine has an onset, y whose own limit lies below has not shown one.
    assert told({"x": 0.45, "y": 0.2}, {"y": 0.2})[1].get("y", (0.0, 0.0))[0] < 0.1


def test_brief_moves_say_nothing_of_instability(gantry: Machine) -> None:
    """Machines that are all but sure to be unstable from 0.2 m/s on, tested beyond by moves that keep their speed or do not."""
    speeds = (0.4, 0.5)

    def told(travel: float | None) -> float:
        rows = [SweepRow("x", 3.0, v, travel and v**2 / 3.0 + travel * v, 3, 0) for v in speeds]
        fit = RowsFit(gantry, pairs_of(gantry, rows))
        stable = surely(np.zeros((1, 1)))
        unstable = stable._replace(onsets=np.zeros_like(stable.onsets))
        unstable.onsets[:, :, 2] = 0.999
        chance = np.full(1, 1e-30)
        return float(fit.log_likelihood(unstable, chance)[0] - fit.log_likelihood(stable, chance)[0])

    assert told(None) < -1.0
    assert told(0.06) < -1.0
    assert told(0.03) == pytest.approx(0.0, abs=1e-6)


def test_answer_and_check_say_the_same_of_a_reading(example: Diagnosis) -> None:
    answer = diagnosis_words(example)
    (said,) = re.findall(r"would read about (\S+ N) instead", answer)
    check = next(c for c in example.checks if c.key == "pull_x_n")
    assert check.expectations[0].cause == "drag"
    assert said == amount(check.expectations[0].value, "N")


def test_instability_is_told(example: Diagnosis) -> None:
    inference = example.inference
    assert inference is not None
    assert not _instability(replace(inference.best, unstable={"x": (0.3, 0.41)}))
    (remark,) = _instability(replace(inference.best, unstable={"x": (0.93, 0.412), "y": (0.2, 0.5)}))
    assert "x from about 412 mm/s (93%)" in remark
    assert "y from" not in remark
    # A healthy machine with an unstable speed is not said to do what it can.
    healthy = next(f for f in inference.found if f.hypothesis.cause.name == "as-predicted")
    shaken = replace(healthy, unstable={"x": (0.93, 0.4), "y": (0.9, 0.4)})
    assert "instability along x and y" in cause_words(example, shaken)
    # Nor is one whose limits lie below their bands, even where no single fault is likelier than none.
    calm, others = replace(healthy, unstable={}, probability=0.6), inference.found[1:]
    first = diagnosis_words(replace(example, inference=replace(inference, found=(calm, *others))))
    assert first.startswith("Rows along x, 45 and 135 fall up to")
    assert first.endswith("yet no single fault on the list is likelier than none at all, 60%.")
    within = tuple(replace(row, verdict="within") for row in example.agreement)
    unhurt = replace(example, agreement=within, inference=replace(inference, found=(calm, *others)))
    assert diagnosis_words(unhurt).endswith("the machine does what it can, 60%.")


def test_rivals_are_named_beside_the_likeliest(example: Diagnosis) -> None:
    assert example.inference is not None
    by_name = {(f.hypothesis.cause.name, f.hypothesis.where): f for f in example.inference.found}
    a, b = by_name["open-phase", "a"], by_name["open-phase", "b"]
    healthy = replace(by_name["as-predicted", "all"], unstable={"x": (0.5, 0.4), "y": (0.1, 0.4)})

    def told(*chances: tuple[Found, float]) -> str:
        found = tuple(replace(f, probability=chance) for f, chance in chances)
        assert example.inference is not None
        return diagnosis_words(replace(example, inference=replace(example.inference, found=found)))

    tie = told((a, 0.45), (b, 0.43), (healthy, 0.1))
    assert tie.endswith("do not decide: an open phase in motor a, 45%; an open phase in motor b, 43%.")
    assert "would read" not in tie
    # One that fell short is not said to do what it can; what may be instability is said to be no more than that.
    many = told((healthy, 0.35), (a, 0.12), (b, 0.11))
    assert (
        "decide: no fault on the list, perhaps mid-range instability along x, 35%; an open phase in motor a, 12%; "
        in many
    )
    clear = told((a, 0.7), (b, 0.27), (healthy, 0.03))
    assert "do not decide" not in clear
    assert "would read an open circuit" in clear


def test_json_keys_of_a_diagnosis(example: Diagnosis) -> None:
    held = json.loads(json.dumps(diagnosis_dict(example), allow_nan=False))
    keys = {
        "direction",
        "acceleration_mm_s2",
        "passed_mm_s",
        "skipped_mm_s",
        "predicted_mm_s",
        "low_mm_s",
        "high_mm_s",
        "verdict",
    }
    assert keys <= set(held["agreement"][0])
    assert "below" in {row["verdict"] for row in held["agreement"]}
    assert {"cause", "where", "probability", "size", "because", "check"} <= set(held["causes"][0])
    assert sum(row["probability"] for row in held["causes"]) == pytest.approx(1.0)
    assert held["next"]
    assert {row["direction"] for row in held["instability"]} <= {"x", "y", "45", "135"}
    assert held["instability"]
    assert all(0.0 <= row["probability"] <= 1.0 and row["from_mm_s"] > 0.0 for row in held["instability"])


def test_a_suggested_move_takes_instability_into_account(gantry: Machine, example: Diagnosis) -> None:
    inference = example.inference
    assert inference is not None
    shaken = [replace(f, unstable={"y": (1.0, 0.2)}) for f in inference.found]
    before, after = (row_checks(gantry, replace(inference, found=tuple(found))) for found in (inference.found, shaken))
    was_kept = [
        k for k, c in enumerate(before) if c.direction == "y" and c.speed > 0.3 and c.expectations[0].value < 0.1
    ]
    assert was_kept
    assert all(after[k].expectations[0].value > 0.9 for k in was_kept)


def test_unreached_speeds_count_as_reached(gantry: Machine) -> None:
    (pair,) = pairs_of(gantry, [SweepRow("x", 3.0, 5.0, 0.1, 1, 1)])
    assert pair.speeds[0] == pytest.approx(math.sqrt(3.0 * 0.1))
    assert pair.top == pytest.approx(math.sqrt(3.0 * 0.32))


def test_hidden_drag_of_the_example_is_found(example: Diagnosis) -> None:
    assert example.inference is not None
    best = example.inference.best
    assert (best.hypothesis.cause.name, best.hypothesis.where) == ("drag", "x")
    assert best.probability > 0.8
    assert best.size_low < 20.0 < best.size_high  # 20 N is hidden
    total = math.fsum(f.probability for f in example.inference.found)
    assert total == pytest.approx(1.0)
    probabilities = [f.probability for f in example.inference.found]
    assert probabilities == sorted(probabilities, reverse=True)


def test_same_seed_same_answer_on_any_number_of_processes(short: Machine) -> None:
    rows = quick_rows("x", 6.0, 0.4, 0.5)
    one, two = (infer(short, rows, samples=4, theories=hypotheses(short)[:3], workers=n) for n in (1, 3))
    assert [f.probability for f in one.found] == [f.probability for f in two.found]


def test_usual_sizes_are_those_in_the_middle() -> None:
    """The mean over the prior stays one, so that no cause becomes likelier (scipy's quad); both ends are as rare."""
    assert integrate.quad(lambda q: float(usual(np.array(q))), 0.0, 1.0)[0] == pytest.approx(1.0)
    at = usual(np.linspace(0.0, 1.0, 11))
    assert at == pytest.approx(at[::-1])
    assert at[0] == pytest.approx(AT_ENDS) and np.all(np.diff(at[:6]) > 0.0)


def test_twice_the_machines_move_no_probability(
    gantry: Machine, example: Diagnosis, example_rows: tuple[SweepRow, ...]
) -> None:
    assert example.inference is not None
    assert example.inference.moved < STABLE
    half = infer(gantry, example_rows, samples=SAMPLES // 2)
    one, two = (
        {(f.hypothesis.cause.name, f.hypothesis.where): f.probability for f in found.found}
        for found in (half, example.inference)
    )
    assert max(abs(one[key] - two[key]) for key in one) < STABLE


@given(st.floats(0.01, 0.99), st.floats(0.5, 1.0), st.floats(0.01, 1.0), st.integers(0, 1000))
@settings(max_examples=15)
def test_scatter_of_two_causes(chance: float, unsure: float, width: float, seed: int) -> None:
    """Against two sets of as many machines each, drawn anew from those seen (bootstrap; Efron 1979, from memory)."""
    rng = np.random.default_rng(seed)
    machines, steady = rng.normal(0.0, width, 2000), np.zeros(2000)
    rest = [1.0 - unsure] if unsure < 1.0 else []
    chances = np.array([chance * unsure, *rest, (1.0 - chance) * unsure])
    which = [0, chances.size - 1]

    def scatter(one: np.ndarray, other: np.ndarray, *smoothing: float) -> tuple[float, np.ndarray]:
        first, last = (_view(of, changed) for of, changed in zip((one, other), smoothing or (0.0, 0.0), strict=True))
        return _scatter(chances, which, [first, *[first for _ in rest], last])

    def anew(of: np.ndarray) -> np.ndarray:
        return np.array([np.exp(of[rng.integers(0, of.size, of.size)]).mean() / np.exp(of).mean() for _ in range(400)])

    def moved(one: np.ndarray, other: np.ndarray) -> np.ndarray:
        each = np.array([chances[0] * one, chances[-1] * other])
        return math.sqrt(2.0) * (each / (1.0 - unsure + each.sum(axis=0))).std(axis=1)

    found, (own, other) = scatter(machines - 7.0, steady)
    by_first = moved(anew(machines), np.ones(400))
    # Chances are taken for straight lines over log evidence, and the bootstrap has but 400 sets.
    assert found == pytest.approx(by_first.max(), rel=0.2)
    assert own == pytest.approx(by_first[0], rel=0.2)
    assert other == pytest.approx(0.0, abs=1e-12)
    both, (own, other) = scatter(machines, -machines)
    assert both == pytest.approx(moved(anew(machines), anew(-machines)).max(), rel=0.2)
    assert other == pytest.approx(moved(np.ones(400), anew(-machines))[1], rel=0.2)
    # Where all machines say the same nothing hangs on them, but for what smoothing changed of either.
    assert scatter(steady, steady)[0] == pytest.approx(0.0, abs=1e-12)
    share = chances[which]
    one, other = share[:, None] * (np.eye(2) - share) * np.array([0.1, 0.02])
    assert scatter(steady, steady, 0.1, 0.02)[0] == pytest.approx(max(math.hypot(*one), math.hypot(*other)))


def test_a_closer_look_goes_where_it_may_tell_something() -> None:
    """A chance that is small by few machines may be too low; one that is small by many is not, nor is one that is large."""
    assert _open(np.array([1.0 - 1e-12, 1e-12]), np.array([40.0, 1.0])) == [1]
    assert _open(np.array([1.0 - 1e-12, 1e-12]), np.array([40.0, 3.0])) == []
    assert _open(np.array([1.0 - 1e-4, 1e-4]), np.array([40.0, 40.0])) == []
    assert _open(np.array([1.0, 0.0]), np.array([40.0, 2.0])) == []
    # The likely one is to be known fairly well; two that are likely both, up to some.
    assert _open(np.array([1.0 - 1e-12, 1e-12]), np.array([FAIRLY - 1.0, 3.0])) == [0]
    assert _open(np.array([0.6, 0.4]), np.array([ENOUGH + 1.0, ENOUGH - 1.0])) == [1]


@given(st.floats(0.05, 3.0), st.integers(0, 1000))
def test_machines_are_added_until_chances_settle(width: float, seed: int) -> None:
    """Of the cause whose machines differ, as many as growth is to be at least and at most; none where all say the same."""
    rng = np.random.default_rng(seed)
    views, added = [_view(rng.normal(0.0, width, 4000)), _view(np.zeros(4000))], []

    def look(more: int, causes: list[int]) -> np.ndarray:
        assert causes == [0]
        added.append(more)
        views[0] = _view(np.concatenate([views[0].weight.machines, rng.normal(0.0, width, more)]))
        return _chances(views)

    moved = _settled(views, [0, 1], _chances(views), (4000, 64_000), look)
    counts = 4000 + np.concatenate([[0], np.cumsum(added)])
    growth = counts[1:] / counts[:-1]
    assert np.all(growth < MOST_GROWTH + 1e-3)
    assert np.all(growth[counts[1:] < 64_000] > LEAST_GROWTH - 1e-3)
    assert moved <= SETTLED or counts[-1] == 64_000
    assert counts[-1] <= 64_000
    steady = [_view(np.zeros(4000)), _view(np.zeros(4000))]
    assert _settled(steady, [0, 1], _chances(steady), (4000, 64_000), look) == pytest.approx(0.0, abs=1e-12)


def _view(log_weight: np.ndarray, smoothing: float = 0.0) -> View:
    """Of a cause whose machines weigh so much."""
    score = float(logsumexp(log_weight)) - math.log(log_weight.size)
    nothing = np.zeros((log_weight.size, 1))
    as_they_occur = np.zeros(log_weight.size)
    seen = Seen(nothing, log_weight, as_they_occur, as_they_occur, nothing[:1], log_weight.size)
    outlook = Outlook(log_weight, log_weight, log_weight, surely(nothing), nothing, log_weight.size, ())
    return View(outlook, Weight(score, log_weight, smoothing), (seen,))


def _chances(views: list[View]) -> np.ndarray:
    return chances_of(view.weight.score for view in views)


@given(st.lists(st.lists(st.floats(-30.0, 30.0), min_size=1, max_size=5), min_size=1, max_size=4), st.floats(-5.0, 5.0))
def test_all_machines_seen_of_a_cause_tell_of_it(looks: list[list[float]], prior: float) -> None:
    """By definition: the mean weight of each look, by how many of its machines counted, and the prior."""
    last = _view(np.array(looks[-1]))
    seen = tuple(_view(np.array(each)).seen[0] for each in looks)
    view = View(last.outlook, last.weight._replace(score=last.weight.score + prior), seen)
    weights = [np.exp(each) for each in looks]
    counted = [weight.sum() ** 2 / (weight**2).sum() for weight in weights]
    mean = np.average([weight.mean() for weight in weights], weights=counted)
    assert view.counted == pytest.approx(sum(counted))
    assert view.overall == pytest.approx(prior + math.log(mean))


@given(st.integers(1, 100_000), st.integers(0, 25))
def test_looks_are_dealt_out_in_parts(count: int, causes: int) -> None:
    sizes = _parts(count, causes)
    assert sum(sizes) == count
    assert max(sizes) <= LARGEST_PART
    assert max(sizes) - min(sizes) <= 1
    assert len(sizes) * max(causes, 1) >= LEAST_PARTS or min(sizes) < 2 * SMALLEST_PART


def _closer(looks: Looks, which: int, view: View, count: int) -> View:
    """At so many machines that rows leave possible, in two parts."""
    healthy = looks.first(0)
    parts = looks.parts(which, view, healthy, [count // 2, count // 2])
    return looks.closer(which, view, healthy, [looks.at(part) for part in parts])


def test_more_machines_say_the_same_more_surely(gantry: Machine) -> None:
    rows = [SweepRow("x", 6.0, speed, None, 2, skipped) for speed, skipped in ((0.4, 0), (0.5, 2))]
    theories = [h for h in hypotheses(gantry) if h.where in ("all", "x") and h.cause.name in ("as-predicted", "drag")]
    bench = Bench(gantry, pairs_of(gantry, rows), theories, 3)
    looks = Looks(bench, RowsFit(gantry, pairs_of(gantry, rows)), bench.everybody, {}, ())
    healthy = _closer(looks, 0, looks.first(0), MANY)
    first = looks.first(1, healthy)
    view = _closer(looks, 1, first, MANY)
    wider = _closer(looks, 1, view, SAMPLES)
    assert wider.outlook.drawn == SAMPLES
    assert effective(wider.weight.machines) > effective(view.weight.machines) >= effective(first.weight.machines)
    assert wider.weight.score == pytest.approx(view.weight.score, abs=0.2)


def test_what_is_typical_does_not_hang_on_rows(gantry: Machine) -> None:
    """The machine as described is the same whatever was measured."""
    theories = [h for h in hypotheses(gantry) if h.where in ("all", "x") and h.cause.name in ("as-predicted", "drag")]
    told = []
    for speeds in ((0.1, 0.15), (0.5, 0.6)):
        rows = [SweepRow("x", 20.0, speed, None, 2, skipped) for speed, skipped in zip(speeds, (0, 2), strict=True)]
        bench = Bench(gantry, pairs_of(gantry, rows), theories, 3)
        looks = Looks(bench, RowsFit(gantry, pairs_of(gantry, rows)), bench.everybody, {}, ())
        told.append(_closer(looks, 0, looks.first(0), FEW).outlook.typical)
    assert np.array_equal(*told)


def test_what_simulation_leaves_open_is_told(example: Diagnosis) -> None:
    assert example.inference is not None
    assert not any("machines within tolerance" in warning for warning in example.warnings)
    (warning,) = _inference_warnings(replace(example.inference, moved=0.034))
    assert "to about 4 %" in warning
    assert "--thorough" in warning
    assert "--thorough" not in _inference_warnings(replace(example.inference, moved=0.034), thorough=True)[0]


def test_readings_of_the_next_causes_are_told_where_one_is_sure(gantry: Machine, example: Diagnosis) -> None:
    assert example.inference is not None
    assert example.inference.best.probability > 0.99
    first = next_checks(gantry, example.inference, {})[0]
    assert first.key == "pull_x_n"
    told = {(e.cause, e.where): e.value for e in first.expectations}
    assert len(told) == 3
    assert told["drag", "x"] > 3.0 * min(told.values())


def test_a_reading_moves_the_ranking(short: Machine) -> None:
    rows = quick_rows("x", 12.0, 1.0, 1.1)
    seen = surveyed(short, rows, samples=8)
    before = rank(seen)
    with_scale = rank(seen, {"pull_x_n": 30.0})
    clean = rank(seen, {"pull_x_n": 4.0, "mass_x_kg": 0.45})

    def chance(inference, name: str) -> float:  # type: ignore[no-untyped-def]
        return sum(
            f.probability for f in inference.found if f.hypothesis.cause.name == name and f.hypothesis.where == "x"
        )

    assert chance(with_scale, "drag") > max(0.9, chance(before, "drag"))
    assert chance(clean, "drag") < chance(before, "drag")
    impossible = rank(seen, {"pull_x_n": 4.0, "supply_v": 3.0})
    assert "supply_v" in impossible.conflicts
    said = _against(short, impossible.best, "supply_v", 3.0)
    assert said.startswith(
        "the reading supply_v of 3 V does not go with the likeliest cause, under which it would be about"
    )


def test_readings_by_cause(gantry: Machine) -> None:
    by_name = {(h.cause.name, h.where): h for h in hypotheses(gantry)}
    one = np.array([1.0])
    for key in evidence_fields(gantry):
        mean, deviation = expected(gantry, by_name["as-predicted", "all"], key, one)
        assert np.isfinite(mean).all()
        assert deviation[0] > 0
    unscale = readings_of(gantry)["phase_ohm_a"].kind.unscale
    pull, _ = expected(gantry, by_name["drag", "x"], "pull_x_n", np.array([26.0]))
    assert pull[0] == pytest.approx(30.0)
    assert expected(gantry, by_name["drag", "x"], "pull_y_n", np.array([26.0]))[0][0] == pytest.approx(6.0)
    # What grows with speed shows where one pulls fast, and there alone.
    viscous = gantry.axes[0].viscous
    for cause, size, slow, fast in (
        ("as-predicted", 1.0, 4.0, 4.0),
        ("drag", 26.0, 30.0, 30.0),
        ("speed-drag", 8.0, 4.0, 8.0),
    ):
        theory = by_name[cause, "all" if cause == "as-predicted" else "x"]
        read = [expected(gantry, theory, key, np.array([size]))[0][0] for key in ("pull_x_n", "fast_pull_x_n")]
        assert read == pytest.approx([slow, fast + 0.5 * viscous])
    ohm = unscale(expected(gantry, by_name["series-resistance", "a"], "phase_ohm_a", np.array([3.0]))[0][0])
    assert ohm == pytest.approx(4.65)
    assert unscale(expected(gantry, by_name["open-phase", "a"], "phase_ohm_a", one)[0][0]) > 1e5


def test_every_fault_has_a_reading_that_shows_it(gantry: Machine) -> None:
    healthy, *faults = hypotheses(gantry)
    for fault in faults:
        place = gantry.drive_names[0] if fault.where == "all" else fault.where
        key = fault.cause.reading.format(place)
        assert key in evidence_fields(gantry)
        largest = np.array([fault.low if fault.cause.name.startswith("low-") else fault.high])
        (with_it, error), (without, _) = (expected(gantry, h, key, largest) for h in (fault, healthy))
        assert abs(with_it - without) > 2.0 * error


def test_next_checks_and_swap(short: Machine) -> None:
    inference = infer(short, quick_rows("45", 6.0, 0.3, 0.4), samples=4, workers=1)
    checks = next_checks(short, inference, {})
    assert 1 <= len(checks) <= 3
    assert all(c.information >= 0.0 for c in checks)
    assert not any(c.key == "pull_x_n" for c in next_checks(short, inference, {"pull_x_n": 4.0}))
    check = reading_check(short, inference, readings_of(short)["phase_ohm_a"])
    assert check.information <= math.log2(len(inference.found))
    assert swap_test(short, inference) == "" or "driver" in swap_test(short, inference)


@pytest.mark.parametrize(
    "rows",
    [
        [SweepRow("x", 6.0, 0.4, None, 1, 1)],
        [SweepRow("x", 6.0, 0.4, None, 3, 0)] * 3,
        [SweepRow("x", 6.0, 0.6, None, 1, 0), SweepRow("x", 6.0, 0.4, None, 1, 1)],
        [SweepRow("x", 500.0, 0.4, None, 1, 1), SweepRow("y", 0.05, 3.0, None, 1, 0)],
    ],
)
def test_odd_sweeps_get_a_usable_answer(short: Machine, rows: list[SweepRow]) -> None:
    found = diagnose(short, rows, samples=4)
    assert found.warnings
    assert found.inference is not None
    assert math.fsum(f.probability for f in found.inference.found) == pytest.approx(1.0)
    assert all(np.isfinite(f.probability) for f in found.inference.found)


def test_named_sizes(short: Machine) -> None:
    from motionlimits.answers.diagnose import Agreement, _remarks

    half = [Agreement("x", 3.0, 0.19, 0.21, 0.4, 0.35, 0.45, 0.9, "voltage", "below")] * 2
    inference = infer(short, quick_rows("x", 3.0, 0.2, 0.25), samples=4, workers=1)
    assert any("step scale" in remark for remark in _remarks(short, inference.best, half))


def test_evidence_files(gantry: Machine, tmp_path) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "evidence.toml"
    path.write_text("pull_x_n = 12.5\nphase_ohm_a = 1.7\n")
    readings = read_evidence(gantry, path, ["supply_v=23.5", "pull_x_n=13"])
    assert readings == {"pull_x_n": 13.0, "phase_ohm_a": 1.7, "supply_v": 23.5}
    for bad in (["pull_q_n=3"], ["pull_x_n"], ["pull_x_n=abc"], ["pull_x_n=-1"], ["supply_v=nan"]):
        with pytest.raises(InputError):
            read_evidence(gantry, None, bad)


def test_information_of_a_two_outcome_test() -> None:
    """Closed form: a perfect test of an even question tells 1 bit, a useless one none."""
    even = np.array([0.5, 0.5])
    assert _information(even, np.array([[1.0, 0.0], [0.0, 1.0]])) == pytest.approx(1.0)
    assert _information(even, np.array([[0.3, 0.7], [0.3, 0.7]])) == pytest.approx(0.0, abs=1e-12)
    assert _right(even, np.array([[1.0, 0.0], [0.0, 1.0]])) == pytest.approx(1.0)
    assert _right(even, np.array([[0.3, 0.7], [0.3, 0.7]])) == pytest.approx(0.5)
    # It may tell something and yet name the same cause whatever comes out.
    sure, weak = np.array([0.9, 0.1]), np.array([[0.5, 0.5], [0.2, 0.8]])
    assert _information(sure, weak) > 0.01
    assert _right(sure, weak) == pytest.approx(0.9)


def test_what_takes_nothing_is_no_reason_to_ask() -> None:
    healthy = np.array([0.4, -0.2, -0.2])  # the first limit lies beyond the travel
    nothing, a_little, beyond = [0.4, -0.2, -0.2], [0.4, -0.3, -0.3], [0.01, -0.2, -0.2]
    some, one_halved, two_less = [0.4, -0.5, -0.5], [0.4, -0.2, -1.01], [-0.41, -0.2, -0.61]
    chance = noticed(healthy, np.array([nothing, a_little, beyond, some, one_halved, two_less]), [range(3)])
    assert chance[:3] == pytest.approx(UNNOTICED)
    assert UNNOTICED < chance[3] < 1.0
    assert chance[4:] == pytest.approx(1.0)
    # A direction loses a third at half of its accelerations; or most of its speed at one in ten, where starts are about to fail.
    usually, seldom = np.zeros((2, 40))
    usually[:10], seldom[:2] = -0.4, -0.9
    assert noticed(np.zeros(40), np.array([usually, seldom]), [range(20), range(20, 40)]) == pytest.approx(
        [1.0, UNNOTICED]
    )
    # However many others there are that lose nothing.
    assert noticed(np.zeros(40), np.array([seldom]), [range(2), range(2, 40)]) == pytest.approx(1.0)
    # A sweep of a single direction and acceleration has no second limit.
    assert noticed(np.array([0.0]), np.array([[-0.1], [-1.0]]), [[0]]) == pytest.approx([UNNOTICED, 1.0])


def test_rows_that_no_cause_explains_are_named(short: Machine, example: Diagnosis) -> None:
    assert example.inference is not None
    assert example.inference.unexplained == ()
    limits = {limit.direction: limit for limit in predict(short, accelerations=[6.0], samples=4).limits}
    speed = {label: min(limit.skip or limit.reachable, limit.reachable) for label, limit in limits.items()}

    def swept(label: str, share: float) -> list[SweepRow]:
        ladder = share * speed[label] * np.array([0.75, 0.85, 1.15, 1.3])
        return [SweepRow(label, 6.0, float(v), None, 3, 3 * (v > share * speed[label])) for v in ladder]

    some = hypotheses(short)[:3]  # health, drag on x, drag on y
    # What holds x back holds the diagonals back as well.
    odd = [row for label in limits for row in swept(label, 0.04 if label == "x" else 1.0)]
    found = infer(short, odd, samples=4, theories=some, workers=1)
    assert [found.pairs[k].direction.label for k in found.unexplained] == ["x"]


def test_a_machine_unlike_all_others_is_told(gantry: Machine) -> None:
    rows = [SweepRow("x", 6.0, 0.4, None, 1, 1)]
    theories = hypotheses(gantry)[:1]
    assert Bench(gantry, pairs_of(gantry, rows), theories, 0).unlike() == ()
    # Carriages of a quarter of a tonne.
    heavy = replace(gantry, axes=tuple(replace(axis, moving_mass=600.0 * axis.moving_mass) for axis in gantry.axes))
    assert Bench(heavy, pairs_of(heavy, rows), theories, 0).unlike() == ("x",)


def test_unlike_machines_are_warned_about(example: Diagnosis) -> None:
    assert example.inference is not None
    assert example.inference.unlike == ()
    (warning,) = _inference_warnings(replace(example.inference, unlike=("x", "45")))
    assert warning.startswith("along x, 45 this machine is unlike those")


def test_mirror_images_are_one_direction(gantry: Machine, cutter: Machine) -> None:
    """Where each axis has its own motor both diagonals are; on crossed belts each is one motor's; gravity tells up from down."""

    def rows(*labels: str) -> list[SweepRow]:
        return [SweepRow(label, 3.0, v, None, 2, lost) for label in labels for v, lost in ((0.3, 0), (0.4, 2))]

    flat = replace(cutter, axes=tuple(replace(axis, incline=0.0) for axis in cutter.axes))
    for described, labels, alike in (
        (cutter, ("45", "135", "-x", "x", "z", "-z"), [("45", "135"), ("-x", "x"), ("z",), ("-z",)]),
        (flat, ("z", "-z", "30", "150", "-30", "60"), [("z", "-z"), ("30", "150", "-30"), ("60",)]),
        (gantry, ("45", "135", "x", "180", "225"), [("45", "225"), ("135",), ("x", "180")]),
    ):
        pairs = pairs_of(described, rows(*labels))
        assert [pair.labels for pair in pairs] == alike
        assert [pair.direction.label for pair in pairs] == [group[0] for group in alike]
        assert [pair.trials.sum() for pair in pairs] == [4.0 * len(group) for group in alike]
    tilted = replace(gantry, axes=tuple(replace(axis, incline=0.3) for axis in gantry.axes))
    assert len(pairs_of(tilted, rows("x", "-x", "45", "-135"))) == 4


@given(st.floats(0.0, 360.0), st.sampled_from([1.0, -1.0]), st.sampled_from([1.0, -1.0]))
@settings(max_examples=20, deadline=None)
def test_mirror_images_have_the_same_limits(cutter: Machine, angle: float, over_x: float, over_y: float) -> None:
    vector = np.cos(np.radians(angle)) * over_x, np.sin(np.radians(angle)) * over_y
    image = f"{math.degrees(math.atan2(vector[1], vector[0])):.17g}"
    directions = [cutter.direction(label) for label in (f"{angle:.17g}", image)]
    assert cutter.asks_of_motors(directions[0]) == pytest.approx(cutter.asks_of_motors(directions[1]), abs=1e-8)
    one, other = (pull_in_acceleration(nominal_plant(cutter), d.vector)[0] for d in directions)
    assert one == pytest.approx(other, rel=1e-6)


def test_instability_is_told_of_mirror_images(cutter: Machine) -> None:
    """And the second diagonal leaves chances as as many more trials along the first one do."""
    tried = [SweepRow("45", a, v, None, 2, 2 * (v > 0.45)) for a in (1.5, 3.0) for v in (0.3, 0.4, 0.5)]
    both = tried + [replace(row, direction="135") for row in tried]
    one, two = (infer(cutter, rows, samples=4, workers=1) for rows in (tried + tried, both))
    assert [f.probability for f in two.found] == [f.probability for f in one.found]
    for f in two.found:
        assert f.unstable.get("45") == f.unstable.get("135")
    assert any(f.unstable for f in two.found)
