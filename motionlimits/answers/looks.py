"""Looks at a cause: what its machines do, and its weight, ever nearer to what rows and readings leave possible."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import logsumexp

from ..machine import Array
from .bench import Bench, Cloud, Outlook, Seen, pooled
from .likelihood import RowsFit
from .weigh import Weight, weigh


class View(NamedTuple):
    """What was last seen of a hypothesis: what its machines do, what rows and readings say of them; and all machines `seen`, in turn."""

    outlook: Outlook
    weight: Weight
    seen: tuple[Seen, ...]

    @property
    def overall(self) -> float:
        """Log of prior times evidence, by all machines seen: one look may have missed what another one found."""
        return self.weight.score + _mean([s.log_weight for s in self.seen]) - _mean([self.seen[-1].log_weight])


def _mean(log_weights: Sequence[Array]) -> float:
    """Log of the mean of all weights."""
    together = np.concatenate(log_weights)
    return float(logsumexp(together)) - math.log(together.size)


@dataclass(frozen=True)
class Looks:
    """Looks at hypotheses, each for itself but for what the `healthy` machine does; `few` machines do for a first look."""

    bench: Bench
    fit: RowsFit
    few: Cloud
    known: Mapping[str, float]
    slipped: Sequence[tuple[str, ...]]

    def first(self, which: int, healthy: View | None = None) -> View:
        """At a few machines within tolerance, whatever the rows say."""
        return self.at(which, self.few, healthy)

    def closer(self, which: int, view: View, healthy: View, count: int) -> View:
        """At so many machines that rows and readings leave possible, by those seen."""
        return self.at(which, self.bench.nearer(view.seen, count), healthy, view)

    def more(self, which: int, view: View, healthy: View, count: int) -> View:
        """At so many more, together with those last seen."""
        cloud = self.bench.nearer(view.seen, count)
        fresh = self.bench.outlook(which, self.fit, cloud, view.outlook.typical)
        outlook, seen = pooled(view.outlook, view.seen[-1], fresh, cloud)
        weight = self._weight(which, outlook, healthy.outlook)
        return View(outlook, weight, (*view.seen[:-1], seen._replace(log_weight=weight.machines)))

    def at(self, which: int, cloud: Cloud, healthy: View | None, before: View | None = None) -> View:
        """At some machines, after others."""
        outlook = self.bench.outlook(which, self.fit, cloud, before.outlook.typical if before else None)
        weight = self._weight(which, outlook, healthy.outlook if healthy else outlook)
        seen = before.seen if before else ()
        return View(outlook, weight, (*seen, Seen.of(cloud, outlook.limits, weight.machines)))

    def _weight(self, which: int, outlook: Outlook, healthy: Outlook) -> Weight:
        theory = self.bench.theories[which]
        return weigh(
            self.bench.machine, theory, outlook, healthy.typical[0], self.fit.directions, self.known, self.slipped
        )
