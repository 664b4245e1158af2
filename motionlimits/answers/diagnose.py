"""Hold a measured sweep against the prediction, and find the cause that explains all of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ..errors import InputError
from ..machine import Machine
from ..readings import readings_of
from ..sweep import SweepRow, grouped
from ..workers import Crew
from .infer import SAMPLES, STABLE, THOROUGH_SAMPLES, Found, Inference, Survey, rank, survey
from .likelihood import pairs_of
from .nextcheck import Check, next_checks, swap_test
from .oddities import doable, oddities
from .predict import Limit, Prediction, Question, check_accelerations, prediction_beside, static_prediction
from .readings import expected
from .shift import Shifts

# Trials of a limit that is told without a sweep: who knows it has met it more than once; common practice, no source.
STATED_TRIALS = 3


@dataclass(frozen=True)
class Agreement:
    """One direction and acceleration of a sweep. Speeds [m/s].

    `passed` is the highest speed without a lost step below the lowest speed with one (`skipped`); None where there is
    none. `predicted`, `low`, `high` are None where nothing should skip in the travel.
    """

    direction: str
    acceleration: float
    passed: float | None
    skipped: float | None
    predicted: float | None
    low: float | None
    high: float | None
    reachable: float
    limited_by: str
    verdict: str


@dataclass(frozen=True)
class Diagnosis:
    """Agreement of a sweep with the prediction; causes and next checks where they were looked for.

    `remarks` are named sizes and other findings in words, `swap` the swap test for a fault on the side of one motor.
    """

    machine: Machine
    prediction: Prediction
    agreement: tuple[Agreement, ...]
    warnings: tuple[str, ...]
    readings: Mapping[str, float] = field(default_factory=dict)
    inference: Inference | None = None
    checks: tuple[Check, ...] = ()
    remarks: tuple[str, ...] = ()
    swap: str = ""

    @property
    def mismatch(self) -> bool:
        """Whether any measurement lies outside its band."""
        return any(row.verdict in ("below", "above") for row in self.agreement)


def quick_rows(
    direction: str, acceleration: float, passed: float | None, skipped: float | None
) -> tuple[SweepRow, ...]:
    """A sweep of one bracket: the highest speed that worked and the lowest that did not [m/s], at [m/s2].

    Raises
    ------
    InputError
        Where neither speed is given or they are not in that order.
    """
    for name, value in (("passed", passed), ("skipped", skipped)):
        if value is not None and not (math.isfinite(value) and 0.0 < value <= 1e3):
            raise InputError(f"--{name} {value * 1e3:g}: allowed: a speed above 0 and up to 1,000,000 mm/s")
    if not (math.isfinite(acceleration) and 1e-4 <= acceleration <= 1e4):
        raise InputError(f"--acceleration {acceleration * 1e3:g}: allowed: from 0.1 to 10,000,000 mm/s2")
    if passed is None and skipped is None:
        raise InputError("give --passed, --skipped or both: the highest speed that worked, the lowest that lost steps")
    if passed is not None and skipped is not None and passed >= skipped:
        raise InputError("--passed must be below --skipped: the highest speed that worked, the lowest that lost steps")
    rows = [(passed, 0), (skipped, STATED_TRIALS)]
    return tuple(SweepRow(direction, acceleration, v, None, STATED_TRIALS, bad) for v, bad in rows if v is not None)


def diagnose(
    machine: Machine,
    rows: Sequence[SweepRow],
    readings: Mapping[str, float] | None = None,
    damage: Shifts | None = None,
    *,
    quick: bool = False,
    samples: int = SAMPLES,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Diagnosis:
    """Compare measured brackets with predicted bands, and rank what could explain them.

    Parameters
    ----------
    machine : Machine
    rows : sequence of SweepRow
    readings : mapping, optional
        Readings taken, by evidence key.
    damage : Shifts, optional
        Explained displacements of the part, as evidence.
    quick : bool
        Static limits only: agreement without bands, no causes.
    samples : int
        Machines drawn within tolerance, as in `infer.survey`; `infer.THOROUGH_SAMPLES` where probabilities did not
        settle.
    seed, progress
        As in `predict`.

    Returns
    -------
    Diagnosis

    Raises
    ------
    InputError
        Where there are no rows in directions that the machine has.
    """
    rows, warnings = doable(machine, rows)
    warnings += oddities(machine, rows)
    groups = grouped(rows)
    labels = dict.fromkeys(label for label, _ in groups)
    question = Question(
        machine,
        tuple(
            (machine.direction(label), check_accelerations([a for name, a in groups if name == label]), None)
            for label in labels
        ),
        frozenset(labels) - {label for pair in pairs_of(machine, rows) if pair.steady > 0.0 for label in pair.labels},
    )
    given = dict(readings or {})
    slipped = damage.motors if damage else ()
    surveyed: Survey | None = None
    if quick:
        prediction = static_prediction(question)
    else:
        crew = Crew()
        with prediction_beside(question, crew, seed) as predicted:
            surveyed = survey(machine, rows, given, slipped, samples=samples, seed=seed, crew=crew, progress=progress)
            prediction = predicted()
    limits = {(limit.direction, limit.acceleration): limit for limit in prediction.limits}
    agreement = tuple(_agree(machine, key, group, limits[key], warnings) for key, group in groups.items())
    if surveyed is None:
        return Diagnosis(machine, prediction, agreement, tuple(warnings), given)
    inference = rank(surveyed, given, slipped)
    warnings += _inference_warnings(inference, samples >= THOROUGH_SAMPLES)
    warnings += [_against(machine, inference.best, key, given[key]) for key in inference.conflicts]
    return Diagnosis(
        machine,
        prediction,
        agreement,
        tuple(warnings),
        given,
        inference,
        tuple(next_checks(machine, inference, given)),
        tuple(_remarks(machine, inference.best, agreement) + _instability(inference.best)),
        swap_test(machine, inference),
    )


def _inference_warnings(inference: Inference, thorough: bool = False) -> list[str]:
    """Rows that the best cause does not explain, and how exact its probability is."""
    found = []
    if inference.unexplained:
        places = [
            f"{' and '.join(inference.pairs[k].labels)} at {inference.pairs[k].acceleration * 1e3:.0f} mm/s2"
            for k in inference.unexplained
        ]
        found.append(
            f"no listed cause explains these rows: {', '.join(places)}; repeat them, or look for two faults at once"
        )
    if inference.unlike:
        found.append(
            f"along {', '.join(inference.unlike)} this machine is unlike those that limits of causes were learned from, so that "
            "probabilities may be off; predicted bands do not depend on this"
        )
    if inference.moved >= STABLE:
        found.append(
            f"probabilities are known to about {math.ceil(100 * inference.moved)} % here: so much one of them depends on "
            f"which machines within tolerance were drawn{'' if thorough else '; --thorough draws more'}"
        )
    return found


def _against(machine: Machine, best: Found, key: str, reading: float) -> str:
    """What a reading that the best cause does not explain would be under it."""
    kind = readings_of(machine)[key].kind
    mean, _ = expected(machine, best.hypothesis, key, np.array([best.size]))
    return (
        f"the reading {key} of {reading:g} {kind.unit} does not go with the likeliest cause, under which it would be about "
        f"{kind.unscale(float(mean[0])):.3g} {kind.unit}: take it again; if it stays, there is a fault that the sweep hardly "
        "shows, or another cause"
    )


def _remarks(machine: Machine, best: Found, agreement: Sequence[Agreement]) -> list[str]:
    """Sizes that have a name."""
    cause, size = best.hypothesis.cause.name, best.size
    found = []
    if cause == "low-current" and best.size_low <= math.sqrt(0.5) <= best.size_high and abs(size - 0.707) < 0.09:
        found.append(
            "0.71 of the stated current is what a peak setting taken for rms (or the reverse) makes: look up which of "
            "the two the driver's setting means"
        )
    if cause == "low-voltage" and best.size_low <= 0.5 <= best.size_high:
        found.append(
            f"half of {machine.supply.voltage:g} V is {machine.supply.voltage / 2:g} V: look whether the old supply, or the "
            "old voltage setting, is still in use"
        )
    ratios = [
        math.sqrt(row.passed * row.skipped) / row.predicted
        for row in agreement
        if row.passed and row.skipped and row.predicted
    ]
    if len(ratios) >= 2 and max(ratios) < 0.6 and min(ratios) > 0.42:
        found.append(
            "all limits lie at about half of the predicted speed: a step scale wrong by two would do the same; command "
            "100 mm and measure with a ruler what it moves"
        )
    return found


def _instability(best: Found) -> list[str]:
    """Directions that lose steps at one speed whatever the acceleration, which no cause on the list is needed for."""
    found = best.clearly_unstable
    if not found:
        return []
    where = ", ".join(
        f"{label} from about {speed * 1e3:.0f} mm/s ({'over 99%' if chance > 0.99 else f'{chance:.0%}'})"
        for label, (chance, speed) in found.items()
    )
    return [
        f"mid-range instability seems to take part: {where}, at every acceleration; holding such a "
        "speed would lose steps, too, and more damping, another current or another driver moves it"
    ]


def _agree(
    machine: Machine, key: tuple[str, float], group: list[SweepRow], limit: Limit, warnings: list[str]
) -> Agreement:
    direction, acceleration = key
    longest = machine.travel_along(machine.direction(direction))
    label = f"direction {direction}, {acceleration * 1e3:g} mm/s2"
    reached = []
    unreached = []
    for row in group:
        top = math.sqrt(acceleration * min(row.travel or longest, longest))
        reached.append((min(row.speed, top), row))
        if row.speed > top * 1.001:
            unreached.append((row.speed, top))
    if unreached:
        speed, top = max(unreached)
        warnings.append(
            f"{label}: {speed * 1e3:.0f} mm/s is never reached in the travel; such rows tested "
            f"{top * 1e3:.0f} mm/s and are counted so"
        )
    bad = [speed for speed, row in reached if row.skipped]
    skipped = min(bad) if bad else None
    good = [speed for speed, row in reached if not row.skipped]
    below = [speed for speed in good if skipped is None or speed < skipped]
    passed = max(below) if below else None
    if skipped is not None and any(speed > skipped for speed in good):
        warnings.append(
            f"{label}: {max(good) * 1e3:.0f} mm/s passed although {skipped * 1e3:.0f} mm/s lost steps; "
            "the lower one is taken as the limit (an unstable range of speed can do this)"
        )
    return Agreement(
        direction=direction,
        acceleration=acceleration,
        passed=passed,
        skipped=skipped,
        predicted=limit.skip,
        low=limit.low,
        high=limit.high,
        reachable=limit.reachable,
        limited_by=limit.limited_by,
        verdict=_verdict(passed, skipped, limit),
    )


def _verdict(passed: float | None, skipped: float | None, limit: Limit) -> str:
    """Where the measured bracket lies against the band; a band open at the top reaches to infinity."""
    # Without a band (static limits only) the predicted speed is all there is.
    alone = limit.skip if limit.skip is not None and not limit.spread else math.inf
    low = limit.low if limit.low is not None else alone
    high = limit.high if limit.high is not None else alone
    if skipped is not None and skipped < low:
        return "below"
    if passed is not None and passed > high:
        return "above"
    if skipped is None and (passed is None or passed < low) and not (math.isinf(low) and passed is not None):
        return "untested"
    if passed is None and skipped is not None and skipped > high:
        return "untested"
    return "within"
