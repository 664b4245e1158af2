"""Machines that are drawn near the possible ones stand for all; what a fault does not touch is shared."""

from __future__ import annotations

import math
from functools import cache
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.special import logsumexp

from motionlimits.answers.bench import (
    BEYOND,
    MANY,
    Bench,
    Outlook,
    Part,
    Seen,
    pooled,
)
from motionlimits.answers.causes import hypotheses
from motionlimits.answers.infer import LOOKED_AT_AGAIN, _telling
from motionlimits.answers.likelihood import (
    COMMON_SHARE,
    FAILED_SHARES,
    FAILED_SHIFTS,
    FREQUENCIES,
    GRID,
    LUCK_TAKEN_IN,
    MOST_LUCK,
    MOST_OF_IT,
    UNSTABLE,
    UNSTABLE_DIRECTIONS,
    UNSTABLE_SLOW,
    Pair,
    RowsFit,
    luck_of,
    pairs_of,
    unstable_speeds,
)
from motionlimits.answers.proposal import NOTHING, effective, shares, sieved, smoothed, weighted_quantiles
from motionlimits.machine import Machine
from motionlimits.physics.skip import Moves, ramp_search, together
from motionlimits.physics.skipmap import AS_MAPPED, electrics_of, mapped
from motionlimits.plant import nominal_plant, sample_plant
from motionlimits.sweep import SweepRow
from motionlimits.workers import Crew

from ..inference import surely
from ..machines import machine


@cache
def nothing_swept() -> Bench:
    return Bench(machine(), [], hypotheses(machine())[:1], 0)


@settings(max_examples=10)
@given(st.integers(0, 500), st.floats(2.0, 12.0), st.integers(1, 4))
def test_drawn_nearer_they_still_stand_for_all(seed: int, sharpness: float, limits: int) -> None:
    """Importance sampling: weights average to one, weighted coordinates to those of everybody."""
    bench = nothing_swept()
    cloud = bench.everybody
    effect = 0.1 * np.random.default_rng(seed).standard_normal((cloud.normal.shape[1], limits))
    kept = cloud.normal @ effect
    toward = -sharpness * np.sum((kept - 0.3) ** 2, axis=1)  # what rows say: limits near 0.3
    nearer = bench.drawn(bench.place([Seen.of(cloud, surely(kept - 5.0), toward, MANY)]), MANY)
    weight = np.exp(nearer.log_density)
    error = weight.std() / math.sqrt(MANY)
    assert error < 0.11
    # One in twenty is drawn from all machines alike, so that none counts more than twenty.
    assert weight.max() < 20.0 * 1.001
    assert weight.mean() == pytest.approx(1.0, abs=4.0 * error)
    moments = weight[:, None] * nearer.normal
    assert np.all(np.abs(moments.mean(axis=0)) < 5.0 * moments.std(axis=0) / math.sqrt(MANY))
    again = -sharpness * np.sum((nearer.normal @ effect - 0.3) ** 2, axis=1) + nearer.log_density
    # The same mean likelihood, from more machines that count.
    assert np.log(np.mean(np.exp(again))) == pytest.approx(np.log(np.mean(np.exp(toward))), abs=0.3)
    assert effective(again) > 0.8 * effective(toward)


