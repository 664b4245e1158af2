"""Looks at a cause: what its machines do, and its weight, ever nearer to what rows and readings leave possible."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.special import logsumexp

from .bench import Bench, Cloud, Outlook, Part, Said, Seen, pooled
from .likelihood import RowsFit
from .weigh import Weight, said_of, weigh


@dataclass(frozen=True, eq=False)
class View:
    """What was last seen of a hypothesis: what its machines do, what rows and readings say of them; and all machines `seen`, in turn."""

    outlook: Outlook
    weight: Weight
    seen: tuple[Seen, ...]

    @cached_property
    def overall(self) -> float:
        """Log of prior times evidence, by all machines seen: one look may have missed what another one found. Looks weigh by how many
        of their machines counted, since one that has too much of it mostly owes that to one machine.
        """
        means, counted = np.array([(s.overall, s.counted) for s in self.seen]).T
        return self.weight.score - float(means[-1]) + float(logsumexp(means, b=counted / counted.sum()))

    @property
    def counted(self) -> float:
        """How many machines of all looks counted for something."""
        return sum(s.counted for s in self.seen)


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
        outlook, seen = self.bench.first(which, self.fit, self.few)
        return self._view(which, outlook, seen, healthy, ())

    def parts(self, which: int, view: View, healthy: View, sizes: Sequence[int]) -> list[Part]:
        """Machines to draw that rows and readings leave possible, by those seen, in parts of some sizes."""
        place, said = self.bench.place(view.seen), self._said(which, view.outlook, healthy)
        return [Part(which, place, k, count, view.outlook, said) for k, count in enumerate(sizes)]

    def at(self, part: Part) -> tuple[Outlook, Seen]:
        """What is seen of a part."""
        return self.bench.further(part, self.fit)

    def closer(self, which: int, view: View, healthy: View, found: Sequence[tuple[Outlook, Seen]]) -> View:
        """After a look at all parts of a drawing."""
        return self._view(which, *pooled(found), healthy, view.seen)

    def more(self, which: int, view: View, healthy: View, found: Sequence[tuple[Outlook, Seen]]) -> View:
        """The same, together with those last seen."""
        return self._view(which, *pooled([(view.outlook, view.seen[-1]), *found]), healthy, view.seen[:-1])

    def _view(self, which: int, outlook: Outlook, seen: Seen, healthy: View | None, before: tuple[Seen, ...]) -> View:
        said = self._said(which, outlook, healthy)
        weight = weigh(self.bench.machine, self.bench.theories[which], outlook, said, self.slipped)
        return View(outlook, weight, (*before, replace(seen, log_weight=weight.machines)))

    def _said(self, which: int, outlook: Outlook, healthy: View | None) -> Said:
        typical = (healthy.outlook if healthy else outlook).typical[0]
        theory = self.bench.theories[which]
        return said_of(self.bench.machine, theory, outlook.typical, typical, self.fit.directions, self.known)
