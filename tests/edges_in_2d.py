"""Reflectors in two dimensions, lit by a line source (TM): physical optics and moments. Unit: wavelength.

Both sums are the field of currents J_z, E = -k/4 int H0(kR) J ds with Z0 = 1.
"""

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import hankel2, j0

from nf2ff.ranges.reflector import RolledRim, rolled_curve

K = 2 * np.pi
#: Parabola with the focus at height 60, centre 32 from its axis, 40 wide; zone 30 wide at height 130.
FOCAL, CENTRE, HALF, HEIGHT, ZONE = 60.0, 32.0, 20.0, 130.0, 15.0
ROLL = RolledRim(HALF, 12.0, 8.0, np.radians(130))


def section(rim, scale):
    """Length of the curve, and the function from the distance along it to points (M, 2)."""
    y = np.linspace(CENTRE - HALF, CENTRE + HALF, 4001)
    parts = [np.stack([y, y**2 / (4 * FOCAL)], axis=1)]
    if rim is not None:
        for side, end in ((-1, y[0]), (1, y[-1])):
            out, up = rolled_curve(
                side * end / (2 * FOCAL), 1 / (2 * FOCAL), rim, np.linspace(0, rim.turn, 4001)
            )
            roll = np.stack([end + side * out, end**2 / (4 * FOCAL) + up], axis=1)
            parts = [roll[:0:-1], *parts] if side < 0 else [*parts, roll[1:]]
    points = np.concatenate(parts) * scale
    way = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    return way[-1], CubicSpline(way, points)


def incident(points, scale):
    """H0(kr) of the line source, and r."""
    r = np.hypot(points[:, 0], points[:, 1] - FOCAL * scale)
    return hankel2(0, K * r), r


def field(place, strength, points):
    """Field at points of currents at places, ``strength`` = current times length."""
    found = [
        hankel2(0, K * np.hypot(*(points[i : i + 20, None] - place).transpose(2, 0, 1))) @ strength
        for i in range(0, len(points), 20)
    ]
    return -K / 4 * np.concatenate(found)


def by_physical_optics(rim, scale, points):
    """Field of J = 2 n x H where the source sees the surface: midpoint rule, 12 points a wavelength."""
    length, curve = section(rim, scale)
    count = int(12 * length)
    way = (np.arange(count) + 0.5) * length / count
    place, tangent = curve(way), curve(way, 1)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    away = place - np.array([0, FOCAL * scale])
    r = np.hypot(*away.T)
    towards = np.sum(away * normal, axis=1) / r
    # J = 2/(jk) dE/dn, dH0(kr)/dn = -k H1(kr) cos.
    current = np.where(towards < 0, 2j * hankel2(1, K * r) * towards, 0)
    return field(place, current * length / count, points)


def by_moments(rim, scale, points, *, finest=5):
    """Field of the currents for which E is 0 on the curve; a strip without thickness.

    s = L/2 (1 - cos t) makes J ds/dt smooth up to the ends; the logarithm of the kernel is integrated
    exactly over the cosines of t: int_0^pi ln|cos t - cos u| cos(mu) du = -pi/m cos(mt), -pi ln 2 for m = 0.
    """
    length, curve = section(rim, scale)
    count = int(finest * length)
    t = (np.arange(count) + 0.5) * np.pi / count
    place = curve(0.5 * length * (1 - np.cos(t)))
    r = np.hypot(*(place[:, None] - place).transpose(2, 0, 1))
    np.fill_diagonal(r, 1)
    apart = np.abs(np.cos(t)[:, None] - np.cos(t))
    np.fill_diagonal(apart, 1)
    of_log = -2j / np.pi * j0(K * r)
    rest = hankel2(0, K * r) - of_log * np.log(apart)
    np.fill_diagonal(of_log, -2j / np.pi)
    np.fill_diagonal(rest, 1 - 2j / np.pi * (np.log(K / 2 * length / 2) + np.euler_gamma))
    # Sum over m of cos(m n pi/count)/m: the two cosines are those of the sum and the difference.
    m = np.arange(1, count)
    sums = np.array([np.sum(np.cos(np.pi * (m * n % (2 * count)) / count) / m) for n in range(2 * count)])
    row = np.arange(count)
    weight = -np.pi / count * (np.log(2) + sums[abs(row[:, None] - row)] + sums[row[:, None] + row + 1])
    matrix = -K / 4 * (of_log * weight + rest * np.pi / count)
    u = np.linalg.solve(matrix, -incident(place, scale)[0])
    return field(place, u * np.pi / count, points)


def zone_points(scale):
    y = CENTRE + np.linspace(-ZONE, ZONE, 121)
    return scale * np.stack([y, np.full(y.size, HEIGHT)], axis=1)


def plane_wave(points, scale):
    """Geometrical optics: the ray that is reflected towards the zone, amplitude that at the surface."""
    depth = points[:, 0] ** 2 / (4 * FOCAL * scale)
    return -hankel2(0, K * (FOCAL * scale + depth)) * np.exp(-1j * K * (points[:, 1] - depth))


def edge_level(found, points, scale):
    """Root mean square of what is not of geometrical optics [dB]."""
    return 10 * np.log10(np.mean(np.abs(found / plane_wave(points, scale) - 1) ** 2))
