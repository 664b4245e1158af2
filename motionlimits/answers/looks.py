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
from .proposal import effective
from .weigh import Weight, weigh


class View(NamedTuple):
    """What was last seen of a hypothesis: what its machines do, what rows and readings say of them; and all machines `seen`, in turn."""

    outlook: Outlook
    weight: Weight
    seen: tuple[Seen, ...]

    @property
    def overall(self) -> float:
        """Log of prior times evidence, by all machines seen: one look may have missed what another one found. Looks weigh by how many
        of their machines counted, since one that has too much of it mostly owes that to one machine.
        """
        means, counted = np.array([(_mean(s.log_weight), effective(s.log_weight)) for s in self.seen]).T
        return self.weight.score - float(means[-1]) + float(logsumexp(means, b=counted / counted.sum()))

    @property
    def counted(self) -> float:
        """How many machines of all looks counted for something."""
        return sum(effective(s.log_weight) for s in self.seen)


def _mean(log_weight: Array) -> float:
    """Log of the mean weight."""
    return float(logsumexp(log_weight)) - math.log(log_weight.size)


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
