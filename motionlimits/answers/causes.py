"""What can be wrong with a machine, as data: one entry per cause.

A new cause is one new `Cause`: where it can sit, what it changes in the machine for a size drawn from its prior, how a
size is told in trade units, and the reading that shows it. Everything else (simulation, inference, next checks, words)
works on the list `CAUSES`.

Prior of the causes: a little more for health than for any one cause, since those who ask have noticed something but
many of their machines do what they can; the rest in equal parts, a cause's part shared equally among its places. Common
practice, no source; chosen broad. Priors of sizes are stated beside each cause, flat in the logarithm of the size or in the
size, from "hardly noticed" to "hardly moves"; `weigh.usual` says how much rarer the ends of these ranges are than their middles.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..machine import Array, Machine
from ..physics.limits import available_under_load
from ..plant import Plant, nominal_plant

HEALTH_PRIOR = 0.15
ALL = "all"

Change = Callable[[Plant, int, float | Array], Plant]


@dataclass(frozen=True)
class Cause:
    """One thing that can be wrong.

    Attributes
    ----------
    name : str
        As in JSON.
    sits : {"nowhere", "axis", "motor", "motor or all", "all"}
        Where it can be.
    change : callable
        (plant, column of the axis or motor or -1 for all, size) -> changed plant. Sizes are SI, one for all samples or one
        for each.
    prior : callable
        (machine, column) -> (low, high) of the size, both included; equal where the cause has no size.
    logarithmic : bool
        Whether the prior is flat in the logarithm of the size.
    told : callable
        (machine, column, size) -> size in trade units.
    unit : str
    sentence : str
        With {where} and {size}.
    reading : str
        Evidence key that shows it, with {} for the place; empty where none does.
    why : str
        Why the prior is as it is.
    """

    name: str
    sits: str
    change: Change
    prior: Callable[[Machine, int], tuple[float, float]]
    logarithmic: bool
    told: Callable[[Machine, int, float], float]
    unit: str
    sentence: str
    reading: str
    why: str


@dataclass(frozen=True)
class Hypothesis:
    """A cause at a place: `column` of the axis or motor (-1 for all), its name, prior probability and size range."""

    cause: Cause
    column: int
    where: str
    prior: float
    low: float
    high: float

    def sizes(self, quantiles: Array) -> Array:
        """Sizes at quantiles of the prior, of the same shape."""
        if self.cause.logarithmic:
            return np.asarray(self.low * (self.high / self.low) ** quantiles)
        return self.low + (self.high - self.low) * quantiles

    def size(self, quantile: float) -> float:
        """Size at a quantile of its prior."""
        return float(self.sizes(np.array(quantile)))

    @property
    def sized(self) -> bool:
        return self.high > self.low

    def applied(self, plant: Plant, size: float | Array) -> Plant:
        """The machine with this fault, of one size or one for each sample."""
        return self.cause.change(plant, self.column, size)

    def touches(self, machine: Machine, unit: Array) -> bool:
        """Whether moves in a direction feel it."""
        if self.cause.sits == "nowhere":
            return False
        if self.column < 0:
            return True
        if self.cause.sits == "axis":
            return bool(unit[self.column] != 0.0)
        return bool(abs((machine.kinematic_map @ unit)[self.column]) > 1e-12)


def axis_force(machine: Machine, column: int) -> float:
    """Force that the motors can give an axis at standstill [N]."""
    plant = nominal_plant(machine)
    drives = plant.kinematic_map.shape[0]
    peak = available_under_load(plant, np.zeros((1, 1, drives))).torque[0, 0]
    per_drive = peak * plant.count * plant.efficiency[0] / plant.radius
    return float(np.abs(plant.kinematic_map[:, column]) @ per_drive)


def _scaled(array: str) -> Change:
    def change(plant: Plant, column: int, size: float | Array) -> Plant:
        values = getattr(plant, array).copy()
        if column < 0:
            values = (values.T * size).T
        else:
            values[:, column] *= size
        return replace(plant, **{array: values})

    return change


def _added(array: str) -> Change:
    def change(plant: Plant, column: int, size: float | Array) -> Plant:
        values = getattr(plant, array).copy()
        values[:, column] += size
        return replace(plant, **{array: values})

    return change


def _opened(plant: Plant, column: int, size: float | Array) -> Plant:
    values = plant.open_phase.copy()
    values[:, column] = True
    return replace(plant, open_phase=values)


def _typical_speed(machine: Machine, column: int) -> float:
    """Speed at which the motors of an axis come to their corner [m/s]."""
    plant = nominal_plant(machine)
    corner = plant.voltage[0] / (plant.rotor_teeth * plant.inductance[0] * plant.current_peak[0])
    moving = np.abs(plant.kinematic_map[:, column]) > 0.0
    return float(np.min((corner * plant.radius)[moving]))


def _fixed(low: float, high: float) -> Callable[[Machine, int], tuple[float, float]]:
    return lambda machine, column: (low, high)


def _drive(machine: Machine, column: int) -> int:
    return max(column, 0)


CAUSES: tuple[Cause, ...] = (
    Cause(
        "as-predicted",
        "nowhere",
        lambda plant, column, size: plant,
        _fixed(1.0, 1.0),
        False,
        lambda machine, column, size: 0.0,
        "",
        "the machine does what it can",
        "",
        "many of the machines people worry about do what they can",
    ),
    Cause(
        "drag",
        "axis",
        _added("friction"),
        lambda machine, column: (0.06 * axis_force(machine, column), 0.8 * axis_force(machine, column)),
        True,
        lambda machine, column, size: size,
        "N",
        "about {size} of extra drag on {where}",
        "pull_{}_n",
        "6 to 80 % of the force the motors can give, flat in the logarithm: less is not noticed, more does not move",
    ),
    Cause(
        "speed-drag",
        "axis",
        _added("viscous"),
        lambda machine, column: tuple(  # type: ignore[return-value,arg-type]
            share * axis_force(machine, column) / _typical_speed(machine, column) for share in (0.06, 1.5)
        ),
        True,
        lambda machine, column, size: size,
        "N.s/m",
        "drag that grows with speed on {where}, about {size}",
        "fast_pull_{}_n",
        "6 to 150 % of the motors' force at their corner speed, flat in the logarithm",
    ),
    Cause(
        "low-voltage",
        "all",
        _scaled("voltage"),
        _fixed(0.35, 0.9),
        False,
        lambda machine, column, size: size * machine.supply.voltage,
        "V",
        "a bus of about {size} instead of the stated voltage",
        "supply_v",
        "35 to 90 % of the stated voltage, flat: an old supply, a wrong tap, a sagging cable",
    ),
    Cause(
        "low-current",
        "motor or all",
        _scaled("current_peak"),
        _fixed(0.3, 0.9),
        False,
        lambda machine, column, size: size * machine.drives[_drive(machine, column)].driver.current_rms,
        "A rms",
        "a current of about {size} in {where}",
        "current_rms_{}_a",
        "30 to 90 % of the stated current, flat: a wrong setting, rms taken for peak, a driver that protects itself",
    ),
    Cause(
        "series-resistance",
        "motor",
        _added("winding_resistance"),
        lambda machine, column: (
            0.5 * machine.drives[column].motor.resistance,
            max(12.0 * machine.drives[column].motor.resistance, 10.0),
        ),
        True,
        lambda machine, column, size: size,
        "ohm",
        "about {size} of extra resistance in each phase of motor {where}",
        "phase_ohm_{}",
        "half to twelve times the winding, flat in the logarithm: corroded or loose connectors, a thin harness",
    ),
    Cause(
        "open-phase",
        "motor",
        _opened,
        _fixed(1.0, 1.0),
        False,
        lambda machine, column, size: 0.0,
        "",
        "an open phase in motor {where}",
        "phase_ohm_{}",
        "a broken wire or a dead half of a driver",
    ),
    Cause(
        "heavy",
        "axis",
        _added("moving_mass"),
        lambda machine, column: tuple(  # type: ignore[return-value,arg-type]
            share * machine.axes[column].moving_mass for share in (0.25, 3.0)
        ),
        True,
        lambda machine, column, size: size,
        "kg",
        "about {size} more moving mass on {where} than stated",
        "mass_{}_kg",
        "a quarter to three times the stated mass, flat in the logarithm: tools, cables, a crossbeam forgotten",
    ),
)


def hypotheses(machine: Machine, causes: tuple[Cause, ...] = CAUSES) -> list[Hypothesis]:
    """Every cause at every place of a machine, priors summing to 1."""
    found: list[Hypothesis] = []
    faults = sum(cause.sits != "nowhere" for cause in causes)
    for cause in causes:
        if cause.sits == "nowhere":
            found.append(Hypothesis(cause, -1, ALL, HEALTH_PRIOR, 1.0, 1.0))
            continue
        if cause.sits == "axis":
            places = list(enumerate(machine.axis_names))
        elif cause.sits == "all":
            places = [(-1, ALL)]
        else:
            places = list(enumerate(machine.drive_names))
            if cause.sits == "motor or all" and len(places) > 1:
                places = [(-1, ALL), *places]
        share = (1.0 - HEALTH_PRIOR) / faults / len(places)
        for column, where in places:
            low, high = cause.prior(machine, column)
            found.append(Hypothesis(cause, column, where, share, low, high))
    total = math.fsum(h.prior for h in found)
    return [replace(h, prior=h.prior / total) for h in found]
