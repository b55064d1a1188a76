"""Polynomials on patches of the sphere: maxima, and places on a cut, without any more fields.

The field far away is a polynomial of the degree N in the direction, the intensity one of 2N, so that
values in few directions tell what lies between. A patch is sampled at Chebyshev nodes of the lengths
along two great circles through its middle, and its maxima are climbed by Newton's method.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebvander
from numpy.typing import NDArray

Real = NDArray[np.float64]
Index = NDArray[np.intp]
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
#: Directions of a patch about a peak, and of one about a place on a cut.
PATCH_SIZE, STRIP_SIZE = PATCH_NODES**2, ALONG_NODES * ACROSS_NODES
#: Curvature of the intensity over a patch, relative to the peak, that is none: a ridge. Rounding
#: leaves 1e-9, and an antenna a hundredth as large as its degree admits still has 1e-4.
RIDGE = 1e-7
#: Curvature and slope (times the patch, over the value) that rounding alone can feign.
FLAT = 1e-9
#: A slope that is rounding of the samples: along a ridge a curvature just above `FLAT` would make a
#: long step of it.
_NO_SLOPE = 1e-13


class Top(NamedTuple):
    """Intensity at displaced peaks, (D,); displacement along theta^ and phi^ [rad], none along a
    ridge; and, (D, 2), whether it is known, not on a ridge."""

    value: Real
    x: Real
    y: Real
    sure: NDArray[np.bool_]


# --- polynomials ---------------------------------------------------------------------------------


def nodes(count: int) -> Real:
    """Chebyshev nodes in [-1, 1], falling."""
    return np.asarray(np.cos(np.pi * (np.arange(count) + 0.5) / count))


@cache
def fit_matrix(count: int) -> Real:
    """From values at the nodes to the coefficients of the interpolant."""
    matrix = 2 / count * chebvander(nodes(count), count - 1).T
    matrix[0] *= 0.5
    return np.asarray(matrix)


@cache
def slope_matrix(count: int) -> Real:
    """Matrix D with T_k'(x) = sum_j T_j(x) D_jk."""
    return np.vstack([chebder(np.eye(count), axis=0), np.zeros(count)])


def fit(values: NDArray[Any]) -> NDArray[Any]:
    """Coefficients (..., X, Y) of the interpolants through values (..., X, Y) at the nodes."""
    return np.asarray(fit_matrix(values.shape[-2]) @ values @ fit_matrix(values.shape[-1]).T)


def jet(coefficients: NDArray[Any], at: Real) -> NDArray[Any]:
    """Derivatives (K, ..., 3, 3), of order i in x and j in y, of series (K, ..., X, Y) at (K, 2)."""
    rows, columns = (
        np.stack([t, t @ d, t @ d @ d], axis=1).reshape(len(at), *[1] * (coefficients.ndim - 3), 3, -1)
        for x, n in zip(at.T, coefficients.shape[-2:], strict=True)
        for t, d in [(chebvander(x, n - 1), slope_matrix(n))]
    )
    return np.asarray(rows @ coefficients @ columns.swapaxes(-1, -2))


def around(x: Real, y: Real, *frame: Real) -> Real:
    """Directions (..., 3) at the ends of great circles from the centre of a frame.

    They leave towards x along + y across and are sqrt(x^2 + y^2) long [rad]; the frame is of unit
    vectors (..., 3): centre, along, across.
    """
    centre, along, across = frame
    x, y = np.asarray(x)[..., None], np.asarray(y)[..., None]
    length = np.hypot(x, y)
    return np.asarray(np.cos(length) * centre + np.sinc(length / np.pi) * (x * along + y * across))


def coordinates(direction: Real, *frame: Real) -> tuple[Real, Real]:
    """The x, y (...) of directions (..., 3): inverse of `around` [rad]."""
    centre, along, across = frame
    x, y, ahead = (np.sum(direction * axis, axis=-1) for axis in (along, across, centre))
    sine = np.hypot(x, y)
    stretch = np.where(sine > 0, np.arctan2(sine, ahead) / np.where(sine > 0, sine, 1.0), 1.0)
    return x * stretch, y * stretch


def _mesh(frame: Real, x: Real, y: Real) -> Real:
    """Directions (X Y, 3) at the distances x along and y across from a centre [rad]."""
    a, b = (v.ravel() for v in np.meshgrid(x, y, indexing="ij"))
    return around(a, b, *frame)


# --- climbing ------------------------------------------------------------------------------------