@settings(max_examples=10)
@given(st.integers(0, 500), st.floats(2.0, 10.0), st.sampled_from([(MANY, MANY), (400, MANY), (MANY, 600)]))
def test_machines_drawn_in_some_places_stand_for_all_together(
    seed: int, sharpness: float, counts: tuple[int, int]
) -> None:
    """The mean likelihood is that of a closed form (a normal one over a normal coordinate), in any half of them, too; limits are
    far below the top speed.
    """
    bench = nothing_swept()
    told = np.zeros((bench.everybody.normal.shape[1], 1))
    told[seed % (len(told) - 3)] = 1.0
    cloud, looks = bench.everybody, []
    for count in (*counts, 500, 20):
        limits = surely(cloud.normal @ told - 6.0)
        said = -0.5 * (sharpness * (limits.kept[:, 0] + 5.0)) ** 2
        outlook = Outlook(
            cloud.quantiles, said + cloud.log_density, cloud.unstable, limits, np.zeros((1, 1)), len(said), ()
        )
        looks.append((outlook, Seen.of(cloud, limits, outlook.log_weight, len(said))))
        cloud = bench.drawn(bench.place([seen for _, seen in looks]), count)
    for some in (looks[1:3], looks[1:]):
        together, seen = pooled(some)
        assert together.drawn == seen.drawn == seen.log_weight.size
        assert np.array_equal(seen.log_weight, together.log_weight)
        # Their coordinates, limits and densities go together.
        limits = seen.normal @ told - 6.0
        assert together.limits.kept == pytest.approx(limits)
        assert seen.effect == pytest.approx(told, abs=0.05)
        said = -0.5 * (sharpness * (limits[:, 0] + 5.0)) ** 2
        assert together.log_weight == pytest.approx(said + seen.log_density)

    variance = 1.0 + 1.0 / sharpness**2
    expected = math.exp(-0.5 / variance) / (sharpness * math.sqrt(variance))
    for part in np.array_split(together.log_weight, 2):
        weight = np.exp(part)
        assert weight.mean() == pytest.approx(expected, abs=5.0 * weight.std() / math.sqrt(weight.size))
    # All of them, in another order, each weighing what it did.
    for before, after in (
        ([outlook.quantiles for outlook, _ in looks[1:]], together.quantiles),
        ([each.log_density for _, each in looks[1:]], seen.log_density),
    ):
        assert np.array_equal(np.sort(after), np.sort(np.concatenate(before)))


def test_machines_drawn_by_what_was_seen_are_not_less_likely() -> None:
    """Where the next ones are drawn hangs on those seen: the mean likelihood of all, in the mean over seeds, is that of a closed form.

    Weighed as if drawn from all places together (balance heuristic) it was 0.857 of that, standard deviation 0.004.
    """
    sharpness, along, count = 2.0, 6, 300
    variance = 1.0 + 1.0 / sharpness**2
    expected = (math.exp(-0.5 / variance) / (sharpness * math.sqrt(variance))) ** along
    found = []
    for seed in range(20):
        bench = Bench(machine(), [], hypotheses(machine())[:1], seed)
        cloud, views = bench.everybody.take(slice(count)), []
        for _ in range(5):
            kept = cloud.normal[:, :along] - 8.0
            said = -0.5 * sharpness**2 * np.sum((kept + 7.0) ** 2, axis=1)
            outlook = Outlook(
                cloud.quantiles, said + cloud.log_density, cloud.unstable, surely(kept), np.zeros((1, 1)), count, ()
            )
            seen = Seen.of(cloud, outlook.limits, outlook.log_weight, count)
            if len(views) > 1:
                outlook, seen = pooled([views.pop(), (outlook, seen)])
            views.append((outlook, seen))
            cloud = bench.drawn(bench.place([seen for _, seen in views]), count)
        found.append(np.exp(outlook.log_weight).mean() / expected)
    error = np.std(found, ddof=1) / math.sqrt(len(found))
    assert error < 0.03
    assert np.mean(found) == pytest.approx(1.0, abs=3.0 * error)


