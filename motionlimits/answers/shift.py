"""Read the damage: which motor's lost cycles, or which belt's teeth, make a measured displacement.

A stepping motor slips by whole electrical cycles, a belt jumps by whole teeth, a loose pulley or a slipped clamp by
anything. On crossed belts one motor's slip lies on a 45 degree line, since dx = (da + db)/2 and dy = (da - db)/2.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import InputError
from ..machine import Array, Drive, Machine

READING_ERROR = 5e-5  # [m] one standard deviation of a displacement measured with a caliper: common practice, no source

# Prior of what displaces a part: common practice, no source. Motors that lose steps are much more common than belts
# that jump; "neither" (a loose pulley, a slipped clamp, a reading taken wrong) is spread evenly over RANGE.
PRIOR = {"lost-steps": 0.7, "belt-teeth": 0.12, "neither": 0.18}
RANGE = 0.03  # [m] half width of what a displacement of any size may be
TEETH_DECAY = 1.5  # belts seldom jump by many teeth
TOLD = 6  # explanations listed
CLEAR = 0.8  # probability from which an explanation is called clear


@dataclass(frozen=True)
class Explanation:
    """`counts` of whole cycles or teeth by motor; `residual` what is left of the displacement [m]."""

    kind: str
    counts: tuple[tuple[str, int], ...]
    probability: float
    residual: float


@dataclass(frozen=True)
class Shift:
    """One measured displacement [m] with its reading error, and its explanations, likeliest first."""

    dx: float
    dy: float
    error: float
    explanations: tuple[Explanation, ...]

    @property
    def ambiguous(self) -> bool:
        """Whether a second explanation is nearly as likely."""
        return self.explanations[0].probability < CLEAR


@dataclass(frozen=True)
class Shifts:
    """Several displacements of one machine and what they have in common."""

    machine: Machine
    shifts: tuple[Shift, ...]
    consistency: str

    @property
    def motors(self) -> tuple[tuple[str, ...], ...]:
        """Of each shift clearly made by lost steps: the motors that lost them."""
        return tuple(
            tuple(name for name, _ in s.explanations[0].counts)
            for s in self.shifts
            if s.explanations[0].kind == "lost-steps" and not s.ambiguous
        )


def cycle_travel(drive: Drive) -> float:
    """Travel of belt or nut in one electrical cycle [m]: one turn over the rotor's teeth."""
    return drive.transmission.travel_per_turn / drive.motor.rotor_teeth


def plane_drives(machine: Machine) -> list[Drive]:
    """The motors that move x and y."""
    columns = [k for k, name in enumerate(machine.axis_names) if name in ("x", "y")]
    if not columns:
        raise InputError("this machine has no axis x or y, so a shift in the plane cannot be explained")
    moving = np.abs(machine.kinematic_map[:, columns]).sum(axis=1) > 0.0
    return [drive for drive, moves in zip(machine.drives, moving, strict=True) if moves]


def explain(machine: Machine, dx: float, dy: float, error: float = READING_ERROR) -> Shift:
    """Explain one displacement.

    Parameters
    ----------
    machine : Machine
    dx, dy : float
        Displacement of the part from where it should be [m].
    error : float
        One standard deviation of the reading [m].

    Raises
    ------
    InputError
        For values out of range or a machine without x and y.
    """
    for name, value in (("dx", dx), ("dy", dy)):
        if not math.isfinite(value) or abs(value) > 10.0:
            raise InputError(f"--{name} {value * 1e3:g}: allowed: from -10,000 to 10,000 mm")
    if not math.isfinite(error) or not 1e-6 <= error <= 0.01:
        raise InputError(f"reading error {error * 1e3:g} mm: allowed: from 0.001 to 10 mm")
    drives = plane_drives(machine)
    axes = [name for name in ("x", "y") if name in machine.axis_names]
    for name, value in (("x", dx), ("y", dy)):
        if name not in axes and value != 0.0:
            raise InputError(f"this machine has no axis {name}")
    measured = np.array([{"x": dx, "y": dy}[name] for name in axes])
    jacobian = machine.kinematic_map[np.ix_(*_index(machine, drives, axes))]
    found: list[tuple[float, Explanation]] = []
    for kind, units in (
        ("lost-steps", [cycle_travel(drive) for drive in drives]),
        ("belt-teeth", [_tooth(drive) for drive in drives]),
    ):
        found += _lattice(kind, drives, jacobian, np.array(units), measured, error)
    area = (2.0 * max(RANGE, 1.5 * float(np.abs(measured).max()))) ** len(axes)
    rest = float(np.linalg.norm(measured))
    found.append((math.log(PRIOR["neither"]) - math.log(area), Explanation("neither", (), 0.0, rest)))
    scores = np.array([score for score, _ in found])
    chances = np.exp(scores - scores.max())
    chances /= chances.sum()
    listed = [Explanation(e.kind, e.counts, float(p), e.residual) for (_, e), p in zip(found, chances, strict=True)]
    listed.sort(key=lambda e: -e.probability)
    return Shift(dx, dy, error, tuple(listed[:TOLD]))


