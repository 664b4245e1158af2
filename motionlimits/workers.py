"""Runs simulations on all cores: lanes are independent, so they may be dealt out to processes.

Forked processes start in milliseconds and share the loaded modules; where the system cannot fork, or has one core, the
same work runs in this process, with the same results.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial

import numpy as np

from .physics.motion import Fate, Lanes, simulate

Simulator = Callable[[Lanes], Fate]
SMALLEST_SHARE = 150  # lanes: fewer are not worth a process
LARGEST_SHARE = 3000  # lanes: more fall out of a core's cache


def usable_cores() -> int:
    """Cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)


def _quiet() -> None:
    """Leave an interrupt from the keyboard to the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def simulator(workers: int | None = None, **options: float) -> Iterator[Simulator]:
    """A function that simulates lanes, on several processes while the context lasts.

    Parameters
    ----------
    workers : int, optional
        By default the number of usable cores.
    **options
        `phase_step`, `longest_step` of `motion.simulate`.
    """
    count = usable_cores() if workers is None else workers
    alone: Simulator = partial(simulate, **options)  # type: ignore[arg-type]
    if count <= 1 or "fork" not in multiprocessing.get_all_start_methods():
        yield alone
        return
    pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("fork"), initializer=_quiet)
    try:

        def shared(lanes: Lanes) -> Fate:
            if lanes.size < 2 * SMALLEST_SHARE:
                return alone(lanes)
            pieces = count * -(-lanes.size // (count * LARGEST_SHARE))
            shares = [slice(k, None, pieces) for k in range(pieces)]
            fates = list(pool.map(alone, [lanes.take(share) for share in shares]))
            joined = [np.empty(lanes.size, dtype=field.dtype) for field in fates[0]]
            for share, fate in zip(shares, fates, strict=True):
                for whole, part in zip(joined, fate, strict=True):
                    whole[share] = part
            return Fate(*joined)  # type: ignore[arg-type]

        yield shared
    except BaseException:
        # An interrupt must not wait for moves that nobody wants any more.
        for child in multiprocessing.active_children():
            child.terminate()
        raise
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
