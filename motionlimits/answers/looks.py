"""Looks at a cause: from what was simulated of it to its weight, ever nearer to what rows and readings leave possible."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import logsumexp

from ..machine import Array
from .bench import FEW_EFFECTIVE, Bench, Cloud, Learned, Outlook
from .likelihood import RowsFit
from .proposal import effective
from .weigh import Weight, weigh

NEARER = 3  # times machines are drawn anew, nearer to the possible ones, until enough count
REPLICAS = 8  # fits of which the mean is taken


class View(NamedTuple):
    """What was last seen of a hypothesis: whether it was looked at closely, the machines drawn nearer to the possible ones
    (None: those drawn at first), what was learned of it, and what follows.
    """

    close: bool
    nearer: Cloud | None
    learned: Learned
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

    def first_look(self, which: int, healthy: View | None = None) -> View:
        """From the machines simulated first."""
        return self._view(which, False, None, self.bench.learn(which), healthy)

    def closer(self, which: int, view: View, healthy: View) -> View:
        """From all that was simulated, on machines that rows and readings leave possible."""
        learned = self._learned_anew(which, view.learned, view.outlook.best)
        view = self._view(which, True, view.nearer, learned, healthy)
        for step in range(NEARER):
            if effective(view.weight.machines) > FEW_EFFECTIVE:
                break
            nearer = self.bench.nearer(self.machines(view), view.outlook.limits, view.weight.machines)
            if step == 0:
                # Once more, most closely where what has just been simulated has them.
                learned = self._learned_anew(which, learned, view.outlook.best)
            view = self._view(which, True, nearer, learned, healthy)
        return view

    def averaged(self, which: int, view: View, healthy: View) -> tuple[View, Array]:
        """The mean of replicas, which hangs less on single machines that were simulated; and the score of each replica."""
        importance = self.bench.importance(which, self.fit, view.learned, view.outlook.best)
        replicas = [
            self._view(which, True, view.nearer, self.bench.learn(which, importance, replica), healthy)
            for replica in range(REPLICAS)
        ]
        mean = logsumexp([r.outlook.log_weight for r in replicas], axis=0) - math.log(REPLICAS)
        outlook = replace(view.outlook, log_weight=np.asarray(mean))
        weight = self._weigh(which, outlook, healthy)
        return view._replace(outlook=outlook, weight=weight), np.array([r.weight.score for r in replicas])

    def machines(self, view: View) -> Cloud:
        """The machines that a view is of."""
        return self._machines(view.close, view.nearer)

    def _learned_anew(self, which: int, former: Learned, best: float) -> Learned:
        """Fitted most closely where the former emulators leave machines possible."""
        return self.bench.learn(which, self.bench.importance(which, self.fit, former, best))

    def _machines(self, close: bool, nearer: Cloud | None) -> Cloud:
        return nearer or (self.bench.everybody if close else self.few)

    def _view(self, which: int, close: bool, nearer: Cloud | None, learned: Learned, healthy: View | None) -> View:
        outlook = self.bench.outlook(which, learned, self.fit, self._machines(close, nearer))
        return View(close, nearer, learned, outlook, self._weigh(which, outlook, healthy))

    def _weigh(self, which: int, outlook: Outlook, healthy: View | None) -> Weight:
        reference = healthy.outlook if healthy else outlook
        theory = self.bench.theories[which]
        return weigh(self.bench.machine, theory, outlook, reference.typical[0], self.known, self.slipped)
