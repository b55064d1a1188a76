"""The far field of modes at points of the sphere, and its adjoint."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.modes import WAVE_IMPEDANCE
from nf2ff.kernel import spin

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


def field(coefficients: Complex, location: Real, *, degree: int, threads: int = 1) -> Complex:
    """Far field of modes, lim r exp(jkr) E.

    Parameters
    ----------
    coefficients : (J,) ndarray
        Q of modes up to ``degree`` [sqrt W].
    location : (M, 2) ndarray
        theta and phi [rad].
    degree, threads : int
        Degree N of the modes, and threads.

    Returns
    -------
    (2, M) ndarray
        Components along theta^ and phi^ [V].
    """
    packed = fields.tangential_coefficients(coefficients, *_factors(degree))
    return spin.point_synthesis(
        packed, spin=1, location=location, epsilon=fields.POINT_EPSILON, threads=threads
    )


def adjoint(values: Complex, location: Real, *, degree: int, threads: int = 1) -> Complex:
    """Adjoint of `field`, (J,): Re sum conj(values) field(Q) = Re sum conj(adjoint(values)) Q.

    Parameters
    ----------
    values : (2, M) ndarray
        For each component at each point.
    location, degree, threads
        As in `field`.
    """
    packed = spin.point_adjoint(
        np.asarray(values, dtype=complex),
        spin=1,
        degree=degree,
        location=location,
        epsilon=fields.POINT_EPSILON,
        threads=threads,
    )
    g, c = spin.unpack(packed)
    r1, r2 = (np.repeat(r.conj(), 2 * np.arange(r.size) + 3) for r in _factors(degree))
    return np.stack([-r1 * c, r2 * g], axis=1).ravel()


def _factors(degree: int) -> tuple[Complex, Complex]:
    """Radial factors of the far field: j^(n+1) and j^n, times sqrt(Z0)."""
    power = np.sqrt(WAVE_IMPEDANCE) * np.array([1, 1j, -1, -1j])
    n = np.arange(1, degree + 1)
    return power[(n + 1) % 4], power[n % 4]
