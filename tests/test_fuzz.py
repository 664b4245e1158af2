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


def test_all_commands_on_mutated_files_and_odd_options(tmp_path: Path) -> None:
    tally = fuzz.run_commands(150, 3, EXAMPLES, tmp_path)
    assert tally["answered"] > 15
    assert tally["refused"] > 15


@pytest.mark.study
@pytest.mark.parametrize("seed", range(4))
def test_hundred_thousand_commands(tmp_path: Path, seed: int) -> None:
    start = time.monotonic()
    tally = fuzz.run_commands(25_000, 100 + seed, EXAMPLES, tmp_path, simulated_share=0.004)
    print(f"25,000 command lines, seed {100 + seed}: {tally}, {time.monotonic() - start:.0f} s")
    assert tally["answered"] > 2500
    assert tally["refused"] > 2500


@pytest.mark.filterwarnings("error")
def test_a_few_rows_get_a_diagnosis() -> None:
    assert fuzz.diagnosed(0) == pytest.approx(1.0)


@pytest.mark.study
@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("seed", range(150))
def test_a_few_rows_of_many_machines_get_a_diagnosis(seed: int) -> None:
    assert fuzz.diagnosed(seed) == pytest.approx(1.0)
