"""Polynomials on patches of the sphere: maxima, and places on a cut, without any more fields.

The intensity far away is a polynomial of twice the degree in the direction, so that its values in
few directions tell it between them. A patch is sampled at Chebyshev nodes of the lengths along two
great circles through its middle.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
#: Tangents (..., 3) of the cuts through directions (..., 3), as `planes.Plane.tangents` has them.
Tangents = Callable[[Real], Real]

#: Half widths of the patches times the degree, and Chebyshev nodes across: about the peak; about
#: a place on a cut, along the cut and across it; and of the line on which that place is sought.
#: The intensity is of degree 2N, so that the polynomial through K nodes within w/N errs by at most
#: (2w)^K / (K! 2^(K-1)) of the largest intensity (Bernstein's inequality): 2e-11 for all of these.
PATCH, PATCH_NODES = 1.0, 14
ALONG, ALONG_NODES = 1.0, 14
ACROSS, ACROSS_NODES = 0.5, 11
LINE, LINE_NODES = 0.5, 11
#: Curvature of the intensity over a patch, relative to the peak, that is none: a ridge. Rounding
#: leaves 1e-9, and an antenna a hundredth as large as its degree admits still has 1e-4.
FLAT = 1e-7
#: Directions of a patch about a peak, and of one about a place on a cut.
PATCH_SIZE, STRIP_SIZE = PATCH_NODES**2, ALONG_NODES * ACROSS_NODES


class Top(NamedTuple):
    """Intensity at displaced peaks, (D,); displacement along theta^ and phi^ [rad], none along a
    ridge; and, (D, 2), whether it is known, not on a ridge."""

    value: Real
    x: Real
    y: Real
    sure: NDArray[np.bool_]


# --- polynomials ---------------------------------------------------------------------------------


def _nodes(count: int) -> Real:
    return np.asarray(np.cos(np.pi * (np.arange(count) + 0.5) / count))


def _fit(count: int) -> Real:
    """Matrix from values at the nodes to the coefficients of the interpolant."""
    angle = np.pi * (np.arange(count) + 0.5) / count
    matrix = 2 / count * np.cos(np.outer(np.arange(count), angle))
    matrix[0] *= 0.5
    return np.asarray(matrix)


def _slope_matrix(count: int) -> Real:
    """Matrix D with T_k'(x) = sum_j T_j(x) D_jk."""
    matrix = np.zeros((count, count))
    matrix[:-1] = np.polynomial.chebyshev.chebder(np.eye(count), axis=0)
    return matrix


def _around(centre: Real, along: Real, across: Real, x: Real, y: Real) -> Real:
    """Directions (X Y, 3) at the distances x along and y across from a centre [rad]."""
    a, b = (v.ravel()[:, None] for v in np.meshgrid(x, y, indexing="ij"))
    length = np.hypot(a, b)
    return np.asarray(np.cos(length) * centre + np.sinc(length / np.pi) * (a * along + b * across))


def _chebyshev(x: Real, count: int) -> Real:
    return np.asarray(np.polynomial.chebyshev.chebvander(x, count - 1))


# --- peaks ---------------------------------------------------------------------------------------


def patch_directions(frame: Real, degree: int) -> Real:
    """Directions (M, 3) of the patch about a peak, ``frame`` being its r^, theta^ and phi^."""
    x = PATCH / degree * _nodes(PATCH_NODES)
    r, t, p = frame
    return _around(r, t, p, x, x)


def _jet(c: Real, x: Real, y: Real) -> Real:
    """Derivatives (D, 3, 3), of order i in x and j in y, of series (D, K, K)."""
    d = _slope_matrix(PATCH_NODES)
    a, b = (_chebyshev(v, PATCH_NODES) for v in (x, y))
    rows = np.stack([a, a @ d, a @ d @ d], axis=1)
    columns = np.stack([b, b @ d, b @ d @ d], axis=2)
    return np.asarray(rows @ c @ columns)


