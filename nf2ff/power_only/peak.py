"""Beam peak and interpolation of scans that measured power only.

Between its samples a power pattern follows from a fit of scalar spherical harmonics, on grids,
spirals and any other set of directions. That is done for the power of both polarisations together:
the power of one of them alone jumps at the poles, where theta^ and phi^ have no direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.power_only.fit import PowerFit, evaluate, fit_powers, harmonic_basis
from nf2ff.power_only.floor import known_floor, scan_floor
from nf2ff.power_only.resolution import aliasing_warning, peak_uncertainty, peak_warnings, resolution_warnings
from nf2ff.power_only.scan import PowerScan, freeze_results
from nf2ff.power_only.weights import different_positions, recognise_rings

Real = NDArray[np.float64]

#: A local maximum of the coarse grid is followed if it reaches this part of the highest: between
#: points pi/3L apart a pattern of degree L falls to no less than cos(pi/(3 sqrt 2)) = 0.74 of its
#: peak (Bernstein's inequality).
_CANDIDATE_LEVEL = 0.73
#: Most maxima that are followed.
_CANDIDATES = 64
#: Stencil about each, x and y in steps.
_X, _Y = (v.ravel() for v in np.meshgrid([-1, 0, 1], [-1, 0, 1], indexing="ij"))
#: Curvature over the peak, per step squared, that rounding alone can feign.
_FLAT = 1e-12
#: Angle from a pole below which the peak is there [rad].
_POLE = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class ScanPeak:
    """Direction and level of the largest EIRP at each frequency.

    Parameters
    ----------
    frequency : (F,) ndarray
        Frequencies [Hz].
    theta, phi : (F,) ndarray
        Direction, theta in [0, pi], phi in [0, 2 pi), 0 at a pole [rad].
    eirp : (F,) ndarray
        EIRP of both polarisations there, interpolated, less the floor of noise that was told [W].
    standard_uncertainty : (F,) ndarray
        Of ``eirp``, of steps and noise alone, see `scan_peak`; NaN where the steps are too coarse
        to state one [W].
    sample : (F,) ndarray of int
        Index of the sample with the largest EIRP.
    sample_eirp : (F,) ndarray
        Its EIRP as measured [W].
    degree : int
        Degree L of the fit.
    warnings : tuple of tuple of str
        For each frequency, sentences on what to beware of.

    Raises
    ------
    ValueError
        If the shapes do not fit or a value is not finite.
    """

    frequency: Real
    theta: Real
    phi: Real
    eirp: Real
    standard_uncertainty: Real
    sample: NDArray[np.intp]
    sample_eirp: Real
    degree: int
    warnings: tuple[tuple[str, ...], ...]

    def __post_init__(self) -> None:
        names = ("theta", "phi", "eirp", "sample_eirp")
        unstated = ("standard_uncertainty",)
        freeze_results(self, names, whole=("sample",), unstated=unstated)


def fit_scan(scan: PowerScan, *, degree: int | None = None) -> PowerFit:
    """Power pattern of both polarisations between the samples of a scan.

    Parameters
    ----------
    scan : PowerScan
        EIRP at M directions, anywhere.
    degree : int, optional
        Degree L of the fit: 2N if the degree N of the antenna's field is known. If not given,
        the largest that the directions determine, see `nf2ff.power_only.fit.harmonic_basis`. Less
        than that averages out noise.

    Returns
    -------
    PowerFit
        Its ``at`` interpolates, its ``mean`` is TRP.

    Raises
    ------
    ValueError
        If the directions leave a part of the sphere out or do not determine ``degree``.
    """
    positions = different_positions(scan.theta, scan.phi)
    basis = harmonic_basis(positions, recognise_rings(positions), degree=degree)
    return fit_powers(basis, frequency=scan.frequency, values=positions.average(scan.eirp))


def scan_peak(
    scan: PowerScan,
    *,
    degree: int | None = None,
    field_degree: int | None = None,
    noise_floor: float | None = None,
) -> ScanPeak:
    """Find the largest EIRP between the directions measured.

    Parameters
    ----------
    scan : PowerScan
        EIRP at M directions, anywhere.
    degree : int, optional
        Degree L of the fit, as in `fit_scan`.
    field_degree : int, optional
        Degree N of the antenna's field, if known. Its power pattern has degree 2N; if the scan
        is too coarse for that, a warning tells.
    noise_floor : float, optional
        As in `nf2ff.power_only.totals.scan_trp` [W].

    Returns
    -------
    ScanPeak
        Of equal maxima the one of smallest theta; of a ridge, any of its points.

    Raises
    ------
    ValueError
        As in `fit_scan`, or if nothing was radiated at a frequency.

    Notes
    -----
    The fit is exact for noise-free patterns of degree L or less. A coarser scan aliases what is
    above: the fit then rounds the peak off, and may miss it. How well each sample in the beam
    follows from the others tells by how much, which is the standard uncertainty, see
    `nf2ff.power_only.resolution.peak_uncertainty`. It is no estimate of lobes that no sample met.

    On a grid of steps pi/3L the maxima that may be highest are found, and followed by Newton
    steps with curvatures from a stencil that shrinks to a thousandth of that step.
    """
    if field_degree is not None and field_degree < 1:
        raise InputError(f"field_degree is {field_degree}, expected at least 1")
    dark = np.flatnonzero(~(scan.eirp > 0).any(axis=1))
    if dark.size:
        raise InputError(
            f"EIRP is 0 everywhere at {scan.frequency[dark[0]]:.9g} Hz: there is no peak, leave "
            "that frequency out"
        )
    positions = different_positions(scan.theta, scan.phi)
    basis = harmonic_basis(positions, recognise_rings(positions), degree=degree)
    values = positions.average(scan.eirp)
    fit = fit_powers(basis, frequency=scan.frequency, values=values)
    if noise_floor is None:
        noise = scan_floor(scan, positions, share=basis.share, fit=fit)
    else:
        noise = known_floor(noise_floor, fit.mean)
    theta, phi, level = np.array([_maximum(c, fit.degree) for c in fit.coefficients]).T
    sample = scan.eirp.argmax(axis=1)
    general = () if field_degree is None else tuple(aliasing_warning(field_degree, fit.degree))
    uncertainty = peak_uncertainty(fit, basis, positions, values, level)
    uncertainty = np.hypot(uncertainty, np.where(noise.even > 0, noise.uncertainty, 0))
    level = level - noise.even
    return ScanPeak(
        scan.frequency,
        theta,
        phi,
        level,
        uncertainty,
        sample,
        scan.eirp[np.arange(sample.size), sample],
        fit.degree,
        peak_warnings(uncertainty, level, resolution_warnings(fit, general)),
    )


def _maximum(coefficients: Real, degree: int) -> tuple[float, float, float]:
    """theta, phi and value of the maximum of one pattern."""
    centre, width = _candidates(coefficients, degree)
    best, value = centre, np.full(len(centre), -np.inf)
    for attempt in range(14):
        _, a, b = unit_vectors(*direction_angles(centre))
        points = centre[:, None] + width[:, None, None] * (
            _X[:, None] * a[:, None] + _Y[:, None] * b[:, None]
        )
        theta, phi = direction_angles(points.reshape(-1, 3))
        samples = evaluate(coefficients[None], theta=theta, phi=phi).reshape(-1, 9)
        step = _newton(samples, samples.max())
        better = samples[:, 4] >= value
        best = np.where(better[:, None], centre, best)
        value = np.where(better, samples[:, 4], value)
        moved = centre + width[:, None] * (step[:, :1] * a + step[:, 1:] * b)
        moved /= np.linalg.norm(moved, axis=1, keepdims=True)
        centre = np.where(better[:, None], moved, best)
        inside = np.abs(step).max(axis=1) < 1
        width = np.where(inside | ~better, width / 4, width)
        if attempt < 3:
            continue
        keep = value >= 0.97 * value.max()
        centre, best, value, width = centre[keep], best[keep], value[keep], width[keep]
    # The first of those that are equal but for rounding: they are in the order of theta.
    top = int(np.argmax(value >= value.max() - 1e-9 * abs(value.max())))
    t, p = (float(x[0]) for x in direction_angles(best[top : top + 1]))
    if min(t, np.pi - t) < _POLE:
        t, p = (0.0 if t < 1 else np.pi), 0.0
    return t, p % (2 * np.pi), float(value[top])


def _candidates(coefficients: Real, degree: int) -> tuple[Real, Real]:
    """Unit vectors (K, 3) of coarse maxima in the order of theta, and the grid's step (K,)."""
    from pyshtools.expand import MakeGridDH

    n = np.arange(degree + 1)
    table = np.zeros((2, degree + 1, degree + 1))
    for m in range(degree + 1):
        table[0, m:, m] = coefficients[n[m:] ** 2 + m]
        table[1, m:, m] = 0 if m == 0 else coefficients[n[m:] * (n[m:] + 1) + m]
    rings = 2 * max(6, (3 * degree + 1) // 2)
    u = MakeGridDH(table, sampling=2, lmax=rings // 2 - 1, extend=True)[:, :-1]
    padded = np.pad(np.pad(u, ((1, 1), (0, 0)), mode="edge"), ((0, 0), (1, 1)), mode="wrap")
    rows = np.maximum(np.maximum(padded[:-2], padded[1:-1]), padded[2:])
    highest = np.maximum(np.maximum(rows[:, :-2], rows[:, 1:-1]), rows[:, 2:])
    # A pole is one candidate; that it is higher than some of its neighbours is enough.
    tall = (u >= highest - 1e-9 * abs(u.max())) & (u >= _CANDIDATE_LEVEL * u.max())
    tall[[0, -1], 1:] = False
    i, j = np.nonzero(tall)
    order = np.sort(np.argsort(-(u[i, j] / u.max()).round(9), kind="stable")[:_CANDIDATES])
    centre = unit_vectors(np.pi * i[order] / rings, np.pi * j[order] / rings)[0]
    return centre, np.full(order.size, np.pi / rings)


def _newton(samples: Real, top: float) -> Real:
    """Steps (K, 2) towards the maxima of 3 x 3 samples (K, 9), at most 1 each way."""
    f = samples.reshape(-1, 3, 3) / top
    slope = np.stack([f[:, 2, 1] - f[:, 0, 1], f[:, 1, 2] - f[:, 1, 0]], axis=-1) / 2
    xx = f[:, 2, 1] + f[:, 0, 1] - 2 * f[:, 1, 1]
    yy = f[:, 1, 2] + f[:, 1, 0] - 2 * f[:, 1, 1]
    xy = (f[:, 2, 2] + f[:, 0, 0] - f[:, 2, 0] - f[:, 0, 2]) / 4
    hessian = np.stack([xx, xy, xy, yy], axis=-1).reshape(-1, 2, 2)
    curvature, axes = np.linalg.eigh(hessian)
    along = np.einsum("kij,ki->kj", axes, slope)
    concave = curvature < -_FLAT
    # Where the pattern is not concave go uphill; along a ridge, flat to rounding, stay.
    uphill = np.where(np.abs(along) > _FLAT, np.sign(along), 0.0)
    step = np.where(concave, -along / np.where(concave, curvature, 1.0), uphill)
    return np.einsum("kij,kj->ki", axes, np.clip(step, -1, 1))
