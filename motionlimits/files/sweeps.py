"""Sweep files: what was commanded, how often, and how often steps were lost."""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from ..errors import InputError
from ..machine import Machine, names_direction
from ..sweep import SweepRow
from .fields import Field, read_text, show

COLUMNS = ("direction", "acceleration_mm_s2", "speed_mm_s", "travel_mm", "trials", "skipped")
EXTRA_COLUMNS = ("shift_x_mm", "shift_y_mm", "note")
MAX_ROWS = 5000


def read_sweep(path: Path | str, machine: Machine) -> tuple[SweepRow, ...]:
    """Read and check a sweep against the machine it was made on.

    Rows in directions that this machine lacks, as that of an axis of another one, are read all the same: `diagnose` leaves
    them out and says so.

    Raises
    ------
    InputError
        With file, line, column, what was read and what is allowed.
    """
    path = Path(path)
    return parse_sweep(read_text(path, "sweep"), machine, str(path))


def parse_sweep(text: str, machine: Machine, source: str = "sweep") -> tuple[SweepRow, ...]:
    """Rows of a sweep from its text; see `read_sweep`. Rows whose `skipped` is still empty are left out."""
    rows = []
    for where, cells in csv_rows(text, source, COLUMNS, EXTRA_COLUMNS, optional=("travel_mm",)):
        if cells["skipped"]:
            rows.append(_row(cells, machine, where))
    if not rows:
        raise InputError(
            f"{source}: no measured rows under the header line (rows with an empty 'skipped' do not count)"
        )
    return tuple(rows)


def csv_rows(
    text: str, source: str, columns: Sequence[str], extra: Sequence[str], optional: Sequence[str] = ()
) -> Iterator[tuple[str, dict[str, str]]]:
    """Lines of a CSV text under a checked header: where each stands, and its cells by column.

    Lines that start with # are comments.

    Raises
    ------
    InputError
        For a wrong header, a wrong number of cells, or too many rows.
    """
    header: list[str] | None = None
    count = 0
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        where = f"{source}, line {number}"
        try:
            cells = [cell.strip() for cell in next(csv.reader(io.StringIO(line), strict=True))]
        except csv.Error as problem:
            raise InputError(f"{where}: not a valid CSV line: {problem}") from None
        if header is None:
            header = _check_header(cells, line, where, columns, extra, optional)
            continue
        if len(cells) != len(header):
            decimal = " (a decimal comma splits a number in two: write a point)" if len(cells) > len(header) else ""
            raise InputError(f"{where}: {len(cells)} values under {len(header)} column names{decimal}")
        count += 1
        if count > MAX_ROWS:
            raise InputError(f"{where}: more than {MAX_ROWS} rows, the most that is read")
        yield where, dict(zip(header, cells, strict=True))
    if header is None:
        raise InputError(f"{source}: empty; the first line must be {','.join(columns)}")


def _check_header(
    cells: list[str], line: str, where: str, columns: Sequence[str], extra: Sequence[str], optional: Sequence[str]
) -> list[str]:
    allowed = (*columns, *extra)
    if len(cells) == 1 and ";" in line:
        raise InputError(f"{where}: columns are separated by commas, not semicolons")
    for cell in cells:
        if cell not in allowed:
            near = difflib.get_close_matches(cell, allowed, n=1)
            hint = f"did you mean '{near[0]}'? " if near else ""
            raise InputError(
                f"{where}: column {show(cell)} is not known; {hint}the header is "
                f"{','.join(columns)}, optionally with {','.join(extra)}"
            )
        if cells.count(cell) > 1:
            raise InputError(f"{where}: column '{cell}' appears twice")
    missing = [column for column in columns if column not in cells and column not in optional]
    if missing:
        raise InputError(f"{where}: the column '{missing[0]}' is missing from the header")
    return cells


def csv_number(cells: dict[str, str], column: str, low: float, high: float, unit: str, where: str) -> float:
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
    return csv_number(cells, column, low, high, "mm", where) / 1e3


def _count(cells: dict[str, str], column: str, low: int, where: str) -> int:
    value = csv_number(cells, column, low, 100_000, "", where)
    if value != int(value):
        raise InputError(f"{where}, column {column}: read {show(cells[column])}; allowed: a whole number")
    return int(value)


def _row(cells: dict[str, str], machine: Machine, where: str) -> SweepRow:
    try:
        machine.direction(cells["direction"])
    except InputError as problem:
        if not names_direction(cells["direction"]):
            raise InputError(f"{where}, column direction: {problem}") from None
    trials = _count(cells, "trials", 1, where)
    skipped = _count(cells, "skipped", 0, where)
    if skipped > trials:
        raise InputError(f"{where}, column skipped: read {skipped}; allowed: up to the {trials} trials of this row")
    return SweepRow(
        direction=cells["direction"],
        acceleration=csv_number(cells, "acceleration_mm_s2", 0.1, 1e7, "mm/s2", where) / 1e3,
        speed=csv_number(cells, "speed_mm_s", 0.01, 1e6, "mm/s", where) / 1e3,
        travel=_optional(cells, "travel_mm", 0.01, 1e6, where),
        trials=trials,
        skipped=skipped,
        shift_x=_optional(cells, "shift_x_mm", -1e5, 1e5, where),
        shift_y=_optional(cells, "shift_y_mm", -1e5, 1e5, where),
        note=cells.get("note", "")[:300],
        line=int(where.rpartition(" ")[2]),
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
