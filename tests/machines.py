"""Strategies and builders of machine tables for tests."""

from __future__ import annotations

import copy
from typing import Any

from hypothesis import strategies as st

from motionlimits.files.machines import machine_from_table
from motionlimits.files.motors import motor_names
from motionlimits.machine import Machine

CROSSED: dict[str, Any] = {
    "machine": {"name": "test gantry (invented)", "layout": "crossed-belt"},
    "supply": {"voltage_v": 24.0, "resistance_ohm": 0.05},
    "driver": {"current_rms_a": 1.4, "bridge_resistance_ohm": 0.25},
    "transmission": {"kind": "belt", "pulley_teeth": 20, "belt_pitch_mm": 2.0, "belt_stiffness_n_per_mm": 60.0},
    "motors": {"a": {"motor": "n17-48-2a0"}, "b": {"motor": "n17-48-2a0"}},
    "axes": {
        "x": {"moving_mass_kg": 0.42, "travel_mm": 320, "friction_n": 4.0, "viscous_n_s_per_m": 3.0},
        "y": {"moving_mass_kg": 1.3, "travel_mm": 300, "friction_n": 5.0, "viscous_n_s_per_m": 3.0},
    },
}


def table(**changes: object) -> dict[str, Any]:
    """A copy of the crossed-belt table with values replaced, keys written with double underscores for dots."""
    result = copy.deepcopy(CROSSED)
    for key, value in changes.items():
        place = result
        *parents, leaf = key.split("__")
        for part in parents:
            place = place.setdefault(part, {})
        if value is None:
            place.pop(leaf, None)
        else:
            place[leaf] = value
    return result


def machine(**changes: object) -> Machine:
    """The crossed-belt machine with values replaced."""
    return machine_from_table(table(**changes), "test")


def number(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


@st.composite
def machine_tables(draw: st.DrawFn) -> dict[str, Any]:
    """Any valid machine: both layouts, all transmissions, optional values there or not."""

    def maybe(target: dict[str, Any], key: str, strategy: st.SearchStrategy[Any]) -> None:
        if draw(st.booleans()):
            target[key] = draw(strategy)

    def transmission() -> dict[str, Any]:
        kind = draw(st.sampled_from(["belt", "screw", "feed"]))
        result: dict[str, Any] = {"kind": kind}
        if kind == "belt":
            result |= {
                "pulley_teeth": draw(st.integers(10, 60)),
                "belt_pitch_mm": draw(st.sampled_from([2.0, 2.5, 3.0])),
            }
            maybe(result, "belt_stiffness_n_per_mm", number(5, 500))
            maybe(result, "efficiency", number(0.7, 1.0))
        elif kind == "screw":
            result |= {"lead_mm": draw(number(1, 40)), "efficiency": draw(number(0.2, 0.95))}
        else:
            result |= {"feed_mm_per_rev": draw(number(5, 100))}
        maybe(result, "reduction", number(0.5, 10))
        maybe(result, "inertia_gcm2", number(0, 100))
        return result

    layout = draw(st.sampled_from(["independent", "crossed-belt"]))
    axes = ["x", "y", *draw(st.sampled_from([[], ["z"]]))]
    motors = ["a", "b", *axes[2:]] if layout == "crossed-belt" else axes
    driver: dict[str, Any] = {draw(st.sampled_from(["current_rms_a", "current_peak_a"])): draw(number(0.2, 4))}
    maybe(driver, "bridge_resistance_ohm", number(0, 1))
    maybe(driver, "voltage_max_v", number(20, 100))
    maybe(driver, "current_loop", st.sampled_from(["regulated", "slow-decay"]))
    result: dict[str, Any] = {
        "machine": {"name": "drawn (invented)", "layout": layout},
        "supply": {"voltage_v": draw(number(12, 75))},
        "driver": driver,
        "transmission": transmission(),
        "motors": {},
        "axes": {},
    }
    maybe(result["supply"], "resistance_ohm", number(0, 0.5))
    for name in motors:
        entry: dict[str, Any] = {"motor": draw(st.sampled_from(motor_names()))}
        maybe(entry, "count", st.integers(1, 3))
        if draw(st.integers(0, 4)) == 0:
            entry["driver"] = {"current_peak_a": draw(number(0.2, 5))}
        if name not in ("a", "b") and draw(st.booleans()):
            entry["transmission"] = transmission()
        result["motors"][name] = entry
    for name in axes:
        axis: dict[str, Any] = {"moving_mass_kg": draw(number(0.05, 20)), "travel_mm": draw(number(20, 2000))}
        maybe(axis, "friction_n", number(0, 30))
        maybe(axis, "viscous_n_s_per_m", number(0, 50))
        maybe(axis, "process_force_n", number(0, 20))
        if name == "z":
            maybe(axis, "incline_deg", number(-90, 90))
        result["axes"][name] = axis
    return result
