from __future__ import annotations

import time
from pathlib import Path

import pytest

from . import fuzz
from .conftest import EXAMPLES


def test_mutated_files_get_an_answer_or_one_message(tmp_path: Path) -> None:
    tally = fuzz.run(150, 1, EXAMPLES, tmp_path)
    assert tally["answered"] > 15
    assert tally["refused"] > 15


@pytest.mark.study
def test_ten_thousand_mutated_files(tmp_path: Path) -> None:
    start = time.monotonic()
    tally = fuzz.run(10_000, 2026, EXAMPLES, tmp_path)
    print(f"10,000 mutated file pairs: {tally}, {time.monotonic() - start:.0f} s")
    assert tally["answered"] > 1000
    assert tally["refused"] > 1000