@settings(max_examples=10)
@given(st.integers(0, 500), st.floats(4.0, 10.0))
def test_two_kinds_of_possible_machines_are_both_found(seed: int, sharpness: float) -> None:
    """Rows that speak for limits far down or far up: the mean likelihood is that of a closed form."""
    bench = nothing_swept()
    cloud = bench.everybody
    effect = np.zeros((cloud.normal.shape[1], 1))
    effect[int(np.random.default_rng(seed).integers(len(effect) - 1))] = 0.3

    def said(kept: np.ndarray) -> np.ndarray:
        return np.logaddexp(*(-0.5 * (sharpness * (kept - at) / 0.3) ** 2 for at in (-0.6, 0.6)))[:, 0]

    weight, seen = said(cloud.normal @ effect), []
    for _ in range(2):
        seen.append(Seen.of(cloud, surely(cloud.normal @ effect - 5.0), weight, MANY))
        cloud = bench.drawn(bench.place(seen), MANY)
        weight = said(cloud.normal @ effect) + cloud.log_density
    variance = 1.0 + 1.0 / sharpness**2
    expected = 2.0 * math.exp(-0.5 * 4.0 / variance) / (sharpness * math.sqrt(variance))
    error = 1.0 / math.sqrt(effective(weight))  # one standard deviation
    # Of 40 seeds the greatest, at a sharpness of 10, is 0.084; without the wider distribution, 13 and 6 of the others, 0.087.
    assert error < 0.09
    assert np.exp(weight).mean() == pytest.approx(expected, rel=4.0 * error)
    assert shares(weight)[cloud.normal @ effect[:, 0] > 0.0].sum() == pytest.approx(0.5, abs=2.0 * error)


@given(arrays(float, st.integers(1, 200), elements=st.floats(-500.0, 500.0)), st.floats(-1e3, 1e3))
def test_smoothing_changes_only_the_greatest(log_weight: np.ndarray, more: float) -> None:
    """It keeps their order, leaves most of them as they are and none above the greatest; whatever their scale."""
    ours = smoothed(log_weight)
    assert np.all(np.isfinite(ours))
    assert ours.max() <= log_weight.max() + 1e-9
    order = np.argsort(log_weight, kind="stable")
    assert np.all(np.diff(ours[order]) >= -1e-9)
    assert np.count_nonzero(ours != log_weight) <= 0.2 * log_weight.size
    assert np.sort(smoothed(log_weight + more)) - more == pytest.approx(np.sort(ours), abs=1e-6)
    assert smoothed(np.full(log_weight.size, more)) == pytest.approx(np.full(log_weight.size, more))


@given(arrays(float, st.integers(1, 50), elements=st.floats(-500.0, 500.0)), st.floats(-1e3, 1e3))
def test_shares_and_how_many_count(log_weight: np.ndarray, more: float) -> None:
    share = shares(log_weight)
    assert share.sum() == pytest.approx(1.0)
    assert shares(log_weight + more) == pytest.approx(share, abs=1e-9)
    assert 1.0 - 1e-9 <= effective(log_weight) <= log_weight.size + 1e-6
    assert effective(np.zeros(7)) == pytest.approx(7.0)


@given(arrays(float, st.integers(1, 80), elements=st.floats(-30.0, 0.0)), st.floats(0.0, 1.0))
def test_points_that_weigh_next_to_nothing_are_given_up_at_their_chance(log_weight: np.ndarray, share: float) -> None:
    """With all lots drawn evenly, each is gone on with as often as it has a chance to, so that no mean is off."""
    least, times = round(share * log_weight.size), 200
    often, chance = np.zeros(log_weight.size), np.ones(log_weight.size)
    for lot in (np.arange(times) + 0.5) / times:
        rows, log_chance = sieved(log_weight, np.full(log_weight.size, lot), least)
        assert rows.size >= max(least, 1)
        assert np.array_equal(rows, np.unique(rows))
        assert log_chance.max() <= 0.0
        often[rows] += 1.0 / times
        chance[rows] = np.exp(log_chance)
    assert often[often > 0.0] == pytest.approx(chance[often > 0.0], abs=1.0 / times)
    # Those that never were have none to speak of; those that may be left out weigh next to nothing together.
    weight = np.exp(log_weight)
    assert weight[(often < 1.0) & (weight < weight.max())].sum() <= NOTHING * weight.sum() * (1.0 + 1e-9)
    assert np.all(log_weight[often == 0.0] < log_weight.max() + 2.0 * math.log(1.0 / times) + 0.1)


