"""Level and phase that drifted between two scans of one device."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import mode_count
from nf2ff.kernel.arrays import as_array
from nf2ff.measurement.orientation import merge_samples
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver.coverage import measure_coverage
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import LeastSquares, Method, Quadrature
from nf2ff.solver.transmission import modelled

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]


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
                raise InputError(f"{name} has {value.size} values, expected {np.size(self.factor)}")
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
        As in `measurement.orientation.merge_samples`, which takes the result.
    probe, degree
        The probe of both scans, and the degree N of the modes.
    method : LeastSquares or Direct, optional
        How the modes are solved for, twice for each frequency.

    Returns
    -------
    Drift
        For `measurement.orientation.merge_samples`.

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
        raise InputError("method is Quadrature, which minimises no residual", "use LeastSquares or Direct")
    joined = merge_samples(first, second, rotation=rotation)
    own = np.arange(joined.port.size) < first.port.size
    shared = _shared_solid_angle(joined, own, degree)
    zeroed = [replace(joined, response=joined.response * np.where(part, 1.0, 0.0)) for part in (own, ~own)]
    coefficients = [
        solve(part, probe, degree=degree, method=method or LeastSquares()).modes.coefficients
        for part in zeroed
    ]
    found = []
    for i, frequency in enumerate(joined.frequency):
        pair = [part.at_frequency(i) for part in zeroed]
        residual = np.stack(
            [
                part.response[0] - modelled(part, probe, q[i])
                for part, q in zip(pair, coefficients, strict=True)
            ]
        )
        present = own[~np.isnan(joined.response[i])]
        counts = np.array([present.sum(), (~present).sum()])
        found.append(_factor(residual, counts, mode_count(degree), float(frequency)))
    factor, uncertainty = np.array(found).T
    return Drift(factor, uncertainty.real, shared)


def _factor(
    residual: Complex, counts: NDArray[np.int64], unknowns: int, frequency: float
) -> tuple[complex, float]:
    """Factor and its standard uncertainty from the residuals (2, M) of the two scans."""
    scaled = residual / np.sqrt(counts)[:, None]
    left, size, _ = np.linalg.svd(scaled, full_matrices=False)
    low = float(size[1]) ** 2
    alone = np.sum(np.abs(scaled) ** 2, axis=1)
    if not alone.min() > _CLEAR * low:
        raise InputError(
            f"the samples that both scans share at {frequency / 1e9:.9g} GHz do not settle level "
            "and phase between them",
            "check the rotation, let the scans overlap more, or join them with a known factor",
        )
    v = left[:, 1].conj() / np.sqrt(counts)
    a = v[1] / v[0]
    # White noise leaves in a residual what the unknowns do not take up.
    noise = low * counts.sum() / max(1, counts.sum() - unknowns)
    share = (counts[0] + abs(a) ** 2 * counts[1]) / counts.sum()
    variance = noise * share / (2 * counts[1] * (alone[1] - low))
    return 1 / a, math.sqrt(variance) / abs(a) ** 2


def _shared_solid_angle(joined: Samples, own: NDArray[np.bool_], degree: int) -> Real:
    """Solid angle seen by both scans at each frequency, (F,) [sr]."""
    differ = joined.moving or joined.any_missing
    shared = []
    for i in range(joined.frequency.size if differ else 1):
        present = ~np.isnan(joined.response[i])
        theta, phi, _, _ = joined.place(i)
        both = [
            ~measure_coverage(
                theta=theta[part & present], phi=phi[part & present], degree=degree, density=False
            ).unseen(degree)
            for part in (own, ~own)
        ]
        shared.append(4 * math.pi * float(np.mean(both[0] & both[1])))
        if shared[-1] == 0:
            ghz = joined.frequency[i] / 1e9
            raise InputError(
                f"the two scans share no part of the sphere at {ghz:.9g} GHz",
                "measure a part twice, or join them with a known factor",
            )
    return np.broadcast_to(shared, joined.frequency.shape).copy()
