"""Pull-out torque at steady speed: closed-form bounds, the similarity map, and losses at the shaft.

References
----------
.. [1] Acarnley, Stepping Motors: a Guide to Theory and Practice, 4th ed., IET 2002, ch. 5 (torque at high speed).
.. [2] Kenjo and Sugawara, Stepping Motors and Their Microprocessor Controls, 2nd ed., Oxford 1994.
"""

from __future__ import annotations

import math
from functools import cache
from importlib.resources import files
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..machine import Array
from .constants import COPPER_TEMPERATURE_COEFFICIENT, MAGNET_TEMPERATURE_COEFFICIENT

FLUX_STRETCH, FLUX_CENTRE, FLUX_WIDTH = (
    1.4,
    0.15,
    0.35,
)  # of the map's third coordinate, see `map_coordinates`
BLOCK_POINTS = 16384  # of the map that are looked up at once


class Similarity(NamedTuple):
    """The three numbers on which torque over `Kt I_pk` depends.

    s : reactance voltage over available voltage, `X I_pk / V` (speed).
    r : resistance voltage over available voltage, `R I_pk / V`.
    f : magnet flux over winding flux, `Kt / (Nr L I_pk)`.
    """

    s: Array
    r: Array
    f: Array


class Pullout(NamedTuple):
    """Pull-out torque before shaft losses [N.m] and rms phase current at that torque [A]."""

    torque: Array
    current_rms: Array


def winding_resistance(resistance_20: ArrayLike, temperature: ArrayLike) -> Array:
    """Copper resistance [ohm] at a temperature [C] from its value at 20 C (IEC 60028)."""
    return np.asarray(resistance_20) * (1.0 + COPPER_TEMPERATURE_COEFFICIENT * (np.asarray(temperature) - 20.0))


def magnet_factor(temperature: ArrayLike) -> Array:
    """Torque constant over its value at 20 C (NdFeB, from memory)."""
    return 1.0 + MAGNET_TEMPERATURE_COEFFICIENT * (np.asarray(temperature) - 20.0)


def voltage_bound(
    torque_constant: ArrayLike,
    resistance: ArrayLike,
    inductance: ArrayLike,
    rotor_teeth: ArrayLike,
    voltage: ArrayLike,
    speed: ArrayLike,
) -> Array:
    """Pull-out torque on a sinusoidal voltage of given amplitude, no current limit.

    Parameters
    ----------
    torque_constant : array_like
        [N.m/A]
    resistance, inductance : array_like
        Of one phase with all in series with it [ohm], [H].
    rotor_teeth : array_like
        Electrical cycles per turn.
    voltage : array_like
        Amplitude [V].
    speed : array_like
        Of the shaft [rad/s].

    Returns
    -------
    ndarray
        Torque [N.m], `Kt (V/Z - E R/Z^2)` [1]_.
    """
    kt, r, w = np.asarray(torque_constant), np.asarray(resistance), np.asarray(speed)
    reactance = np.asarray(rotor_teeth) * w * np.asarray(inductance)
    impedance = np.maximum(np.hypot(r, reactance), 1e-12)
    return kt * (np.asarray(voltage) / impedance - kt * w * r / impedance**2)


def steady_bounds(
    torque_constant: ArrayLike,
    resistance: ArrayLike,
    inductance: ArrayLike,
    rotor_teeth: ArrayLike,
    current_peak: ArrayLike,
    voltage: ArrayLike,
    speed: ArrayLike,
) -> tuple[Array, Array]:
    """Closed-form low and high bounds on the pull-out torque [N.m].

    A saturated bridge gives a square wave whose fundamental is 4 V / pi: the truth lies between the bound for V and
    the one for 4 V / pi, and under the current limit `Kt I_pk`. Parameters as in `voltage_bound`.
    """
    limit = np.asarray(torque_constant) * np.asarray(current_peak)
    low, high = (
        np.minimum(limit, voltage_bound(torque_constant, resistance, inductance, rotor_teeth, v, speed))
        for v in (np.asarray(voltage), np.asarray(voltage) * (4.0 / np.pi))
    )
    return low, high


def similarity_numbers(
    torque_constant: ArrayLike,
    resistance: ArrayLike,
    inductance: ArrayLike,
    rotor_teeth: ArrayLike,
    current_peak: ArrayLike,
    voltage: ArrayLike,
    speed: ArrayLike,
) -> Similarity:
    """Scale the phase equations by V, I_pk and the electrical speed. Parameters as in `voltage_bound`."""
    winding_flux = np.asarray(rotor_teeth) * np.asarray(inductance) * np.asarray(current_peak)
    voltage = np.asarray(voltage, dtype=float)
    return Similarity(
        winding_flux * np.asarray(speed) / voltage,
        np.asarray(resistance) * np.asarray(current_peak) / voltage,
        np.asarray(torque_constant) / winding_flux,
    )


class _Map(NamedTuple):
    first: Array  # lowest grid coordinate of each of the three axes
    pitch: Array  # grid spacing of each axis
    shape: tuple[int, int, int]
    # (points, 16): both values at the eight corners of each cell side by side, so that one look-up reads one place.
    cells: NDArray[np.float32]