def dragged(gantry: Machine) -> tuple[Bench, RowsFit, list[Part]]:
    """Some rows, and parts of a drawing of machines with drag that they leave possible."""
    rows = [
        SweepRow(label, a, round(0.9 * v, 3), None, 3, skipped)
        for label, limit in (("x", 0.35), ("y", 0.6), ("45", 0.4))
        for a in (3.0, 6.0, 9.0)
        for v, skipped in ((limit, 0), (1.1 * limit, 3))
    ]
    theories = [h for h in hypotheses(gantry) if h.where in ("all", "x") and h.cause.name in ("as-predicted", "drag")]
    pairs = pairs_of(gantry, rows)
    bench, fit = Bench(gantry, pairs, theories, 3), RowsFit(gantry, pairs)
    before, seen = bench.first(1, fit, bench.everybody)
    place = bench.place([seen])
    return bench, fit, [Part(1, place, turn, 1000, before, np.zeros_like) for turn in range(6)]


def test_readings_count_before_machines_are_given_up(gantry: Machine) -> None:
    """Of the machines that a reading asks for more are gone on with than without it."""
    bench, fit, parts = dragged(gantry)
    (outlook, _), (asked, _) = (
        bench.further(parts[0]._replace(said=said), fit)
        for said in (np.zeros_like, lambda quantiles: -0.5 * ((quantiles - 0.8) / 0.02) ** 2)
    )
    near = [np.abs(each.quantiles - 0.8) < 0.04 for each in (outlook, asked)]
    assert near[1].sum() >= near[0].sum()
    assert near[1].mean() > 1.5 * near[0].mean()


