"""Tangential fields on rings of directions that cover the sphere: arrangement and analysis.

In azimuth the steps are equal and Fourier's sum is exact. In theta, rings that belong to a
quadrature rule have an exact analysis; for others a least-squares fit is made, azimuthal order by
order, of E_theta +- j E_phi, in each of which gradient and curl part make up one sum:

    E_theta + j E_phi =  sum (G + jC) y_n d^n_{m,-1} exp(j m phi)
    E_theta - j E_phi = -sum (G - jC) y_n d^n_{m,+1} exp(j m phi),   y_n = sqrt((2n+1)/4 pi)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.grids import ANGLE_TOLERANCE, Rule, recognise_rule
from nf2ff.antenna.modes import mode_numbers
from nf2ff.kernel import spin
from nf2ff.kernel.grid_analysis import grid_analysis
from nf2ff.kernel.rotation import rotation_coefficients
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


class MissingPart(InputError):
    """A part of the sphere has no data, and is not to be taken as zero."""


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """Fields on rings, in equal steps of azimuth; made by `arrange`.

    Parameters
    ----------
    theta : (T,) ndarray
        Polar angles, increasing, from 0 to pi [rad].
    phi : (P,) ndarray
        Azimuth angles, equal steps of 2 pi / P over the full circle [rad].
    field : (B, 2, T, P) ndarray
        Components along theta^ and phi^ of B fields.
    """

    theta: Real
    phi: Real
    field: Complex


def arrange(theta: Real, phi: Real, field: Complex) -> Rings:
    """Sort rings from north to south and azimuths over one circle.

    As in `Rings`, in any order; fields at azimuths that stand for one direction (0 and 360 deg) are averaged.
    InputError if an angle is out of range, a ring occurs twice, there is one ring only, or the azimuth steps
    differ.
    """
    wild = np.flatnonzero((theta < -ANGLE_TOLERANCE) | (theta > np.pi + ANGLE_TOLERANCE))
    if wild.size:
        raise InputError(
            f"theta is {np.degrees(theta[wild[0]]):z.9g} deg, expected 0 to 180",
            "write a negative theta as its magnitude at phi + 180 deg, both components negated",
        )
    if theta.size < 2:
        raise InputError(f"theta has {theta.size} values: a pattern needs rings from pole to pole")
    rows = np.argsort(theta)
    theta = np.clip(theta[rows], 0.0, np.pi)
    same = np.flatnonzero(np.diff(theta) <= ANGLE_TOLERANCE)
    if same.size:
        raise InputError(
            f"theta {np.degrees(theta[same[0]]):z.9g} deg occurs twice", "keep one of the two rings"
        )
    azimuth = np.mod(phi, 2 * np.pi)
    azimuth[2 * np.pi - azimuth <= ANGLE_TOLERANCE] = 0.0
    columns = np.argsort(azimuth)
    azimuth = azimuth[columns]
    first = np.flatnonzero(np.diff(azimuth, prepend=-1.0) > ANGLE_TOLERANCE)
    count = np.diff(first, append=azimuth.size)
    total: Any = np.add.reduceat(field[:, :, rows][..., columns], first, axis=3)
    azimuth = azimuth[first]
    steps = np.diff(azimuth, append=azimuth[0] + 2 * np.pi)
    if np.ptp(steps) > 2 * ANGLE_TOLERANCE:
        at = int(np.argmax(steps))
        raise InputError(
            f"phi has steps of {np.degrees(steps.min()):z.6g} to {np.degrees(steps.max()):z.6g} deg, "
            f"the largest from {np.degrees(azimuth[at]):z.6g} deg on: a pattern needs equal steps "
            "over the full circle, measure what is missing or interpolate first"
        )
    return Rings(theta, azimuth, total / count)


def complete(rings: Rings, *, zero: bool) -> tuple[Rings, tuple[int, int]]:
    """See that the rings reach both poles, or add rings of zero field where ``zero`` allows it.

    Returns
    -------
    rings : Rings
        With those added, in steps of the largest one measured.
    added : pair of int
        How many were added at the north and at the south.
    """
    theta = rings.theta
    step = float(np.diff(theta).max())
    # With a gap of one step to a pole the rings still determine as much as the steps do.
    gaps = [gap if gap > step * (1 + 1e-6) else 0.0 for gap in (theta[0], np.pi - theta[-1])]
    if not any(gaps):
        return rings, (0, 0)
    if not zero:
        ends = (f"0 to {np.degrees(gaps[0]):z.6g} deg", f"{np.degrees(theta[-1]):z.6g} to 180 deg")
        ranges = [end for end, gap in zip(ends, gaps, strict=True) if gap]
        part = sum(1 - np.cos(gap) for gap in gaps) / 2
        raise MissingPart(
            f"the pattern lacks theta {' and '.join(ranges)} ({100 * part:.3g} % of the sphere)",
            "measure that part, or ask for it to be taken as zero (missing='zero')",
        )
    north, south = (int((gap + ANGLE_TOLERANCE) / step) for gap in gaps)
    more = (theta[0] - step * np.arange(north, 0, -1), theta, theta[-1] + step * np.arange(1, south + 1))
    field = np.pad(rings.field, ((0, 0), (0, 0), (north, south), (0, 0)))
    whole = np.clip(np.concatenate(more), 0.0, np.pi)
    return Rings(whole, rings.phi, field), (north, south)


def ring_areas(theta: Real) -> Real:
    """Solid angle that each ring stands for, half way to its neighbours, (T,) [sr]."""
    edges = np.concatenate([[0.0], (theta[1:] + theta[:-1]) / 2, [np.pi]])
    return np.asarray(2 * np.pi * np.diff(-np.cos(edges)))


def exact_rule(theta: Real) -> Rule | None:
    """Quadrature rule that gives all that the rings determine, or None.

    Rings one step off the poles determine by least squares twice what their quadrature does.
    """
    rule = recognise_rule(theta)
    return None if rule == "fejer-2" else rule


def degree_limit(theta: Real) -> int:
    """Largest degree that the rings at ``theta`` (T,) determine.

    By least squares: up to pi over the largest step, and as many degrees as there are rings off the poles,
    the condition of the fit is below 3 (measured with rings of all offsets and gaps to the poles of up to one
    step); beyond, it grows without bound.
    """
    rule = exact_rule(theta)
    if rule is not None:
        return spin.ring_degree(rule, theta.size)
    inner = int(np.sum((theta > ANGLE_TOLERANCE) & (theta < np.pi - ANGLE_TOLERANCE)))
    return min(int(np.pi / np.diff(theta).max() * (1 + 1e-6)), inner)


def order_limit(phi: Real) -> int:
    """Largest azimuthal order that equal steps ``phi`` (P,) over the circle determine."""
    return (phi.size - 1) // 2


def analyse(rings: Rings, *, degree: int, order: int) -> tuple[Complex, Complex]:
    """Gradient and curl coefficients (B, N(N+2)) of fields on rings over the whole sphere.

    In the order n (n+1) + m - 1, up to ``degree`` N, at most `degree_limit`, and azimuthal ``order``, at most
    `order_limit`; higher ones are left out.
    """
    order = min(order, degree)
    m = np.arange(-order, order + 1)
    orders = np.fft.fft(rings.field, axis=-1, norm="forward")[..., m]
    orders *= np.exp(-1j * m * rings.phi[0])
    rule = exact_rule(rings.theta)
    if rule is None:
        return _fit(orders, rings.theta, degree)
    # The transform wants at least 2N+1 azimuths.
    spectrum = np.zeros((*orders.shape[:-1], spin.good_length(2 * degree + 1)), dtype=complex)
    spectrum[..., m] = orders
    maps = np.fft.ifft(spectrum, axis=-1, norm="forward")
    threads = spin.thread_count(None)
    found = [
        spin.unpack(grid_analysis(each, spin=1, degree=degree, rule=rule, threads=threads)[0])
        for each in maps
    ]
    g, c = np.moveaxis(np.array(found), 1, 0)
    none = np.abs(mode_numbers(degree)[1][::2]) > order
    g[:, none] = c[:, none] = 0  # not rounding: each azimuthal order of a probe costs transforms
    return g, c


def _fit(orders: Complex, theta: Real, degree: int) -> tuple[Complex, Complex]:
    """Least squares weighted by area, from azimuthal orders (B, 2, T, 2M+1).

    By the normal equations, whose condition is at most the square of that in `degree_limit`: 9.
    """
    top = orders.shape[-1] // 2
    weight = ring_areas(theta)[:, None]
    e_theta, e_phi = orders[:, 0], orders[:, 1]
    total = np.zeros((2, len(orders), degree * (degree + 2)), dtype=complex)
    fields = (e_theta + 1j * e_phi, -(e_theta - 1j * e_phi))
    for part, mu, field in zip(total, (-1, 1), fields, strict=True):
        d = rotation_coefficients(degree, theta, mu=mu)
        for m in range(-top, top + 1):
            n = np.arange(max(1, abs(m)), degree + 1)
            at = n * (n + 1) + m - 1
            matrix = d[:, at] * np.sqrt((2 * n + 1) / (4 * np.pi))
            weighted = weight * matrix
            right = np.ascontiguousarray(field[:, :, top + m].T)
            found = np.linalg.solve(matrix.T @ weighted, weighted.T @ right.view(float))
            part[:, at] = found.view(complex).T
    return (total[0] + total[1]) / 2, (total[0] - total[1]) / 2j
