"""Checked reading of TOML tables: ranges, units, misspelt keys, line numbers.

A `Field` says what one key may hold and how it becomes SI; a `Reader` walks one table and collects nothing silently:
whatever it does not take is an error that names file, table, key and line.
"""

from __future__ import annotations

import contextlib
import difflib
import math
import os
import re
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import InputError

MAX_FILE_BYTES = 1_000_000


@dataclass(frozen=True)
class Field:
    """A number in a file: allowed range in the file's unit, and how many of that unit make one SI unit."""

    key: str
    low: float
    high: float
    unit: str = ""
    per_si: float = 1.0
    whole: bool = False

    def to_si(self, value: float) -> float:
        """Value in SI: division by a power of ten rounds correctly, so 320 mm is exactly 0.32 m."""
        return value / self.per_si

    def from_si(self, value: float) -> float:
        """The file value whose `to_si` is exactly `value`, the shortest there is; the nearest if there is none."""
        if not math.isfinite(value):
            return value
        near = value * self.per_si
        steps = [near, math.nextafter(near, math.inf), math.nextafter(near, -math.inf)]
        candidates = [float(f"{near:.{digits}g}") for digits in range(1, 18)] + steps
        return next((c for c in candidates if self.to_si(c) == value), near)


def show(value: object) -> str:
    """What was read, short enough for a message."""
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def read_text(path: Path, what: str) -> str:
    """Read a text file of limited size, with or without a byte-order mark.

    Raises
    ------
    InputError
        Where there is no such file, it is too large, or it is not UTF-8 text.
    """
    try:
        with path.open("rb") as stream:
            data = stream.read(MAX_FILE_BYTES + 1)
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such {what} file") from None
    except IsADirectoryError:
        raise InputError(f"{path}: this is a folder; a {what} file is needed") from None
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or str(problem)
        raise InputError(f"{path}: the {what} file cannot be read: {reason}") from None
    if len(data) > MAX_FILE_BYTES:
        raise InputError(f"{path}: the {what} file is larger than {MAX_FILE_BYTES} bytes, the most that is read")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise InputError(
            f"{path}: byte {problem.start} is not UTF-8 text; save the {what} file with UTF-8 encoding"
        ) from None
    return text.replace("\r\n", "\n").replace("\r", "\n")


class Lines:
    """Finds the line of a key in TOML text, for messages."""

    def __init__(self, text: str) -> None:
        self._lines: dict[str, int] = {}
        table = ""
        for number, line in enumerate(text.split("\n"), 1):
            header = re.match(r"\s*\[\s*([^\[\]]+?)\s*\]\s*(#.*)?$", line)
            if header:
                table = re.sub(r"\s*\.\s*", ".", header[1]).replace('"', "").replace("'", "")
                self._lines.setdefault(table, number)
                continue
            entry = re.match(r"""\s*(["']?)([\w.\-]+)\1\s*=""", line)
            if entry:
                self._lines.setdefault(f"{table}.{entry[2]}" if table else entry[2], number)

    def of(self, path: str) -> int | None:
        """Line of a dotted path, or of the nearest table around it."""
        while path:
            if path in self._lines:
                return self._lines[path]
            path = path.rpartition(".")[0]
        return None


