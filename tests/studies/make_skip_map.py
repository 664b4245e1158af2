"""Makes the map that `skipmap.mapped` reads, from ramps of random machines that the time-domain engine simulates.

Run `python -m tests.studies.make_skip_map` after any change to the engine, to the pull-out map or to the similarity
numbers; it rewrites `motionlimits/physics/skipmap.npz` and, beside this file, the table of how far off the map is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import count, pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from motionlimits.machine import Array
from motionlimits.physics import skipmap
from motionlimits.physics.limits import pull, pull_in_acceleration, standing_ratio
from motionlimits.physics.motion import Fate, Lanes, simulate
from motionlimits.physics.skip import Moves, ramp_search, together
from motionlimits.physics.skipmap import (
    FREEDOM,
    FURTHEST,
    LEAKY,
    ONSET_SCALES,
    SCALES,
    Network,
    Numbers,
    Single,
    electrics_of,
    failed_of,
    onset_below,
    reach,
    similarity,
)
from motionlimits.plant import Plant
from motionlimits.workers import Crew

MAP, TABLE = Path(skipmap.__file__).with_name("skipmap.npz"), Path(__file__).with_name("skipmap.txt")
MACHINES, SAMPLES, ACCELERATIONS = 250, 30, 3  # simulated together: machines, samples of each, accelerations
CRUISED_MACHINES, CRUISED_SAMPLES = 1500, 5  # the same at constant speed
# Simulations of each kind, from one seed to another; what the first two say is held out.
SEEDS, HELD_OUT = {"alone": range(100, 170), "pair": range(100, 200)}, 2
CRUISED_SEEDS = {"alone": range(300, 336), "pair": range(300, 336)}
UNITS, EPOCHS, BATCH, RATE = (160, 160, 160), 16, 1024, 5e-3
CRUISED_UNITS, CRUISED_EPOCHS, CRUISED_RATE = (96, 96, 96), 12, 1e-2
START, ONSET_START = (0.0, -1.0, -0.5, -2.5, -1.5), (-1.0, 0.0, -1.0)  # outputs before anything is learned
WARMED_UP = 0.05  # share of the time over which the rate rises: else both kinds of starts may become one
WITHIN = 0.2  # standard deviation of the logarithm of every quantity between samples of a machine
USUAL = 0.75  # share of machines such as people build; the others span all that files may say
FAULTY = 0.6  # share of samples with a fault
LOAD = 0.08, 1.1  # of the torque at standstill that moves ask for
LIGHT_LOAD = 0.15, 0.4  # and those that lead to constant speeds
HARDLY = 0.8  # of the torque at standstill that a machine may need without any acceleration
FURTHER = 2.2  # times the static limit that ramps go on
FASTEST = 5000.0  # [Hz] electrical frequency that ramps go to at most


HEAD = """after how often all were seen: loss, loss of those held out, which half, three quarters, nine tenths are off by;
of constant speed: how likely machines held out are told to be unstable up to where they were looked at, and how many are"""
Loss = Callable[[Array, Array], tuple[float, Array]]


class Learned(NamedTuple):
    """Similarity numbers (m, inputs) of random machines and moves, and the logarithm of skip over static limit (m,)."""

    numbers: Single
    ratio: Single


def _log_uniform(rng: np.random.Generator, low: float, high: float, *shape: int) -> Array:
    return np.asarray(low * (high / low) ** rng.random(shape))


def random_plant(rng: np.random.Generator, pair: bool, samples: int) -> Plant:
    """Samples of some machine, each with tolerances of its own and most with a fault.

    Its ranges are those of motors from 20 to 86 mm and of belts, screws and feeds with all of them: from memory.
    """
    drives = 2 if pair else 1
    usual = rng.random() < USUAL
    holding = _log_uniform(rng, 0.06, 4.0) if usual else _log_uniform(rng, 0.02, 9.0)
    size = holding / 0.45
    rated = _log_uniform(rng, 0.6, 5.0) if usual else _log_uniform(rng, 0.4, 6.0)
    resistance = rng.uniform(1.8, 5.5) / rated
    inductance = resistance * (_log_uniform(rng, 0.9e-3, 4e-3) if usual else _log_uniform(rng, 0.7e-3, 5e-3))
    rotor = holding / (6e4 * holding**-0.2 * np.exp((0.25 if usual else 0.4) * rng.standard_normal()))
    teeth = 100.0 if rng.random() < 0.15 else 50.0
    torque_constant = holding / (math.sqrt(2.0) * rated)
    voltage = _log_uniform(rng, 1.5, 20.0) * rated * resistance
    voltage = float(rng.choice([12.0, 24.0, 24.0, 36.0, 48.0]) * _log_uniform(rng, 0.85, 1.2) if usual else voltage)
    voltage = float(np.clip(voltage, 8.0, 100.0))
    current = math.sqrt(2.0) * rated * (rng.uniform(0.4, 1.0) if usual else rng.uniform(0.25, 1.05))
    screw = not pair and rng.random() < 0.25
    count = float(rng.choice([1, 1, 1, 1, 2]))
    swing = math.sqrt(teeth * torque_constant * current / rotor)
    if usual and not screw:
        # Carriages and gantries on belts, as heavy as motors are strong.
        radius = _log_uniform(rng, 4e-3, 13e-3)
        mass = count * size * _log_uniform(rng, 0.18, 2.6, drives)
        friction = count * size**0.7 * _log_uniform(rng, 1.2, 10.0, drives)
        viscous = count * size**0.7 * _log_uniform(rng, 0.5, 8.0, drives)
        stiff = count * max(1.0, size) ** 0.3 * _log_uniform(rng, 25e3, 180e3)
    else:
        # Masses by their inertia over the rotor's, drag by full torque, springs by how fast rotors swing.
        radius = _log_uniform(rng, 0.15e-3, 4e-3) if screw else _log_uniform(rng, 2e-3, 15e-3)
        mass = count * rotor * _log_uniform(rng, 0.05 if screw else 0.3, 12.0, drives) / radius**2
        force = torque_constant * current * count / radius
        friction = force * _log_uniform(rng, 0.01, 0.25, drives)
        viscous = force * _log_uniform(rng, 0.002, 0.15, drives) / (swing / teeth * radius)
        stiff = rotor * count / radius**2 * (swing * _log_uniform(rng, 0.8, 8.0)) ** 2
    force = torque_constant * current * count / radius
    hanging = force * (0.3 * rng.standard_normal(drives) if rng.random() < 0.15 else np.zeros(drives))
    loose = 1.0 if pair or not screw else _log_uniform(rng, 0.3, 1.0)

    def spread(value: float | Array, width: float = WITHIN) -> Array:
        return np.asarray(value * np.exp(width * rng.standard_normal((samples, drives))))

    slow = rng.random(samples) < 0.2
    faulty = rng.random(samples) < FAULTY
    kind = np.where(faulty, rng.integers(0, 7, samples), -1)
    share, column = rng.random(samples), rng.integers(0, drives + 1, samples)
    here = (column[:, None] == np.arange(drives)) | (column[:, None] == drives)
    one = (column % drives)[:, None] == np.arange(drives)

    def where(which: int, factor: Array, at: NDArray[np.bool_] = here) -> Array:
        return np.where((kind == which)[:, None] & at, factor[:, None], 0.0 if which in (3, 4, 5) else 1.0)

    return Plant(
        voltage=voltage
        * np.exp(0.05 * rng.standard_normal(samples))
        * np.where(kind == 0, rng.uniform(0.3, 1.0, samples), 1.0),
        source_resistance=np.full(samples, float(rng.choice([0.0, 0.05, 0.2]))),
        torque_constant=spread(torque_constant, 0.1),
        winding_resistance=spread(resistance, 0.1) + resistance * where(3, 0.3 * 50.0**share),
        bridge_resistance=spread(resistance * _log_uniform(rng, 0.05, 0.5)),
        inductance=spread(inductance, 0.15),
        current_peak=spread(current, 0.1) * where(1, 0.25 + 0.75 * share),
        hysteresis=spread(holding * _log_uniform(rng, 0.01, 0.08), 0.3),
        eddy=spread(holding * _log_uniform(rng, 0.003, 0.03) / (1000.0 * math.pi / 30.0), 0.3),
        detent=spread(holding * _log_uniform(rng, 0.01, 0.08), 0.3),
        rotor_inertia=spread(rotor, 0.1),
        transmission_inertia=spread(rotor * _log_uniform(rng, 0.003, 0.5)),
        efficiency=np.clip(spread(loose * 0.95, 0.03), 0.05, 1.0),
        belt_stiffness=spread(stiff, 0.3) if not screw or rng.random() < 0.3 else np.full((samples, drives), np.inf),
        belt_damping=spread(0.1, 0.55),
        moving_mass=spread(mass, 0.1) * where(2, 1.2 + 3.0 * share**2, one),
        friction=spread(friction, 0.2) + force * where(4, 0.05 * 18.0**share, one),
        viscous=spread(viscous, 0.3)
        + where(5, 0.05 * 35.0**share, one) * force * inductance * current * teeth / voltage / radius,
        incline=np.zeros(drives),
        process_force=hanging,
        kinematic_map=np.array([[1.0, 1.0], [1.0, -1.0]]) if pair else np.eye(1),
        rotor_teeth=np.full(drives, teeth),
        radius=np.full(drives, float(radius)),
        count=np.full(drives, count),
        slow_decay=np.repeat(slow[:, None], drives, axis=1),
        open_phase=(kind == 6)[:, None] & one,
    )


def random_moves(rng: np.random.Generator, plant: Plant, load: tuple[float, float], kinds: int) -> Moves:
    """Accelerations in some direction that ask for some of the torque, of any travel."""
    unit = np.ones(1)
    if plant.kinematic_map.shape[1] > 1:
        angle = rng.choice([0.0, 90.0, 45.0, 135.0, float(rng.uniform(0.0, 360.0))], p=[0.3, 0.3, 0.15, 0.15, 0.1])
        unit = np.round([math.cos(math.radians(angle)), math.sin(math.radians(angle))], 12)
    most = float(np.median(pull_in_acceleration(plant, unit)))
    acceleration = np.sort(max(most, 1e-3) * _log_uniform(rng, *load, kinds))
    return Moves(unit, acceleration, np.ones(kinds))


class Machines(NamedTuple):
    """Samples of a random machine, the moves that they are asked for, their similarity numbers, and a seed."""

    plant: Plant
    moves: Moves
    numbers: Numbers
    seed: int


def random_machines(
    rng: np.random.Generator, pair: bool, machines: int, samples: int, load: tuple[float, float], kinds: int
) -> list[Machines]:
    """Machines and `kinds` moves of them that ask for some of the torque at standstill, of such travels that most can use."""
    found: list[Machines] = []
    while len(found) < machines:
        plant = random_plant(rng, pair, samples)
        moves, electrics = random_moves(rng, plant, load, kinds), electrics_of(plant, reach(plant))
        asked = standing_ratio(plant, electrics.curve.torque[:, 0], moves.unit, np.zeros(1))
        if np.median(asked) >= HARDLY:
            continue  # hardly any of these machines moves at all
        (numbers,) = similarity(plant, electrics, moves.unit, moves.acceleration, pull(plant, moves.unit))
        # As far as most samples may need.
        waves = np.max(plant.rotor_teeth * np.abs(plant.kinematic_map @ moves.unit) / plant.radius)
        top = np.minimum(FURTHER * np.quantile(numbers.steady, 0.8, axis=0), 2.0 * math.pi * FASTEST / waves)
        found.append(
            Machines(plant, moves._replace(travel=top**2 / moves.acceleration), numbers, int(rng.integers(2**31)))
        )
    return found


def learned_from(seed: int, pair: bool, crew: Callable[[Lanes], Fate] = simulate, machines: int = MACHINES) -> Learned:
    """Simulate ramps of random machines and moves."""
    rng = np.random.default_rng([seed, pair])
    told = random_machines(rng, pair, machines, SAMPLES, LOAD, ACCELERATIONS)
    found = together([ramp_search(m.plant, [m.moves], seed=m.seed) for m in told], crew)
    ratios = [np.log(ramps.skip.T / m.numbers.steady) for (ramps,), m in zip(found, told, strict=True)]
    good = [np.isfinite(ratio) for ratio in ratios]
    return Learned(
        np.concatenate([m.numbers.whole[here] for m, here in zip(told, good, strict=True)]),
        np.concatenate([ratio[here] for ratio, here in zip(ratios, good, strict=True)]).astype(np.float32),
    )


class Cruised(NamedTuple):
    """Similarity numbers (m, inputs) of random machines in some direction; and `told` (m, 2), the logarithms of the frequency from
    which they are unstable at constant speed, infinite where they are not, and of the greatest looked at, over that of their
    swing.
    """

    numbers: Single
    told: Single


def cruised_from(
    seed: int, pair: bool, crew: Callable[[Lanes], Fate] = simulate, machines: int = CRUISED_MACHINES
) -> Cruised:
    """Simulate random machines at constant speed."""
    rng = np.random.default_rng([seed, pair, 1])
    told = random_machines(rng, pair, machines, CRUISED_SAMPLES, LIGHT_LOAD, 1)
    searches = [ramp_search(m.plant, [m.moves], seed=m.seed, cruising=True) for m in told]
    numbers, speeds = [], []
    for (ramps,), m in zip(together(searches, crew), told, strict=True):
        here = ramps.cruised > 0.0
        numbers.append(m.numbers.machine[here])
        both = np.column_stack([ramps.onset, ramps.cruised]) * m.numbers.waves[:, None]
        speeds.append(np.log(both[here]))
    return Cruised(np.concatenate(numbers), np.concatenate(speeds).astype(np.float32))


def loss(out: Array, ratio: Array) -> tuple[float, Array]:
    """Mean of the negative log density of ratios (m,) by the network's outputs (m, 5), and its slope (m, 5).

    A mixture of two Student distributions: of kept starts and of failed ones.
    """
    kept, odds, apart, kept_scatter, failed_scatter = out.T
    failed = failed_of(out)

    def student(middle: Array, log_scale: Array) -> tuple[Array, Array, Array]:
        inside = np.clip(log_scale, *SCALES)
        scale = np.exp(inside)
        apart = (ratio - middle) / scale
        tail = 1.0 + apart**2 / FREEDOM
        pull = (FREEDOM + 1.0) / FREEDOM * apart / tail
        slope = np.where(inside == log_scale, pull * apart - 1.0, np.where(log_scale < inside, 1.0, -1.0) * 0.01)
        return -inside - (FREEDOM + 1.0) / 2.0 * np.log(tail) - 1.0, pull / scale, slope

    first, by_kept, by_kept_scatter = student(kept, kept_scatter)
    second, by_failed, by_failed_scatter = student(failed, failed_scatter)
    fails = expit(odds)
    one, two = first + np.log1p(-np.minimum(fails, 1.0 - 1e-7)), second + np.log(np.maximum(fails, 1e-7))
    both = np.logaddexp(one, two)
    is_second = np.exp(two - both)
    is_first = 1.0 - is_second
    deeper = expit(apart)
    slope = -np.stack(
        [
            is_first * by_kept + is_second * by_failed,
            is_second - fails,
            -is_second * by_failed * deeper,
            is_first * by_kept_scatter,
            is_second * by_failed_scatter,
        ],
        axis=1,
    )
    return -float(both.mean()), slope / len(ratio)


def onset_loss(out: Array, told: Array) -> tuple[float, Array]:
    """The same of where machines are unstable at constant speed, told (m, 2) as in `Cruised`, by outputs (m, 3).

    Of those that are not it is known that they are not up to the greatest frequency looked at.
    """
    odds, middle, log_scale = out.T
    onset, cruised = told.T
    inside = np.clip(log_scale, *ONSET_SCALES)
    found = np.isfinite(onset)
    apart = (np.where(found, onset, cruised) - middle) / np.exp(inside)
    ever, below = expit(odds), expit(apart)
    stays = np.maximum(1.0 - ever * below, 1e-12)
    # Slopes of the log density: by the odds, by the number of scales apart, and by the scale beside that.
    by_odds = np.where(found, 1.0 - ever, -ever * (1.0 - ever) * below / stays)
    by_apart = np.where(found, 1.0 - 2.0 * below, -ever * below * (1.0 - below) / stays)
    density = np.where(found, np.log(np.maximum(ever * below * (1.0 - below), 1e-300)) - inside, np.log(stays))
    by_scale = -apart * by_apart - np.where(found, 1.0, 0.0)
    by_scale = np.where(inside == log_scale, by_scale, np.where(log_scale < inside, 1.0, -1.0) * 0.01)
    slope = -np.stack([by_odds, -by_apart / np.exp(inside), by_scale], axis=1)
    return -float(density.mean()), slope / len(told)


def train(
    numbers: Single,
    told: Single,
    loss_of: Loss,
    start: Sequence[float],
    units: Sequence[int] = UNITS,
    epochs: int = EPOCHS,
    rate: float = RATE,
    seed: int = 0,
    report: Callable[[float, Network], None] = lambda loss, network: None,
) -> Network:
    """Fit a network by stochastic gradients (Adam; Kingma and Ba 2015, from memory), the rate rising and then falling as a cosine.

    Parameters
    ----------
    numbers : ndarray, shape (m, inputs)
    told : ndarray, shape (m,) or (m, some)
        What is known of each.
    loss_of : callable
        Of outputs (b, outputs) and some of `told`: a loss and its slope by the outputs.
    start : sequence of float
        Outputs to begin with.
    units, epochs, rate, seed
        Of the layers between; how often all are seen; the greatest step; of the first weights.
    report : callable
        Given, each time that all were seen, the mean loss on the way and the network.
    """
    rng = np.random.default_rng(seed)
    middle, spread = numbers.mean(axis=0), numbers.std(axis=0) + np.float32(1e-4)
    sizes = [numbers.shape[1], *units, len(start)]
    weights = [(rng.standard_normal((a, b)) * math.sqrt(2.0 / a)).astype(np.float32) for a, b in pairwise(sizes)]
    weights[-1] *= np.float32(0.1)
    thresholds = [np.zeros(b, np.float32) for b in sizes[1:]]
    thresholds[-1][:] = start
    network = Network(tuple(weights), tuple(thresholds), middle, spread)
    scaled = np.clip(network.apart(numbers), -FURTHEST, FURTHEST)
    parameters = [*weights, *thresholds]
    mean, square = [np.zeros_like(p) for p in parameters], [np.zeros_like(p) for p in parameters]
    batches, turn = len(scaled) // BATCH, 0
    for _ in range(epochs):
        order, total = rng.permutation(len(scaled)), 0.0
        for k in range(batches):
            some = order[k * BATCH : (k + 1) * BATCH]
            layers = [scaled[some]]
            for weight, threshold in zip(weights[:-1], thresholds[:-1], strict=True):
                at = layers[-1] @ weight + threshold
                layers.append(np.maximum(at, np.float32(LEAKY) * at))
            part, back = loss_of((layers[-1] @ weights[-1] + thresholds[-1]).astype(float), told[some].astype(float))
            total += part
            slope = back.astype(np.float32)
            by_weight, by_threshold = [], []
            for i in range(len(weights) - 1, -1, -1):
                by_weight.append(layers[i].T @ slope)
                by_threshold.append(slope.sum(axis=0))
                if i:
                    slope = (slope @ weights[i].T) * np.where(layers[i] > 0.0, np.float32(1.0), np.float32(LEAKY))
            turn += 1
            done = turn / (epochs * batches)
            now = rate * min(done / WARMED_UP, 0.5 * (1.0 + math.cos(math.pi * done))) + 1e-6
            corrected = now * math.sqrt(1.0 - 0.999**turn) / (1.0 - 0.9**turn)
            for p, g, m, v in zip(parameters, [*by_weight[::-1], *by_threshold[::-1]], mean, square, strict=True):
                m += np.float32(0.1) * (g - m)
                v += np.float32(0.001) * (g * g - v)
                p -= np.float32(corrected) * m / (np.sqrt(v) + np.float32(1e-8))
        report(total / batches, network)
    return network


def stored(kind: str, network: Network) -> dict[str, Single]:
    """A network as arrays with names."""
    found = {f"{kind}_middle": network.middle, f"{kind}_spread": network.spread}
    for i, (weight, threshold) in enumerate(zip(network.weights, network.thresholds, strict=True)):
        found |= {f"{kind}_weight_{i}": weight, f"{kind}_threshold_{i}": threshold}
    return found


def joined(parts: Sequence[Single]) -> tuple[Single, Single]:
    """What the first seeds found, which is held out, and what the others did."""
    return np.concatenate(parts[:HELD_OUT]), np.concatenate(parts[HELD_OUT:])


def limits_map(kind: str, crew: Crew, report: Callable[[str], None]) -> Network:
    """Simulate ramps and learn from them."""
    learned = [learned_from(seed, kind == "pair", crew) for seed in SEEDS[kind]]
    (held_out, numbers), (held_ratio, ratio) = (joined(parts) for parts in zip(*learned, strict=True))
    report(f"{kind}: {len(ratio)} limits, {numbers.shape[1]} numbers, {len(held_ratio)} held out")
    turns = count(1)

    def told(total: float, network: Network) -> None:
        out = network(held_out).astype(float)
        left, _ = loss(out, held_ratio.astype(float))
        off = np.abs(np.where(out[:, 1] > 0.0, failed_of(out), out[:, 0]) - held_ratio)
        quantiles = " ".join(f"{q:.4f}" for q in np.quantile(off, [0.5, 0.75, 0.9]))
        report(f"{next(turns):3d} {total:8.4f} {left:8.4f}  off by {quantiles}")

    return train(numbers, ratio, loss, START, report=told)


def onsets_map(kind: str, crew: Crew, report: Callable[[str], None]) -> Network:
    """Simulate constant speeds and learn from them."""
    learned = [cruised_from(seed, kind == "pair", crew) for seed in CRUISED_SEEDS[kind]]
    (held_out, numbers), (held, told) = (joined(parts) for parts in zip(*learned, strict=True))
    lost = np.isfinite(told[:, 0]).mean()
    report(f"{kind}: {len(told)} machines at constant speed, {numbers.shape[1]} numbers, {len(held)} held out")
    report(f"  unstable {lost:.3f}")
    turns = count(1)

    def said(total: float, network: Network) -> None:
        left, _ = onset_loss(network(held_out).astype(float), held.astype(float))
        report(f"{next(turns):3d} {total:8.4f} {left:8.4f}")

    found = train(numbers, told, onset_loss, ONSET_START, CRUISED_UNITS, CRUISED_EPOCHS, CRUISED_RATE, report=said)
    # Of those held out: how many are told to be unstable up to where they were looked at, and are.
    chance = onset_below(found(held_out).astype(float), held[:, 1:])[:, 0]
    unstable = np.isfinite(held[:, 0])
    for low, high in pairwise((0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)):
        here = (low < chance) & (chance <= high)
        if here.any():
            report(f"  told {chance[here].mean():.3f}, are {unstable[here].mean():.3f} of {here.sum()}")
    return found


def main() -> None:
    """Simulate, learn, and write the map and its table."""
    crew = Crew()
    lines = [HEAD]
    arrays: dict[str, Single] = {}
    for kind in SEEDS:
        arrays |= stored(kind, limits_map(kind, crew, lines.append))
        arrays |= stored(f"{kind} at speed", onsets_map(kind, crew, lines.append))
    np.savez_compressed(MAP, **arrays)  # type: ignore[arg-type]
    TABLE.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