def hessian_of(jets: Real) -> Real:
    """Second derivatives (..., 2, 2) from a `jet` (..., 3, 3)."""
    return np.asarray(jets[..., [[2, 1], [1, 0]], [[0, 1], [1, 2]]])


def newton_step(slope: Real, hessian: Real, *, flat: float = FLAT, uphill: float = 0.5) -> Real:
    """Steps (K, 2) to the top of parabolas; ``uphill`` far where they have none and are not flat."""
    bend, axes = np.linalg.eigh(hessian)
    rise = np.einsum("kij,ki->kj", axes, slope)
    rise[np.abs(rise) <= _NO_SLOPE] = 0
    concave = bend < -flat
    other = np.where(np.abs(rise) > flat, uphill * np.sign(rise), 0.0)
    step = np.where(concave, -rise / np.where(concave, bend, 1.0), other)
    return np.einsum("kij,kj->ki", axes, np.clip(step, -1, 1))


def climb(
    jets: Callable[[Index, Real], Real], count: int, *, flat: float = FLAT, uphill: float = 0.5
) -> tuple[Real, Real]:
    """Maxima within K patches, by Newton steps from their middles that never descend.

    Parameters
    ----------
    jets : callable
        (patches (A,), x, y (A, 2)) -> what is to be made large, and its derivatives (A, 3, 3).
    count : int
        Patches K.
    flat, uphill
        As in `newton_step`, over the value in the middle.

    Returns
    -------
    at : (K, 2) ndarray
        Their x, y; at an edge where the maximum may lie outside.
    jet : (K, 3, 3) ndarray
        Value and derivatives there.
    """
    at, active, reach = np.zeros((count, 2)), np.arange(count), np.ones(count)
    here = jets(active, at)
    size = np.abs(here[:, 0, 0])
    size[size == 0] = 1.0
    for _ in range(40):
        now = here[active] / size[active, None, None]
        step = newton_step(now[:, [1, 0], [0, 1]], hessian_of(now), flat=flat, uphill=uphill)
        trial = np.clip(at[active] + reach[active, None] * step, -1, 1)
        moved = np.abs(trial - at[active]).max(axis=1)
        new = jets(active, trial)
        # Rounding of the value would stop the last steps a thousand times farther away.
        better = new[:, 0, 0] / size[active] >= now[:, 0, 0] - 1e-14
        at[active[better]], here[active[better]] = trial[better], new[better]
        reach[active] = np.where(better, np.minimum(1.0, 2 * reach[active]), reach[active] / 4)
        active = active[moved > 1e-12]
        if active.size == 0:
            break
    return at, here


# --- peaks ---------------------------------------------------------------------------------------


def patch_directions(frame: Real, degree: int) -> Real:
    """Directions (M, 3) of the patch about a peak, ``frame`` being its r^, theta^ and phi^."""
    x = PATCH / degree * nodes(PATCH_NODES)
    return _mesh(frame, x, x)


def _patch_fit(u: Real) -> Real:
    return fit(u.reshape(-1, PATCH_NODES, PATCH_NODES))


def top_of_patch(u: Real, degree: int) -> Top:
    """Highest intensity of patches (D, K K), and where: climbed from the middle, across a ridge only.

    NaN where it leaves the patch; and for the place along a ridge.
    """
    c = _patch_fit(u)
    at, jets = climb(lambda which, x: jet(c[which], x), len(c), flat=RIDGE, uphill=0.0)
    value = jets[:, 0, 0]
    bend, axes = np.linalg.eigh(hessian_of(jets))
    flat = RIDGE * np.abs(value)[:, None]
    # What rises on both sides of a place is no maximum.
    inside = np.all(bend <= flat, axis=1) & (np.abs(at).max(axis=1) < 1)
    sure = ~np.any((np.abs(axes) > 1e-3) & (bend >= -flat)[:, None], axis=2)
    x, y = np.where(inside[:, None], at, np.nan).T * (PATCH / degree)
    return Top(np.where(inside, value, np.nan), x, y, sure)


def curvature(u: Real, degree: int) -> Real:
    """Second derivatives (D, 2, 2) in the middle of patches (D, K K), over the intensity there."""
    jets = jet(_patch_fit(u), np.zeros((len(u), 2)))
    return np.asarray((degree / PATCH) ** 2 * hessian_of(jets) / jets[:, :1, :1])


