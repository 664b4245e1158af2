"""Makes the map that `skipmap.mapped` reads, from ramps of random machines that the time-domain engine simulates.

Run `python -m tests.studies.make_skip_map` after any change to the engine, to the pull-out map or to the similarity
numbers; it rewrites `motionlimits/physics/skipmap.npz` and, beside this file, the table of how far off the map is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from motionlimits.machine import Array
from motionlimits.physics import skipmap
from motionlimits.physics.limits import pull_in_acceleration, standing_ratio
from motionlimits.physics.motion import Fate, Lanes, simulate
from motionlimits.physics.skip import Moves, ramp_search, together
from motionlimits.physics.skipmap import FURTHEST, LEAKY, SCALES, Network, Single, curve_of, reach, similarity
from motionlimits.plant import Plant
from motionlimits.workers import Crew

MAP, TABLE = Path(skipmap.__file__).with_name("skipmap.npz"), Path(__file__).with_name("skipmap.txt")
MACHINES, SAMPLES, ACCELERATIONS = 250, 30, 3  # simulated together: machines, samples of each, accelerations
# Simulations of each kind, from one seed to another; what the first two say is held out.
SEEDS, HELD_OUT = {"alone": range(100, 170), "pair": range(100, 200)}, 2
UNITS, EPOCHS, BATCH, RATE = (160, 160, 160), 16, 1024, 2e-3
WITHIN = 0.2  # standard deviation of the logarithm of every quantity between samples of a machine
USUAL = 0.75  # share of machines such as people build; the others span all that files may say
FAULTY = 0.6  # share of samples with a fault
LOAD = 0.08, 1.1  # of the torque at standstill that moves ask for
HARDLY = 0.8  # of the torque at standstill that a machine may need without any acceleration
FURTHER = 2.2  # times the static limit that ramps go on
FASTEST = 5000.0  # [Hz] electrical frequency that ramps go to at most
FREEDOM = 3.0  # of the Student distribution around limits


class Learned(NamedTuple):
    """Similarity numbers (m, inputs) of random machines and moves, and the logarithm of skip over static limit (m,)."""

    numbers: Single
    ratio: Single


def _log_uniform(rng: np.random.Generator, low: float, high: float, *shape: int) -> Array:
    return np.asarray(low * (high / low) ** rng.random(shape))


def random_plant(rng: np.random.Generator, pair: bool, samples: int = SAMPLES) -> Plant:
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


def random_moves(rng: np.random.Generator, plant: Plant) -> Moves:
    """Accelerations in some direction that ask for a little or all of the torque, of any travel."""
    unit = np.ones(1)
    if plant.kinematic_map.shape[1] > 1:
        angle = rng.choice([0.0, 90.0, 45.0, 135.0, float(rng.uniform(0.0, 360.0))], p=[0.3, 0.3, 0.15, 0.15, 0.1])
        unit = np.round([math.cos(math.radians(angle)), math.sin(math.radians(angle))], 12)
    most = float(np.median(pull_in_acceleration(plant, unit)))
    acceleration = np.sort(max(most, 1e-3) * _log_uniform(rng, *LOAD, ACCELERATIONS))
    return Moves(unit, acceleration, np.ones(ACCELERATIONS))


def learned_from(seed: int, pair: bool, crew: Callable[[Lanes], Fate] = simulate, machines: int = MACHINES) -> Learned:
    """Simulate ramps of random machines and moves."""
    rng = np.random.default_rng([seed, pair])
    told, searches = [], []
    for _ in range(machines):
        while True:
            plant = random_plant(rng, pair)
            moves, curve = random_moves(rng, plant), curve_of(plant, reach(plant))
            asked = standing_ratio(plant, curve.torque[:, 0], moves.unit, np.zeros(1))
            if np.median(asked) < HARDLY:
                break  # else hardly any of these machines moves at all
        (numbers,) = similarity(plant, curve, moves.unit, moves.acceleration)
        # As far as most samples may need.
        waves = np.max(plant.rotor_teeth * np.abs(plant.kinematic_map @ moves.unit) / plant.radius)
        top = np.minimum(FURTHER * np.quantile(numbers.steady, 0.8, axis=0), 2.0 * math.pi * FASTEST / waves)
        moves = moves._replace(travel=top**2 / moves.acceleration)
        told.append(numbers)
        searches.append(ramp_search(plant, [moves], seed=int(rng.integers(2**31))))
    found = together(searches, crew)
    ratios = [np.log(ramps.skip.T / numbers.steady) for (ramps,), numbers in zip(found, told, strict=True)]
    good = [np.isfinite(ratio) for ratio in ratios]
    return Learned(
        np.concatenate([numbers.numbers[here] for numbers, here in zip(told, good, strict=True)]),
        np.concatenate([ratio[here] for ratio, here in zip(ratios, good, strict=True)]).astype(np.float32),
    )


def loss(out: Array, ratio: Array) -> tuple[float, Array]:
    """Mean of the negative log density of ratios (m,) by the network's outputs (m, 5), and its slope (m, 5).

    A mixture of two Student distributions: of kept starts and of failed ones.
    """
    kept, odds, failed, kept_scatter, failed_scatter = out.T

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
    fails = 1.0 / (1.0 + np.exp(-np.clip(odds, -30.0, 30.0)))
    one, two = first + np.log1p(-np.minimum(fails, 1.0 - 1e-7)), second + np.log(np.maximum(fails, 1e-7))
    both = np.logaddexp(one, two)
    is_second = np.exp(two - both)
    is_first = 1.0 - is_second
    slope = -np.stack(
        [
            is_first * by_kept,
            is_second - fails,
            is_second * by_failed,
            is_first * by_kept_scatter,
            is_second * by_failed_scatter,
        ],
        axis=1,
    )
    return -float(both.mean()), slope / len(ratio)


def train(
    learned: Learned,
    held_out: Learned,
    units: Sequence[int] = UNITS,
    epochs: int = EPOCHS,
    seed: int = 0,
    report: Callable[[str], None] = print,
) -> Network:
    """Fit a network by stochastic gradients (Adam; Kingma and Ba 2015, from memory), the rate falling as a cosine."""
    rng = np.random.default_rng(seed)
    middle, spread = learned.numbers.mean(axis=0), learned.numbers.std(axis=0) + np.float32(1e-4)
    sizes = [learned.numbers.shape[1], *units, 5]
    weights = [(rng.standard_normal((a, b)) * math.sqrt(2.0 / a)).astype(np.float32) for a, b in pairwise(sizes)]
    weights[-1] *= np.float32(0.1)
    thresholds = [np.zeros(b, np.float32) for b in sizes[1:]]
    thresholds[-1][:] = 0.0, -1.0, -0.8, -2.5, -1.5
    network = Network(tuple(weights), tuple(thresholds), middle, spread)
    numbers = np.clip(network.apart(learned.numbers), -FURTHEST, FURTHEST)
    parameters = [*weights, *thresholds]
    mean, square = [np.zeros_like(p) for p in parameters], [np.zeros_like(p) for p in parameters]
    count, turn = len(numbers) // BATCH, 0
    for epoch in range(epochs):
        order, total = rng.permutation(len(numbers)), 0.0
        for k in range(count):
            some = order[k * BATCH : (k + 1) * BATCH]
            layers = [numbers[some]]
            for weight, threshold in zip(weights[:-1], thresholds[:-1], strict=True):
                at = layers[-1] @ weight + threshold
                layers.append(np.maximum(at, np.float32(LEAKY) * at))
            part, back = loss(
                (layers[-1] @ weights[-1] + thresholds[-1]).astype(float), learned.ratio[some].astype(float)
            )
            total += part
            slope = back.astype(np.float32)
            by_weight, by_threshold = [], []
            for i in range(len(weights) - 1, -1, -1):
                by_weight.append(layers[i].T @ slope)
                by_threshold.append(slope.sum(axis=0))
                if i:
                    slope = (slope @ weights[i].T) * np.where(layers[i] > 0.0, np.float32(1.0), np.float32(LEAKY))
            turn += 1
            rate = RATE * 0.5 * (1.0 + math.cos(math.pi * turn / (epochs * count))) + 1e-6
            corrected = rate * math.sqrt(1.0 - 0.999**turn) / (1.0 - 0.9**turn)
            for p, g, m, v in zip(parameters, [*by_weight[::-1], *by_threshold[::-1]], mean, square, strict=True):
                m += np.float32(0.1) * (g - m)
                v += np.float32(0.001) * (g * g - v)
                p -= np.float32(corrected) * m / (np.sqrt(v) + np.float32(1e-8))
        out = network(held_out.numbers).astype(float)
        left, _ = loss(out, held_out.ratio.astype(float))
        off = np.abs(np.where(out[:, 1] > 0.0, out[:, 2], out[:, 0]) - held_out.ratio)
        report(
            f"{epoch + 1:3d} {total / count:8.4f} {left:8.4f}  off by "
            + " ".join(f"{q:.4f}" for q in np.quantile(off, [0.5, 0.75, 0.9]))
        )
    return network


def stored(kind: str, network: Network) -> dict[str, Single]:
    """A network as arrays with names."""
    found = {f"{kind}_middle": network.middle, f"{kind}_spread": network.spread}
    for i, (weight, threshold) in enumerate(zip(network.weights, network.thresholds, strict=True)):
        found |= {f"{kind}_weight_{i}": weight, f"{kind}_threshold_{i}": threshold}
    return found


def joined(parts: Sequence[Learned]) -> Learned:
    """Several as one."""
    return Learned(*(np.concatenate(arrays) for arrays in zip(*parts, strict=True)))


def main() -> None:
    """Simulate, learn, and write the map and its table."""
    crew = Crew()
    arrays: dict[str, Single] = {}
    lines = [
        "after how often all were seen: loss, loss of those held out, which half, three quarters, nine tenths are off by"
    ]
    for kind, seeds in SEEDS.items():
        parts = [learned_from(seed, kind == "pair", crew) for seed in seeds]
        held_out, others = joined(parts[:HELD_OUT]), joined(parts[HELD_OUT:])
        lines.append(
            f"{kind}: {len(others.ratio)} limits, {others.numbers.shape[1]} numbers, {len(held_out.ratio)} held out"
        )
        arrays |= stored(kind, train(others, held_out, report=lines.append))
    np.savez_compressed(MAP, **arrays)  # type: ignore[arg-type]
    TABLE.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
