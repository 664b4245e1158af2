"""A long study in pieces on all cores, its table written after every piece: one that is cut short leaves what it had."""

from __future__ import annotations

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
