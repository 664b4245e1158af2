"""Answers in words: the first line of every answer, notes, cautions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from ..machine import Machine
from ..readings import Kind, readings_of

if TYPE_CHECKING:
    from ..answers.compare import Comparison
    from ..answers.curve import Curve
    from ..answers.diagnose import Agreement, Diagnosis
    from ..answers.infer import Found
    from ..answers.motion import Motion
    from ..answers.nextcheck import Check, Expectation
    from ..answers.plan import Plan, Sizing
    from ..answers.predict import Limit, Prediction
    from ..answers.shift import Explanation, Shift, Shifts

REASONS = {
    "current": "motor torque at full current",
    "voltage": "motor torque falling off with speed",
    "shock": "the swing after an abrupt start",
    "instability": "mid-range instability",
    "travel": "the length of the travel",
}

CAUTIONS_VOLTAGE = (
    "Before connecting a higher voltage: read the rating of every driver, capacitor and fan on that bus. Switch off and "
    "wait for the capacitors before touching wiring, and never plug or unplug a motor under power. Fuse the low-voltage "
    "side. A load that is braked or pushed by hand pumps the bus. Motors run hot enough to burn. Mains wiring is for "
    "licensed people under local codes."
)
CAUTIONS_CHECK = (
    "switch off and wait for the capacitors before touching wiring, never plug or unplug a motor under power, keep hands "
    "and hair out of a moving machine with an emergency stop in reach; motors may be hot enough to burn."
)
CAUTIONS_TEST = "Keep hands, hair and cables out of a moving machine, and an emergency stop in reach."

# Other causes are named beside the likeliest where they have such a share of its chance, or where that is below `ONE_OF_MANY`.
RIVAL, ONE_OF_MANY = 0.4, 0.4
PERHAPS_UNSTABLE = 0.25  # chance of mid-range instability from which it is mentioned where nothing else explains a loss


def speed(value: float | None) -> str:
    """A speed in mm/s for a sentence."""
    return "-" if value is None else f"{value * 1e3:.0f} mm/s"


def band(low: float | None, high: float | None) -> str:
    """A band of speeds; open at the top where nothing skips there."""
    if low is None:
        return "no loss in the travel"
    if high is None:
        return f"{low * 1e3:.0f} mm/s and up"
    return f"{low * 1e3:.0f} to {high * 1e3:.0f} mm/s"


def acceleration(value: float) -> str:
    """An acceleration in mm/s2 for a sentence."""
    return f"{value * 1e3:,.0f} mm/s2"


def curve_words(curve: Curve) -> str:
    """One sentence on a torque curve."""
    top = curve.pullout[0] if curve.pullout else 0.0
    supply = f"{curve.machine.supply.voltage:g} V, {curve.drive.driver.current_rms:.2f} A rms"
    if curve.corner_rev_s is None:
        text = f"Motor {curve.drive.name} at {supply} keeps its torque over the whole range."
    else:
        per_turn = curve.drive.transmission.travel_per_turn
        text = (
            f"Motor {curve.drive.name} at {supply} keeps its full torque up to {curve.corner_rev_s:.1f} rev/s "
            f"({curve.corner_rev_s * per_turn * 1e3:.0f} mm/s of belt or nut), then the supply voltage limits it."
        )
    if curve.speeds_rev_s and curve.speeds_rev_s[0] == 0.0:
        text += f" At standstill it pulls {top:.3f} N.m."
    if curve.direction is not None and curve.acceleration is not None:
        move = f"moving along {curve.direction.label} at {acceleration(curve.acceleration)}"
        if curve.crossing_rev_s is None:
            text += f" The demand of {move} stays below it over this range."
        else:
            text += f" The demand of {move} passes it at {curve.crossing_rev_s:.1f} rev/s."
    return text


def _limit_words(limit: Limit) -> str:
    if limit.skip is None:
        return f"no loss up to the {speed(limit.reachable)} that {limit.travel * 1e3:.0f} mm of travel allows"
    text = f"loses steps from about {speed(limit.skip)}"
    if limit.low is not None and limit.high is not None:
        text += f" ({band(limit.low, limit.high)})"
    elif limit.low is not None:
        text += f" ({speed(limit.low)} and up)"
    return text + f", limited by {REASONS[limit.limited_by]}"


def prediction_words(prediction: Prediction) -> str:
    """The answer in one sentence: the slowest direction at the middle acceleration, and the range."""
    accelerations = sorted({limit.acceleration for limit in prediction.limits})
    middle = accelerations[len(accelerations) // 2]
    rows = [limit for limit in prediction.limits if limit.acceleration == middle]
    worst = min(rows, key=lambda limit: limit.reachable if limit.skip is None else limit.skip)
    best = max(rows, key=lambda limit: limit.reachable if limit.skip is None else limit.skip)
    text = f"At {acceleration(middle)} direction {worst.direction} {_limit_words(worst)}"
    if best.direction != worst.direction:
        text += f"; direction {best.direction} {_limit_words(best)}"
    return text + "."


def chance_words(prediction: Prediction, at: float) -> str:
    """The chance of losing steps at one speed, the worst move first."""
    limits = sorted(prediction.limits, key=lambda limit: -limit.chance(at))
    worst, best = limits[0], limits[-1]
    text = (
        f"At {speed(at)} the chance of losing steps is {worst.chance(at):.0%} {_move(worst)}"
        if len(limits) == 1 or worst.chance(at) == best.chance(at)
        else f"At {speed(at)} the chance of losing steps is highest {_move(worst)}, {worst.chance(at):.0%}, and lowest "
        f"{_move(best)}, {best.chance(at):.0%}"
    )
    if at > worst.reachable:
        text += f" (its travel allows only {speed(worst.reachable)})"
    return text + "."


def _move(limit: Limit) -> str:
    return f"along {limit.direction} at {acceleration(limit.acceleration)}"


def prediction_notes(prediction: Prediction) -> str:
    """Unstable windows, resonance, and what to measure to narrow the bands."""
    notes = [
        f"Unstable in {w.chance:.0%} of the machines within tolerance: holding {w.low * 1e3:.0f} to "
        f"{w.high * 1e3:.0f} mm/s along {w.direction}; faster or slower may work."
        for w in prediction.windows
    ]
    if prediction.resonances:
        parts = [f"{r.direction} {r.speed * 1e3:.0f} mm/s ({r.frequency:.0f} Hz)" for r in prediction.resonances]
        notes.append(
            "Low-speed resonance, rough but seldom losing microstepped motors their steps: " + ", ".join(parts) + "."
        )
    if prediction.contributions and prediction.contributions[0].share > 0.05:
        first = [c for c in prediction.contributions[:3] if c.share > 0.05]
        parts = [f"{c.what}{' (assumed)' if c.assumed else ''} {c.share:.0%}" for c in first]
        notes.append("The width of the bands comes most from " + ", ".join(parts) + ": measure those first.")
    return "\n".join(notes)


def motion_words(motion: Motion) -> str:
    """Kept or lost, and how close it was."""
    move = f"The move along {motion.direction.label} to {speed(motion.reached)} at {acceleration(motion.acceleration)}"
    short = ""
    if motion.reached < 0.999 * motion.speed:
        short = f" {speed(motion.speed)} is never reached in {motion.travel * 1e3:.0f} mm."
    if motion.lost_drive is None or motion.lost_speed is None or motion.lost_time is None:
        return (
            f"{move} keeps its steps: the rotor lags by at most {motion.worst_lag:.2f} rad of the electrical cycle "
            f"(it does not come back beyond about 2.6).{short}"
        )
    way = "behind" if motion.lost_cycles >= 0 else "ahead"
    return (
        f"{move} loses steps: motor {motion.lost_drive} falls out at {speed(motion.lost_speed)}, "
        f"{motion.lost_time * 1e3:.0f} ms after the start, and ends {abs(motion.lost_cycles)} electrical cycles "
        f"{way}.{short}"
    )


def _volts(machine: Machine) -> str:
    return f"{machine.supply.voltage:g} V"


def comparison_words(comparison: Comparison) -> str:
    """Does the change help, where, and where not."""
    ratios = [change for change in comparison.changes if change.ratio is not None]
    raised = [c for c in ratios if c.ratio is not None and c.ratio > 1.03]
    lowered = [c for c in ratios if c.ratio is not None and c.ratio < 0.97]
    before, after = comparison.before.machine, comparison.after.machine
    what = (
        f"Going from {_volts(before)} to {_volts(after)}"
        if before.supply.voltage != after.supply.voltage
        else "The change"
    )
    count = len(comparison.changes)
    if not raised and not lowered:
        return f"{what} does not move the skip speed by more than 3 % at any of the {count} moves looked at."
    parts = []
    if raised:
        low = min(c.ratio or 0.0 for c in raised)
        high = max(c.ratio or 0.0 for c in raised)
        by = f"{low:.2f} to {high:.2f} times" if high - low > 0.005 else f"{low:.2f} times"
        parts.append(f"raises the speed at which steps are lost at {len(raised)} of {count} moves, to {by}")
    if lowered:
        low = min(c.ratio or 0.0 for c in lowered)
        parts.append(f"lowers it at {len(lowered)} of {count}, down to {low:.2f} times")
    same = count - len(raised) - len(lowered)
    text = f"{what} " + " and ".join(parts)
    if same:
        why = sorted({c.why for c in ratios if c not in raised and c not in lowered})
        text += f"; at the other {same} it changes nothing worth having ({' or '.join(REASONS[w] for w in why)} decides there)"
    return text + "."


def power_words(comparison: Comparison) -> str:
    """Power drawn, beside volts times amps."""
    a, b = comparison.power_before, comparison.power_after
    return (
        f"Power drawn: {a.rest:.0f} W at rest, {a.cruise:.0f} W at {speed(a.speed)} along {a.direction}, "
        f"{a.limit:.0f} W at the limit ({speed(a.limit_speed)}); after the change {b.rest:.0f} W, {b.cruise:.0f} W and "
        f"{b.limit:.0f} W (at {speed(b.limit_speed)}). Volts times amps would say {a.volts_times_amps:.0f} W and "
        f"{b.volts_times_amps:.0f} W: that product is not the power drawn, because the driver trades voltage for current "
        "and the supply delivers only the heat in the copper and iron plus what the shaft gives. Size the supply by the "
        "power at the limit with a third to spare."
    )


STOP_RULE = (
    "Stop climbing in a direction and acceleration as soon as every trial at two speeds in a row loses steps, or at the "
    "first knock, smell or heat that was not there before. To see a lost step, touch the reference switch or a dial "
    "indicator before and after every move; a pen mark across pulley and shaft tells a slipped pulley from a lost step. "
    "Enter how many trials lost steps in the column 'skipped'. Moves are as short as their speed allows, which keeps mid-range "
    "instability out of the sweep: repeat a speed that is well kept over the whole travel to see whether the machine has it."
)


def plan_words(planned: Plan) -> str:
    """What the sweep is, how long it takes, what it is expected to tell."""
    rates: dict[str, set[float]] = {label: set() for label, *_ in planned.information}
    for row in planned.rows:
        rates[row.direction].add(row.acceleration)
    tested = "; ".join(f"{label} at {_accelerations(sorted(here))}" for label, here in rates.items())
    best = max(planned.information, key=lambda item: item[2])
    return (
        f"{len(planned.rows)} speeds, {planned.trials} {'trial' if planned.trials == 1 else 'trials'} each: about "
        f"{planned.duration / 60:.0f} minutes. Directions: {tested}. Most telling on its own: the limit along {best[0]} at "
        f"{acceleration(best[1])} ({best[2]:.1f} bit about the cause)."
    )


def _accelerations(rates: Sequence[float]) -> str:
    """How many accelerations [m/s2], and from which to which."""
    if len(rates) == 1:
        return acceleration(rates[0])
    return f"{len(rates)} accelerations from {rates[0] * 1e3:,.0f} to {acceleration(rates[-1])}"


def sizing_words(size: Sizing) -> str:
    """Which acceleration to use, or what would have to change."""
    goal = f"{speed(size.speed)} along {size.direction} in {size.travel * 1e3:.0f} mm"
    least = f"at least {acceleration(size.least)}"
    if size.most is not None:
        return (
            f"To reach {goal} use {least} (speed squared over travel) and at most {acceleration(size.most)}, above which "
            "more than one machine in ten within the tolerances would lose steps."
        )
    change = {
        "shock": "more current or a stronger motor, less moving mass, or a longer travel",
        "current": "more current or a stronger motor, less moving mass, or a longer travel",
        "voltage": "a higher supply voltage, a motor of lower inductance, or a larger pulley",
        "instability": "more damping, another current, or a range of speed beside the unstable one",
    }.get(size.why, "a longer travel")
    return (
        f"No acceleration reaches {goal} with a margin: it takes {least}, and at that the chance of losing steps is already "
        f"{size.chance_at_least:.0%}. What would help: {change}."
    )


def _explanation(e: Explanation) -> str:
    if e.kind == "neither":
        return "no whole number of cycles or teeth"
    unit = "electrical cycle" if e.kind == "lost-steps" else "belt tooth"
    plural = "electrical cycles" if e.kind == "lost-steps" else "belt teeth"
    parts = [f"{n:+d} {unit if abs(n) == 1 else plural} of motor {name}" for name, n in e.counts]
    return " and ".join(parts)


def _shift(one: Shift) -> str:
    best = one.explanations[0]
    text = f"({one.dx * 1e3:g}, {one.dy * 1e3:g}) mm is {_explanation(best)}, {percent(best.probability)}"
    if best.kind != "neither":
        text += f", {best.residual * 1e3:.2f} mm left over"
    if one.ambiguous:
        rivals = [f"{_explanation(e)} {percent(e.probability)}" for e in one.explanations[1:4] if e.probability > 0.05]
        text += "; ambiguous: " + "; ".join(rivals)
    return text


def shifts_words(shifts: Shifts) -> str:
    """What made the displacements, and what they have in common."""
    texts = [_shift(one) for one in shifts.shifts]
    if len(texts) == 1:
        kinds = {
            "lost-steps": "A motor slips by whole electrical cycles (four full steps): it lost steps.",
            "belt-teeth": "A belt jumped: look at its tension and the pulley's teeth.",
            "neither": "Something slips by any amount: a pulley on its shaft, a belt clamp, the part itself, or the reading.",
        }
        return f"The shift {texts[0]}. {kinds[shifts.shifts[0].explanations[0].kind]}"
    counts: dict[str, int] = {}
    for one in shifts.shifts:
        kind = one.explanations[0].kind if not one.ambiguous else "ambiguous"
        counts[kind] = counts.get(kind, 0) + 1
    summary = ", ".join(f"{n} {kind}" for kind, n in counts.items())
    return f"{len(texts)} shifts: {summary}. {shifts.consistency}"


def shifts_list(shifts: Shifts) -> str:
    """One line for every shift of several."""
    if len(shifts.shifts) == 1:
        return ""
    return "\n".join(f"{k}. {_shift(one)}." for k, one in enumerate(shifts.shifts, 1))


def _where(row: Agreement) -> str:
    return f"along {row.direction} at {acceleration(row.acceleration)}"


def diagnosis_words(diagnosis: Diagnosis) -> str:
    """The pattern, the cause, and what a reading would show."""
    if diagnosis.inference is None:
        return agreement_words(diagnosis)
    best, *others = diagnosis.inference.found
    pattern = pattern_words(diagnosis)
    rivals = [f for f in others[:2] if best.probability < ONE_OF_MANY or f.probability >= RIVAL * best.probability]
    if rivals:
        told = "; ".join(cause_words(diagnosis, f, True) for f in (best, *rivals))
        return f"{pattern}. These rows do not decide: {told}."
    if best.hypothesis.cause.sits == "nowhere" and not best.clearly_unstable and _falls_short(diagnosis):
        return f"{pattern}, yet no single fault on the list is likelier than none at all, {percent(best.probability)}."
    text = f"{pattern}: {cause_words(diagnosis, best, True)}."
    key = best.hypothesis.cause.reading
    if key and best.hypothesis.where != "all":
        text += " " + _reading_words(diagnosis, key.format(best.hypothesis.where))
    elif key and "{" not in key:
        text += " " + _reading_words(diagnosis, key)
    return text.rstrip()


def _falls_short(diagnosis: Diagnosis) -> bool:
    """Whether any limit lies below its band."""
    return any(row.verdict == "below" for row in diagnosis.agreement)


def pattern_words(diagnosis: Diagnosis) -> str:
    """How the measured limits lie against the bands, direction by direction."""
    by_direction: dict[str, list[Agreement]] = {}
    for row in diagnosis.agreement:
        by_direction.setdefault(row.direction, []).append(row)
    groups: dict[str, list[str]] = {}
    deep: list[float] = []
    for direction, rows in by_direction.items():
        verdicts = {row.verdict for row in rows}
        name = (
            "below"
            if "below" in verdicts
            else "above"
            if "above" in verdicts
            else "within"
            if "within" in verdicts
            else "untested"
        )
        groups.setdefault(name, []).append(direction)
        deep += [_shortfall(row) for row in rows if row.verdict == "below"]
    parts = []
    if "below" in groups:
        depth = f"up to {max(deep):.0%} " if deep and max(deep) > 0.02 else ""
        parts.append(f"rows along {_and(groups['below'])} fall {depth}below the band")
    if "above" in groups:
        parts.append(
            f"{_and(groups['above'])} lies above it"
            if parts
            else f"rows along {_and(groups['above'])} lie above the band"
        )
    if "within" in groups:
        names = groups["within"]
        verb = "is" if len(names) == 1 else "are"
        parts.append(f"{_and(names)} {verb} as predicted" if parts else f"rows along {_and(names)} are as predicted")
    if "untested" in groups and not parts:
        parts.append("nothing measured reaches the predicted band yet")
    text = ", ".join(parts)
    return text[:1].upper() + text[1:]


def _shortfall(row: Agreement) -> float:
    edge = row.low if row.low is not None else row.reachable
    measured = row.skipped if row.skipped is not None else row.passed
    return max(1.0 - measured / edge, 0.0) if measured is not None and edge > 0.0 else 0.0


def _and(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def percent(probability: float) -> str:
    """A probability in whole per cent, never certain."""
    if probability > 0.99:
        return "over 99%"
    return "under 1%" if probability < 0.01 else f"{probability:.0%}"


def amount(value: float, unit: str) -> str:
    """A size with its unit, two figures."""
    return f"{float(f'{value:.2g}'):g} {unit}".rstrip()


def size_words(machine: Machine, found: Found) -> tuple[float, float, float, str]:
    """Size of a cause in trade units: median, 10 and 90 % points, unit."""
    cause, column = found.hypothesis.cause, found.hypothesis.column
    values = [cause.told(machine, column, v) for v in (found.size, found.size_low, found.size_high)]
    return values[0], values[1], values[2], cause.unit


def cause_words(diagnosis: Diagnosis, found: Found, with_probability: bool = False) -> str:
    """A cause with its size and probability."""
    value, low, high, unit = size_words(diagnosis.machine, found)
    where = "all motors" if found.hypothesis.where == "all" else found.hypothesis.where
    if found.hypothesis.cause.sits == "motor or all" and where != "all motors":
        where = f"motor {where}"
    if found.hypothesis.cause.sits == "nowhere" and found.clearly_unstable:
        text = f"no fault, but mid-range instability along {_and(list(found.clearly_unstable))}"
    elif found.hypothesis.cause.sits == "nowhere" and _falls_short(diagnosis):
        # It does not do what it can.
        perhaps = [label for label, (chance, _) in found.unstable.items() if chance >= PERHAPS_UNSTABLE]
        text = f"no fault on the list{f', perhaps mid-range instability along {_and(perhaps)}' if perhaps else ''}"
    else:
        text = found.hypothesis.cause.sentence.format(where=where, size=amount(value, unit))
    if found.hypothesis.sized:
        text += f" ({amount(low, '')} to {amount(high, unit)})"
    return f"{text}, {percent(found.probability)}" if with_probability else text


def _reading_words(diagnosis: Diagnosis, key: str) -> str:
    """What a reading would be under the best cause, and under none."""
    import numpy as np

    from ..answers.causes import hypotheses
    from ..answers.nextcheck import reading_check
    from ..answers.readings import expected

    if key in diagnosis.readings or diagnosis.inference is None:
        return ""
    healthy = next(h for h in hypotheses(diagnosis.machine) if h.cause.sits == "nowhere")
    reading = readings_of(diagnosis.machine)[key]
    check = reading_check(diagnosis.machine, diagnosis.inference, reading)
    with_it = check.expectations[0].value
    without = reading.kind.unscale(float(expected(diagnosis.machine, healthy, key, np.ones(1))[0][0]))
    how, unit = reading.how, reading.kind.unit
    shown = "an open circuit" if _open_circuit(reading.kind, with_it) else f"about {amount(with_it, unit)}"
    return f"{how[:1].upper()}{how[1:]}: it would read {shown} instead of {amount(without, unit)}."


def _open_circuit(kind: Kind, value: float) -> bool:
    """Whether a reading is that of a circuit that is open."""
    return kind.name == "phase_ohm" and value > 5e3


def check_words(check: Check) -> str:
    """A suggestion and what it would show under the leading causes."""
    how = check.how[:1].upper() + check.how[1:]
    told = "; ".join(_expectation(check, e) for e in check.expectations)
    worth = f"tells {check.information:.2f} bit" if check.information >= 0.05 else "only to confirm"
    return f"{how} ({worth}): {told}."


def _expectation(check: Check, e: Expectation) -> str:
    name = e.cause if e.where == "all" else f"{e.cause} {e.where}"
    if check.reading is None:
        return f"if {name}, {e.value:.0%} likely to lose steps"
    kind = check.reading.kind
    if _open_circuit(kind, e.value):
        return f"if {name}, an open circuit"
    return f"if {name}, {amount(e.value, kind.unit)} ({amount(e.low, '')} to {amount(e.high, kind.unit)})"


def agreement_words(diagnosis: Diagnosis) -> str:
    """The verdict on the agreement alone, in one or two sentences."""
    rows = diagnosis.agreement
    below = [row for row in rows if row.verdict == "below"]
    above = [row for row in rows if row.verdict == "above"]
    within = [row for row in rows if row.verdict == "within"]
    if not below and not above:
        if not within:
            return "Nothing measured reaches the predicted band yet."
        if len(within) == 1:
            row = within[0]
            text = f"The measured limit {_where(row)} agrees with what this machine ought to do ({band(row.low, row.high)})."
        else:
            text = f"All {len(within)} measured limits agree with what this machine ought to do."
        if len(within) < len(rows):
            text += f" {len(rows) - len(within)} more do not reach the band and say nothing."
        return text
    parts = []
    for name, group in (("below", below), ("above", above)):
        if group:
            places = ", ".join(dict.fromkeys(row.direction for row in group))
            worst = max(group, key=_distance)
            parts.append(
                f"{len(group)} of {len(rows)} measured limits lie {name} the predicted band (direction {places}); "
                f"furthest {_where(worst)}: {_measured(worst)}, predicted {_predicted(worst)}"
            )
    return "; ".join(parts) + "."


def _distance(row: Agreement) -> float:
    edge = row.low if row.verdict == "below" else row.high
    edge = row.reachable if edge is None else edge
    measured = row.skipped if row.verdict == "below" else row.passed
    if measured is None or edge <= 0.0:
        return 0.0
    return max(measured / edge, edge / max(measured, 1e-9))


def _predicted(row: Agreement) -> str:
    """The band, or where there is none the speed alone."""
    return speed(row.predicted) if row.low is None and row.predicted is not None else band(row.low, row.high)


def _measured(row: Agreement) -> str:
    if row.passed is not None and row.skipped is not None:
        return f"{speed(row.passed)} worked and {speed(row.skipped)} lost steps"
    return f"{speed(row.skipped)} lost steps" if row.skipped is not None else f"{speed(row.passed)} worked"


def moved_words(diagnosis: Diagnosis) -> str:
    """How far probabilities hang on which machines within tolerance were drawn."""
    assert diagnosis.inference is not None
    return f"No probability depends by more than {diagnosis.inference.moved:.1%} on which machines were drawn."


def assumed_words(machine: Machine) -> str:
    """Which values were assumed, motors that share one taken together; empty where nothing was."""
    grouped: dict[tuple[str, float | str, str], list[str]] = {}
    for a in machine.assumed:
        head, _, leaf = a.key.rpartition(".")
        grouped.setdefault((leaf, a.value, a.unit), []).append(head.rpartition(".")[2])
    parts = []
    for (leaf, value, unit), owners in grouped.items():
        number = value if isinstance(value, str) else f"{value:.3g}"
        rounded = f"{number}{' ' + unit if unit else ''}"
        parts.append(f"{leaf} ({', '.join(owners)}) {rounded}")
    return "Assumed, as the file does not say: " + "; ".join(parts) + "." if parts else ""


def lines(parts: Sequence[str]) -> str:
    """Paragraphs that are not empty, one after the other."""
    return "\n".join(part for part in parts if part)
