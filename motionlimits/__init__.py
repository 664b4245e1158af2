"""What an open-loop stepping machine ought to reach, what a change would bring, and what a measured sweep says.

The answers of the command line, as functions. Names are loaded when they are used, so that importing stays instant.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from .answers.compare import compare
    from .answers.curve import curve
    from .answers.diagnose import diagnose
    from .answers.motion import simulate_move
    from .answers.plan import plan, sizing
    from .answers.predict import predict
    from .answers.shift import explain, explain_all
    from .errors import InputError
    from .files.machines import open_machine, read_machine, write_machine
    from .files.motors import load_motor, motor_names
    from .files.sweeps import read_sweep, write_sweep

_HOME = {
    "compare": "answers.compare",
    "curve": "answers.curve",
    "diagnose": "answers.diagnose",
    "simulate_move": "answers.motion",
    "plan": "answers.plan",
    "sizing": "answers.plan",
    "predict": "answers.predict",
    "explain": "answers.shift",
    "explain_all": "answers.shift",
    "InputError": "errors",
    "open_machine": "files.machines",
    "read_machine": "files.machines",
    "write_machine": "files.machines",
    "load_motor": "files.motors",
    "motor_names": "files.motors",
    "read_sweep": "files.sweeps",
    "write_sweep": "files.sweeps",
}

__all__ = [
    "InputError",
    "__version__",
    "compare",
    "curve",
    "diagnose",
    "explain",
    "explain_all",
    "load_motor",
    "motor_names",
    "open_machine",
    "plan",
    "predict",
    "read_machine",
    "read_sweep",
    "simulate_move",
    "sizing",
    "write_machine",
    "write_sweep",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'motionlimits' has no attribute '{name}'")
    from importlib import import_module

    return getattr(import_module(f".{_HOME[name]}", __name__), name)
