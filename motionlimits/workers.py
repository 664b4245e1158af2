"""Runs simulations on all cores: lanes are independent, so they may be dealt out to processes.

Forked processes start in milliseconds and share the loaded modules; where the system cannot fork, or has one core, the
same work runs in this process, with the same results.
"""

from __future__ import annotations

import itertools
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial

import numpy as np
from numpy.typing import NDArray

from .machine import Array
from .physics.motion import Fate, Lanes, simulate, step_counts

Simulator = Callable[[Lanes], Fate]
SMALLEST_SHARE = 150  # lanes: fewer are not worth a process
LARGEST_SHARE = 3000  # lanes of one motor and one axis: more fall out of a core's cache
STEP_COST = 1000.0  # of a step of any number of lanes, in steps of one lane


def usable_cores() -> int:
    """Cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)


def _quiet() -> None:
    """Leave an interrupt from the keyboard to the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def deal(work: Array, pieces: int) -> list[NDArray[np.intp]]:
    """Deal lanes out in pieces that cost about the same: long lanes together, short ones together.

    A step costs the same for a few lanes as for many, so that a piece costs the length of its longest lane and, for every
    lane, a little of its own.

    Parameters
    ----------
    work : ndarray, shape (n,)
        Steps of each lane.
    pieces : int

    Returns
    -------
    list of ndarray of int
        Lanes of each piece; empty pieces are left out.
    """
    order = np.argsort(-work, kind="stable")
    steps = work[order]
    done = np.concatenate([[0.0], np.cumsum(steps)])

    def cuts(budget: float) -> list[int]:
        """Where pieces end that cost at most the budget each."""
        ends = [0]
        while ends[-1] < steps.size:
            start = ends[-1]
            room = done[start] + budget - STEP_COST * steps[start]
            ends.append(max(int(np.searchsorted(done, room, side="right")) - 1, start + 1))
        return ends

    low, high = 0.0, 1.001 * float(done[-1] + STEP_COST * steps[0])
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if len(cuts(middle)) - 1 > pieces else (low, middle)
    ends = cuts(high)
    return [order[a:b] for a, b in itertools.pairwise(ends)]


def _joined(size: int, shares: Sequence[NDArray[np.intp]], fates: Sequence[Fate]) -> Fate:
    """Fates of all lanes from those of the shares they were dealt in."""
    joined = []
    for parts in zip(*fates, strict=True):
        # Shares without a marked lane have left nothing.
        shape = max(part.shape[1:] for part in parts)
        whole = np.full((size, *shape), np.nan) if shape else np.empty(size, parts[0].dtype)
        for share, part in zip(shares, parts, strict=True):
            if part.shape[1:] == shape:
                whole[share] = part
        joined.append(whole)
    return Fate._make(joined)


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
            shares = deal(step_counts(lanes, **options), count * -(-lanes.size // (count * LARGEST_SHARE)))
            fates = list(pool.map(alone, [lanes.take(share) for share in shares]))
            return _joined(lanes.size, shares, fates)

        yield shared
    except BaseException:
        # An interrupt must not wait for moves that nobody wants any more.
        for child in multiprocessing.active_children():
            child.terminate()
        raise
    finally:
        # Waiting costs milliseconds; without it the pool's threads race with the end of the interpreter.
        pool.shutdown(wait=True, cancel_futures=True)
