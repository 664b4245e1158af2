"""Spreads work over all cores: lanes, as machines, are independent of one another.

A process is forked for each part of it: that takes milliseconds, and it sees all that this one holds, so that only results
travel. Where the system cannot fork, has one core, or lets this process have no others (as those of a pool), the same work
runs in this one, with the same results.
"""

from __future__ import annotations

import math
import mmap
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from .machine import Array
from .physics.motion import Fate, Lanes, kept_shape, simulate

Item = TypeVar("Item")
Result = TypeVar("Result")
SMALLEST_SHARE = 150  # lanes: fewer are not worth a process
LARGEST_SHARE = 20000  # lanes: what more of them leave behind at their marks is a burden on memory


def usable_cores() -> int:
    """Cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)


def _joined(shares: Sequence[NDArray[np.intp]], fates: Sequence[Fate], kept: Array) -> Fate:
    """Fates of all lanes from those of the shares they were dealt in, and what all have left behind."""
    joined = []
    for parts in zip(*(fate[:-1] for fate in fates), strict=True):
        whole = np.empty(len(kept), parts[0].dtype)
        for share, part in zip(shares, parts, strict=True):
            whole[share] = part
        joined.append(whole)
    return Fate._make([*joined, kept])


def _shared(*shape: int) -> Array:
    """An array that a forked process can write into."""
    size = math.prod(shape)
    return np.frombuffer(mmap.mmap(-1, max(8 * size, 1)), float, size).reshape(shape)


def _send(there: Connection, task: Callable[[Item], Result], items: Sequence[Item]) -> None:
    """Send what a task makes of items, or what it raised; an interrupt from the keyboard is left to the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        there.send([task(item) for item in items])
    except Exception as error:
        there.send(error)


def spread(task: Callable[[Item], Result], items: Sequence[Item], workers: int) -> list[Result]:
    """What a task makes of every item, worked out in several processes.

    Parameters
    ----------
    task : callable
        What it changes of the program's state may be lost.
    items : sequence
        Dealt out in turn.
    workers : int
        Processes, this one among them.

    Returns
    -------
    list
        In the order of the items.

    Raises
    ------
    Exception
        Whatever the task raised.
    EOFError
        Where a process was killed.
    """
    workers = min(workers, len(items))
    if workers <= 1 or _alone():
        return [task(item) for item in items]
    found: list[Result] = list(items)  # type: ignore[arg-type]
    children: list[_Child] = []
    try:
        for k in range(1, workers):
            children.append(_begun(task, items[k::workers]))
        found[::workers] = [task(item) for item in items[::workers]]
        for k, child in enumerate(children, start=1):
            found[k::workers] = child.told()
    finally:
        for child in children:
            child.dismiss()
    return found


def _alone() -> bool:
    """Whether all work has to be done in this process."""
    return "fork" not in multiprocessing.get_all_start_methods() or multiprocessing.current_process().daemon


class _Child(NamedTuple):
    """A process, and where it tells what it has worked out."""

    process: BaseProcess
    here: Connection

    def told(self) -> list[Any]:
        """What it made of its items; waits for it."""
        told = self.here.recv()
        if isinstance(told, Exception):
            raise told
        return list(told)

    def dismiss(self) -> None:
        """Have it end: an interrupt must not wait for work that nobody wants any more."""
        self.process.terminate()
        self.process.join()
        self.here.close()


def _begun(task: Callable[[Item], Result], items: Sequence[Item]) -> _Child:
    """A process that works on items."""
    context = multiprocessing.get_context("fork")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_send, args=(there, task, items), daemon=True)
    process.start()
    there.close()
    return _Child(process, here)


@dataclass(frozen=True)
class Crew:
    """Simulates lanes, and does other work, on several processes.

    Attributes
    ----------
    workers : int
        By default the number of usable cores.
    """

    workers: int = field(default_factory=lambda: usable_cores())

    def __call__(self, lanes: Lanes) -> Fate:
        """Fates of lanes."""
        pieces = self.workers * -(-lanes.size // (self.workers * LARGEST_SHARE))
        if pieces <= 1 or lanes.size < 2 * SMALLEST_SHARE:
            return simulate(lanes)
        # In turn: each piece then has as many long lanes as any other, and of those that are lost soon.
        shares = [np.arange(k, lanes.size, pieces) for k in range(pieces)]
        # What lanes leave behind is a hundred times all else: it does not travel, and there is no second one of it.
        kept = _shared(*kept_shape(lanes))

        def simulated(share: NDArray[np.intp]) -> Fate:
            fate = simulate(lanes.take(share))
            kept[share] = fate.kept if fate.kept.size else np.nan
            return fate._replace(kept=fate.kept[:, :0])

        return _joined(shares, self.each(simulated, shares), kept)

    def each(self, task: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
        """What a task makes of every item, as `spread` does it."""
        return spread(task, items, self.workers)

    @contextmanager
    def beside(self, task: Callable[[], Result]) -> Iterator[Callable[[], Result]]:
        """Begin a task beside what is done here in the meantime: gives what waits for its result, or raises what it raised.

        Where there is no process for it, it is done when waited for.
        """
        if self.workers <= 1 or _alone():
            yield task
            return
        child = _begun(lambda each: each(), [task])
        try:
            yield lambda: child.told()[0]
        finally:
            child.dismiss()
