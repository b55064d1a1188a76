"""Far fields sampled by a quadrature over the sphere, for fits of fields to fields."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.grids import gauss_legendre_grid
from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.kernel.sphere import unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.gain_and_power import nonzero_power

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


def one_frequency(modes: Modes) -> None:
    """Refuse modes of several frequencies, or without power."""
    if modes.frequency.size != 1:
        raise InputError(
            f"the modes have {modes.frequency.size} frequencies, expected one", "take one by `Modes.at`"
        )
    nonzero_power(modes.frequency, modes.radiated_power())


def refuse_beyond(modes: Modes, radius: float, what: str) -> None:
    """Refuse places so far from the origin [m] that modes of this degree hold nothing from there."""
    most = (2 * modes.degree + 40) / float(wavenumber(modes.frequency[0]))
    if radius > most:
        raise InputError(
            f"{what} {radius:.4g} m from the origin, and modes up to degree {modes.degree} hold nothing from "
            f"beyond {most:.3g} m",
            "give metres, about the origin of the modes",
        )


def rule_directions(count: int) -> tuple[Real, Real, Real, Real]:
    """Angles of a Gauss-Legendre grid, its directions (M, 3) and their solid angles (M,)."""
    grid = gauss_legendre_grid(count, 2 * count)
    x, w = np.polynomial.legendre.leggauss(count)
    t, p = np.meshgrid(grid.theta, grid.phi, indexing="ij")
    weight = np.repeat(w[np.argsort(-x)], 2 * count) * np.pi / count
    return grid.theta, grid.phi, unit_vectors(t.ravel(), p.ravel())[0], weight


def rule_field(modes: Modes, count: int) -> tuple[Real, Real, Complex]:
    """Directions, solid angles and far field (2, M) of one frequency."""
    theta, phi, directions, weight = rule_directions(count)
    field = far_field(modes, theta=theta, phi=phi)
    return directions, weight, np.stack([field.e_theta[0].ravel(), field.e_phi[0].ravel()])