def slope_of_top(u: Real, top: Top, degree: int) -> Real:
    """Derivatives (3, K K) of value, x and y of one peak by the intensities on its patch."""
    to_series, d = fit_matrix(PATCH_NODES), slope_matrix(PATCH_NODES)
    at = np.stack([top.x, top.y], axis=-1) * (degree / PATCH)
    a, b = (chebvander(x, PATCH_NODES - 1) for x in at.T)
    slopes = np.stack(
        [np.kron(a @ d @ to_series, b @ to_series)[0], np.kron(a @ to_series, b @ d @ to_series)[0]]
    )
    bend, axes = np.linalg.eigh(hessian_of(jet(_patch_fit(u), at))[0])
    # The place is where the slope vanishes; along a ridge it stays where it is.
    inverse = np.where(bend < -RIDGE * top.value, 1 / bend, 0.0)
    place = -(PATCH / degree) * (axes * inverse) @ axes.T @ slopes
    return np.concatenate([np.kron(a @ to_series, b @ to_series), place])


# --- places on cuts ------------------------------------------------------------------------------


def _strip_frame(frame: Real, tangents: Tangents, angle: float) -> Real:
    """Direction at an angle on the nominal cut, and the unit vectors along and across it."""
    r = frame[0]
    a = tangents(r)
    cos, sin = math.cos(angle), math.sin(angle)
    return np.stack([cos * r + sin * a, cos * a - sin * r, np.cross(r, a)])


def strip_directions(frame: Real, tangents: Tangents, angle: float, degree: int) -> Real:
    """Directions (X Y, 3) of the patch about an angle on the cut through the nominal peak."""
    x, y = ALONG / degree * nodes(ALONG_NODES), ACROSS / degree * nodes(ACROSS_NODES)
    return _mesh(_strip_frame(frame, tangents, angle), x, y)


def line_directions(frame: Real, tangents: Tangents, angle: float, top: Top, degree: int) -> Real:
    """Directions (D, L, 3) about an angle on the cuts through displaced peaks."""
    peak = around(top.x, top.y, *frame)
    angles = (angle + LINE / degree * nodes(LINE_NODES))[:, None]
    return np.asarray(np.cos(angles) * peak[:, None] + np.sin(angles) * tangents(peak)[:, None])


def on_line(u: Real, frame: Real, tangents: Tangents, angle: float, top: Top, degree: int) -> Real:
    """Intensity (D, L) in `line_directions` from that on the patch (D, X Y); NaN where outside."""
    direction = line_directions(frame, tangents, angle, top, degree)
    x, y = coordinates(direction, *_strip_frame(frame, tangents, angle))
    x, y = x * (degree / ALONG), y * (degree / ACROSS)
    rows = chebvander(x, ALONG_NODES - 1) @ fit(u.reshape(-1, ALONG_NODES, ACROSS_NODES))
    values = np.einsum("dla,dla->dl", rows, chebvander(y, ACROSS_NODES - 1))
    within = np.max(np.maximum(np.abs(x), np.abs(y)), axis=1) <= 1.01
    return np.where(within[:, None], values, np.nan)


def _zero(c: Real, *, reach: float, falling: bool = False) -> Real:
    """Zeros (D,) of series (D, L) by Newton's method from the middle.

    NaN where it goes beyond ``reach``, or, if they must be ``falling``, where one does not.
    """
    slope = c @ slope_matrix(LINE_NODES).T
    x = np.zeros(len(c))
    for _ in range(30):
        t = chebvander(x, LINE_NODES - 1)
        value, by_x = ((t * v).sum(axis=1) for v in (c, slope))
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.clip(value / np.where((by_x < 0) | (not falling), by_x, np.nan), -0.5, 0.5)
        x = np.where(np.abs(x - step) <= reach, x - step, np.nan)
        if not np.nanmax(np.abs(step), initial=0) > 1e-12:
            break
    return x


def crossing(line: Real, level: Real, degree: int) -> Real:
    """Angle (D,) from the middle at which lines (D, L) cross a level (D,), or NaN [rad]."""
    x = _zero((line - level[:, None]) @ fit_matrix(LINE_NODES).T, reach=1.5)
    return np.where(np.abs(x) <= 1, LINE / degree * x, np.nan)


def top_of_line(line: Real) -> Real:
    """Highest intensity (D,) of lines (D, L) about a maximum; NaN where it left them."""
    c = line @ fit_matrix(LINE_NODES).T
    x = _zero(c @ slope_matrix(LINE_NODES).T, reach=1.0, falling=True)
    return np.asarray((chebvander(x, LINE_NODES - 1) * c).sum(axis=1))