@settings(max_examples=10)
@given(st.integers(0, 500), st.floats(4.0, 10.0), st.floats(5.0, 20.0))
def test_machines_gone_on_with_by_lot_do_not_tell_where_to_draw(seed: int, sharpness: float, unlikely: float) -> None:
    """Where few machines are possible, one that stands for many that are not hardly changes where others are drawn."""
    bench = nothing_swept()
    cloud = bench.everybody
    told = np.linalg.qr(np.random.default_rng(seed).standard_normal((cloud.normal.shape[1], 3)))[0]
    kept = cloud.normal @ told - 6.0
    said = -0.5 * np.sum((sharpness * (kept + 5.0)) ** 2, axis=1)
    log_chance = np.zeros(MANY)
    log_chance[np.argsort(said)[MANY // 2]] = -unlikely
    left = cloud.sieved(np.arange(MANY), log_chance)
    with_it, without = (
        bench.place([Seen.of(some, surely(kept), said + some.log_density, MANY)]).proposal for some in (left, cloud)
    )
    assert with_it.middle == pytest.approx(without.middle, abs=0.05)
    assert with_it.spread == pytest.approx(without.spread, abs=0.05)


def test_machines_given_up_do_not_change_the_mean(gantry: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same machines with all of them gone on with: those that count weigh the same, and so do all together."""
    bench, fit, parts = dragged(gantry)
    assert sorted(parts[0].before.order) == [0, 1, 2]
    some = [bench.further(part, fit) for part in parts]
    monkeypatch.setattr("motionlimits.answers.bench.GONE_ON_WITH", 1.0)
    everyone = [bench.further(part, fit) for part in parts]
    for (outlook, few), (whole, many) in zip(some, everyone, strict=True):
        assert few.log_weight.size < 0.9 * many.log_weight.size
        assert outlook.drawn == many.log_weight.size == whole.drawn == 1000
        which = [int(np.flatnonzero((many.normal == one).all(axis=1))[0]) for one in few.normal]
        surely_kept = few.log_density == many.log_density[which]
        # How likely the rows are of a machine hangs on no other one, but for the single precision of the map.
        assert few.log_weight[surely_kept] == pytest.approx(many.log_weight[which][surely_kept], abs=2e-3)
        assert effective(few.log_weight) > 0.9 * effective(many.log_weight)
        assert few.overall == pytest.approx(many.overall, abs=0.05)
    # Of different parts other machines are drawn.
    drawn = np.concatenate([many.normal for _, many in everyone])
    assert len(np.unique(drawn, axis=0)) == len(drawn)


def test_directions_that_a_fault_does_not_touch_are_shared(gantry: Machine) -> None:
    rows = [SweepRow(label, 6.0, 0.5, None, 1, 0) for label in ("x", "y")]
    theories = [h for h in hypotheses(gantry) if h.where in ("all", "y") and h.cause.name in ("as-predicted", "drag")]
    bench = Bench(gantry, pairs_of(gantry, rows), theories, 3)
    healthy, faulty = (bench.limits(which, bench.everybody) for which in (0, 1))
    assert set(bench.everybody.healthy) == {0, 1}
    assert np.array_equal(healthy.kept[:, 0], faulty.kept[:, 0])
    assert faulty.mean()[:, 1].mean() < healthy.mean()[:, 1].mean()
    # So is how likely its rows are; sharing changes nothing.
    fit = RowsFit(gantry, pairs_of(gantry, rows))
    for order in ((0, 1), (1, 0)):
        few = bench.everybody.take(slice(50))
        seen = {which: bench.first(which, fit, few)[0].log_weight for which in order}
        assert set(few.fitted) == {0, 1}
        for which, weight in seen.items():
            alone = bench.first(which, fit, bench.everybody.take(slice(50)))[0].log_weight
            assert np.array_equal(weight, alone)
            limits = bench.limits(which, bench.everybody.take(slice(50)))
            assert weight == pytest.approx(fit.log_likelihood(limits, few.unstable) + few.log_density)


def test_limits_are_those_of_the_map(gantry: Machine) -> None:
    """Each pair and machine on its own, in its own units, and the offset common to all."""
    rows = [SweepRow(label, a, 0.5, None, 1, 0) for label in ("45", "x") for a in (3.0, 9.0)]
    bench = Bench(gantry, pairs_of(gantry, rows), hypotheses(gantry), 3)
    which = next(k for k, theory in enumerate(bench.theories) if theory.cause.name == "low-voltage")
    cloud = bench.everybody.take(slice(40))
    limits, plant = bench.limits(which, cloud), bench.faulty(which, cloud)
    for k, pair in enumerate(pairs_of(gantry, rows)):
        told = mapped(
            plant, electrics_of(plant, bench.fastest), pair.direction.vector, np.array([pair.acceleration]), np.ones(1)
        )
        kept = np.minimum(told.kept[:, 0] - math.log(pair.top), math.log(BEYOND)) + cloud.offsets
        # Which motor leads is told by all accelerations together.
        assert np.median(np.abs(limits.kept[:, k] - kept)) < 1e-3
        assert np.median(np.abs(limits.chance[:, k] - told.chance[:, 0])) < 1e-3


@given(st.floats(0.0025, 0.6))
def test_luck_beyond_what_is_taken_in_elsewhere(scale: float) -> None:
    """The rest of what is taken in, as squares; what the map has most of is most."""
    luck = float(luck_of(np.array(scale)))
    taken_in = LUCK_TAKEN_IN / MOST_OF_IT
    assert math.hypot(luck, taken_in) == pytest.approx(max(scale, taken_in))
    assert luck <= MOST_LUCK


def test_torque_curves_are_shared_where_a_fault_is_mechanical(gantry: Machine) -> None:
    rows = [SweepRow(label, 6.0, 0.5, None, 1, 0) for label in ("x", "45")]
    theories = hypotheses(gantry)
    bench = Bench(gantry, pairs_of(gantry, rows), theories, 3)
    cloud = bench.everybody.take(slice(5))
    for which in range(len(theories)):
        bench.limits(which, cloud)
    mechanical = ("as-predicted", "drag", "speed-drag", "heavy", "open-phase")
    electrical = {k for k, theory in enumerate(theories) if theory.cause.name not in mechanical}
    assert set(cloud.electrics) == {0} | electrical


def test_unstable_speeds_are_integrated_out() -> None:
    """Against the sum over all of them, term by term in logarithms, with scipy's logsumexp."""
    rng = np.random.default_rng(8)
    pairs = [
        Pair(machine().direction(label), 4.0, 1.0, np.array([0.4, 0.5]), np.full(2, 3.0), np.array([0.0, 3.0]))
        for label in ("x", "45")
    ]
    onsets = rng.dirichlet(np.full(FREQUENCIES.size + 1, 0.3), (7, 2))[..., :-1]
    fit, limits = RowsFit(machine(), pairs), surely(rng.normal(-0.5, 0.5, (7, 2)), 2)._replace(onsets=onsets)
    unstable = rng.choice([UNSTABLE, UNSTABLE_SLOW], 7)
    told = fit.log_likelihood(limits, unstable)
    along = fit._each_direction(limits)
    for m in range(7):
        stable = [math.log(each.stable[m]) + each.most[m] for each in along]
        onset = [np.log(each.onset[m]) + each.most[m] for each in along]
        terms = [math.log(COMMON_SHARE) + math.log1p(-unstable[m]) + sum(stable)]
        for f, prior in enumerate(fit.onset):
            term = math.log(COMMON_SHARE) + math.log(unstable[m]) + math.log(prior)
            for calm, each in zip(stable, onset, strict=True):
                near = logsumexp(each, b=fit.apart[f])
                term += np.logaddexp(math.log1p(-UNSTABLE_DIRECTIONS) + calm, math.log(UNSTABLE_DIRECTIONS) + near)
            terms.append(term)
        # Of the map: none, or one in either direction or in both.
        each_way = [
            [math.log1p(-here.sum()) + calm, *(np.log(p) + logsumexp(each, b=fit.near[f]) for f, p in enumerate(here))]
            for here, calm, each in zip(onsets[m], stable, onset, strict=True)
        ]
        terms += [math.log1p(-COMMON_SHARE) + sum(way) for way in product(*each_way)]
        assert told[m] == pytest.approx(logsumexp(terms), abs=1e-9)
    # Limits that no row goes with leave logarithms finite.
    far = limits.moved(rng.choice([-4.0, 4.0], 7))
    assert np.isfinite(fit.log_likelihood(far, unstable)).all()


@given(
    arrays(float, (5, 4), elements=st.floats(-2.0, 0.2)),
    arrays(float, (5, 4), elements=st.floats(0.0, 2.0)),
    arrays(float, (5, 4), elements=st.sampled_from([0.0, 0.3, 0.95, 1.0])),
)
def test_failed_starts_of_a_direction_are_shifted_alike(
    kept: np.ndarray, below: np.ndarray, chance: np.ndarray
) -> None:
    """Against the sum over shifts, direction by direction."""
    pairs = [
        Pair(machine().direction(label), 4.0, 1.0, np.array([0.2, 0.3]), np.full(2, 3.0), np.array([0.0, 3.0]))
        for label in ("x", "x", "x", "y")
    ]
    fit = RowsFit(machine(), pairs)
    limits = surely(kept, 2)._replace(failed=kept - below, chance=chance)

    def said(k: int, at: np.ndarray) -> np.ndarray:
        return np.exp(np.interp(at, GRID, fit.curves[k, 0]))

    expected = np.zeros(len(kept))
    for here in ((0, 1, 2), (3,)):
        by_shift = [
            share
            * np.prod(
                [
                    (1.0 - chance[:, k]) * said(k, kept[:, k])
                    + chance[:, k] * said(k, kept[:, k] - below[:, k] + shift)
                    for k in here
                ],
                axis=0,
            )
            for shift, share in zip(FAILED_SHIFTS, FAILED_SHARES, strict=True)
        ]
        expected += np.log(np.sum(by_shift, axis=0))
    assert fit.log_likelihood(limits, np.full(len(kept), 1e-30)) == pytest.approx(expected, abs=1e-6)


def test_failed_starts_do_not_change_what_oscillation_says_of_others() -> None:
    """Of two pairs of a direction one fails at any speed, the other loses steps to oscillation."""
    pairs = [
        Pair(machine().direction("x"), 4.0, 1.0, np.array([0.2, 0.3]), np.full(2, 3.0), np.array([0.0, 3.0]))
        for _ in range(2)
    ]
    fit = RowsFit(machine(), pairs)
    limits = surely(np.array([[0.0, 0.4]]))._replace(failed=np.array([[-5.0, 0.0]]), chance=np.array([[1.0, 0.0]]))
    (along,) = fit._each_direction(limits)
    fails = FAILED_SHARES @ np.exp(np.interp(-5.0 + FAILED_SHIFTS, GRID, fit.curves[0, 0]))
    onset = np.exp(np.interp(fit.windows[0], GRID, fit.curves[1, 0]))
    assert along.matters.all()
    assert along.onset[0] * np.exp(along.most) == pytest.approx(fails * onset)


def test_who_loses_steps_to_oscillation_is_as_likely_as_it_makes_the_rows() -> None:
    """By Bayes' rule: without the machines' unstable speeds in a direction so much of the likelihood is gone."""
    rng = np.random.default_rng(9)
    pairs = [
        Pair(machine().direction(label), 4.0, 1.0, np.array([0.4, 0.5]), np.full(2, 3.0), np.array([0.0, 3.0]))
        for label in ("x", "45")
    ]
    fit, kept = RowsFit(machine(), pairs), surely(np.full((3, 2), 0.2), 2)
    # All of these lie below the limits, and are seen.
    onsets = np.zeros((3, 2, FREQUENCIES.size))
    onsets[..., :2] = rng.dirichlet(np.ones(3), (3, 2))[..., :-1]
    limits, never = kept._replace(onsets=onsets), np.full(3, 1e-300)
    weight = np.array([0.2, 0.3, 0.5])
    lost = fit.instability(limits, never, weight)
    for d, label in enumerate(("x", "45")):
        calm = limits._replace(onsets=np.where(np.arange(2)[:, None] == d, 0.0, onsets))
        share = 1.0 - onsets[:, d].sum(axis=1)
        likely, without = (fit.log_likelihood(each, never) for each in (limits, calm))
        # What is left where nothing is lost to this direction.
        both = np.exp(without - likely)
        common = COMMON_SHARE * np.exp(fit.log_likelihood(kept, never) - likely)
        stays = (both - common) * share + common
        assert lost[label][0] == pytest.approx(float(weight @ (1.0 - stays)), abs=1e-6)


def test_map_tells_where_machines_are_unstable(gantry: Machine) -> None:
    rows = [SweepRow(label, 6.0, 0.5, None, 1, 0) for label in ("x", "45")]
    bench = Bench(gantry, pairs_of(gantry, rows), hypotheses(gantry), 3)
    cloud = bench.everybody.take(slice(40))
    onsets, plant = bench.limits(0, cloud).onsets, bench.faulty(0, cloud)
    assert onsets.shape == (40, 2, FREQUENCIES.size)
    assert np.all(onsets >= 0.0)
    for d, label in enumerate(("x", "45")):
        speeds = unstable_speeds(gantry, gantry.direction(label))
        # Below the sixth and the seventh speed, and below the one in the middle between both.
        middle = np.sqrt(speeds[5] * speeds[6])
        told = mapped(
            plant,
            electrics_of(plant, bench.fastest),
            gantry.direction(label).vector,
            np.array([6.0]),
            np.array([middle]),
        )
        assert onsets[:, d, :6].sum(axis=1) == pytest.approx(told.unstable[:, 0], abs=1e-5)


def test_start_angles_average_out(gantry: Machine) -> None:
    """What the angle at the start does to a limit is the same for other draws of it, once there are many."""
    plant = nominal_plant(gantry).take(np.zeros(64, np.intp))
    direction = gantry.direction("x")
    moves = Moves(direction.vector, np.array([12.0, 20.0]), np.full(2, 2.25 * gantry.travel_along(direction)))
    alone = Crew(1)
    one, two = (together([ramp_search(plant, [moves], seed=seed)], alone)[0] for seed in (1, 2))
    logs = [np.log(np.minimum(ramps.skip, moves.top[:, None])) for (ramps,) in (one, two)]
    spread = np.maximum(logs[0].std(axis=1), logs[1].std(axis=1))
    assert np.all(np.abs(logs[0].mean(axis=1) - logs[1].mean(axis=1)) < 4.0 * spread * np.sqrt(2.0 / 64) + 1e-3)
    assert spread.max() > 0.005


@given(st.lists(st.tuples(st.floats(-5.0, 5.0), st.floats(0.01, 1.0)), min_size=2, max_size=30), st.floats(0.0, 1.0))
def test_weighted_quantiles_lie_among_the_values(pairs: list[tuple[float, float]], probability: float) -> None:
    values, weight = np.array(pairs).T
    share = weight / weight.sum()
    (at,) = weighted_quantiles(values, share, [probability])
    assert values.min() <= at <= values.max()
    # No more than that share lies clearly below, no more than the rest clearly above.
    assert share[values < at - 1e-9].sum() <= probability + share.max()
    assert share[values > at + 1e-9].sum() <= 1.0 - probability + share.max()


@given(arrays(float, st.integers(1, 60), elements=st.floats(-40.0, 0.0)))
def test_rows_are_looked_at_once_more_for_machines_that_count(log_weight: np.ndarray) -> None:
    share = shares(log_weight)
    limits = surely(np.arange(share.size, dtype=float)[:, None])
    outlook = Outlook(share, log_weight, share, limits, np.zeros((1, 1)), share.size, ())
    some, unstable, weight = _telling(outlook, share)
    which = some.kept[:, 0].astype(int)
    assert len(set(which)) == which.size
    # One of them for every thousandth.
    whole = np.zeros(share.size)
    whole[which] = weight
    assert weight.sum() == pytest.approx(1.0)
    assert np.abs(np.cumsum(whole) - np.cumsum(share)).max() < 0.5001 / LOOKED_AT_AGAIN
    assert unstable == pytest.approx(share[which])


def test_limits_move_together() -> None:
    limits = surely(np.zeros((2, 3)))._replace(failed=np.full((2, 3), -2.0), chance=np.full((2, 3), 0.25))
    moved = limits.moved(np.array([0.1, -0.1]))
    assert moved.kept[:, 0] == pytest.approx([0.1, -0.1])
    assert moved.failed[:, 2] == pytest.approx([-1.9, -2.1])
    assert np.array_equal(moved.chance, limits.chance)


def test_a_size_for_each_sample_is_one_size_at_a_time(cutter: Machine) -> None:
    for described in (machine(), cutter):
        plant = sample_plant(described, 3, 2)
        for theory in hypotheses(described):
            sizes = theory.sizes(np.array([0.1, 0.5, 0.9]))
            together = theory.applied(plant, sizes)
            for i, size in enumerate(sizes.tolist()):
                alone = theory.applied(plant.take(slice(i, i + 1)), size)
                for name in ("voltage", "current_peak", "winding_resistance", "moving_mass", "friction", "open_phase"):
                    assert getattr(together, name)[i] == pytest.approx(getattr(alone, name)[0])


def test_what_machines_do_that_should_not_move_is_found_like_all_else() -> None:
    """Rows that only one machine in ninety explains: the mean likelihood is that of counting, and many more of those looked at next
    count for something.
    """
    gantry = machine()
    rows = [SweepRow(label, 1.0, 0.1, None, 2, 1) for label in ("x", "y")]
    bench = Bench(gantry, pairs_of(gantry, rows), hypotheses(gantry)[:1], 0)
    cloud, weights = bench.everybody, []
    for _ in range(3):
        x, y = (cloud.luck(label) for label in ("x", "y"))
        assert np.array_equal(x >= 1.0 - AS_MAPPED, y >= 1.0 - AS_MAPPED)
        said = np.where((x < 0.1) & (y < 0.1), 0.0, -20.0)
        weights.append(said + cloud.log_density)
        limits = surely(np.column_stack([x, y]) - 1.0)
        cloud = bench.drawn(bench.place([Seen.of(cloud, limits, weights[-1], MANY)]), MANY)
    expected = (1.0 - AS_MAPPED) * (0.1 / (1.0 - AS_MAPPED)) ** 2
    error = 1.0 / math.sqrt(effective(weights[-1]))
    assert effective(weights[-1]) > 5.0 * effective(weights[0])
    assert np.exp(weights[-1]).mean() == pytest.approx(expected, rel=4.0 * error)
