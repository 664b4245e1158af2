"""Answers as plain tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from tabulate import tabulate

from ..answers.motors import corner_speeds
from ..machine import Motor
from . import words

if TYPE_CHECKING:
    from ..answers.compare import Comparison
    from ..answers.curve import Curve
    from ..answers.diagnose import Agreement, Diagnosis
    from ..answers.motion import Motion
    from ..answers.motors import Fit
    from ..answers.plan import Plan
    from ..answers.predict import Prediction
    from ..answers.shift import Shifts


def _mm(value: float | None, empty: str = "-") -> str:
    return empty if value is None else f"{value * 1e3:.0f}"


BAR = 24  # characters


def _bar(row: Agreement) -> str:
    """The band as a line of = over the speeds that the travel allows, o where it worked, x where steps were lost."""
    cells = ["."] * BAR

    def place(value: float) -> int:
        return min(int(value / row.reachable * BAR), BAR - 1)

    if row.low is not None:
        for k in range(place(row.low), BAR if row.high is None else place(row.high) + 1):
            cells[k] = "="
    for value, mark in ((row.passed, "o"), (row.skipped, "x")):
        if value is not None:
            cells[place(value)] = mark
    return "".join(cells)


def _table(rows: Sequence[Sequence[object]], headers: Sequence[str], left: int = 1, right: int = 0) -> str:
    align = ["left"] * left + ["right"] * (len(headers) - left)
    if right < 0:
        align[right:] = ["left"] * -right
    return tabulate(
        rows, headers=list(headers), tablefmt="simple", disable_numparse=True, colalign=align[: len(headers)]
    )


def _span(low: float | None, high: float | None) -> str:
    if low is None:
        return "-"
    return f"{_mm(low)}-{_mm(high, 'none')}"


def curve_table(curve: Curve) -> str:
    """Torque over speed."""
    headers = ["rev/s", "pull-out N.m", "bounds N.m"]
    rows: list[list[str]] = [
        [f"{v:.1f}", f"{t:.3f}", f"{low:.3f}-{high:.3f}"]
        for v, t, low, high in zip(curve.speeds_rev_s, curve.pullout, curve.bound_low, curve.bound_high, strict=True)
    ]
    if curve.direction is not None:
        headers += ["mm/s", "demand N.m"]
        for row, move, demand in zip(rows, curve.move_speeds, curve.demand, strict=True):
            row += [_mm(move), f"{demand:.3f}"]
    return _table(rows, headers, left=0)


def prediction_table(prediction: Prediction) -> str:
    """Limits by direction and acceleration, speeds in mm/s."""
    rows = [
        [
            limit.direction,
            f"{limit.acceleration * 1e3:.0f}",
            _mm(limit.skip, "none"),
            _span(limit.low, limit.high),
            limit.limited_by,
            _mm(limit.steady),
            _mm(limit.shock),
            _mm(limit.reachable),
        ]
        for limit in prediction.limits
    ]
    headers = [
        "direction",
        "mm/s2",
        "skips at mm/s",
        "10-90 % mm/s",
        "limited by",
        "steady mm/s",
        "shock mm/s",
        "travel allows mm/s",
    ]
    return _table(rows, headers)


def chance_table(prediction: Prediction, speed: float) -> str:
    """Chance of losing steps at one speed [m/s]."""
    rows = [
        [
            limit.direction,
            f"{limit.acceleration * 1e3:.0f}",
            f"{limit.chance(speed):.0%}",
            _mm(min(speed, limit.reachable)),
            _mm(limit.skip, "none"),
            _span(limit.low, limit.high),
        ]
        for limit in prediction.limits
    ]
    return _table(rows, ["direction", "mm/s2", "chance", "reached mm/s", "skips at mm/s", "10-90 % mm/s"])


def motion_table(motion: Motion, points: int = 24) -> str:
    """Speed and lag over the move, each lag as a bar; a full bar is the angle of no return."""
    trace = motion.trace
    names = motion.machine.drive_names
    shown = np.unique(np.linspace(0, trace.time.size - 1, points).astype(int))
    rows = []
    for before, i in zip(np.concatenate([[-1], shown[:-1]]), shown, strict=True):
        # The greatest lag since the line before, so that no swing hides between lines.
        lags = trace.lag[before + 1 : i + 1]
        row = [f"{trace.time[i] * 1e3:.0f}", _mm(float(trace.speed_reference[i]))]
        for d in range(len(names)):
            worst = float(lags[np.argmax(np.abs(lags[:, d])), d])
            row += [f"{worst:.2f}" if abs(worst) < 100 else f"{worst:.0f}", "#" * min(round(abs(worst) / 2.6 * 12), 12)]
        rows.append(row)
    headers = ["ms", "mm/s"]
    for name in names:
        headers += [f"lag {name} rad", ""]
    align = ["right", "right"] + ["right", "left"] * len(names)
    return tabulate(rows, headers=headers, tablefmt="simple", disable_numparse=True, colalign=align)


def comparison_table(comparison: Comparison) -> str:
    """Skip speeds before and after, in mm/s."""
    rows = [
        [
            change.direction,
            f"{change.acceleration * 1e3:.0f}",
            _mm(change.before, "none"),
            _mm(change.after, "none"),
            "-" if change.ratio is None else f"{change.ratio:.2f}",
            change.why,
        ]
        for change in comparison.changes
    ]
    return _table(rows, ["direction", "mm/s2", "before mm/s", "after mm/s", "ratio", "then limited by"])


def agreement_table(diagnosis: Diagnosis) -> str:
    """Measured brackets beside the predicted band, in mm/s."""
    rows = [
        [
            row.direction,
            f"{row.acceleration * 1e3:.0f}",
            _mm(row.passed),
            _mm(row.skipped),
            _mm(row.predicted, "none"),
            _span(row.low, row.high),
            row.verdict,
            _bar(row),
        ]
        for row in diagnosis.agreement
    ]
    return _table(
        rows,
        [
            "direction",
            "mm/s2",
            "worked mm/s",
            "lost mm/s",
            "predicted mm/s",
            "10-90 % mm/s",
            "verdict",
            f"0{'travel allows':>{BAR - 1}}",
        ],
        right=-1,
    )


def causes_table(diagnosis: Diagnosis, least: float = 0.005) -> str:
    """Causes by probability, with their sizes in trade units."""
    assert diagnosis.inference is not None
    rows = []
    for found in diagnosis.inference.found:
        if found.probability < least:
            continue
        value, low, high, unit = words.size_words(diagnosis.machine, found)
        sized = found.hypothesis.sized
        rows.append(
            [
                found.hypothesis.cause.name,
                found.hypothesis.where,
                words.percent(found.probability),
                words.amount(value, unit) if sized else "-",
                f"{words.amount(low, '')} to {words.amount(high, unit)}" if sized else "-",
            ]
        )
    return _table(rows, ["cause", "where", "probability", "size", "10-90 %"], left=2)


def priors_table(diagnosis: Diagnosis) -> str:
    """Prior, log evidence and reasoning of every cause."""
    assert diagnosis.inference is not None
    rows = [
        [
            f.hypothesis.cause.name,
            f.hypothesis.where,
            f"{f.hypothesis.prior:.1%}",
            f"{f.log_evidence:.1f}",
            f"{f.probability:.3%}",
            f.hypothesis.cause.why,
        ]
        for f in diagnosis.inference.found
    ]
    headers = ["cause", "where", "prior", "log evidence", "probability", "prior of the size"]
    return tabulate(
        rows,
        headers=headers,
        tablefmt="simple",
        disable_numparse=True,
        colalign=("left", "left", "right", "right", "right", "left"),
    )


def motors_table(motors: Sequence[Motor]) -> str:
    """Motor data, with the speed up to which each keeps full torque at rated current and 24, 36, 48 V."""
    rows = [
        [
            motor.name,
            f"{motor.frame}",
            f"{motor.rated_current:g}",
            f"{motor.resistance:g}",
            f"{motor.inductance * 1e3:g}",
            f"{motor.holding_torque:g}",
            f"{motor.rotor_inertia * 1e7:g}",
            f"{motor.torque_constant:.3f}",
            f"{motor.inductance / motor.resistance * 1e3:.2f}",
            " ".join(f"{speed:.0f}" for _, speed in corner_speeds(motor)),
        ]
        for motor in motors
    ]
    headers = ["motor", "frame", "A", "ohm", "mH", "holding N.m", "g.cm2", "N.m/A", "L/R ms", "rev/s at 24 36 48 V"]
    return _table(rows, headers)


def plan_table(planned: Plan) -> str:
    """Rows to test in their order."""
    told = {(d, a): bits for d, a, bits in planned.information}
    rows = [
        [
            str(k),
            row.direction,
            f"{row.acceleration * 1e3:.0f}",
            _mm(row.speed),
            _mm(row.reached),
            f"{row.travel * 1e3:.0f}",
            f"{row.chance:.0%}",
            f"{told.get((row.direction, row.acceleration), 0.0):.1f}",
        ]
        for k, row in enumerate(planned.rows, 1)
    ]
    headers = ["no", "direction", "mm/s2", "mm/s", "reached mm/s", "travel mm", "loses if healthy", "bit"]
    return _table(rows, headers, left=2)


def shift_table(shifts: Shifts) -> str:
    """Explanations of a single shift."""
    if len(shifts.shifts) != 1:
        return ""
    rows = [
        [
            e.kind,
            ", ".join(f"{name} {n:+d}" for name, n in e.counts) or "-",
            f"{e.probability:.1%}",
            f"{e.residual * 1e3:.3f}",
        ]
        for e in shifts.shifts[0].explanations
        if e.probability > 1e-4
    ]
    return _table(rows, ["explanation", "motors", "probability", "left over mm"], left=2)


def fit_table(fit: Fit) -> str:
    """Published and fitted torque."""
    rows = [
        [f"{s:g}", f"{p:.4f}", f"{f:.4f}", f"{f - p:+.4f}"]
        for s, p, f in zip(fit.speeds, fit.published, fit.fitted, strict=True)
    ]
    return _table(rows, ["rev/s", "published N.m", "fitted N.m", "difference N.m"], left=0)
