"""Work dealt out to processes: every lane once, pieces alike in cost, the same results, and no process left behind."""

from __future__ import annotations

import multiprocessing
import os
import signal
from dataclasses import replace

import numpy as np
import pytest

from motionlimits.physics.motion import join, simulate
from motionlimits.workers import Crew, spread

from .lanes import lane


def test_fates_do_not_depend_on_the_dealing() -> None:
    speeds = np.linspace(0.05, 1.5, 400)
    lanes = join([lane(speed=float(v), acceleration=12.0, hold=0.01) for v in speeds])
    lanes = replace(lanes, slow_decay=lanes.slow_decay | (np.arange(400) % 3 == 0))
    for marked in (np.zeros(400, bool), np.arange(400) % 4 == 1, np.ones(400, bool)):
        some = replace(lanes, marked=marked)
        dealt, alone = Crew(2)(some), simulate(some)
        assert all(np.array_equal(ours, theirs, equal_nan=True) for ours, theirs in zip(dealt, alone, strict=True))
        assert np.isfinite(dealt.kept).any() == marked.any()


@pytest.mark.parametrize("workers", [1, 2, 3, 5])
@pytest.mark.parametrize("count", [0, 1, 3, 8])
def test_items_keep_their_order_and_are_shared_out(workers: int, count: int) -> None:
    # What the task holds need not travel: functions cannot.
    powers = [lambda value, k=k: value**k for k in range(count)]
    found = spread(lambda power: (power(3), os.getpid()), powers, workers)
    assert [value for value, _ in found] == [3**k for k in range(count)]
    assert len({process for _, process in found}) == min(workers, count)
    assert not multiprocessing.active_children()


@pytest.mark.parametrize("item", [0, 1])  # in this process, and in the other
def test_what_a_task_raises_is_raised_here(item: int) -> None:
    with pytest.raises(ZeroDivisionError):
        spread(lambda k: 1 / (k - item), [0, 1], 2)
    assert not multiprocessing.active_children()


def test_what_runs_in_a_pool_works_alone() -> None:
    with multiprocessing.get_context("fork").Pool(1) as pool:
        assert pool.apply(spread, (abs, [-1, 2, -3], 2)) == [1, 2, 3]


def test_a_process_that_is_killed_is_noticed() -> None:
    here = os.getpid()

    def task(k: int) -> int:
        if os.getpid() != here:
            os.kill(os.getpid(), signal.SIGKILL)
        return k

    with pytest.raises(EOFError):
        spread(task, [0, 1], 2)
    assert not multiprocessing.active_children()


def test_an_interrupt_does_not_wait_for_the_others() -> None:
    here = os.getpid()

    def task(k: int) -> int:
        if os.getpid() == here:
            raise KeyboardInterrupt
        signal.pause()
        return k

    with pytest.raises(KeyboardInterrupt):
        spread(task, [0, 1], 2)
    assert not multiprocessing.active_children()


@pytest.mark.parametrize("workers", [1, 2])
def test_a_task_is_done_beside_others(workers: int) -> None:
    """In a process of its own where there may be one; what it holds need not travel."""
    with Crew(workers).beside(lambda: (7**2, os.getpid())) as waited:
        value, process = waited()
    assert value == 49
    assert (process == os.getpid()) == (workers == 1)
    assert not multiprocessing.active_children()


@pytest.mark.parametrize("workers", [1, 2])
def test_what_a_task_beside_raises_is_raised_where_it_is_waited_for(workers: int) -> None:
    with Crew(workers).beside(lambda: 1 / 0) as waited:
        found = Crew(workers).each(abs, [-1, -2, -3])
        with pytest.raises(ZeroDivisionError):
            waited()
    assert found == [1, 2, 3]
    assert not multiprocessing.active_children()


def test_an_interrupt_does_not_wait_for_a_task_beside() -> None:
    with pytest.raises(KeyboardInterrupt), Crew(2).beside(signal.pause):
        raise KeyboardInterrupt
    assert not multiprocessing.active_children()
