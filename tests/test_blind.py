"""The blind study of `tests/studies/diagnosis_study.py` on one of its cases: a hidden fault, swept by the switching truth."""

from __future__ import annotations

from .studies.diagnosis_study import some_cases, table_of

SEED = 239  # a quick one: an open phase on crossed belts


def test_a_hidden_fault_is_found() -> None:
    (case,) = some_cases([SEED])
    assert (case.layout, case.cause) == ("crossed-belt", "open-phase")
    assert case.rank == 0
    assert case.rank_after_check == 0
    assert case.probability > 0.5
    assert case.top == f"open-phase {case.where}"
    assert table_of([case])[0].startswith("cases 1; right cause and place first 100.0%")
