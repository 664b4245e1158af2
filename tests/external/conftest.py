"""Collects the checks of this folder into a validation report."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from .validation import Check, Validation, table

_all = pytest.StashKey[list[Check]]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--validation-table", action="store_true", help="print every check against an outside source")


@pytest.fixture
def checked(request: pytest.FixtureRequest) -> Iterator[Validation]:
    """Where a test writes down what it compares with what."""
    module = str(request.module.__name__).rsplit("test_", 1)[-1]
    validation = Validation(module)
    yield validation
    request.config.stash.setdefault(_all, []).extend(validation.checks)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    if config.getoption("--validation-table", default=False):
        terminalreporter.write_line(table(config.stash.get(_all, [])))
