"""Antennas turned, and scans of two orientations of one device joined.

A rotation is a 3 x 3 matrix R, active (`rotation`): what stood along v stands along R v. R2 @ R1
turns by R1 first, R.T turns back. Where the base of a device hides a part of the sphere, the
device is scanned a second time after a turn by R about the origin. Seen from the device, the axes
of its first orientation kept, that scan is one with a probe that moved elsewhere: `device_frame`
tells where. One solution then sees both scans (`merge_samples`), the level and phase that drifted
between them found from the part of the sphere that both saw (`scan_drift`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff import spin
from nf2ff.coverage import measure_coverage
from nf2ff.geometry import plan_geometry
from nf2ff.metrics import direction_angles, unit_vectors
from nf2ff.modes import Modes
from nf2ff.operator import TransmissionOperator
from nf2ff.probe import Probe
from nf2ff.rotation import checked_rotation, rotate_coefficients
from nf2ff.samples import Samples
from nf2ff.solve import LeastSquares, Method, Quadrature, solve
from nf2ff.special import as_array

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


# --- modes ---------------------------------------------------------------------------------


def rotate(modes: Modes, *, alpha: float, beta: float, gamma: float) -> Modes:
    """Modes of the antenna turned about the origin by Rz(alpha) Ry(beta) Rz(gamma), exactly.

    Parameters
    ----------
    modes : Modes
        Mode coefficients.
    alpha, beta, gamma : float
        Euler angles, gamma acting first; of a matrix by `rotation.euler_angles` [rad].

    Returns
    -------
    Modes
        What radiated towards r^ radiates towards R r^, its polarisation turned with it. The
        inverse has the angles -gamma, -beta, -alpha.

    Raises
    ------
    ValueError
        If an angle is not finite.
    """
    q = modes.coefficients.reshape(modes.frequency.size, -1, 2)
    turned = rotate_coefficients(q.swapaxes(1, 2), alpha=alpha, beta=beta, gamma=gamma)
    flat = np.ascontiguousarray(turned.swapaxes(1, 2)).reshape(modes.coefficients.shape)
    return Modes(modes.frequency, flat, modes.reference)


def average_modes(modes: Sequence[Modes], *, weights: ArrayLike | None = None) -> Modes:
    """Weighted mean of several results for one antenna in one frame.

    Parameters
    ----------
    modes : sequence of Modes
        Results at the same frequencies, turned into one frame; those of lower degree count as
        zero above it.
    weights : (K,) array_like, optional
        Weight of each, such as the inverse of its variance; equal where left out.

    Returns
    -------
    Modes
        Sum of weight times coefficient over the sum of weights. Relative if one of them is.

    Raises
    ------
    ValueError
        If there is nothing to average, frequencies differ, or weights do not fit.

    Notes
    -----
    Coefficients are averaged with their phase: scans whose phase drifted apart must be put right
    first. A part of the sphere that one scan did not see weighs as much as if it had: prefer
    `merge_samples`, which lets the samples decide.
    """
    if not modes:
        msg = "there are no modes to average"
        raise ValueError(msg)
    w = np.ones(len(modes)) if weights is None else as_array(weights, float, "weights", ndim=1)
    if w.shape != (len(modes),) or np.any(w < 0) or not w.sum() > 0:
        msg = f"weights are {w.tolist()} for {len(modes)} results: one each, none negative"
        raise ValueError(msg)
    for other in modes[1:]:
        _same_frequencies(modes[0].frequency, other.frequency)
    degree = max(one.degree for one in modes)
    parts = [x * one.extend(degree).coefficients for x, one in zip(w / w.sum(), modes, strict=True)]
    relative = any(one.reference == "relative" for one in modes)
    total = np.sum(parts, axis=0)
    return Modes(modes[0].frequency, total, "relative" if relative else "absolute")


def _same_frequencies(first: Real, second: Real) -> None:
    if first.size != second.size:
        msg = (
            f"the first has {first.size} frequencies, the other {second.size}: keep those that "
            "both have"
        )
        raise ValueError(msg)
    apart = np.flatnonzero(np.abs(first - second) > 1e-9 * first)
    if apart.size:
        a, b = first[apart[0]] / 1e9, second[apart[0]] / 1e9
        msg = f"frequency {apart[0] + 1} is {a:.9g} GHz in the first, {b:.9g} GHz in the other"
        raise ValueError(msg)


# --- samples -------------------------------------------------------------------------------


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
        If ``rotation`` is none.
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
        Rotation R from the first orientation to the second, such as `rotation.axis_rotation` makes.
    factor : (F,) or () array_like
        What the responses of the second scan are too large by, such as `scan_drift` finds; they
        are divided by it.

    Returns
    -------
    Samples
        M1 + M2 samples, those of the first scan first.

    Raises
    ------
    ValueError
        If frequencies or units differ, or ``factor`` is zero or of another shape.
    """
    _same_frequencies(first.frequency, second.frequency)
    if first.response_unit != second.response_unit:
        msg = (
            f"the responses are in {first.response_unit} and in {second.response_unit}: state "
            "both in one unit"
        )
        raise ValueError(msg)
    c = as_array(factor, complex, "factor")
    if c.shape not in ((), first.frequency.shape) or not c.all():
        msg = f"factor is {c.tolist()}, expected {first.frequency.size} numbers (or one), none zero"
        raise ValueError(msg)
    turned = device_frame(second, rotation=rotation)
    count = first.frequency.size

    def both(a: Real, b: Real) -> Real:
        if a.ndim != b.ndim:
            a, b = (np.broadcast_to(x, (count, x.shape[-1])) for x in (a, b))
        return np.concatenate([a, b], axis=-1)

    return Samples(
        first.frequency,
        both(first.theta, turned.theta),
        both(first.phi, turned.phi),
        both(first.chi, turned.chi),
        both(first.radius, turned.radius),
        np.concatenate([first.port, second.port]),
        np.concatenate([first.response, second.response / c[..., None]], axis=1),
        first.response_unit,
    )