def _hessian(jet: Real) -> Real:
    rows = [[jet[..., 2, 0], jet[..., 1, 1]], [jet[..., 1, 1], jet[..., 0, 2]]]
    return np.moveaxis(np.array(rows), (0, 1), (-2, -1))


def top_of_patch(u: Real, degree: int) -> Top:
    """Highest intensity of patches (D, K K), and where.

    Newton's method on the interpolating polynomial from the middle, across a ridge only. NaN where
    it leaves the patch; and for the place along a ridge.
    """
    fit = _fit(PATCH_NODES)
    c = fit @ u.reshape(-1, PATCH_NODES, PATCH_NODES) @ fit.T
    at = np.zeros((len(c), 2))
    inside = np.ones(len(c), dtype=bool)
    sure = np.ones((len(c), 2), dtype=bool)
    for _ in range(30):
        jet = _jet(c, at[:, 0], at[:, 1])
        bend, axes = np.linalg.eigh(_hessian(jet))
        flat = FLAT * np.abs(jet[:, 0, 0])[:, None]
        slope = np.einsum("di,dij->dj", jet[:, [1, 0], [0, 1]], axes)
        curved = bend < -flat
        step = np.where(curved, -slope / np.where(curved, bend, 1.0), 0.0)
        step = np.clip(np.einsum("dij,dj->di", axes, step), -0.5, 0.5)
        # What rises on both sides of a place is no way to a maximum.
        inside &= ~np.any(bend > flat, axis=1) & (np.abs(at + step).max(axis=1) <= 1)
        step[~inside] = 0
        at += step
        sure = ~np.any((np.abs(axes) > 1e-3) & ~curved[:, None], axis=2)
        if np.abs(step).max(initial=0) <= 1e-12:
            break
    value = np.where(inside, _jet(c, at[:, 0], at[:, 1])[:, 0, 0], np.nan)
    x, y = np.where(inside[:, None], at, np.nan).T * (PATCH / degree)
    return Top(value, x, y, sure)


def curvature(u: Real, degree: int) -> Real:
    """Second derivatives (D, 2, 2) in the middle of patches (D, K K), over the intensity there."""
    fit = _fit(PATCH_NODES)
    c = fit @ u.reshape(-1, PATCH_NODES, PATCH_NODES) @ fit.T
    jet = _jet(c, np.zeros(len(c)), np.zeros(len(c)))
    return np.asarray((degree / PATCH) ** 2 * _hessian(jet) / jet[:, :1, :1])


def slope_of_top(u: Real, top: Top, degree: int) -> Real:
    """Derivatives (3, K K) of value, x and y of one peak by the intensities on its patch."""
    fit = _fit(PATCH_NODES)
    d = _slope_matrix(PATCH_NODES)
    x, y = (v * (degree / PATCH) for v in (top.x, top.y))
    a, b = (_chebyshev(v, PATCH_NODES) for v in (x, y))
    slopes = np.stack([np.kron(a @ d @ fit, b @ fit)[0], np.kron(a @ fit, b @ d @ fit)[0]])
    jet = _jet((fit @ u.reshape(PATCH_NODES, -1) @ fit.T)[None], x, y)
    bend, axes = np.linalg.eigh(_hessian(jet)[0])
    # The place is where the slope vanishes; along a ridge it stays where it is.
    inverse = np.where(bend < -FLAT * top.value, 1 / bend, 0.0)
    place = -(PATCH / degree) * (axes * inverse) @ axes.T @ slopes
    return np.concatenate([np.kron(a @ fit, b @ fit), place])


# --- places on cuts ------------------------------------------------------------------------------


def displaced(frame: Real, top: Top) -> Real:
    """Directions (D, 3) of displaced peaks."""
    r, t, p = frame
    length = np.hypot(top.x, top.y)[:, None]
    aside = top.x[:, None] * t + top.y[:, None] * p
    return np.asarray(np.cos(length) * r + np.sinc(length / np.pi) * aside)


