"""How many machines to simulate next of each likely cause, and in which directions and accelerations."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax

from ..machine import Array

# A part is dealt out evenly, the rest where chances hang on it, and none has more than so many times what it had.
EVEN_SHARE, MOST_MORE = 0.3, 20
# Times the ramps that there should be: how many are considered, more than those only where else too much is left.
PARTS = 0.0, 0.1, 0.2, 0.4, 0.7, 1.0, 1.5, 2.0

Counts = dict[int, NDArray[np.intp]]


def by_cause(
    chances: Array, owners: Mapping[int, Sequence[int]], had: Mapping[int, NDArray[np.intp]], altogether: int
) -> Counts:
    """So many machines altogether, the same of a cause in each pair: a chance near a half moves most with its evidence.

    Parameters
    ----------
    chances : ndarray, shape (hypotheses,)
    owners : mapping of int to sequence of int
        By hypothesis to simulate: of which hypothesis simulations stand for it in each pair.
    had : mapping of int to ndarray, shape (pairs,)
        By hypothesis to simulate: how many machines stand for it in each pair already.
    altogether : int

    Returns
    -------
    dict of int to ndarray of int, shape (pairs,)
        By hypothesis. In pairs that it does not touch it has its part of what it shares with others there.
    """
    likely = list(owners)
    moves = chances[likely] * (1.0 - chances[likely]) + 1e-9
    part = altogether * (EVEN_SHARE / len(likely) + (1.0 - EVEN_SHARE) * moves / moves.sum())
    asked: dict[tuple[int, int], float] = {}
    for i, count in zip(likely, part.tolist(), strict=True):
        count = min(math.ceil(count), MOST_MORE * int(had[i].min()))
        for k, owner in enumerate(owners[i]):
            asked[owner, k] = max(asked.get((owner, k), 0), count)
    return _dealt(chances, owners, asked)


def by_pair(
    chances: Array,
    owners: Mapping[int, Sequence[int]],
    had: Mapping[int, NDArray[np.intp]],
    moves: Mapping[int, Array],
    altogether: int,
    enough: float = 0.0,
    too_much: float = math.inf,
) -> Counts:
    """So many ramps altogether, or as few as are expected to do, where chances hang on them most; more where they have to be.

    Parameters
    ----------
    chances, owners, had
        As in `by_cause`.
    moves : mapping of int to ndarray, shape (replicas, pairs)
        By hypothesis to simulate: changes of the logarithm of its chance in replicas of the fit of each pair.
    altogether : int
    enough, too_much : float
        How far all chances together may still hang on what was simulated, root mean square: up to where no more are simulated,
        and from where more are, up to twice as many; the latter is the greater.

    Returns
    -------
    dict of int to ndarray of int, shape (pairs,)
        As of `by_cause`.
    """
    likely = list(owners)
    before = {(owner, k): int(had[i][k]) for i in likely for k, owner in enumerate(owners[i])}
    chance = chances[likely][:, None] / chances[likely].sum()
    hangs = []
    for owner, k in before:
        # Of causes that share what was simulated all chances move alike, so that little is left of it.
        logs = np.array([moves[i][:, k] if owners[i][k] == owner else np.zeros(len(moves[i])) for i in likely])
        change = softmax(np.log(chance) + logs, axis=0) - chance
        hangs.append(math.sqrt(np.mean(np.sum(change**2, axis=0))))
    number = np.array([*before.values()], dtype=float)
    open_ = np.array(hangs)
    share = EVEN_SHARE / number.size + (1.0 - EVEN_SHARE) * least_left(open_, number)
    for part in PARTS:
        count = _filled(share, MOST_MORE * number, part * altogether)
        if left(open_, number, count) <= (enough if part < 1.0 else too_much):
            break
    return _dealt(chances, owners, dict(zip(before, count.tolist(), strict=True)))


def left(hangs: Array, number: Array, more: Array) -> float:
    """How far chances hang on fits to more machines, root mean square: what each leaves open falls with the root of their number."""
    return math.sqrt(float(np.sum(hangs**2 * number / (number + more))))


def least_left(hangs: Array, number: Array) -> Array:
    """Shares of more machines that leave least open altogether, (n,), which sum to one.

    Were only the new ones to count, least is left (`left`) where they go by what is open times the root of how many there were
    (Neyman 1934, from memory).
    """
    share = hangs * np.sqrt(number) + 1e-12
    return np.asarray(share / share.sum())


def _filled(share: Array, most: Array, altogether: float) -> Array:
    """So many by their shares, none more than its most; what some cannot take goes to the others."""
    low, high = 0.0, altogether / float(share.min())
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if np.minimum(middle * share, most).sum() < altogether else (low, middle)
    return np.minimum(low * share, most)


def _dealt(chances: Array, owners: Mapping[int, Sequence[int]], asked: Mapping[tuple[int, int], float]) -> Counts:
    """What was asked by owner and pair, dealt out to the causes that share it: half evenly, half by their chances."""
    found = {i: np.zeros(len(of), np.intp) for i, of in owners.items()}
    for (owner, k), count in asked.items():
        those = [i for i, of in owners.items() if of[k] == owner]
        part = 0.5 / len(those) + 0.5 * chances[those] / chances[those].sum()
        for i, share in zip(those, part.tolist(), strict=True):
            found[i][k] = math.ceil(share * count)
    return found
