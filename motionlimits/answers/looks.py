"""Looks at a cause: what its machines do, and its weight, ever nearer to what rows and readings leave possible."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from .bench import Bench, Cloud, Outlook
from .likelihood import RowsFit
from .proposal import effective
from .weigh import Weight, weigh

FEW_EFFECTIVE = 250  # where not this many count for something, others are drawn near those that the rows leave possible


class View(NamedTuple):
    """What was last seen of a hypothesis: its machines, what they do, and what rows and readings say of them."""

    cloud: Cloud
    outlook: Outlook
    weight: Weight


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

    def closer(self, which: int, view: View, healthy: View) -> View:
        """At machines that rows and readings leave possible, where too few of those seen count for something."""
        if effective(view.weight.machines) > FEW_EFFECTIVE:
            return view
        return self.at(which, self._nearer(view), healthy)

    def wider(self, which: int, view: View, healthy: View, count: int) -> View:
        """At more of the same."""
        return self.at(which, self._nearer(view, count), healthy)

    def at(self, which: int, cloud: Cloud, healthy: View | None) -> View:
        """At some machines."""
        # What was worked out of them does not travel between processes.
        return self._view(which, cloud.bare(), self.bench.outlook(which, self.fit, cloud), healthy)

    def _view(self, which: int, cloud: Cloud, outlook: Outlook, healthy: View | None) -> View:
        reference = healthy.outlook if healthy else outlook
        theory = self.bench.theories[which]
        weight = weigh(self.bench.machine, theory, outlook, reference.typical[0], self.known, self.slipped)
        return View(cloud, outlook, weight)

    def _nearer(self, view: View, *count: int) -> Cloud:
        return self.bench.nearer(view.cloud, view.outlook.limits, view.weight.machines, *count)
