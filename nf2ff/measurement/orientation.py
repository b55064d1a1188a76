"""Scans of two orientations of one device, joined.

A rotation is a 3 x 3 matrix R, active (`kernel.rotation`): what stood along v stands along R v. R2 @ R1 turns
by R1 first, R.T turns back. Where the base of a device hides a part of the sphere, the device is scanned a
second time after a turn by R about the origin. Seen from the device, the axes of its first orientation kept,
that scan is one with a probe that moved elsewhere: `device_frame` tells where. One solution then sees both
scans (`merge_samples`), the level and phase that drifted between them found from the part of the sphere that
both saw (`solver.drift.scan_drift`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import check_same_frequencies
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.rotation import checked_rotation
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]


def device_frame(samples: Samples, *, rotation: ArrayLike) -> Samples:
    """Samples of a device that stood turned, told as positions about the device unturned.

    Parameters
    ----------
    samples : Samples
        Taken while the device stood turned about the origin by ``rotation``.
    rotation : (3, 3) array_like
        Rotation R from its first orientation to the one measured.

    Returns
    -------
    Samples
        The same responses. Each probe stands at R^T r^ with its axes turned by R^T: theta in
        [0, pi], phi in [0, 2 pi], chi in [-pi, pi], from the axes themselves, so that the
        change of theta^ from place to place is in it. Valid for every probe.

    Raises
    ------
    ValueError
        If ``rotation`` is not a rotation.
    """
    back = checked_rotation(rotation)  # v @ R = R^T v
    theta, phi, chi = np.broadcast_arrays(samples.theta, samples.phi, samples.chi)
    r, along, across = unit_vectors(theta, phi)
    axis = np.cos(chi)[..., None] * along + np.sin(chi)[..., None] * across
    place = (r @ back).reshape(-1, 3)
    new_theta, new_phi = (a.reshape(theta.shape) for a in direction_angles(place))
    _, along, across = unit_vectors(new_theta, new_phi)
    axis = axis @ back
    new_chi = np.arctan2(np.sum(axis * across, axis=-1), np.sum(axis * along, axis=-1))
    return replace(samples, theta=new_theta, phi=new_phi, chi=new_chi)


def merge_samples(
    first: Samples, second: Samples, *, rotation: ArrayLike, factor: ArrayLike = 1.0
) -> Samples:
    """One set of samples from scans of two orientations of a device, in the frame of the first.

    Parameters
    ----------
    first : Samples
        The device as it stood first, whose axes are kept.
    second : Samples
        The device turned about the origin by ``rotation``, at the same frequencies.
    rotation : (3, 3) array_like
        Rotation R from the first orientation to the second, such as scipy's `Rotation.as_matrix` gives.
    factor : (F,) or () array_like
        What the responses of the second scan are too large by, such as `scan_drift` finds; they are divided
        by it.

    Returns
    -------
    Samples
        M1 + M2 samples, those of the first scan first, without times: the scans may have a clock each. Groups
        of coherent phase hold samples of one scan only.

    Raises
    ------
    ValueError
        If frequencies or units differ, or ``factor`` is zero or of another shape.
    """
    check_same_frequencies(first.frequency, second.frequency)
    if first.response_unit != second.response_unit:
        raise InputError(
            f"the responses are in {first.response_unit} and in {second.response_unit}",
            "state both in one unit",
        )
    c = as_array(factor, complex, "factor")
    if c.shape not in ((), first.frequency.shape) or not c.all():
        raise InputError(
            f"factor is {c.tolist()}, expected {first.frequency.size} numbers (or one), none zero"
        )
    turned = device_frame(second, rotation=rotation)
    count = first.frequency.size

    def both(a: Real, b: Real) -> Real:
        if a.ndim != b.ndim:
            a, b = (np.broadcast_to(x, (count, x.shape[-1])) for x in (a, b))
        return np.concatenate([a, b], axis=-1)

    groups = None
    if first.coherence is not None or second.coherence is not None:
        own, others = (
            np.zeros(x.port.size, dtype=int) if x.coherence is None else np.asarray(x.coherence)
            for x in (first, second)
        )
        groups = np.concatenate([own, others - others.min() + own.max() + 1])
    return Samples(
        first.frequency,
        both(first.theta, turned.theta),
        both(first.phi, turned.phi),
        both(first.chi, turned.chi),
        both(first.radius, turned.radius),
        np.concatenate([first.port, second.port]),
        np.concatenate([first.response, second.response / c[..., None]], axis=1),
        first.response_unit,
        coherence=groups,
    )
