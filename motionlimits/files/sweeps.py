"""Sweep files: what was commanded, how often, and how often steps were lost."""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Iterable
from pathlib import Path

from ..errors import InputError
from ..machine import Machine
from ..sweep import SweepRow
from .fields import Field, read_text, show

COLUMNS = ("direction", "acceleration_mm_s2", "speed_mm_s", "travel_mm", "trials", "skipped")
EXTRA_COLUMNS = ("shift_x_mm", "shift_y_mm", "note")
MAX_ROWS = 5000


def read_sweep(path: Path | str, machine: Machine) -> tuple[SweepRow, ...]:
    """Read and check a sweep against the machine it was made on.

    Raises
    ------
    InputError
        With file, line, column, what was read and what is allowed.
    """
    path = Path(path)
    return parse_sweep(read_text(path, "sweep"), machine, str(path))


def parse_sweep(text: str, machine: Machine, source: str = "sweep") -> tuple[SweepRow, ...]:
    """Rows of a sweep from its text; see `read_sweep`."""
    rows: list[SweepRow] = []
    header: list[str] | None = None
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        try:
            cells = [cell.strip() for cell in next(csv.reader(io.StringIO(line), strict=True))]
        except csv.Error as problem:
            raise InputError(f"{source}, line {number}: not a valid CSV line: {problem}") from None
        if header is None:
            header = _check_header(cells, line, source, number)
            continue
        if len(cells) != len(header):
            decimal = " (a decimal comma splits a number in two: write a point)" if len(cells) > len(header) else ""
            raise InputError(f"{source}, line {number}: {len(cells)} values under {len(header)} column names{decimal}")
        if len(rows) >= MAX_ROWS:
            raise InputError(f"{source}, line {number}: more than {MAX_ROWS} rows, the most that is read")
        rows.append(_row(dict(zip(header, cells, strict=True)), machine, f"{source}, line {number}", number))
    if header is None:
        raise InputError(f"{source}: empty; the first line must be {','.join(COLUMNS)}")
    if not rows:
        raise InputError(f"{source}: no measured rows under the header line")
    return tuple(rows)


def _check_header(cells: list[str], line: str, source: str, number: int) -> list[str]:
    allowed = COLUMNS + EXTRA_COLUMNS
    if len(cells) == 1 and ";" in line:
        raise InputError(f"{source}, line {number}: columns are separated by commas, not semicolons")
    for cell in cells:
        if cell not in allowed:
            near = difflib.get_close_matches(cell, allowed, n=1)
            hint = f"did you mean '{near[0]}'? " if near else ""
            raise InputError(
                f"{source}, line {number}: column {show(cell)} is not known; {hint}the header is "
                f"{','.join(COLUMNS)}, optionally with {','.join(EXTRA_COLUMNS)}"
            )
        if cells.count(cell) > 1:
            raise InputError(f"{source}, line {number}: column '{cell}' appears twice")
    missing = [column for column in COLUMNS if column not in cells and column != "travel_mm"]
    if missing:
        raise InputError(f"{source}, line {number}: the column '{missing[0]}' is missing from the header")
    return cells


def _number(cells: dict[str, str], column: str, low: float, high: float, unit: str, where: str) -> float:
    text = cells.get(column, "")
    allowed = f"allowed: a number from {low:g} to {high:g}{' ' + unit if unit else ''}, with a decimal point"
    try:
        value = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or not low <= value <= high:
        raise InputError(f"{where}, column {column}: read {show(text)}; {allowed}")
    return value


def _optional(cells: dict[str, str], column: str, low: float, high: float, where: str) -> float | None:
    if not cells.get(column):
        return None
    return _number(cells, column, low, high, "mm", where) / 1e3


def _count(cells: dict[str, str], column: str, low: int, where: str) -> int:
    value = _number(cells, column, low, 100_000, "", where)
    if value != int(value):
        raise InputError(f"{where}, column {column}: read {show(cells[column])}; allowed: a whole number")
    return int(value)


def _row(cells: dict[str, str], machine: Machine, where: str, line: int) -> SweepRow:
    try:
        machine.direction(cells["direction"])
    except InputError as problem:
        raise InputError(f"{where}, column direction: {problem}") from None
    trials = _count(cells, "trials", 1, where)
    skipped = _count(cells, "skipped", 0, where)
    if skipped > trials:
        raise InputError(f"{where}, column skipped: read {skipped}; allowed: up to the {trials} trials of this row")
    return SweepRow(
        direction=cells["direction"],
        acceleration=_number(cells, "acceleration_mm_s2", 0.1, 1e7, "mm/s2", where) / 1e3,
        speed=_number(cells, "speed_mm_s", 0.01, 1e6, "mm/s", where) / 1e3,
        travel=_optional(cells, "travel_mm", 0.01, 1e6, where),
        trials=trials,
        skipped=skipped,
        shift_x=_optional(cells, "shift_x_mm", -1e5, 1e5, where),
        shift_y=_optional(cells, "shift_y_mm", -1e5, 1e5, where),
        note=cells.get("note", "")[:300],
        line=line,
    )


def write_sweep(rows: Iterable[SweepRow], comments: Iterable[str] = ()) -> str:
    """The text of a sweep file that reads back as the same rows."""
    rows = tuple(rows)
    extra = [
        column
        for column, attribute in zip(EXTRA_COLUMNS, ("shift_x", "shift_y", "note"), strict=True)
        if any(getattr(row, attribute) not in (None, "") for row in rows)
    ]
    out = io.StringIO()
    for comment in comments:
        out.write(f"# {comment}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*COLUMNS, *extra])
    for row in rows:
        values = {
            "direction": row.direction,
            "acceleration_mm_s2": _file_number(row.acceleration),
            "speed_mm_s": _file_number(row.speed),
            "travel_mm": "" if row.travel is None else _file_number(row.travel),
            "trials": str(row.trials),
            "skipped": str(row.skipped),
            "shift_x_mm": "" if row.shift_x is None else _file_number(row.shift_x),
            "shift_y_mm": "" if row.shift_y is None else _file_number(row.shift_y),
            "note": row.note,
        }
        writer.writerow([values[column] for column in [*COLUMNS, *extra]])
    return out.getvalue()


def _file_number(value: float) -> str:
    """Millimetres of a value in metres, the shortest text that reads back exactly."""
    millimetres = Field("", 0, 0, per_si=1e3).from_si(value)
    return repr(int(millimetres)) if millimetres == int(millimetres) else repr(millimetres)
