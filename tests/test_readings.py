from __future__ import annotations

import pytest

from motionlimits.answers.causes import CAUSES
from motionlimits.files.evidence import evidence_fields
from motionlimits.machine import Machine
from motionlimits.readings import KINDS, readings_of


def test_every_reading_is_told_once(gantry: Machine, cutter: Machine) -> None:
    for described in (gantry, cutter):
        readings = readings_of(described)
        assert list(readings) == list(evidence_fields(described))
        assert len(readings) == 1 + 3 * len(described.axis_names) + 2 * len(described.drive_names)
        for key, reading in readings.items():
            assert key == reading.key == reading.kind.key.format(reading.place)
            assert "{" not in reading.how
            assert reading.place in reading.how.replace(",", " ").split() or not reading.place
    assert {cause.reading for cause in CAUSES} - {""} <= {kind.key for kind in KINDS}


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_scales_are_turned_round(kind) -> None:  # type: ignore[no-untyped-def]
    assert kind.unscale(kind.scale(2.5)) == pytest.approx(2.5)
    assert kind.allowed[0] < kind.allowed[1]


def test_what_cannot_be_pulled_is_let_go_first(gantry: Machine, cutter: Machine) -> None:
    belts, mixed = readings_of(gantry), readings_of(cutter)
    for key in ("pull_x_n", "fast_pull_x_n"):
        assert belts[key].how.endswith("motors off")
    for key in ("pull_z_n", "fast_pull_z_n"):
        assert "nut of the screw let go" in mixed[key].how
    assert "half the difference" in mixed["pull_z_n"].how
    assert "nut" not in mixed["pull_y_n"].how
    assert "nut" not in mixed["mass_z_kg"].how