class Reader:
    """One table of a file being read."""

    def __init__(self, table: Mapping[str, Any], path: str, source: str, lines: Lines | None = None) -> None:
        self.table, self.path, self.source = table, path, source
        self._lines = lines or Lines("")

    def fail(self, key: str | None, problem: str) -> InputError:
        """An error at a key of this table."""
        where = f"{self.path}.{key}" if key and self.path else (key or self.path)
        line = self._lines.of(where)
        place = f", line {line}" if line else ""
        if key and self.path:
            return InputError(f"{self.source}{place}: [{self.path}] {key}: {problem}")
        return InputError(f"{self.source}{place}: {where + ': ' if where else ''}{problem}")

    def only(self, allowed: tuple[str, ...]) -> None:
        """Reject keys that are not allowed, suggesting the nearest."""
        for key in self.table:
            if key not in allowed:
                near = difflib.get_close_matches(str(key), allowed, n=1, cutoff=0.55)
                hint = f"did you mean '{near[0]}'? " if near else ""
                raise self.fail(key, f"this key is not known; {hint}allowed: {', '.join(allowed)}")

    def number(self, field: Field, default: float | None = None) -> float | None:
        """A number in SI, or the default (SI) where the key is absent."""
        if field.key not in self.table:
            return default
        value = self.table[field.key]
        unit = f" {field.unit}" if field.unit else ""
        allowed = (
            f"allowed: {'a whole number' if field.whole else 'a number'} from {field.low:g} to {field.high:g}{unit}"
        )
        if isinstance(value, str) and re.fullmatch(r"\s*-?\d+,\d+\s*", value):
            raise self.fail(
                field.key, f"read {show(value)}; write a number with a decimal point and no quotes; {allowed}"
            )
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.fail(field.key, f"read {show(value)}; {allowed}")
        if isinstance(value, int) and abs(value) > 10**15:
            raise self.fail(field.key, f"read {show(value)}; {allowed}")
        if not math.isfinite(value) or not field.low <= value <= field.high:
            raise self.fail(field.key, f"read {show(value)}{unit}; {allowed}")
        if field.whole and value != int(value):
            raise self.fail(field.key, f"read {show(value)}; {allowed}")
        return field.to_si(float(value))

    def required(self, field: Field) -> float:
        """A number in SI that must be there."""
        value = self.number(field)
        if value is None:
            unit = f" in {field.unit}" if field.unit else ""
            near = difflib.get_close_matches(field.key, [str(k) for k in self.table], n=1, cutoff=0.75)
            hint = f" (is '{near[0]}' meant to be it?)" if near else ""
            raise self.fail(None, f"the key '{field.key}'{unit} is missing{hint}")
        return value

    def text(self, key: str, default: str | None = None, choices: tuple[str, ...] = ()) -> str:
        """A short text, possibly one of a few."""
        if key not in self.table:
            if default is None:
                raise self.fail(None, f"the key '{key}' is missing")
            return default
        value = self.table[key]
        if not isinstance(value, str) or not value.strip() or len(value) > 300 or not value.isprintable():
            raise self.fail(key, f"read {show(value)}; allowed: a text in quotes, on one line, up to 300 characters")
        if choices and value not in choices:
            near = difflib.get_close_matches(value, choices, n=1)
            hint = f"did you mean '{near[0]}'? " if near else ""
            raise self.fail(key, f"read '{value}'; {hint}allowed: {', '.join(choices)}")
        return value

    def sub(self, key: str, required: bool = True) -> Reader:
        """A table inside this one."""
        inner = f"{self.path}.{key}" if self.path else key
        if key not in self.table:
            if required:
                raise self.fail(None, f"the table [{inner}] is missing")
            return Reader({}, inner, self.source, self._lines)
        value = self.table[key]
        if not isinstance(value, dict):
            raise self.fail(key, f"read {show(value)}; a table [{inner}] is needed here")
        return Reader(value, inner, self.source, self._lines)


def from_mm(value: float) -> float:
    """Millimetres (per second, per second squared) of the command line to metres."""
    return value / 1e3


def write_text(path: Path, text: str) -> None:
    """Write a file whole or not at all: into a neighbour first, then renamed over the name.

    Raises
    ------
    InputError
        Where it cannot be written.
    """
    handle, name = -1, ""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(name, 0o666 & ~mask)
        os.replace(name, path)
    except OSError as problem:
        if name:
            with contextlib.suppress(OSError):
                os.unlink(name)
        raise InputError(f"{path}: cannot be written: {problem.strerror or problem}") from None
