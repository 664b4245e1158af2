"""Just enough TOML to write our own files: text, numbers, booleans and tables."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping


def toml_value(value: object) -> str:
    """One value; floats are written so that they read back exactly."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, int | float):
        return repr(value)
    raise TypeError(f"no TOML form for {type(value).__name__}")


def toml_key(key: str) -> str:
    """A key, quoted where it must be."""
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key, ensure_ascii=False)


def toml_table(table: Mapping[str, object], path: str = "") -> str:
    """A table with its sub-tables, as text ending in a newline."""
    plain = [f"{toml_key(k)} = {toml_value(v)}" for k, v in table.items() if not isinstance(v, Mapping)]
    head = [f"[{path}]"] if path and plain else []
    text = "\n".join(head + plain) + "\n" if head or plain else ""
    for key, value in table.items():
        if isinstance(value, Mapping):
            inner = toml_table(value, f"{path}.{toml_key(key)}" if path else toml_key(key))
            text += ("\n" if text else "") + inner
    return text
