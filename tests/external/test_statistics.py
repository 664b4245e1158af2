"""Statistics against scipy.stats, scipy.integrate and closed forms; each names its own."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, special, stats

from motionlimits.answers import likelihood, nextcheck, readings, weigh
from motionlimits.answers.bench import MANY, Bench, Outlook, Seen, size_quantiles
from motionlimits.answers.causes import hypotheses
from motionlimits.answers.infer import Survey, _weigh
from motionlimits.answers.likelihood import GRID, Pair, RowsFit, pairs_of
from motionlimits.answers.proposal import effective, pareto, smoothed, weighted_quantiles
from motionlimits.physics.skipmap import FREEDOM
from motionlimits.sweep import SweepRow

from ..inference import surely
from ..machines import machine
from ..studies.motion_studies import interval_score
from .validation import Validation


def pair(speeds: list[float], trials: list[float], skipped: list[float], top: float = 1.0) -> Pair:
    return Pair(machine().direction("x"), 3.0, top, np.array(speeds), np.array(trials), np.array(skipped))


def chance(speed: float, skip: float) -> float:
    """Chance of losing steps in a trial, as the documentation states it."""
    return likelihood.ACCIDENT + (1 - 2 * likelihood.ACCIDENT) * float(
        stats.norm.cdf(math.log(speed / skip) / likelihood.TRIAL_SCATTER)
    )


def test_rows_are_binomial(checked: Validation, monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: scipy.stats.binom for trials and skips, the chance by scipy.stats.norm; the pair's offset taken out."""
    monkeypatch.setattr(likelihood, "PAIR_OFFSET", 1e-4)
    monkeypatch.setattr(likelihood, "JUMP_SHARES", (0.0,))
    one = pair([0.4, 0.5, 0.6], [3, 3, 2], [0, 1, 2])
    (curve,) = one.log_likelihood()
    coefficient = sum(math.log(math.comb(int(n), int(k))) for n, k in zip(one.trials, one.skipped, strict=True))
    for skip in (0.45, 0.5, 0.58):
        expected = sum(
            stats.binom.logpmf(k, n, chance(v, skip))
            for v, n, k in zip(one.speeds, one.trials, one.skipped, strict=True)
        )
        ours = float(np.interp(math.log(skip), GRID, curve)) + coefficient
        source = "scipy.stats.binom and scipy.stats.norm"
        checked.close(
            f"log-likelihood of three rows, skip speed {skip:g}",
            ours,
            float(expected),
            source,
            abs=0.03,
            why="grid of 1 % in speed",
        )