def map_coordinates(s: Array, r: Array, f: Array) -> tuple[Array, Array, Array]:
    """Coordinates in which the map is smooth.

    The corner speed lies at `s hypot(1, f) = 1` for every f. Where the magnet's own short-circuit current exceeds the
    setting (f > 1) the current loop loses hold above the corner and torque collapses within a few per cent of f: the
    third coordinate is stretched there.
    """
    log_flux = np.log(f)
    return (
        np.log(np.maximum(s, 1e-12) * np.sqrt(1.0 + f * f)),
        np.sqrt(r),
        log_flux + FLUX_STRETCH * np.tanh((log_flux - FLUX_CENTRE) / FLUX_WIDTH),
    )


@cache
def _load(current_loop: str) -> _Map:
    with (
        files("motionlimits.physics").joinpath("pullout_map.npz").open("rb") as stream,
        np.load(stream) as table,
    ):
        values = table[current_loop.replace("-", "_")]  # single precision, also in the cells: good for 1e-7
        first, last = table["first"], table["last"]
    shape = (values.shape[0], values.shape[1], values.shape[2])
    pitch = (last - first) / (np.array(shape) - 1)
    # Neighbours beyond the last point are never weighted: positions are kept below it.
    padded = np.pad(values, ((0, 1), (0, 1), (0, 1), (0, 0)), mode="edge")
    corners = [
        padded[i : i + shape[0], k : k + shape[1], m : m + shape[2]] for i in (0, 1) for k in (0, 1) for m in (0, 1)
    ]
    cells = np.stack(corners, axis=-2).reshape(-1, 16)
    return _Map(first, pitch, shape, np.ascontiguousarray(cells))


def map_lookup(s: ArrayLike, r: ArrayLike, f: ArrayLike, current_loop: str = "regulated") -> tuple[Array, Array]:
    """Torque over `Kt I_pk` and rms over peak current, from the table of `waveform_pullout`.

    Parameters
    ----------
    s, r, f : array_like
        Similarity numbers, broadcast together. Outside the table the nearest entry is continued by its asymptote.
    current_loop : {"regulated", "slow-decay"}

    Returns
    -------
    torque, current_rms : ndarray
    """
    table = _load(current_loop)
    numbers = [np.asarray(v, dtype=float) for v in (s, r, f)]
    shape = np.broadcast_shapes(*(v.shape for v in numbers))
    whole = shape or (1,)
    numbers = [v.reshape((1,) * (len(whole) - v.ndim) + v.shape) for v in numbers]
    torque, current = np.empty(whole), np.empty(whole)
    # Blocks that stay in cache: twice as fast for millions of points as whole arrays.
    rows = max(BLOCK_POINTS // max(math.prod(whole[1:]), 1), 1)
    for start in range(0, whole[0], rows):
        block = slice(start, start + rows)
        some = (v[block] if len(v) > 1 else v for v in numbers)
        torque[block], current[block] = _interpolate(table, *some)
    return torque.reshape(shape), current.reshape(shape)


def _interpolate(table: _Map, s: Array, r: Array, f: Array) -> tuple[Array, Array]:
    """Torque and current of numbers that broadcast: what speed does not change is worked out once for all speeds."""
    index = np.zeros((1,) * s.ndim, dtype=np.intp)
    weights = []
    for axis, value in enumerate(map_coordinates(s, r, f)):
        count = table.shape[axis]
        place = np.clip((value - table.first[axis]) / table.pitch[axis], 0.0, count - 1.0)
        whole = place.astype(np.intp)
        weights.append((place - whole).astype(np.float32))
        index = index * count + whole
    # Values in rows as long as there are points: short ones cost more than the sums.
    value = np.ascontiguousarray(table.cells[index.ravel()].T)
    for weight in weights:
        near, far = np.split(value, 2)
        value = near + (far - near) * np.broadcast_to(weight, index.shape).ravel()
    torque, current = value.reshape(2, *index.shape)
    # Below the first entry torque is constant, beyond the last one it falls as the inverse of speed.
    fall = (1.0 + np.maximum(s * np.sqrt(1.0 + f * f), np.exp(table.first[0]))) * (1.0 + r)
    return torque / fall, current / fall


def pullout(
    torque_constant: ArrayLike,
    resistance: ArrayLike,
    inductance: ArrayLike,
    rotor_teeth: ArrayLike,
    current_peak: ArrayLike,
    voltage: ArrayLike,
    speed: ArrayLike,
    *,
    current_loop: str = "regulated",
) -> Pullout:
    """Pull-out torque before shaft losses, from the similarity map.

    Parameters
    ----------
    torque_constant : array_like
        [N.m/A]
    resistance, inductance : array_like
        Of one phase with all in series with it [ohm], [H].
    rotor_teeth : array_like
        Electrical cycles per turn.
    current_peak : array_like
        Peak phase current the driver is set to [A].
    voltage : array_like
        At the driver [V].
    speed : array_like
        Of the shaft [rad/s]; its sign does not matter.
    current_loop : {"regulated", "slow-decay"}

    Returns
    -------
    Pullout
        Shapes are the broadcast of all parameters.
    """
    numbers = similarity_numbers(
        torque_constant, resistance, inductance, rotor_teeth, current_peak, voltage, np.abs(np.asarray(speed))
    )
    torque, current = map_lookup(*numbers, current_loop=current_loop)
    peak = np.asarray(current_peak)
    return Pullout(torque * np.asarray(torque_constant) * peak, current * peak)


def shaft_loss(hysteresis_torque: ArrayLike, eddy_drag: ArrayLike, speed: ArrayLike) -> Array:
    """Drag of the motor's own iron [N.m] at a shaft speed [rad/s]."""
    return np.asarray(hysteresis_torque) + np.asarray(eddy_drag) * np.abs(np.asarray(speed))
