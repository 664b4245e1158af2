"""Readings with a scale, a multimeter or a clamp meter: an evidence file (TOML) or KEY=VALUE on the command line."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

from ..errors import InputError
from ..machine import Machine
from ..readings import readings_of
from .fields import Field, Lines, Reader, read_text
from .motors import parse_toml


def evidence_fields(machine: Machine) -> dict[str, Field]:
    """The readings that this machine can give, by key."""
    return {key: Field(key, *r.kind.allowed, r.kind.unit) for key, r in readings_of(machine).items()}


def read_evidence(machine: Machine, path: Path | None, found: Sequence[str]) -> Mapping[str, float]:
    """Readings from a file and from KEY=VALUE texts, the latter winning.

    Raises
    ------
    InputError
        With what was read and what is allowed.
    """
    fields = evidence_fields(machine)
    readings: dict[str, float] = {}
    if path is not None:
        text = read_text(path, "evidence")
        table = Reader(parse_toml(text, str(path)), "", str(path), Lines(text))
        table.only(tuple(fields))
        readings.update({key: table.required(fields[key]) for key in table.table})
    for item in found:
        key, equals, value = (part.strip() for part in item.partition("="))
        if not equals:
            raise InputError(f"--found {item[:60]}: write KEY=VALUE, for example pull_{machine.axis_names[0]}_n=12.5")
        if key not in fields:
            near = difflib.get_close_matches(key, fields, n=1)
            hint = f"did you mean '{near[0]}'? " if near else ""
            raise InputError(f"--found {key[:60]}: this reading is not known; {hint}allowed: {', '.join(fields)}")
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        readings[key] = Reader({key: number}, "", "--found").required(fields[key])
    return readings