def test_offset_is_a_student_distribution(checked: Validation, monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: scipy.stats.t with 4 degrees of freedom, integrated against the rows by scipy.integrate.quad."""
    monkeypatch.setattr(likelihood, "JUMP_SHARES", (0.0,))
    one = pair([0.45, 0.55], [4, 4], [0, 4])
    (curve,) = one.log_likelihood()

    def rows(skip: float) -> float:
        return (1 - chance(0.45, skip)) ** 4 * chance(0.55, skip) ** 4

    for predicted in (0.5, 0.7):
        expected, _ = integrate.quad(
            lambda d, p=predicted: (
                stats.t.pdf(d / likelihood.PAIR_OFFSET, 4) / likelihood.PAIR_OFFSET * rows(p * math.exp(d))
            ),  # type: ignore[misc]
            -1.5,
            1.5,
            points=[math.log(0.45 / predicted), math.log(0.55 / predicted)],
            limit=300,
        )
        ours = math.exp(float(np.interp(math.log(predicted), GRID, curve)))
        source = "scipy.stats.t, scipy.integrate.quad"
        checked.close(
            f"likelihood of a bracket, predicted {predicted:g}",
            ours,
            expected,
            source,
            rel=0.02,
            why="grid of 1 %, tails cut at 1.5",
        )


STABLE = np.array(1e-12)  # chance of an unstable speed


def fit_of(curves: list[np.ndarray]) -> RowsFit:
    """Rows whose log-likelihood curves are given, in one direction."""
    fit = RowsFit(machine(), [pair([0.5], [1], [0]) for _ in curves])
    fit.curves = np.array(curves)[:, None]
    return fit


def test_common_offset_and_gaussian_evidence(checked: Validation) -> None:
    """Source: closed form: measurements with independent errors and a common one are jointly Gaussian."""
    error, measured, predicted = 0.15, np.array([-0.50, -0.62]), np.array([-0.55, -0.60])
    fit = fit_of([-0.5 * ((GRID - m) / error) ** 2 for m in measured])
    # Machines that are all the same: only the common offset is averaged over.
    offsets = Bench(machine(), [], hypotheses(machine())[:1], 0).everybody.offsets
    ours = evidence(fit.log_likelihood(surely(np.tile(predicted, (MANY, 1))).moved(offsets), STABLE))
    ours -= 2 * math.log(error * math.sqrt(2 * math.pi))
    covariance = error**2 * np.eye(2) + likelihood.COMMON_OFFSET**2
    expected = float(stats.multivariate_normal(predicted + likelihood.COMMON_MIDDLE, covariance).logpdf(measured))
    source = "scipy.stats.multivariate_normal (closed form)"
    checked.close("log evidence with a common offset", ours, expected, source, abs=0.01, why=f"{MANY} points")


def evidence(log_likelihood: np.ndarray) -> float:
    """Log of the mean likelihood."""
    return float(special.logsumexp(log_likelihood)) - math.log(log_likelihood.size)


@pytest.mark.parametrize("pairs", [4, 10])
def test_tolerances_are_averaged_over(checked: Validation, pairs: int) -> None:
    """Source: closed form: limits that are jointly normal over the machines of a tolerance, measured with normal errors."""
    rng = np.random.default_rng(pairs)
    error, tolerances = 0.15, 12
    effect = 0.06 * rng.standard_normal((tolerances, pairs))
    predicted = rng.uniform(-1.0, -0.3, pairs)
    bench = Bench(machine(), [], hypotheses(machine())[:1], 0)
    covariance = effect.T @ effect + error**2 * np.eye(pairs) + likelihood.COMMON_OFFSET**2
    measured = rng.multivariate_normal(predicted, covariance)
    fit = fit_of([-0.5 * ((GRID - m) / error) ** 2 for m in measured])
    cloud, seen = bench.everybody, []
    for _ in range(3):
        alike = predicted - likelihood.COMMON_MIDDLE
        limits = surely(alike + cloud.normal[:, :tolerances] @ effect).moved(cloud.offsets)
        weight = fit.log_likelihood(limits, STABLE) + cloud.log_density
        seen.append(Seen.of(cloud, limits, weight, MANY))
        count, cloud = effective(weight), bench.drawn(bench.place(seen), MANY)
    assert count > 400  # of the first ones, seven for ten limits
    checked.close(
        f"log evidence of {pairs} limits over tolerances",
        evidence(weight) - pairs * math.log(error * math.sqrt(2 * math.pi)),
        float(stats.multivariate_normal(predicted, covariance).logpdf(measured)),
        "scipy.stats.multivariate_normal (closed form)",
        abs=0.15,
        why=f"{MANY} machines",
    )


@pytest.mark.parametrize("at_ends", [1.0, weigh.AT_ENDS])
def test_size_is_integrated_out(checked: Validation, monkeypatch: pytest.MonkeyPatch, at_ends: float) -> None:
    """Source: Beta-binomial evidence: k of n under a Beta(a, a) prior of the chance has B(k + a, n - k + a) / B(a, a); sizes all
    alike are a = 1, the parabola over them a = 2.
    """
    monkeypatch.setattr(weigh, "UNNOTICED", 1.0)  # whoever has a fault asks
    monkeypatch.setattr(weigh, "AT_ENDS", at_ends)
    gantry = machine()
    theory = next(h for h in hypotheses(gantry) if h.cause.name == "drag")
    k, n = 3, 7
    # A skip speed that falls from 0 to -1 with the quantile of the size; its chance is the quantile itself.
    p = np.clip(-GRID, 1e-9, 1 - 1e-9)
    fit = fit_of([k * np.log(p) + (n - k) * np.log1p(-p)])
    quantiles = Bench(gantry, [], hypotheses(gantry)[:1], 0).everybody.quantiles
    limits = surely(-quantiles[:, None])
    outlook = Outlook(
        quantiles,
        fit.log_likelihood(limits, STABLE),
        np.full(quantiles.size, 1e-12),
        limits,
        -size_quantiles(theory)[:, None],
        quantiles.size,
        (),
    )
    weight = _weigh(Survey(gantry, (), (theory,), (outlook,), fit), {}, ())[0]
    ours = math.exp(weight.score - math.log(theory.prior))
    source = "scipy.special.beta (Beta-binomial)"
    checked.close(
        f"evidence with the size integrated out, ends as common as {at_ends:g} of the mean",
        ours,
        sum(
            share * float(special.beta(k + a, n - k + a) / special.beta(a, a))
            for share, a in ((at_ends, 1), (1.0 - at_ends, 2))
        ),
        source,
        rel=0.03,
        why=f"{MANY} sizes",
    )


def test_readings_are_gaussian(checked: Validation) -> None:
    """Source: scipy.stats.norm: the ratio of two causes' likelihoods of a reading."""
    gantry = machine()
    healthy, drag = (next(h for h in hypotheses(gantry) if h.cause.name == name) for name in ("as-predicted", "drag"))
    (m0, s0), (m1, s1) = (readings.expected(gantry, h, "pull_x_n", np.array([6.0])) for h in (healthy, drag))
    reading = float(0.5 * (m0[0] + m1[0]))
    ours = float(
        weigh.evidence_fit(gantry, drag, {"pull_x_n": reading}, np.array([6.0]))[0]
        - weigh.evidence_fit(gantry, healthy, {"pull_x_n": reading}, np.array([6.0]))[0]
    )

    def density(m: float, s: float) -> float:
        return 0.98 * float(stats.norm.pdf(reading, m, s)) + 0.02 * float(stats.norm.pdf(reading, m, 10 * s))

    expected = math.log(density(float(m1[0]), float(s1[0])) / density(float(m0[0]), float(s0[0])))
    checked.close(
        "log Bayes factor of a scale's reading",
        ours,
        expected,
        "scipy.stats.norm, 2 % of slips ten times as wide",
        abs=1e-9,
        why="same formula",
    )


@pytest.mark.parametrize("error", [0.0, 0.05, 0.2, 0.5])
def test_information_of_a_test_with_two_outcomes(checked: Validation, error: float) -> None:
    """Source: capacity of a binary symmetric channel at even odds, 1 - H2(error) (Cover and Thomas 2006); scipy.stats.entropy."""
    ours = nextcheck._information(np.array([0.5, 0.5]), np.array([[1 - error, error], [error, 1 - error]]))
    expected = 1.0 - float(stats.entropy([error, 1 - error], base=2))
    checked.close(
        f"information of a test wrong {error:.0%} of the time [bit]",
        ours,
        expected,
        "1 - H2(error), Cover and Thomas 2006; scipy.stats.entropy",
        abs=1e-12,
        why="exact",
    )


def test_interval_score(checked: Validation) -> None:
    """Source: Gneiting and Raftery 2007, eq. 43, by hand: 80 % interval 1 to 2, truth 2.5: 1 + 2/0.2 x 0.5 = 6."""
    scores = interval_score(np.array([1.0, 1.0]), np.array([2.0, 2.0]), np.array([2.5, 1.5]))
    checked.close(
        "interval score, outside and inside",
        scores,
        [6.0, 1.0],
        "Gneiting and Raftery, JASA 102, 2007, eq. 43 (from memory), by hand",
        abs=1e-12,
        why="by hand",
    )


def test_quantiles_of_a_size(checked: Validation) -> None:
    """Source: scipy.stats.truncnorm."""
    sizes = np.linspace(0.0, 10.0, 401)
    law = stats.truncnorm(-3, 5, loc=4, scale=1.2)
    weights = law.pdf(sizes)
    points = weighted_quantiles(sizes, weights / weights.sum(), (0.1, 0.5, 0.9))
    checked.close(
        "10, 50 and 90 % points",
        points,
        law.ppf([0.1, 0.5, 0.9]),
        "scipy.stats.truncnorm",
        abs=0.02,
        why="grid of 0.025",
    )


@pytest.mark.parametrize("scale", [0.02, 0.11, 0.3, 0.55])
def test_luck_is_averaged_over(checked: Validation, scale: float) -> None:
    """Source: scipy.integrate and scipy.stats: a normal measurement of a limit that scatters by Student's distribution."""
    error, measured, predicted = 0.15, -0.7, np.linspace(-1.4, -0.1, 6)
    fit = fit_of([-0.5 * ((GRID - measured) / error) ** 2])
    limits = surely(predicted[:, None])._replace(kept_luck=np.full((predicted.size, 1), scale))
    law, seen = stats.t(FREEDOM, scale=scale), stats.norm(measured, error)
    truth = [
        integrate.quad(lambda off, at=at: law.pdf(off) * seen.pdf(at + off), -4.0, 4.0, points=[0.0, measured - at])[0]
        for at in predicted
    ]
    checked.close(
        f"log-likelihood with luck of {scale}",
        fit.log_likelihood(limits, STABLE) - math.log(error * math.sqrt(2 * math.pi)),
        np.log(truth),
        "scipy.integrate.quad, scipy.stats",
        abs=0.05,
        why="grid of 1 % in speed, straight lines between scales",
    )


def test_an_unstable_speed_is_averaged_over(checked: Validation) -> None:
    """Source: scipy.integrate and scipy.stats: an onset of the machine, one of each direction near it that it may not have,
    and rows with normal errors that tell of the lower of limit and onset.
    """
    gantry, error = machine(), 0.15
    pairs = [replace(pair([0.5], [1], [0]), direction=gantry.direction(label)) for label in ("x", "x", "45")]
    fit = RowsFit(gantry, pairs)
    limits, measured, chance = np.array([-0.3, -0.6, -0.4]), np.array([-0.85, -0.8, -1.2]), 0.1
    fit.curves = np.array([-0.5 * ((GRID - m) / error) ** 2 for m in measured])[:, None]
    # Along x both motors turn at the speed of the belt, along a diagonal one of them at 1.414 times the carriage's.
    shaft = machine().drives[0].transmission.radius * 2.0 * math.pi / 50.0
    at_550_hz = {"x": math.log(550.0 * shaft), "45": math.log(550.0 * shaft / math.sqrt(2.0))}

    def rows(where: str, onset: float) -> float:
        told = (
            stats.norm.logpdf(min(a, onset), m, error)
            for a, m, p in zip(limits, measured, pairs, strict=True)
            if p.direction.label == where
        )
        return math.exp(sum(told)) * (error * math.sqrt(2 * math.pi)) ** sum(p.direction.label == where for p in pairs)

    def direction(where: str, machine_onset: float) -> float:
        lost, _ = integrate.quad(
            lambda z: stats.norm.pdf(z) * rows(where, at_550_hz[where] + machine_onset + likelihood.UNSTABLE_APART * z),
            -4.0,
            4.0,
        )
        share = likelihood.UNSTABLE_DIRECTIONS
        return (1.0 - share) * rows(where, math.inf) + share * lost

    grid = likelihood.UNSTABLE_SPREAD * np.linspace(-2.6, 2.6, 53)
    density = stats.norm.pdf(grid, 0.0, likelihood.UNSTABLE_SPREAD)
    unstable = integrate.trapezoid([direction("x", u) * direction("45", u) for u in grid] * density, grid)
    stable = rows("x", math.inf) * rows("45", math.inf)
    common = (1.0 - chance) * stable + chance * unstable
    expected = likelihood.COMMON_SHARE * common + (1.0 - likelihood.COMMON_SHARE) * stable
    checked.close(
        "log-likelihood with an unstable speed",
        float(fit.log_likelihood(surely(limits[None], 2), np.array([chance]))[0]),
        math.log(expected),
        "scipy.integrate.quad, scipy.stats.norm",
        abs=0.05,
        why="speeds a ninth apart",
    )

    # Beside this, common prior: where the map has the machine's own, one in either direction or in both, or in none.
    own = np.zeros((1, 2, likelihood.FREQUENCIES.size))
    own[0, 0, [4, 7]], own[0, 1, 6] = (0.2, 0.3), 0.4
    mine = 1.0
    for where, here in zip(("x", "45"), own[0], strict=True):
        lost = (1.0 - here.sum()) * rows(where, math.inf)
        for share, frequency in zip(here[here > 0.0], likelihood.FREQUENCIES[here > 0.0], strict=True):
            at = at_550_hz[where] + math.log(frequency / 550.0)
            lost += (
                share
                * integrate.quad(
                    lambda z, where=where, at=at: stats.norm.pdf(z) * rows(where, at + likelihood.ONSET_WIDTH * z),
                    -4.0,
                    4.0,
                )[0]
            )
        mine *= lost
    checked.close(
        "log-likelihood with unstable speeds of the map",
        float(fit.log_likelihood(surely(limits[None], 2)._replace(onsets=own), np.array([chance]))[0]),
        math.log(likelihood.COMMON_SHARE * common + (1.0 - likelihood.COMMON_SHARE) * mine),
        "scipy.integrate.quad, scipy.stats.norm",
        abs=0.05,
        why="speeds a ninth apart",
    )


def test_trials_add_up(checked: Validation) -> None:
    """Source: the binomial likelihood is the same for 1 of 3 and for three single trials of which one skipped."""
    gantry = machine()
    together = pairs_of(gantry, [SweepRow("x", 3.0, 0.4, None, 3, 1)])[0].log_likelihood()
    single = pairs_of(gantry, [SweepRow("x", 3.0, 0.4, None, 1, k) for k in (1, 0, 0)])[0].log_likelihood()
    checked.close(
        "largest difference over all skip speeds",
        float(np.abs(together - single).max()),
        0.0,
        "binomial likelihood",
        abs=1e-9,
        why="exact",
    )


@pytest.mark.parametrize("shape", [-0.2, 0.3, 0.7, 1.2])
def test_tail_of_weights(checked: Validation, shape: float) -> None:
    """Source: scipy.stats.genpareto: values drawn from it, and its own fit by greatest likelihood."""
    source, count = "scipy.stats.genpareto", 4000
    beyond = np.sort(stats.genpareto.rvs(shape, scale=3.0, size=count, random_state=1))
    ours, scale = pareto(beyond)
    theirs, _, their_scale = stats.genpareto.fit(beyond, floc=0.0)
    checked.close(f"tail shape {shape}", ours, theirs, source, abs=0.01, why="mean for greatest likelihood")
    checked.close(
        f"tail scale, shape {shape}", scale, their_scale, source, rel=0.02, why="mean for greatest likelihood"
    )
    checked.close(f"tail shape {shape}, as drawn", ours, shape, source, abs=0.06, why=f"{count} values")


def test_smoothed_weights_average_to_what_they_should(checked: Validation) -> None:
    """Source: closed form: weights of normal distributions, drawn from narrower ones, have a mean of one.

    Over many sets of which few weigh most smoothed ones are off by less than as they are, and than if none may weigh more than a
    share of all.
    """
    source = "closed form"
    for narrow in (0.8, 0.65):
        off = []
        for seed in range(200):
            drawn = narrow * np.random.default_rng(seed).standard_normal((2000, 10))
            log_weight = np.sum(stats.norm.logpdf(drawn) - stats.norm.logpdf(drawn, scale=narrow), axis=1)
            cut = np.minimum(log_weight, special.logsumexp(log_weight) - math.log(2000.0) / 2.0)
            off.append([np.exp(w).mean() - 1.0 for w in (smoothed(log_weight), log_weight, cut)])
        means, errors = np.mean(off, axis=0), np.sqrt(np.mean(np.square(off), axis=0))
        if narrow == 0.8:
            mean = 1.0 + float(means[0])
            checked.close("mean of smoothed weights", mean, 1.0, source, abs=0.015, why="200 sets of 2000")
    assert errors[0] < 0.6 * errors[1]
    assert errors[0] < 0.9 * errors[2]
    assert abs(means[0]) < 0.75 * abs(means[2])