def _cut(frame: Real, tangents: Tangents, top: Top, angle: Real) -> Real:
    """Directions (D, A, 3) at angles (A,) from displaced peaks along the cut."""
    along, across = np.cos(angle)[:, None], np.sin(angle)[:, None]
    peak = displaced(frame, top)
    return np.asarray(along * peak[:, None] + across * tangents(peak)[:, None])


def _strip_frame(frame: Real, tangents: Tangents, angle: float) -> Real:
    """Direction at an angle on the nominal cut, and the unit vectors along and across it."""
    r = frame[0]
    a = tangents(r)
    return np.stack(
        [math.cos(angle) * r + math.sin(angle) * a, math.cos(angle) * a - math.sin(angle) * r, np.cross(r, a)]
    )


def strip_directions(frame: Real, tangents: Tangents, angle: float, degree: int) -> Real:
    """Directions (X Y, 3) of the patch about an angle on the cut through the nominal peak."""
    x, y = ALONG * _nodes(ALONG_NODES), ACROSS * _nodes(ACROSS_NODES)
    centre, along, across = _strip_frame(frame, tangents, angle)
    return _around(centre, along, across, x / degree, y / degree)


def line_directions(frame: Real, tangents: Tangents, angle: float, top: Top, degree: int) -> Real:
    """Directions (D, L, 3) about an angle on the cuts through displaced peaks."""
    return _cut(frame, tangents, top, angle + LINE / degree * _nodes(LINE_NODES))


def on_line(u: Real, frame: Real, tangents: Tangents, angle: float, top: Top, degree: int) -> Real:
    """Intensity (D, L) in `line_directions` from that on the patch (D, X Y); NaN where outside."""
    centre, along, across = _strip_frame(frame, tangents, angle)
    direction = line_directions(frame, tangents, angle, top, degree)
    x, y = direction @ along, direction @ across
    length = np.hypot(x, y)
    stretch = np.arctan2(length, direction @ centre) / np.where(length > 0, length, 1.0)
    x, y = x * stretch * (degree / ALONG), y * stretch * (degree / ACROSS)
    c = _fit(ALONG_NODES) @ u.reshape(-1, ALONG_NODES, ACROSS_NODES) @ _fit(ACROSS_NODES).T
    rows = _chebyshev(x, ALONG_NODES) @ c
    values = np.einsum("dla,dla->dl", rows, _chebyshev(y, ACROSS_NODES))
    within = np.max(np.maximum(np.abs(x), np.abs(y)), axis=1) <= 1.01
    return np.where(within[:, None], values, np.nan)


def crossing(line: Real, level: Real, degree: int) -> Real:
    """Angle (D,) from the middle at which lines (D, L) cross a level (D,), or NaN [rad]."""
    c = (line - level[:, None]) @ _fit(LINE_NODES).T
    d = _slope_matrix(LINE_NODES)
    x = np.zeros(len(c))
    for _ in range(30):
        t = _chebyshev(x, LINE_NODES)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.clip((t * c).sum(axis=1) / ((t @ d) * c).sum(axis=1), -0.5, 0.5)
        x = x - step
        x = np.where(np.abs(x) <= 1.5, x, np.nan)
        if not np.nanmax(np.abs(step), initial=0) > 1e-12:
            break
    return np.where(np.abs(x) <= 1, LINE / degree * x, np.nan)


def top_of_line(line: Real) -> Real:
    """Highest intensity (D,) of lines (D, L) about a maximum; NaN where it left them."""
    c = line @ _fit(LINE_NODES).T
    d = _slope_matrix(LINE_NODES)
    x = np.zeros(len(c))
    for _ in range(30):
        t = _chebyshev(x, LINE_NODES)
        slope, bend = ((t @ m * c).sum(axis=1) for m in (d, d @ d))
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.clip(np.where(bend < 0, -slope / bend, np.nan), -0.5, 0.5)
        x = np.where(np.abs(x + step) <= 1, x + step, np.nan)
        if not np.nanmax(np.abs(step), initial=0) > 1e-12:
            break
    return np.asarray((_chebyshev(x, LINE_NODES) * c).sum(axis=1))
