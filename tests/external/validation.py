"""The record of a check against something outside the project, and the table of all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from tabulate import tabulate


@dataclass(frozen=True)
class Check:
    """One line of the validation report."""

    subject: str
    what: str
    source: str
    expected: str
    obtained: str
    tolerance: str
    holds: bool


def _number(value: float | Sequence[float]) -> str:
    values = np.atleast_1d(np.asarray(value, dtype=float)).ravel()
    text = ", ".join(f"{v:.4g}" for v in values[:3])
    return text + (f" ... ({values.size})" if values.size > 3 else "")


@dataclass
class Validation:
    """Checks of one subject: each is written down, then asserted."""

    subject: str
    checks: list[Check] = field(default_factory=list)

    def close(
        self,
        what: str,
        obtained: float | Sequence[float] | np.ndarray,
        expected: float | Sequence[float] | np.ndarray,
        source: str,
        *,
        rel: float = 0.0,
        abs: float = 0.0,
        why: str,
    ) -> None:
        """Obtained and expected value (or arrays of them) agree within a relative or absolute tolerance, and why that one."""
        got, wanted = np.asarray(obtained, dtype=float), np.asarray(expected, dtype=float)
        difference = np.abs(got - wanted)
        holds = bool(np.all(difference <= rel * np.abs(wanted) + abs))
        width = " + ".join([f"{rel:.2g} of it"] * (rel > 0.0) + [f"{abs:.2g}"] * (abs > 0.0))
        self._note(what, source, _number(wanted.tolist()), _number(got.tolist()), f"{width}: {why}", holds)

    def between(self, what: str, obtained: float, low: float, high: float, source: str, *, why: str) -> None:
        """The value lies in a range."""
        self._note(
            what, source, f"{low:.4g} to {high:.4g}", _number(obtained), f"range: {why}", bool(low <= obtained <= high)
        )

    def true(self, what: str, obtained: bool, source: str, *, why: str) -> None:
        """A statement holds."""
        self._note(what, source, "yes", "yes" if obtained else "no", why, bool(obtained))

    def _note(self, what: str, source: str, expected: str, obtained: str, tolerance: str, holds: bool) -> None:
        self.checks.append(Check(self.subject, what, source, expected, obtained, tolerance, holds))
        assert holds, f"{what}: expected {expected}, obtained {obtained} ({tolerance})"


def table(checks: Sequence[Check]) -> str:
    """The validation report, one table for each subject."""
    parts = []
    for subject in dict.fromkeys(check.subject for check in checks):
        rows = [
            [c.what, c.source, c.expected, c.obtained, c.tolerance, "holds" if c.holds else "FAILS"]
            for c in checks
            if c.subject == subject
        ]
        columns = ["check", "source", "expected", "obtained", "tolerance and reason", ""]
        parts.append(
            f"{subject}\n\n" + tabulate(rows, columns, disable_numparse=True, maxcolwidths=[36, 40, 16, 16, 30, None])
        )
    failed = sum(not c.holds for c in checks)
    parts.append(f"{len(checks)} checks, {len(checks) - failed} hold, {failed} fail")
    return "\n\n".join(parts)