# --- drift between two scans ---------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """How level and phase changed from one scan to the next.

    Parameters
    ----------
    factor : (F,) array_like of complex
        Responses of the second scan over what they were at the level and phase of the first.
    uncertainty : (F,) array_like
        Standard uncertainty of |factor|, and of its phase times |factor|, by what the samples
        depart from the modes: noise and positions, not errors that both scans share.
    shared : (F,) array_like
        Solid angle that both scans saw [sr].

    Raises
    ------
    ValueError
        If the shapes differ or a value is not finite.
    """

    factor: Complex
    uncertainty: Real
    shared: Real

    def __post_init__(self) -> None:
        for name, kind in (("factor", complex), ("uncertainty", float), ("shared", float)):
            value = as_array(getattr(self, name), kind, name, ndim=1)
            if value.shape != np.shape(self.factor):
                msg = f"{name} has {value.size} values, expected {np.size(self.factor)}"
                raise ValueError(msg)
            object.__setattr__(self, name, value)


#: A factor is taken as found if each scan's residual, without the other, has so many times the
#: power that is left with both.
_CLEAR = 2.0


def scan_drift(
    first: Samples,
    second: Samples,
    probe: Probe,
    *,
    rotation: ArrayLike,
    degree: int,
    method: Method | None = None,
) -> Drift:
    """Complex factor between two scans, from what both saw of one device.

    Parameters
    ----------
    first, second, rotation
        As in `merge_samples`.
    probe : Probe
        The probe of both.
    degree : int
        Degree N of the modes.
    method : LeastSquares or Direct, optional
        How the modes are solved for, twice for each frequency.

    Returns
    -------
    Drift
        For `merge_samples`.

    Raises
    ------
    ValueError
        If the scans share no part of the sphere, what they share does not settle the factor, or
        they cannot be joined or solved.

    Notes
    -----
    Modes follow linearly from responses. With the second scan's responses put to zero, and with
    the first's, least squares on all samples leaves the residuals r1 and r2; with the second
    scan divided by c it leaves r1 + r2/c, which vanishes at the true c where nothing is wrong
    (variable projection: G. H. Golub & V. Pereyra, 1973, from memory). Noise makes r2 larger
    than its signal, and plain least squares would take |1/c| too small. So |r1 + a r2|^2 /
    (M1 + |a|^2 M2) is made least, total least squares for equal noise in both scans: the lower
    eigenvector of a 2 x 2 matrix.
    """
    if isinstance(method, Quadrature):
        msg = "method is Quadrature, which leaves no least residual: use LeastSquares or Direct"
        raise ValueError(msg)
    joined = merge_samples(first, second, rotation=rotation)
    own = np.arange(joined.port.size) < first.port.size
    shared = _shared_solid_angle(joined, own, degree)
    zeroed = [
        replace(joined, response=joined.response * np.where(part, 1.0, 0.0)) for part in (own, ~own)
    ]
    coefficients = [
        solve(part, probe, degree=degree, method=method or LeastSquares()).modes.coefficients
        for part in zeroed
    ]
    found = []
    for i, frequency in enumerate(joined.frequency):
        pair = [part.at_frequency(i) for part in zeroed]
        operator = TransmissionOperator(
            plan_geometry(pair[0]), probe, float(frequency), degree,
            threads=spin.thread_count(None),
        )  # fmt: skip
        residual = np.stack(
            [
                part.response[0] - operator.forward(operator.from_modes(q[i]))
                for part, q in zip(pair, coefficients, strict=True)
            ]
        )
        present = own[~np.isnan(joined.response[i])]
        counts = np.array([present.sum(), (~present).sum()])
        found.append(_factor(residual, counts, operator.shape, float(frequency)))
    factor, uncertainty = np.array(found).T
    return Drift(factor, uncertainty.real, shared)


def _factor(
    residual: Complex, counts: NDArray[np.int64], shape: tuple[int, int], frequency: float
) -> tuple[complex, float]:
    """Factor and its standard uncertainty from the residuals (2, M) of the two scans."""
    scaled = residual / np.sqrt(counts)[:, None]
    left, size, _ = np.linalg.svd(scaled, full_matrices=False)
    low = float(size[1]) ** 2
    alone = np.sum(np.abs(scaled) ** 2, axis=1)
    if not alone.min() > _CLEAR * low:
        msg = (
            f"the samples that both scans share at {frequency / 1e9:.9g} GHz do not settle level "
            "and phase between them: check the rotation, let the scans overlap more, or join "
            "them with a known factor"
        )
        raise ValueError(msg)
    v = left[:, 1].conj() / np.sqrt(counts)
    a = v[1] / v[0]
    # White noise leaves in a residual what the unknowns do not take up.
    noise = low * shape[0] / max(1, shape[0] - shape[1])
    share = (counts[0] + abs(a) ** 2 * counts[1]) / counts.sum()
    variance = noise * share / (2 * counts[1] * (alone[1] - low))
    return 1 / a, math.sqrt(variance) / abs(a) ** 2


def _shared_solid_angle(joined: Samples, own: NDArray[np.bool_], degree: int) -> Real:
    """Solid angle seen by both scans at each frequency, (F,) [sr]."""
    differ = joined.moving or joined.any_missing
    shared = []
    for i in range(joined.frequency.size if differ else 1):
        present = ~np.isnan(joined.response[i])
        theta, phi = (x[i] if x.ndim == 2 else x for x in (joined.theta, joined.phi))
        both = [
            ~measure_coverage(
                theta=theta[part & present], phi=phi[part & present], degree=degree, density=False
            ).unseen(degree)
            for part in (own, ~own)
        ]
        shared.append(4 * math.pi * float(np.mean(both[0] & both[1])))
        if shared[-1] == 0:
            ghz = joined.frequency[i] / 1e9
            msg = (
                f"the two scans share no part of the sphere at {ghz:.9g} GHz: measure a part "
                "twice, or join them with a known factor"
            )
            raise ValueError(msg)
    return np.broadcast_to(shared, joined.frequency.shape).copy()


__all__ = [
    "Drift",
    "average_modes",
    "device_frame",
    "merge_samples",
    "rotate",
    "scan_drift",
]
