from __future__ import annotations

import math

import pytest

from motionlimits.answers.compare import compare
from motionlimits.answers.diagnose import diagnose, quick_rows
from motionlimits.answers.predict import predict
from motionlimits.errors import InputError
from motionlimits.machine import Machine

from ..machines import machine


@pytest.fixture(scope="module")
def example(gantry: Machine):  # type: ignore[no-untyped-def]
    return predict(gantry, [gantry.direction("x"), gantry.direction("45")], samples=16)


def test_bands_are_in_order(example) -> None:  # type: ignore[no-untyped-def]
    assert example.method == "simulated"
    for limit in example.limits:
        points = [math.inf if v is None else v for v in (limit.low, limit.skip, limit.high)]
        assert points == sorted(points)
        assert (limit.skip is None) == (limit.limited_by == "travel")
        assert len(limit.spread) == 16
        chances = [limit.chance(v * limit.reachable) for v in (0.1, 0.4, 0.7, 1.0, 2.0)]
        assert chances == sorted(chances)
        assert all(0.0 < c < 1.0 for c in chances)


def test_contributions_are_shares(example) -> None:  # type: ignore[no-untyped-def]
    assert example.contributions
    assert all(0.0 <= c.share <= 1.0 for c in example.contributions)


def test_rewritten_files_predict_the_same() -> None:
    """Peak for rms, two to one for half the pulley: the same machine, the same answer."""
    ways = [
        machine(),
        machine(driver__current_rms_a=None, driver__current_peak_a=1.4 * math.sqrt(2.0)),
        machine(transmission__reduction=2.0, transmission__pulley_teeth=40),
        machine(transmission__reduction=0.5, transmission__pulley_teeth=10),
    ]
    direction = ways[0].direction("x")
    for quick in (True, False):
        found = [predict(m, [direction], [10.0, 20.0], quick=quick, samples=8) for m in ways]
        for other in found[1:]:
            for a, b in zip(found[0].limits, other.limits, strict=True):
                assert (a.skip is None) == (b.skip is None)
                if a.skip is not None:
                    assert b.skip == pytest.approx(a.skip, rel=1e-6 if quick else 0.02)


def test_a_limit_does_not_hang_on_what_else_is_asked(short: Machine) -> None:
    x, y = short.direction("x"), short.direction("y")
    several = predict(short, [x, y], [12.0, 20.0, 30.0], samples=8)
    alone = predict(short, [y], [20.0], samples=8)
    # Unstable speeds are looked for at some, which hang on all accelerations asked for: not here.
    assert several.at("y", 20.0).limited_by == "shock"
    assert several.at("y", 20.0).spread == alone.at("y", 20.0).spread


def test_same_seed_same_answer() -> None:
    described = machine()
    one, two = (predict(described, [described.direction("x")], [15.0], samples=8) for _ in range(2))
    assert one.limits == two.limits


def test_48_volts_help_where_voltage_limits() -> None:
    slow = machine()
    fast = machine(supply__voltage_v=48.0)
    found = compare(slow, fast, [slow.direction("x")], [1.0, 25.0], samples=12)
    ratios = {change.acceleration: change for change in found.changes}
    assert ratios[1.0].why == "travel"
    assert ratios[1.0].ratio == pytest.approx(1.0, abs=0.02)
    assert ratios[25.0].ratio is not None
    assert ratios[25.0].ratio > 1.1
    # Power at rest does not double with the voltage, volts times amps does.
    assert found.power_after.rest == pytest.approx(found.power_before.rest, rel=0.02)
    assert found.power_after.volts_times_amps == pytest.approx(2 * found.power_before.volts_times_amps)


def test_different_axes_are_refused(gantry: Machine, cutter: Machine) -> None:
    with pytest.raises(InputError, match="different axes"):
        compare(gantry, cutter)


@pytest.mark.parametrize(
    ("passed", "skipped", "verdict"),
    [
        (0.1, None, "untested"),
        (0.05, 0.1, "below"),
        (None, 0.1, "below"),
        (1.6, None, "above"),
        (None, 1.9, "untested"),
    ],
)
def test_verdicts(passed: float | None, skipped: float | None, verdict: str) -> None:
    """At 40 m/s2 and with heavy friction this machine is lost well inside its travel's reach."""
    described = machine(axes__x__friction_n=15.0)
    (row,) = diagnose(described, quick_rows("x", 25.0, passed, skipped), quick=True).agreement
    assert row.predicted is not None
    assert row.verdict == verdict


def test_unreachable_speeds_are_flagged() -> None:
    found = diagnose(machine(), quick_rows("x", 0.5, 3.0, None), quick=True)
    assert any("never reached" in w for w in found.warnings)


def test_quick_rows_are_checked() -> None:
    for passed, skipped in ((None, None), (0.2, 0.1), (math.nan, None), (-1.0, None)):
        with pytest.raises(InputError):
            quick_rows("x", 3.0, passed, skipped)
