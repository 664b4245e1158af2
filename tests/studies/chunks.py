"""A long study in pieces on all cores, its table written after every piece: one that is cut short leaves what it had."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TypeVar

from motionlimits.workers import usable_cores

Found = TypeVar("Found")


def in_chunks(
    study: Callable[[Sequence[int]], list[Found]],
    seeds: range,
    size: int,
    table: Callable[[Sequence[Found]], list[str]],
    path: Path,
) -> list[str]:
    """Run a study on some seeds, `size` at a time; lines of the table of everything found."""
    found: list[Found] = []
    with ProcessPoolExecutor(usable_cores()) as pool:
        for some in pool.map(study, [seeds[k : k + size] for k in range(0, len(seeds), size)]):
            found += some
            path.write_text("\n".join(table(found)) + "\n")
    return table(found)


def asked_for(study: Callable[[range], list[str]], name: str, path: Path) -> None:
    """Run a study on as many cases from as first a seed as the command line says (160, 0); print and write its table."""
    given = [int(text) for text in sys.argv[1:3]]
    cases, first = [*given, *(160, 0)[len(given) :]]
    start = time.monotonic()
    lines = study(range(first, first + cases))
    title = f"study: {name}, seeds {first} to {first + cases - 1}"
    text = "\n".join([title, *lines, f"took {time.monotonic() - start:.0f} s"]) + "\n"
    path.write_text(text)
    print(text)
