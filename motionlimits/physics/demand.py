"""What a move asks of each motor: kinematics, virtual work, transmission losses, inertia.

Quantities that are sampled (masses, friction, efficiency) carry leading dimensions: `(..., axes)` and `(..., drives)`.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from ..machine import Array
from .constants import GRAVITY


def pitch_radius(teeth: ArrayLike, pitch: ArrayLike) -> Array:
    """Pitch radius of a toothed pulley [m]: pitch diameter = teeth x pitch / pi."""
    return np.asarray(teeth) * np.asarray(pitch) / (2.0 * np.pi)


def axis_forces(
    moving_mass: Array,
    friction: Array,
    viscous: Array,
    incline: Array,
    process_force: Array,
    unit: Array,
    speed: ArrayLike,
    acceleration: ArrayLike,
) -> Array:
    """Force that the drives must give each axis during a straight move.

    Parameters
    ----------
    moving_mass, friction, viscous, incline, process_force : ndarray, shape (..., axes)
        [kg], [N], [N.s/m], [rad], [N]; friction and process force oppose the motion of an axis that moves, gravity
        pulls against the positive direction of an inclined one.
    unit : ndarray, shape (axes,)
        Unit vector of the move.
    speed, acceleration : array_like, broadcastable with (...)
        Along the move [m/s], [m/s2]; a negative acceleration is braking.

    Returns
    -------
    ndarray, shape (..., axes)
        [N], positive along the positive direction of the axis.
    """
    speed = np.asarray(speed)[..., None]
    acceleration = np.asarray(acceleration)[..., None]
    inertial = moving_mass * (unit * acceleration + GRAVITY * np.sin(incline))
    resisting = np.sign(unit) * (friction + process_force) + viscous * unit * speed
    return inertial + resisting


def drive_forces(kinematic_map: Array, forces: Array) -> Array:
    """Belt (or nut) forces from axis forces by virtual work: `J^T f = F`.

    Parameters
    ----------
    kinematic_map : ndarray, shape (drives, axes)
    forces : ndarray, shape (..., axes)
        [N]

    Returns
    -------
    ndarray, shape (..., drives)
        [N]; the least-squares share where there are more drives than axes.
    """
    return np.asarray(forces @ _inverse(tuple(map(tuple, kinematic_map.tolist()))))


@cache
def _inverse(kinematic_map: tuple[tuple[float, ...], ...]) -> Array:
    return np.linalg.pinv(np.array(kinematic_map))


def motor_torque(
    force: Array,
    travel_speed_sign: Array,
    radius: Array,
    efficiency: Array,
    count: Array,
    inertia: Array,
    shaft_acceleration: Array,
) -> Array:
    """Torque asked of one motor of each drive [N.m], along the positive direction of its travel.

    Parameters
    ----------
    force : ndarray, shape (..., drives)
        Belt or nut force [N].
    travel_speed_sign : ndarray, shape (drives,)
        +1, -1 or 0 (standing).
    radius : ndarray
        Travel per radian of the shaft [m].
    efficiency : ndarray
        Of torque from motor to load; when the load drives the motor, losses help instead.
    count : ndarray
        Motors that share the drive.
    inertia : ndarray
        Rotor and everything turning with it, per motor [kg.m2].
    shaft_acceleration : ndarray
        [rad/s2]
    """
    driving = force * travel_speed_sign >= 0.0
    loss = np.where(driving, 1.0 / efficiency, efficiency)
    return force * radius * loss / count + inertia * shaft_acceleration
