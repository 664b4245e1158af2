from __future__ import annotations

import math

import numpy as np
import pytest

from motionlimits.answers.shift import cycle_travel, explain, explain_all, plane_drives
from motionlimits.errors import InputError
from motionlimits.files.shifts import read_shifts
from motionlimits.machine import Machine

from ..machines import machine


def displaced(described: Machine, counts: dict[str, int], unit: float | None = None) -> np.ndarray:
    drives = plane_drives(described)
    columns = [described.axis_names.index(a) for a in ("x", "y")]
    rows = [described.drives.index(d) for d in drives]
    travel = np.array([counts.get(d.name, 0) * (unit or cycle_travel(d)) for d in drives])
    return np.linalg.pinv(described.kinematic_map[np.ix_(rows, columns)]) @ travel


def test_one_cycle_of_one_motor() -> None:
    """40 mm a turn and 50 teeth: 0.8 mm of belt, half of it along x and half along y."""
    found = explain(machine(), 0.0004, 0.0004)
    best = found.explanations[0]
    assert (best.kind, best.counts) == ("lost-steps", (("a", 1),))
    assert best.probability > 0.8
    assert best.residual < 1e-9


def test_a_tooth_and_nothing() -> None:
    tooth = displaced(machine(), {"b": 1}, 0.002)
    best = explain(machine(), *tooth).explanations[0]
    assert (best.kind, best.counts) == ("belt-teeth", (("b", 1),))
    assert explain(machine(), 0.0005, -0.00013).explanations[0].kind == "neither"


def test_five_cycles_or_two_teeth_is_said_to_be_ambiguous_or_told_with_less_certainty() -> None:
    both = displaced(machine(), {"a": 5})
    found = explain(machine(), *both)
    kinds = {e.kind: e for e in found.explanations[:2]}
    assert set(kinds) == {"lost-steps", "belt-teeth"}


def truth_study(count: int, seed: int) -> tuple[int, int, int, int]:
    """Random slips with 0.05 mm reading error: right first among those distinguishable in principle; ambiguity stated.

    Distinguishable in principle: no other explanation of whole cycles or teeth that is at least as likely beforehand
    lies within three reading errors of the truth.
    """
    rng = np.random.default_rng(seed)
    right = clear = stated = rest = 0
    for k in range(count):
        described = (
            machine()
            if k % 2
            else machine(
                machine__layout="independent",
                motors={"x": {"motor": "n17-48-2a0"}, "y": {"motor": "n17-48-2a0"}},
            )
        )
        names = [d.name for d in plane_drives(described)]
        kind = str(rng.choice(["lost-steps", "lost-steps", "lost-steps", "belt-teeth"]))
        name = str(rng.choice(names))
        size = int(rng.integers(1, 12)) if kind == "lost-steps" else int(rng.integers(1, 4))
        counts = {name: size * int(rng.choice([-1, 1]))}
        place = displaced(described, counts, 0.002 if kind == "belt-teeth" else None)
        found = explain(described, *(place + 5e-5 * rng.standard_normal(2)))
        exact = explain(described, *place, error=5e-5)
        truth = (kind, tuple(counts.items()))
        mine = next((e for e in exact.explanations if (e.kind, e.counts) == truth), None)
        rivals = [
            e
            for e in exact.explanations
            if (e.kind, e.counts) != truth
            and e.kind != "neither"
            and e.residual < 3 * math.sqrt(2) * 5e-5
            and (mine is None or e.probability > 0.15 * mine.probability)
        ]
        best = found.explanations[0]
        if rivals:
            rest += 1
            stated += found.ambiguous or (best.kind, best.counts) == truth
        else:
            clear += 1
            right += (best.kind, best.counts) == truth
    return right, clear, stated, rest


def test_random_slips_are_explained() -> None:
    right, clear, stated, rest = truth_study(500, seed=5)
    assert clear > 300
    assert right >= 0.95 * clear
    assert stated >= 0.9 * rest


def test_what_several_shifts_have_in_common() -> None:
    described = machine()
    one = [(*tuple(displaced(described, {"a": n})), 5e-05) for n in (1, 3, 2)]
    same = explain_all(described, one)
    assert "Always motor a" in same.consistency
    assert same.motors == (("a",),) * 3
    mixed = [(*tuple(displaced(described, {"a": 2})), 5e-05), (*tuple(displaced(described, {"b": -3})), 5e-05)]
    assert "Different motors" in explain_all(described, mixed).consistency
    teeth = [(*tuple(displaced(described, {"a": 1}, 0.002)), 5e-05)] * 2
    assert "teeth" in explain_all(described, teeth).consistency


def test_bad_shifts(tmp_path) -> None:  # type: ignore[no-untyped-def]
    for dx, dy, error in ((math.nan, 0.0, 5e-5), (20.0, 0.0, 5e-5), (0.001, 0.0, 0.0)):
        with pytest.raises(InputError):
            explain(machine(), dx, dy, error)
    path = tmp_path / "shifts.csv"
    path.write_text("dx_mm,dy_mm,error_mm\n0.4,0.4,\n-0.8,-0.8,0.1\n")
    assert read_shifts(path, 5e-5) == [(0.0004, 0.0004, 5e-5), (-0.0008, -0.0008, 1e-4)]
    path.write_text("dx_mm,dy_mm\n0.4,fast\n")
    with pytest.raises(InputError, match="line 2, column dy_mm"):
        read_shifts(path, 5e-5)