def _index(machine: Machine, drives: Sequence[Drive], axes: Sequence[str]) -> tuple[list[int], list[int]]:
    return [machine.drives.index(d) for d in drives], [machine.axis_names.index(a) for a in axes]


def _tooth(drive: Drive) -> float:
    return drive.transmission.belt_pitch if drive.transmission.kind == "belt" else math.nan


def _lattice(
    kind: str, drives: Sequence[Drive], jacobian: Array, units: Array, measured: Array, error: float
) -> list[tuple[float, Explanation]]:
    """Whole numbers of units near the measured displacement, with their log scores."""
    travel = jacobian @ measured
    # A belt's travel is read with the errors of both axes.
    reach = 4.0 * error * np.sqrt((jacobian**2).sum(axis=1))
    choices = []
    for unit, value, slack in zip(units, travel, reach, strict=True):
        if math.isnan(unit):
            choices.append([0])
            continue
        low, high = math.ceil((value - slack) / unit), math.floor((value + slack) / unit)
        near = range(low, high + 1) if high - low <= 40 else range(round(value / unit) - 20, round(value / unit) + 21)
        choices.append([*near] or [round(value / unit)])
    inverse = np.linalg.pinv(jacobian)
    found = []
    for counts in itertools.product(*choices):
        if not any(counts):
            continue
        left = measured - inverse @ (np.array(counts) * np.nan_to_num(units))
        square = float(left @ left) / error**2
        if square > 60.0:
            continue
        score = math.log(PRIOR[kind]) + _count_prior(kind, counts)
        score += -0.5 * square - measured.size * math.log(error * math.sqrt(2.0 * math.pi))
        named = tuple((d.name, int(n)) for d, n in zip(drives, counts, strict=True) if n)
        found.append((score, Explanation(kind, named, 0.0, float(np.linalg.norm(left)))))
    return found


def _count_prior(kind: str, counts: Sequence[int]) -> float:
    """Log prior of whole numbers: small ones and single motors before large ones and several.

    Two motors that lose the same number are one event of a move that both drive alike.
    """
    moved = [n for n in counts if n]
    alike = len(moved) > 1 and len({abs(n) for n in moved}) == 1
    events = moved[:1] if alike else moved
    score = math.log(1.0 if len(moved) == 1 else 0.5 if alike else 0.2)
    for n in events:
        score += -abs(n) / TEETH_DECAY if kind == "belt-teeth" else -math.log(1.0 + abs(n))
    return score - math.log(2.0) * len(events)


def explain_all(machine: Machine, measured: Sequence[tuple[float, float, float]]) -> Shifts:
    """Explain several displacements (dx, dy, error) [m] of one machine and say what they have in common."""
    if not measured:
        raise InputError("no displacement is given")
    shifts = tuple(explain(machine, dx, dy, error) for dx, dy, error in measured)
    return Shifts(machine, shifts, _consistency(shifts))


def _consistency(shifts: Sequence[Shift]) -> str:
    """Always the same motor, the same sign? And what that says."""
    if len(shifts) < 2:
        return ""
    clear = [s.explanations[0] for s in shifts if not s.ambiguous]
    lost = [e for e in clear if e.kind == "lost-steps"]
    if any(e.kind == "belt-teeth" for e in clear):
        return "A belt jumps teeth: look at its tension, the pulley's teeth and the engagement before the electronics."
    if sum(e.kind == "neither" for e in clear) > len(shifts) / 2:
        return (
            "Most shifts are no whole number of cycles or teeth: something slips by any amount, such as a pulley on its "
            "shaft, a belt clamp or the part itself."
        )
    if len(lost) < 2:
        return "Too few shifts are clear to say what they have in common."
    motors = Counter(tuple(name for name, _ in e.counts) for e in lost)
    common, times = motors.most_common(1)[0]
    signs = {math.copysign(1.0, n) for e in lost for _, n in e.counts}
    who = " and ".join(common)
    way = "always in the same direction" if len(signs) == 1 else "in both directions"
    if times == len(lost) and len(common) == 1:
        return (
            f"Always motor {who}, {way}: look at that motor, its cable, its driver and its belt before the axes. "
            + (
                "One direction only points at a load that pulls one way (gravity, a cable) or at one direction of travel."
                if len(signs) == 1
                else "Both directions point at too little torque of that motor."
            )
        )
    if times == len(lost):
        return f"Always motors {who} together, {way}: a move that both drive alike is lost, so look at that axis and the supply."
    return f"Different motors lose steps ({way}): look at what they share, the supply, the accelerations, the axes."
