"""The whole transmission matrix and its least squares: the oracle of the fast ways, for small degrees."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import mode_count, mode_numbers, wavenumber
from nf2ff.kernel.arrays import ratio
from nf2ff.kernel.rotation import rotation_coefficients
from nf2ff.measurement.probe import Probe, response_constants
from nf2ff.solver.methods import Estimate, unevenness
from nf2ff.solver.positions import Geometry


def dense_matrix(
    geometry: tuple[Geometry, ...], probe: Probe, *, frequency: float, degree: int
) -> NDArray[np.complex128]:
    """The whole transmission matrix, summed as the formula stands, without fast transforms.

    The oracle of the fast operator: rotation coefficients by their own recurrence.

    Parameters
    ----------
    geometry : tuple of Geometry
        Positions of each port's M samples together, as `positions.plan_geometry` gives them.
    probe : Probe
        The probe.
    frequency : float
        Frequency [Hz].
    degree : int
        Degree N.

    Returns
    -------
    (M, J) ndarray
        Response of each sample to each mode of unit coefficient.
    """
    for g in geometry:
        probe.check_port(g.port)
    k = float(wavenumber(frequency))
    count = sum(g.count for g in geometry)
    matrix = np.zeros((count, mode_count(degree)), dtype=complex)
    _, m, n = (x[::2] for x in mode_numbers(degree))
    for g in geometry:
        radius, which = np.unique(g.radius, return_inverse=True)
        constants = response_constants(probe, frequency=frequency, radius=radius, degree=degree)
        constants = constants[g.port - 1] * (np.exp(-1j * k * radius) / (k * radius))[:, None, None, None]
        top = constants.shape[1] // 2
        turn = np.exp(1j * np.outer(g.location[:, 1], m))
        position = g.spread(np.arange(g.radius.size))
        chi = g.chi
        if g.position is None:
            chi = np.broadcast_to(chi, (len(chi), g.radius.size)).ravel()
        rows = np.zeros((g.count, n.size, 2), dtype=complex)
        for mu in range(-top, top + 1):
            p = constants[:, top + mu]
            if p.any():
                d = rotation_coefficients(degree, g.location[:, 0], mu=mu) * turn
                term = (d[:, :, None] * p[which][:, n - 1])[position]
                rows += term * np.exp(1j * mu * chi)[:, None, None]
        matrix[g.rows] = rows.reshape(g.count, -1)
    return matrix


def by_dense_matrix(matrix: NDArray[np.complex128], response: NDArray[np.complex128]) -> Estimate:
    """Least squares with the dense matrix, columns scaled to equal norm."""
    norm = np.linalg.norm(matrix, axis=0)
    norm[norm == 0] = 1
    scaled, *_ = np.linalg.lstsq(matrix / norm, response, rcond=None)
    residual = response - (matrix / norm) @ scaled
    return Estimate(
        scaled / norm,
        ratio(np.linalg.norm(residual), np.linalg.norm(response)),
        0,
        True,
        unevenness(residual),
    )
