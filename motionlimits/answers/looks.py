"""Looks at a cause: from what was simulated of it to its weight, ever nearer to what rows and readings leave possible."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import logsumexp

from ..machine import Array
from .bench import FEW_EFFECTIVE, MANY, Bench, Cloud, Outlook
from .emulator import Emulator
from .likelihood import RowsFit
from .proposal import drawn, effective, shares
from .weigh import Weight, weigh

NEARER = 3  # times machines are drawn anew, nearer to the possible ones, until enough count
REPLICAS = 8  # fits of which the mean is taken
# Some hundreds of two thousand machines count for something in the end, or fewer: the mean over them is wrong by a tenth, mostly
# too low, where the likeliest are not among them. So replicas are over these many, drawn near those of the first. Half as many
# before them change nothing that could be seen over five seeds of four sweeps.
WIDER = 8000
POSSIBLE, FITS = 200, 6  # possible machines, and fits, by which it is told what a chance hangs on


class View(NamedTuple):
    """What was last seen of a hypothesis: whether it was looked at closely, the machines drawn nearer to the possible ones
    (None: those drawn at first), what was learned of it, and what follows.
    """

    close: bool
    nearer: Cloud | None
    learned: Sequence[Emulator]
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
        learned = self.bench.learn(which)
        return self._view(which, False, None, learned, healthy, self.bench.typical(which, learned))

    def closer(self, which: int, view: View, healthy: View, more: bool = True) -> View:
        """From all that was simulated, on machines that rows and readings leave possible; `more` was since the view."""
        typical = self.bench.typical(which, self.bench.learn(which)) if more else view.outlook.typical
        learned = self._learned_anew(which, view.learned, view.outlook.best)
        view = self._view(which, True, view.nearer, learned, healthy, typical)
        for step in range(NEARER):
            if effective(view.weight.machines) > FEW_EFFECTIVE:
                break
            nearer = self.bench.nearer(self.machines(view), view.outlook.limits, view.weight.machines)
            if step == 0:
                # Once more, most closely where what has just been simulated has them.
                learned = self._learned_anew(which, learned, view.outlook.best)
            view = self._view(which, True, nearer, learned, healthy, typical)
        return view

    def averaged(self, which: int, view: View, healthy: View) -> tuple[View, Array]:
        """The mean of replicas, which hangs less on single machines that were simulated, over some of many more machines; and
        the score of each replica.
        """
        view = self._wider(which, view, healthy)
        importance = self.bench.importance(which, self.fit, view.learned, view.outlook.best)
        fits = (self.bench.learn(which, importance, replica, view.learned) for replica in range(REPLICAS))
        replicas = [self._view(which, True, view.nearer, fit, healthy, view.outlook.typical) for fit in fits]
        mean = logsumexp([r.outlook.log_weight for r in replicas], axis=0) - math.log(REPLICAS)
        outlook = replace(view.outlook, log_weight=np.asarray(mean))
        weight = self._weigh(which, outlook, healthy)
        return view._replace(outlook=outlook, weight=weight), np.array([r.weight.score for r in replicas])

    def open_in(self, which: int, view: View) -> Array:
        """How far the logarithm of the chance of a cause hangs on what was simulated in each pair: changes of it by the fit
        of that pair alone in some replicas, (FITS, pairs).
        """
        importance = self.bench.importance(which, self.fit, view.learned, view.outlook.best)
        some = self.machines(view).take(drawn(shares(view.weight.machines), POSSIBLE))
        usual = self.fit.by_pair(self.bench.limits(which, view.learned, some))
        moved = []
        for replica in range(FITS):
            models = self.bench.learn(which, importance, replica, view.learned)
            moved.append(logsumexp(self.fit.by_pair(self.bench.limits(which, models, some)) - usual, axis=0))
        return np.array(moved) - math.log(POSSIBLE)

    def machines(self, view: View) -> Cloud:
        """The machines that a view is of."""
        return self._machines(view.close, view.nearer)

    def _wider(self, which: int, view: View, healthy: View) -> View:
        """The same of many more machines, of which some stand for all."""
        typical = view.outlook.typical
        many = self.bench.nearer(self.machines(view), view.outlook.limits, view.weight.machines, WIDER)
        view = self._view(which, True, many, view.learned, healthy, typical)
        some = many.thinned(view.weight.machines, MANY)
        return self._view(which, True, some, view.learned, healthy, typical)

    def _learned_anew(self, which: int, former: Sequence[Emulator], best: float) -> list[Emulator]:
        """Fitted most closely where the former emulators leave machines possible."""
        return self.bench.learn(which, self.bench.importance(which, self.fit, former, best), like=former)

    def _machines(self, close: bool, nearer: Cloud | None) -> Cloud:
        return nearer or (self.bench.everybody if close else self.few)

    def _view(
        self,
        which: int,
        close: bool,
        nearer: Cloud | None,
        learned: Sequence[Emulator],
        healthy: View | None,
        typical: Array,
    ) -> View:
        outlook = self.bench.outlook(which, learned, self.fit, self._machines(close, nearer), typical)
        return View(close, nearer, learned, outlook, self._weigh(which, outlook, healthy))

    def _weigh(self, which: int, outlook: Outlook, healthy: View | None) -> Weight:
        reference = healthy.outlook if healthy else outlook
        theory = self.bench.theories[which]
        return weigh(self.bench.machine, theory, outlook, reference.typical[0], self.known, self.slipped)
