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
from nf2ff.metrics import maxima
from nf2ff.power_only.fit import PowerFit, evaluate, fit_powers, harmonic_basis, order_columns
from nf2ff.power_only.floor import known_floor, scan_floor
from nf2ff.power_only.resolution import (
    Warnings,
    aliasing,
    joined,
    peak_uncertainty,
    peak_warnings,
    resolution,
)
from nf2ff.power_only.scan import PowerScan, freeze_results
from nf2ff.power_only.weights import different_positions, recognise_rings

Real = NDArray[np.float64]

#: A local maximum of the coarse grid is followed if it reaches this part of the highest: between
#: points pi/3L apart a pattern of degree L falls to no less than cos(pi/(3 sqrt 2)) = 0.74 of its
#: peak (Bernstein's inequality).
_CANDIDATE_LEVEL = 0.73
#: Most maxima that are followed.
_CANDIDATES = 64
#: Maxima that differ by less than this part are equal, but for the rounding of fits.
_EQUAL = 1e-9


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
    warnings : tuple of tuple of Notice
        For each frequency what to beware of.

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
    warnings: Warnings

    def __post_init__(self) -> None:
        names = ("theta", "phi", "eirp", "sample_eirp")
        unstated = ("standard_uncertainty",)
        freeze_results(self, names, whole=("sample",), unstated=unstated)


def fit_scan(scan: PowerScan, *, degree: int | None = None) -> PowerFit:
    """Power pattern of both polarisations between the samples of a scan.

    Its ``at`` interpolates, its ``mean`` is TRP.

    Parameters
    ----------
    scan : PowerScan
        EIRP at M directions, anywhere.
    degree : int, optional
        Degree L of the fit: 2N if the degree N of the antenna's field is known. If not given,
        the largest that the directions determine, see `nf2ff.power_only.fit.harmonic_basis`. Less
        than that averages out noise.

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
    field_degree, noise_floor : optional
        As in `nf2ff.power_only.totals.scan_trp`.

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
    The fit is exact for noise-free patterns of degree L or less. A coarser scan aliases what is above:
    the fit then rounds the peak off, and may miss it. How well each sample in the beam follows from the
    others tells by how much: `nf2ff.power_only.resolution.peak_uncertainty`. That is no estimate of lobes
    that no sample met.

    On a grid of steps pi/3L the maxima that may be highest are found, and climbed as those of
    `nf2ff.metrics.beam.peak` are.
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
    theta, phi, level = _highest(fit)
    sample = scan.eirp.argmax(axis=1)
    uncertainty = peak_uncertainty(fit, basis.share, positions, values, level)
    uncertainty = np.hypot(uncertainty, np.where(noise.even > 0, noise.uncertainty, 0))
    level = level - noise.even
    general = (aliasing(field_degree, fit.degree),) * level.size
    resolved = resolution(fit, values, basis.share)
    return ScanPeak(
        scan.frequency,
        theta,
        phi,
        level,
        uncertainty,
        sample,
        scan.eirp[np.arange(sample.size), sample],
        fit.degree,
        joined(general, resolved.warnings, peak_warnings(uncertainty, level)),
    )


def _highest(fit: PowerFit) -> tuple[Real, Real, Real]:
    """Theta and phi [rad] and value (F,) of the maximum of each pattern."""
    degree, index, centre = fit.degree, [], []
    for f, pattern in enumerate(fit.coefficients):
        u = _coarse_grid(pattern, degree)
        i, j = maxima.grid_maxima(u, least=_CANDIDATE_LEVEL * u.max(), limit=_CANDIDATES)
        rings = len(u) - 1
        index.append(np.full(i.size, f))
        centre.append(unit_vectors(np.pi * i / rings, np.pi * j / rings)[0])

    def towards(f: int, direction: Real) -> Real:
        theta, phi = direction_angles(direction.reshape(-1, 3))
        values = evaluate(fit.coefficients[f : f + 1], theta=theta, phi=phi)
        return values.reshape(*direction.shape[:-1], 1)

    found = maxima.highest_lobes(
        towards,
        index=np.concatenate(index),
        centre=np.concatenate(centre),
        # Half of what fields of degree N have, whose power pattern has degree 2N.
        width=np.pi / (4 * max(degree, 3)),
        objective=lambda values, *_: values[..., 0],
        rounds=4 * degree + 4,
    )
    return maxima.first_of_equals(*found, equal=_EQUAL)


def _coarse_grid(coefficients: Real, degree: int) -> Real:
    """One pattern on rings with poles, steps of pi/3L or less both ways."""
    from pyshtools.expand import MakeGridDH

    table = np.zeros((2, degree + 1, degree + 1))
    for m, (cos, sin) in enumerate(order_columns(degree)):
        table[0, m:, m] = coefficients[cos]
        table[1, m:, m] = coefficients[sin] if m else 0
    half = max(6, (3 * degree + 1) // 2)
    return np.asarray(MakeGridDH(table, sampling=2, lmax=half - 1, extend=True)[:, :-1])
