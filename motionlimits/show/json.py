"""Answers as JSON-ready dictionaries, in millimetres, volts, amperes and newton metres."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..machine import Machine, Motor
from . import words

if TYPE_CHECKING:
    from ..answers.compare import Comparison
    from ..answers.curve import Curve
    from ..answers.diagnose import Diagnosis
    from ..answers.motion import Motion
    from ..answers.motors import Fit
    from ..answers.plan import Plan, Sizing
    from ..answers.power import Power
    from ..answers.predict import Prediction
    from ..answers.shift import Shifts


def mm(value: float | None) -> float | None:
    """Metres to millimetres, rounded far below any meaning."""
    return None if value is None else round(value * 1e3, 6)


def machine_dict(machine: Machine) -> dict[str, Any]:
    """What the machine is called and which values were assumed."""
    return {
        "name": machine.name,
        "layout": machine.layout,
        "assumed": [{"key": a.key, "value": a.value, "unit": a.unit, "why": a.why} for a in machine.assumed],
    }


def curve_dict(curve: Curve) -> dict[str, Any]:
    """See interfaces: speeds in rev/s, torque in N.m."""
    result: dict[str, Any] = {
        "machine": machine_dict(curve.machine),
        "motor": curve.drive.name,
        "losses": curve.losses,
        "corner_rev_s": curve.corner_rev_s,
        "speeds_rev_s": list(curve.speeds_rev_s),
        "pullout_nm": list(curve.pullout),
        "steady_bound_low_nm": list(curve.bound_low),
        "steady_bound_high_nm": list(curve.bound_high),
    }
    if curve.direction is not None:
        result["direction"] = curve.direction.label
        result["acceleration_mm_s2"] = mm(curve.acceleration)
        result["demand_nm"] = list(curve.demand)
        result["speeds_mm_s"] = [mm(v) for v in curve.move_speeds]
        result["crossing_rev_s"] = curve.crossing_rev_s
    return result


def prediction_dict(prediction: Prediction, speed: float | None = None) -> dict[str, Any]:
    """Limits in mm/s; for a speed [m/s], the chance of losing steps at it."""
    return {
        "machine": machine_dict(prediction.machine),
        "method": prediction.method,
        "samples": prediction.samples,
        "speed_mm_s": mm(speed),
        "windows": [
            {"direction": w.direction, "low_mm_s": mm(w.low), "high_mm_s": mm(w.high), "chance": w.chance}
            for w in prediction.windows
        ],
        "resonances": [
            {"direction": r.direction, "natural_hz": r.frequency, "speed_mm_s": mm(r.speed)}
            for r in prediction.resonances
        ],
        "contributions": [{"what": c.what, "share": c.share, "assumed": c.assumed} for c in prediction.contributions],
        "limits": [
            {
                "direction": limit.direction,
                "acceleration_mm_s2": mm(limit.acceleration),
                "travel_mm": mm(limit.travel),
                "reachable_mm_s": mm(limit.reachable),
                "steady_mm_s": mm(limit.steady),
                "shock_mm_s": mm(limit.shock),
                "simulated_mm_s": mm(limit.simulated),
                "skip_mm_s": mm(limit.skip),
                "low_mm_s": mm(limit.low),
                "high_mm_s": mm(limit.high),
                "limited_by": limit.limited_by,
                "chance": None if speed is None else limit.chance(speed),
            }
            for limit in prediction.limits
        ],
    }


def _power_dict(power: Power) -> dict[str, Any]:
    return {
        "direction": power.direction,
        "speed_mm_s": mm(power.speed),
        "acceleration_mm_s2": mm(power.acceleration),
        "limit_speed_mm_s": mm(power.limit_speed),
        "rest_w": power.rest,
        "at_speed_w": power.cruise,
        "at_limit_w": power.limit,
        "volts_times_amps_w": power.volts_times_amps,
    }


def comparison_dict(comparison: Comparison) -> dict[str, Any]:
    """Before, after, and their differences."""
    return {
        "before": prediction_dict(comparison.before),
        "after": prediction_dict(comparison.after),
        "changes": [
            {
                "direction": change.direction,
                "acceleration_mm_s2": mm(change.acceleration),
                "before_mm_s": mm(change.before),
                "after_mm_s": mm(change.after),
                "ratio": change.ratio,
                "limited_by": change.why,
            }
            for change in comparison.changes
        ],
        "power": {
            "before": _power_dict(comparison.power_before),
            "after": _power_dict(comparison.power_after),
        },
        "warnings": list(comparison.warnings),
    }


def _causes(diagnosis: Diagnosis) -> list[dict[str, Any]]:
    if diagnosis.inference is None:
        return []
    found = []
    for f in diagnosis.inference.found:
        value, low, high, unit = words.size_words(diagnosis.machine, f)
        key = f.hypothesis.cause.reading.format(f.hypothesis.where)
        found.append(
            {
                "cause": f.hypothesis.cause.name,
                "where": f.hypothesis.where,
                "probability": f.probability,
                "size": {"value": value, "low": low, "high": high, "unit": unit} if f.hypothesis.sized else None,
                "because": words.cause_words(diagnosis, f),
                "check": {"key": key} if (key and f.hypothesis.where != "all") or key == "supply_v" else {},
                "prior": f.hypothesis.prior,
                "log_evidence": f.log_evidence,
            }
        )
    return found


def _next(diagnosis: Diagnosis) -> list[dict[str, Any]]:
    return [
        {
            "key": check.key or None,
            "how": check.how,
            "information_bit": check.information,
            "direction": check.direction or None,
            "acceleration_mm_s2": mm(check.acceleration) if check.direction else None,
            "speed_mm_s": mm(check.speed) if check.direction else None,
            "expected": [
                {"cause": e.cause, "where": e.where, "value": e.value, "low": e.low, "high": e.high}
                for e in check.expectations
            ],
        }
        for check in diagnosis.checks
    ]


def _instability(diagnosis: Diagnosis) -> list[dict[str, Any]]:
    """How likely mid-range instability takes part in each direction, with the best cause, and from which speed."""
    if diagnosis.inference is None:
        return []
    return [
        {"direction": label, "probability": chance, "from_mm_s": mm(speed)}
        for label, (chance, speed) in diagnosis.inference.best.unstable.items()
    ]


def diagnosis_dict(diagnosis: Diagnosis) -> dict[str, Any]:
    """Agreement of each bracket with its band."""
    return {
        "machine": machine_dict(diagnosis.machine),
        "agreement": [
            {
                "direction": row.direction,
                "acceleration_mm_s2": mm(row.acceleration),
                "passed_mm_s": mm(row.passed),
                "skipped_mm_s": mm(row.skipped),
                "predicted_mm_s": mm(row.predicted),
                "low_mm_s": mm(row.low),
                "high_mm_s": mm(row.high),
                "reachable_mm_s": mm(row.reachable),
                "limited_by": row.limited_by,
                "verdict": row.verdict,
            }
            for row in diagnosis.agreement
        ],
        "causes": _causes(diagnosis),
        "probability_moved": diagnosis.inference.moved if diagnosis.inference else None,
        "instability": _instability(diagnosis),
        "next": _next(diagnosis),
        "swap_test": diagnosis.swap or None,
        "remarks": list(diagnosis.remarks),
        "readings": dict(diagnosis.readings),
        "warnings": list(diagnosis.warnings),
    }


def motor_dict(motor: Motor) -> dict[str, Any]:
    """One motor with its torque constant and electrical time constant."""
    return {
        "name": motor.name,
        "frame": motor.frame,
        "rotor_teeth": round(motor.rotor_teeth, 6),
        "rated_current_a": motor.rated_current,
        "resistance_ohm": motor.resistance,
        "inductance_mh": round(motor.inductance * 1e3, 9),
        "holding_torque_nm": motor.holding_torque,
        "detent_torque_nm": motor.detent_torque,
        "rotor_inertia_gcm2": round(motor.rotor_inertia * 1e7, 9),
        "torque_constant_nm_per_a": motor.torque_constant,
        "time_constant_ms": motor.inductance / motor.resistance * 1e3,
        "source": motor.source,
    }


def motion_dict(motion: Motion) -> dict[str, Any]:
    """Fate of one move."""
    return {
        "machine": machine_dict(motion.machine),
        "direction": motion.direction.label,
        "acceleration_mm_s2": mm(motion.acceleration),
        "speed_mm_s": mm(motion.speed),
        "reached_mm_s": mm(motion.reached),
        "travel_mm": mm(motion.travel),
        "kept": motion.lost_drive is None,
        "lost_motor": motion.lost_drive,
        "lost_time_s": motion.lost_time,
        "lost_speed_mm_s": mm(motion.lost_speed),
        "lost_cycles": motion.lost_cycles,
        "worst_lag_rad": motion.worst_lag,
    }


def plan_dict(planned: Plan) -> dict[str, Any]:
    """Rows in the order in which to test them."""
    return {
        "machine": machine_dict(planned.machine),
        "trials": planned.trials,
        "duration_s": planned.duration,
        "rows": [
            {
                "direction": row.direction,
                "acceleration_mm_s2": mm(row.acceleration),
                "speed_mm_s": mm(row.speed),
                "reached_mm_s": mm(row.reached),
                "travel_mm": mm(row.travel),
                "chance": row.chance,
            }
            for row in planned.rows
        ],
        "information": [
            {"direction": d, "acceleration_mm_s2": mm(a), "bit": bits} for d, a, bits in planned.information
        ],
    }


def sizing_dict(size: Sizing) -> dict[str, Any]:
    """Least and most acceleration for a speed."""
    return {
        "direction": size.direction,
        "speed_mm_s": mm(size.speed),
        "travel_mm": mm(size.travel),
        "least_mm_s2": mm(size.least),
        "most_mm_s2": mm(size.most),
        "chance_at_least": size.chance_at_least,
    }


def shifts_dict(shifts: Shifts) -> dict[str, Any]:
    """Explanations of one shift at the top level, of several under `shifts`."""
    listed = [
        {
            "dx_mm": mm(one.dx),
            "dy_mm": mm(one.dy),
            "error_mm": mm(one.error),
            "ambiguous": one.ambiguous,
            "explanations": [
                {
                    "kind": e.kind,
                    "motors": dict(e.counts),
                    "probability": e.probability,
                    "residual_mm": mm(e.residual),
                }
                for e in one.explanations
            ],
        }
        for one in shifts.shifts
    ]
    result: dict[str, Any] = {"machine": machine_dict(shifts.machine)}
    if len(listed) == 1:
        return result | listed[0]
    return result | {"shifts": listed, "consistency": shifts.consistency}


def fit_dict(fit: Fit) -> dict[str, Any]:
    """The fitted motor and what is left over."""
    return {
        "motor": motor_dict(fit.motor),
        "rms_nm": fit.rms,
        "points": [
            {"speed_rev_s": s, "published_nm": p, "fitted_nm": f}
            for s, p, f in zip(fit.speeds, fit.published, fit.fitted, strict=True)
        ],
    }
