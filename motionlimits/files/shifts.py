"""Displacement files: one line for every shifted layer or line."""

from __future__ import annotations

from pathlib import Path

from ..errors import InputError
from .fields import read_text
from .sweeps import csv_number, csv_rows

COLUMNS = ("dx_mm", "dy_mm")
EXTRA_COLUMNS = ("error_mm", "note")


def read_shifts(path: Path, error: float) -> list[tuple[float, float, float]]:
    """Displacements (dx, dy, error) [m] of a CSV with header dx_mm,dy_mm and optionally error_mm,note.

    Raises
    ------
    InputError
        With file, line and column.
    """
    found = []
    for where, cells in csv_rows(read_text(path, "shifts"), str(path), COLUMNS, EXTRA_COLUMNS):
        dx, dy = (csv_number(cells, column, -1e4, 1e4, "mm", where) / 1e3 for column in COLUMNS)
        own = csv_number(cells, "error_mm", 1e-3, 10.0, "mm", where) / 1e3 if cells.get("error_mm") else error
        found.append((dx, dy, own))
    if not found:
        raise InputError(f"{path}: no measured rows under the header line")
    return found
