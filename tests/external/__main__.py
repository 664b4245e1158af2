"""Prints the validation report: `python -m tests.external` from the top of the checkout."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

if __name__ == "__main__":
    folder = str(Path(__file__).parent)
    sys.exit(pytest.main([folder, "-q", "--no-header", "--validation-table", *sys.argv[1:]]))
