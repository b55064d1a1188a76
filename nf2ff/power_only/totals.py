"""Totals over the sphere of scans without phase: TRP from EIRP, TIS from sensitivity.

Every method is a set of weights, one for each sample, and comes with an estimate of the error that
sampling and noise make.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel.arrays import keep
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.power import PowerCode
from nf2ff.power_only.fit import Basis, fit_powers, harmonic_basis
from nf2ff.power_only.floor import known_floor, scan_floor, search_warnings
from nf2ff.power_only.resolution import Warnings, aliasing, coarse_warnings, joined, resolution
from nf2ff.power_only.scan import PowerScan, SensitivityScan, freeze_results
from nf2ff.power_only.weights import (
    Positions,
    RingPositions,
    different_positions,
    mean_weights,
    quadrature_weights,
    recognise_rings,
    sin_theta_weights,
    sphere_gap,
    voronoi_weights,
)

Real = NDArray[np.float64]

#: Weights for a total: sin(theta) dtheta dphi on rings of equal steps; the quadrature rule of the
#: rings (Clenshaw-Curtis where they include both poles); equal weights, for constant density;
#: Voronoi cells, anywhere; the monopole of a fit of scalar spherical harmonics, anywhere.
TotalMethod = Literal["sin-theta", "quadrature", "mean", "voronoi", "harmonics"]
METHODS: tuple[TotalMethod, ...] = ("sin-theta", "quadrature", "mean", "voronoi", "harmonics")

#: A gap this much wider than the step of an even set is worth a warning: lattices, grids and
#: spirals have 0.7 to 0.9, a grid of constant steps without one pole 1.2.
WIDE_GAP = 1.25
#: Gap of an even set over its step.
_EVEN_GAP = 0.8
#: Spread of the areas, over their mean, from which on a plain mean is no longer one of constant
#: density: spirals and lattices of 30 points or more have 0.03 or less.
UNEVEN = 0.1
#: Degree of the fit that suffices for an uncertainty away from rings, where the antenna's own is
#: not known; on rings a fit of all degrees takes no time.
ENOUGH = 50


# --- results -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class TotalPower:
    """Total radiated power of a scan.

    Parameters
    ----------
    frequency : (F,) ndarray
        Frequencies [Hz].
    trp : (F,) ndarray
        Sum of weights times EIRP over 4 pi, less ``noise_floor`` [W].
    standard_uncertainty : (F,) ndarray
        Of sampling and noise alone, see `scan_trp`; NaN where the positions are too coarse [W].
    noise_floor : (F,) ndarray
        Power that noise had added, and that was subtracted; 0 where none could be told [W].
    method, rule : str
        One of `METHODS`; where the weights come from, in words.
    weights : (M,) ndarray
        Solid angle that each sample stands for [sr].
    exact_degree : int or None
        Patterns up to this degree are integrated exactly; None where there is no such promise.
    resolved_degree : int
        Degree of the fit from which the uncertainty was estimated.
    warnings : tuple of tuple of Notice
        For each frequency what to beware of.

    Raises
    ------
    ValueError
        If the shapes do not fit or a value is not finite.
    """

    frequency: Real
    trp: Real
    standard_uncertainty: Real
    noise_floor: Real
    method: TotalMethod
    rule: str
    weights: Real
    exact_degree: int | None
    resolved_degree: int
    warnings: Warnings

    def __post_init__(self) -> None:
        freeze_results(self, ("trp", "noise_floor"), unstated=("standard_uncertainty",))
        keep(self, ("weights",), float, ndim=1)


@dataclass(frozen=True, slots=True, eq=False)
class TotalSensitivity:
    """Total isotropic sensitivity of a scan.

    Parameters
    ----------
    tis : (F,) ndarray
        The worst case, largest of the values that the scan admits: samples at which sensitivity was
        not reached contribute nothing [W].
    lowest_tis : (F,) ndarray
        The smallest: there sensitivity is reached at the highest power after all [W].
    missing : (F,) ndarray of int
        Samples at which sensitivity was not reached, of both polarisations.
    frequency, standard_uncertainty, method, rule, weights, warnings
        As in `TotalPower`; the uncertainty is that of ``tis``.
    """

    frequency: Real
    tis: Real
    lowest_tis: Real
    standard_uncertainty: Real
    missing: NDArray[np.intp]
    method: TotalMethod
    rule: str
    weights: Real
    warnings: Warnings

    def __post_init__(self) -> None:
        unstated = ("standard_uncertainty",)
        freeze_results(self, ("tis", "lowest_tis"), whole=("missing",), unstated=unstated)
        keep(self, ("weights",), float, ndim=1)


# --- totals --------------------------------------------------------------------------------


def scan_trp(
    scan: PowerScan,
    *,
    method: TotalMethod | None = None,
    field_degree: int | None = None,
    noise_floor: float | None = None,
) -> TotalPower:
    """Total radiated power: the mean of EIRP over the sphere.

    Parameters
    ----------
    scan : PowerScan
        EIRP at M directions all over the sphere.
    method : str, optional
        One of `METHODS`; if not given, "quadrature" on full rings, "voronoi" elsewhere.
    field_degree : int, optional
        Degree N of the antenna's field, if known: its power pattern has degree 2N, and a scan
        too coarse for that is told.
    noise_floor : float, optional
        Mean reading of both polarisations together with the device switched off, to be subtracted;
        0 leaves the readings as they are. If not given, it is estimated where the readings show
        it, see `nf2ff.power_only.floor.scan_floor` [W].

    Returns
    -------
    TotalPower

    Raises
    ------
    ValueError
        If the directions leave a part of the sphere out, or do not suit the method, all readings of a
        frequency are 0, or the noise floor is as high as the readings.

    Notes
    -----
    A fit of scalar harmonics of degree L gives the mean square P_l of the pattern in each degree l, and
    a residual r. With e_lm = sum v_i Y_lm(i), v_i = weights / 4 pi, less 1 for l = 0, the mean square
    error of the total over all orientations of a device with these P_l is

        u^2 = sum_l P_l sum_m e_lm^2 / (2l + 1) + r^2 sum v_i^2,

    exact for the degrees resolved (closed form: a random rotation spreads each degree evenly over m);
    the residual counts as noise, independent from position to position.

    Simulated over 200 random orientations of 37 patterns with every method on 13 grids, lattices,
    spirals and random sets, the rms of u was that of the error but for chance where all of the pattern
    is resolved or all of the residual is noise. Where the pattern goes beyond L it was above: twice the
    error in the median, and without limit where the weights integrate all of it nevertheless; to
    continue the spectrum beyond L instead gave half the error for some. Below 0.85 (random points: 0.72)
    was only a pair of equal sources whose fringes are as wide as the steps, 0.56. Where more than a tenth
    of the pattern is unresolved u is therefore widened, and where few samples carry the power of such a
    pattern none is stated: `nf2ff.power_only.resolution`.

    It is no estimate of calibration, drift, reflections or misplaced positions, nor of lobes so narrow
    that no position met them; and it holds on the average over orientations.

    References
    ----------
    sin-theta: `sin_theta_weights`. Mean and Voronoi for constant density: 3GPP TS 38.521-2 M.4.3.
    """
    return _total(scan, scan.eirp, method, field_degree, noise_floor)


def scan_tis(
    scan: SensitivityScan, *, method: TotalMethod | None = None, highest_power: float | None = None
) -> TotalSensitivity:
    """Total isotropic sensitivity 4 pi / integral of (1/EIS_theta + 1/EIS_phi).

    Parameters
    ----------
    scan : SensitivityScan
        Sensitivity at M directions all over the sphere.
    method : str, optional
        As in `scan_trp`.
    highest_power : float, optional
        Highest power, in the terms of EIS, that was tried where sensitivity was not reached;
        needed if any sample is missing [W].

    Returns
    -------
    TotalSensitivity

    Raises
    ------
    ValueError
        As in `scan_trp`; if samples are missing and ``highest_power`` is not given, is below a
        sensitivity that was reached, or nothing was reached at all at a frequency.

    Notes
    -----
    A missing sample has EIS above ``highest_power``, hence 1/EIS between 0 and 1/highest_power:
    both ends are computed. The uncertainty is that of the mean of 1/EIS, as in `scan_trp`, carried over
    relatively.

    References
    ----------
    CTIA test plan for wireless device over-the-air performance; 3GPP (formula from memory).
    """
    eis = np.stack([scan.eis_theta, scan.eis_phi])
    reached = ~np.isnan(eis)
    _check_missing(scan, eis, highest_power)
    inverse = np.where(reached, 1 / np.where(reached, eis, 1), 0.0)
    # The mean of 1/EIS is to sensitivity what TRP is to EIRP.
    found = _total(scan, inverse.sum(axis=0), method, None, 0.0)
    bound = found.trp
    if highest_power is not None:
        at_most = np.where(reached, inverse, 1 / highest_power).sum(axis=0)
        bound = at_most @ found.weights / (4 * np.pi)
    return TotalSensitivity(
        scan.frequency,
        1 / found.trp,
        1 / bound,
        found.standard_uncertainty / found.trp**2,
        np.count_nonzero(~reached, axis=(0, 2)),
        found.method,
        found.rule,
        found.weights,
        joined(found.warnings, search_warnings(scan, inverse, found.weights)),
    )


def _check_missing(scan: SensitivityScan, eis: Real, highest_power: float | None) -> None:
    missing = np.isnan(eis)
    for i in np.flatnonzero(missing.all(axis=(0, 2))):
        raise InputError(
            f"sensitivity was reached nowhere at {scan.frequency[i]:.9g} Hz",
            "leave that frequency out, or measure with more power",
        )
    if highest_power is None:
        if missing.any():
            p, i, j = np.argwhere(missing)[0]
            raise InputError(
                f"{('eis_theta', 'eis_phi')[p]} is missing at {scan.frequency[i]:.9g} Hz, position "
                f"{j + 1}, and {missing.sum() - 1} more",
                "give highest_power, the power at which sensitivity was not reached, or measure these "
                "positions",
            )
        return
    largest = float(np.nanmax(eis))
    if not largest <= highest_power < np.inf:
        raise InputError(
            f"highest_power is {highest_power:.6g} W, but a sensitivity of {largest:.6g} W was reached",
            "give the highest power tried, finite [W]",
        )


def _total(
    scan: PowerScan | SensitivityScan,
    values: Real,
    method: TotalMethod | None,
    field_degree: int | None,
    floor: float | None,
) -> TotalPower:
    """Mean over the sphere of values (F, M), and what is to be said of it."""
    if method not in (None, *METHODS):
        raise InputError(f"method is {method!r}, expected one of {', '.join(METHODS)}")
    if field_degree is not None and field_degree < 1:
        raise InputError(f"field_degree is {field_degree}, expected at least 1")
    positions = different_positions(scan.theta, scan.phi)
    rings = recognise_rings(positions)
    full = rings is not None and rings.rule()[0] is not None
    gap = None if full else sphere_gap(positions)
    method = method or ("quadrature" if full else "voronoi")
    area = None
    if rings is None or method in ("mean", "voronoi"):
        area = voronoi_weights(positions, gap=gap)
    # Where the fit serves for the uncertainty alone, it need not take longer than the total.
    whole = rings is not None or method == "harmonics"
    most = None if whole else max(ENOUGH, 2 * (field_degree or 0))
    basis = harmonic_basis(positions, rings, most=most, area=area)
    of_positions, rule, exact = _weights(method, positions, rings, basis, area)
    weights = positions.share(of_positions)
    powers = positions.average(values)
    fit = fit_powers(basis, frequency=scan.frequency, values=powers)
    mean = values @ weights / (4 * np.pi)
    if (dark := np.flatnonzero(~values.any(axis=1))).size:
        raise InputError(
            f"all readings at {scan.frequency[dark[0]]:.9g} Hz are 0: there is no total",
            "leave that frequency out",
        )
    if isinstance(scan, PowerScan) and floor is None:
        noise = scan_floor(scan, positions, share=basis.share, fit=fit)
    else:
        noise = known_floor(floor or 0.0, mean)
    share = of_positions / (4 * np.pi)
    off = basis.moments(share)
    off[0] -= 1
    degree = np.arange(fit.degree + 1)
    of_degree = np.add.reduceat(off**2, degree**2) / (2 * degree + 1)
    variance = fit.spectrum() @ of_degree + fit.residual**2 * np.sum(share**2)
    resolved = resolution(fit, powers, basis.share)
    uncertainty = np.hypot(np.sqrt(variance) * resolved.widening, noise.uncertainty)
    general: tuple[Notice, ...] = ()
    if gap is not None and gap > WIDE_GAP:
        general += (PowerCode.GAP(ratio=gap / _EVEN_GAP),)
    if area is not None and method == "mean" and area.std() > UNEVEN * area.mean():
        general += (PowerCode.UNEVEN(spread_percent=100 * area.std() / area.mean()),)
    general += aliasing(field_degree, fit.degree if exact is None else exact)
    return TotalPower(
        scan.frequency,
        mean - noise.mean,
        np.where(resolved.coarse, np.nan, uncertainty),
        noise.mean,
        method,
        rule,
        weights,
        exact,
        fit.degree,
        joined(noise.warnings, (general,) * mean.size, resolved.warnings, coarse_warnings(resolved)),
    )


def _weights(
    method: TotalMethod, positions: Positions, rings: RingPositions | None, basis: Basis, area: Real | None
) -> tuple[Real, str, int | None]:
    """Weights (U,) of the positions [sr], where they come from, and up to what degree they are exact."""
    if method == "mean":
        return mean_weights(positions.theta.size), "equal weights", None
    if method == "voronoi" and area is not None:
        return area, "areas of Voronoi cells", None
    if method == "harmonics":
        return _monopole(rings, basis)
    if rings is None:
        raise InputError(
            f"{method} weights need rings of equal azimuth steps, all alike, over the full circle, "
            "which these positions do not make",
            "take 'voronoi' or 'harmonics'",
        )
    if method == "sin-theta":
        return sin_theta_weights(rings), "sin(theta) of equal steps", None
    weights, rule = quadrature_weights(rings)
    used = int(rings.rule()[1].sum())
    exact = min(2 * used - 1 if rule == "gauss-legendre" else used - 1, rings.phi_count - 1)
    return weights, f"{rule}, {used} rings of {rings.phi_count}", exact


def _monopole(rings: RingPositions | None, basis: Basis) -> tuple[Real, str, int]:
    """Weights of the monopole of an expansion in scalar harmonics: by pyshtools' quadratures."""
    rule = None if rings is None else rings.rule()[0]
    if rings is not None and rule == "clenshaw-curtis" and rings.theta.size % 2:
        from pyshtools.utils import DHaj

        count = rings.theta.size - 1
        ring = np.asarray(DHaj(count, extend=True))
        exact = min(count - 1, rings.phi_count - 1)
        return rings.share(4 * np.pi * ring / ring.sum()), "Driscoll and Healy's quadrature", exact
    if rings is not None and rule == "gauss-legendre":
        from pyshtools.expand import SHGLQ

        ring = np.asarray(SHGLQ(rings.theta.size - 1)[1])
        exact = min(2 * rings.theta.size - 1, rings.phi_count - 1)
        return rings.share(2 * np.pi * ring), "Gauss-Legendre quadrature", exact
    return 4 * np.pi * basis.monopole(), f"least squares of degree {basis.degree}", basis.degree
