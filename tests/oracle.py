"""Spherical waves written out from the textbook, slowly: what the kernel is checked against.

Nothing here comes from the package under test. The formulas are those of J. E. Hansen, ed.,
Spherical Near-Field Antenna Measurements, 1988, in the form and with the printed sample values of
the project's check values; the tests named ``test_oracle_*`` check this file against them.
Equation numbers of Abramowitz & Stegun are from memory; the formulas are tested.

Hansen's time factor is exp(-iwt), c = 3 the outgoing wave. For exp(+jwt) the outgoing wave is
F'_smn = (-1)^m conj(F_{s,-m,n}). Conjugating the formula of F_{s,-m,n} turns z_n into its
conjugate, e^(-im phi) into e^(im phi), -im into im and (m/|m|)^(-m) into (-1)^m (-m/|m|)^m, so F'
is F with h_n^(2) in place of h_n^(1): Hansen's c = 4. Hence ``c=3`` below means exp(-iwt) and
``c=4`` means exp(+jwt).

The transmission formula keeps its form too. Conjugating w = sum Q e^(im phi) d^n_{m mu} e^(i mu
chi) P_{s mu n}, renaming m, mu as -m, -mu, and using d^n_{-m,-mu} = (-1)^(m-mu) d^n_{m mu}, leaves
the same formula with Q'_smn = (-1)^m conj(Q_{s,-m,n}) and P'_{s mu n} = (-1)^mu conj(P_{s,-mu,n}).
"""

from __future__ import annotations

import functools

import mpmath
import numpy as np
from scipy.linalg import expm
from scipy.special import gammaln, spherical_jn, spherical_yn

#: Wave impedance of vacuum [ohm], CODATA 2018 (NIST, "characteristic impedance of vacuum").
Z0 = 376.730313668


def modes(degree):
    """Return [(s, m, n), ...] in the order j = 2 (n(n+1) + m - 1) + s."""
    return [(s, m, n) for n in range(1, degree + 1) for m in range(-n, n + 1) for s in (1, 2)]


def position(s, m, n):
    """Zero-based place of the mode in ``modes``."""
    return 2 * (n * (n + 1) + m - 1) + s - 1


def conjugate_convention(coefficients, degree):
    """Map Q or P between exp(-iwt) and exp(+jwt): (-1)^m conj(Q_{s,-m,n}), its own inverse."""
    old = np.asarray(coefficients)
    new = np.empty_like(old, dtype=complex)
    for s, m, n in modes(degree):
        new[..., position(s, m, n)] = (-1) ** m * old[..., position(s, -m, n)].conj()
    return new


def jacobi(count, a, b, x):
    """Jacobi polynomials P_0^(a,b) ... P_count^(a,b) at x, floats, arrays or mpmath numbers.

    Three-term recurrence (Abramowitz & Stegun, 22.7.1). Within [-1, 1] the polynomials are its
    dominant or oscillating solution, so that going up is stable.
    """
    values = [1 + 0 * x]
    if count >= 1:
        values.append((a - b + (a + b + 2) * x) / 2)
    for k in range(1, count):
        t = 2 * k + a + b
        values.append(
            (
                (t + 1) * (t * (t + 2) * x + a * a - b * b) * values[k]
                - 2 * (k + a) * (k + b) * (t + 2) * values[k - 1]
            )
            / (2 * (k + 1) * (k + 1 + a + b) * t)
        )
    return values[: count + 1]


def legendre(degree, theta):
    """Normalised P_n^|m|(cos theta) without the Condon-Shortley phase, dP/dtheta, m P/sin(theta).

    Returns three arrays (M, N(N+2)) at index n(n+1) + m - 1. From P_n^m = c sin^m P_{n-m}^(m,m),
    c^2 = (2n+1)/2 (n+m)! (n-m)! / (2^m n!)^2: no division by sin(theta), so the poles and
    theta < 0 need no special case. Checked in float64 up to degree 60.
    """
    theta = np.asarray(theta, dtype=float)
    x, sine = np.cos(theta), np.sin(theta)
    p, dp, mp = (np.zeros((theta.size, degree * (degree + 2))) for _ in range(3))
    for m in range(degree + 1):
        poly = jacobi(degree - m, m, m, x)
        slope = [0 * x, *jacobi(degree - m - 1, m + 1, m + 1, x)] if m < degree else [0 * x]
        for n in range(max(m, 1), degree + 1):
            log_c = 0.5 * (np.log(n + 0.5) + gammaln(n + m + 1) + gammaln(n - m + 1))
            c = np.exp(log_c - m * np.log(2) - gammaln(n + 1))
            j, dj = poly[n - m], (n + m + 1) / 2 * slope[n - m]
            over_sine = m * c * sine ** max(m - 1, 0) * j
            for sign in (-1, 1):
                at = n * (n + 1) + sign * m - 1
                p[:, at] = c * sine**m * j
                dp[:, at] = x * over_sine - c * sine ** (m + 1) * dj
                mp[:, at] = sign * over_sine
    return p, dp, mp


def radial(n, kr, c):
    """R_1n = z_n and R_2n = (kr z_n)'/(kr) by scipy, for n well below the overflow of y_n."""
    j, dj = spherical_jn(n, kr), spherical_jn(n, kr, derivative=True)
    if c == 1:
        return j, dj + j / kr
    sign = {3: 1j, 4: -1j}[c]
    y, dy = spherical_yn(n, kr), spherical_yn(n, kr, derivative=True)
    z, dz = j + sign * y, dj + sign * dy
    return z, dz + z / kr


def radial_mp(n, x, c=4):
    """R_1n and R_2n in mpmath's working precision, from Bessel functions of half-integer order.

    (x z_n)'/x = z_{n-1} - n z_n / x (Abramowitz & Stegun, 10.1.21).
    """
    x = mpmath.mpf(x)
    sign = {3: 1j, 4: -1j}[c]

    def z(order):
        half = order + mpmath.mpf(1) / 2
        bessel = mpmath.besselj(half, x) + sign * mpmath.bessely(half, x)
        return mpmath.sqrt(mpmath.pi / (2 * x)) * bessel

    zn = z(n)
    return zn, z(n - 1) - n * zn / x


def _sign(m):
    """(-m/|m|)^m, 1 at m = 0."""
    return (-1) ** m if m > 0 else 1


def waves(degree, kr, theta, phi, c=4):
    """Hansen's F^(c)_smn, (M, J, 3) with components r, theta, phi."""
    kr, theta, phi = (np.asarray(v, dtype=float) for v in np.broadcast_arrays(kr, theta, phi))
    p, dp, mp = legendre(degree, theta)
    f = np.zeros((theta.size, 2 * degree * (degree + 2), 3), dtype=complex)
    for n in range(1, degree + 1):
        r1, r2 = radial(n, kr, c)
        for m in range(-n, n + 1):
            at = n * (n + 1) + m - 1
            front = _sign(m) * np.exp(1j * m * phi) / np.sqrt(2 * np.pi * n * (n + 1))
            f[:, 2 * at, 1] = front * r1 * 1j * mp[:, at]
            f[:, 2 * at, 2] = -front * r1 * dp[:, at]
            f[:, 2 * at + 1, 0] = front * n * (n + 1) * r1 / kr * p[:, at]
            f[:, 2 * at + 1, 1] = front * r2 * dp[:, at]
            f[:, 2 * at + 1, 2] = front * r2 * 1j * mp[:, at]
    return f


def far_waves(degree, theta, phi, c=4):
    """Hansen's far-field functions K_smn, (M, J, 2) with components theta, phi."""
    theta, phi = (np.asarray(v, dtype=float) for v in np.broadcast_arrays(theta, phi))
    _, dp, mp = legendre(degree, theta)
    unit = {3: -1j, 4: 1j}[c]
    k = np.zeros((theta.size, 2 * degree * (degree + 2), 2), dtype=complex)
    for n in range(1, degree + 1):
        for m in range(-n, n + 1):
            at = n * (n + 1) + m - 1
            front = _sign(m) * np.exp(1j * m * phi) * np.sqrt(2 / (n * (n + 1)))
            k[:, 2 * at, 0] = front * unit ** (n + 1) * 1j * mp[:, at]
            k[:, 2 * at, 1] = -front * unit ** (n + 1) * dp[:, at]
            k[:, 2 * at + 1, 0] = front * unit**n * dp[:, at]
            k[:, 2 * at + 1, 1] = front * unit**n * 1j * mp[:, at]
    return k


def field(q, degree, k, radius, theta, phi, c=4):
    """E = k sqrt(Z0) sum Q F, (M, 3) [V/m]."""
    f = waves(degree, k * np.asarray(radius), theta, phi, c)
    return k * np.sqrt(Z0) * np.einsum("j,mjx->mx", q, f)


def far_field(q, degree, theta, phi, c=4):
    """lim r e^(jkr) E, (M, 2) [V].

    U = |rE|^2/(2 Z0) = D P/(4 pi), P = sum |Q|^2 / 2 and D = |sum Q K|^2 / sum |Q|^2 give
    |rE| = sqrt(Z0 / 4 pi) |sum Q K|; the phase of K is that of the limit of F.
    """
    return np.sqrt(Z0 / (4 * np.pi)) * np.einsum("j,mjx->mx", q, far_waves(degree, theta, phi, c))


@functools.lru_cache(maxsize=128)
def _jy(n):
    """Jy in the basis |n m>, m = -n..n, and its eigenvectors (eigenvalues -n..n exactly).

    Jy = (J+ - J-)/(2i), <n m+1| J+ |n m> = sqrt(n(n+1) - m(m+1)).
    """
    m = np.arange(-n, n)
    raising = np.diag(np.sqrt(n * (n + 1.0) - m * (m + 1.0)), -1)
    jy = (raising - raising.T) / 2j
    return jy, np.linalg.eigh(jy)[1]


def rotation_matrix(n, theta):
    """d^n_{m mu}(theta) = <n m| exp(-i theta Jy) |n mu>, m and mu = -n..n, by eigenvectors.

    A unitary decomposition: error of a few eps n, without the growth of repeated squaring.
    """
    vectors = _jy(n)[1]
    return ((vectors * np.exp(-1j * theta * np.arange(-n, n + 1))) @ vectors.conj().T).real


def rotation_matrix_expm(n, theta):
    """Return the same by scipy's matrix exponential (scaling and squaring)."""
    return expm(-1j * theta * _jy(n)[0]).real


def rotation_coefficient_mp(n, m, mu, theta):
    """d^n_{m mu}(theta) in mpmath's working precision, by a Jacobi polynomial.

    E. P. Wigner, Group Theory, 1959, in the form with k = min(n+m, n-m, n+mu, n-mu).
    """
    k, a, flip = min(
        (n + mu, m - mu, m - mu), (n - mu, mu - m, 0), (n + m, mu - m, 0), (n - m, m - mu, m - mu)
    )
    b = 2 * n - 2 * k - a
    half = mpmath.mpf(theta) / 2
    scale = mpmath.sqrt(mpmath.binomial(2 * n - k, k + a) / mpmath.binomial(k + b, b))
    angle = mpmath.sin(half) ** a * mpmath.cos(half) ** b
    return (-1) ** (flip % 2) * scale * angle * jacobi(k, a, b, mpmath.cos(mpmath.mpf(theta)))[k]


def wave_mp(s, m, n, kr, theta, phi):
    """One F^(4)_smn at one point in mpmath's working precision, (r, theta, phi)."""
    kr, theta, phi = (mpmath.mpf(float(v)) for v in (kr, theta, phi))
    a = abs(m)
    x, sine = mpmath.cos(theta), mpmath.sin(theta)
    c = mpmath.sqrt(mpmath.mpf(2 * n + 1) / 2 * mpmath.factorial(n + a) * mpmath.factorial(n - a))
    c /= mpmath.mpf(2) ** a * mpmath.factorial(n)
    poly = c * jacobi(n - a, a, a, x)[n - a]
    slope = c * jacobi(n - a - 1, a + 1, a + 1, x)[n - a - 1] * (n + a + 1) / 2 if n > a else 0
    p = sine**a * poly
    mp = m * sine ** (a - 1) * poly if a else mpmath.mpf(0)
    dp = x * (a * sine ** (a - 1) * poly if a else 0) - sine ** (a + 1) * slope
    r1, r2 = radial_mp(n, kr)
    front = _sign(m) * mpmath.expj(m * phi) / mpmath.sqrt(2 * mpmath.pi * n * (n + 1))
    if s == 1:
        return tuple(complex(front * v) for v in (0, r1 * 1j * mp, -r1 * dp))
    radial_part = n * (n + 1) * r1 / kr * p
    return tuple(complex(front * v) for v in (radial_part, r2 * dp, r2 * 1j * mp))


def ideal_probe(degree, ka, axis="x", c=4):
    """Response constants {(s, mu): (N,)} of the ideal point field probe, as printed; z_n by ``c``.

    They hold for both time factors: P'_{s mu n} = (-1)^mu conj(P_{s,-mu,n}) maps each printed
    line onto itself with z_n conjugated.
    """
    n = np.arange(1, degree + 1)
    r1, r2 = radial(n, ka, c)
    n0 = np.sqrt(2 * n + 1) / (4 * np.sqrt(np.pi))
    constants = {}
    for mu in (-1, 1):
        if axis == "x":
            constants[1, mu], constants[2, mu] = -1j * n0 * r1, -mu * n0 * r2
        else:
            constants[1, mu], constants[2, mu] = mu * n0 * r1, -1j * n0 * r2
    return constants


_rotation = functools.lru_cache(maxsize=4096)(rotation_matrix)


def transmission_matrix(degree, theta, phi, chi, constants):
    """Dense (M, J) matrix of w = sum Q_smn e^(im phi) d^n_{m mu}(theta) e^(i mu chi) P_{s mu n}.

    ``constants`` maps (s, mu) to (N,) or, for radii that differ, to (M, N).
    """
    theta, phi, chi = np.broadcast_arrays(theta, phi, chi)
    matrix = np.zeros((theta.size, 2 * degree * (degree + 2)), dtype=complex)
    for i in range(theta.size):
        for n in range(1, degree + 1):
            d = _rotation(n, float(theta[i]))
            m = np.arange(-n, n + 1)
            for (s, mu), values in constants.items():
                if abs(mu) <= n:
                    p = np.broadcast_to(values, (theta.size, degree))[i, n - 1]
                    term = np.exp(1j * m * phi[i]) * d[:, n + mu] * np.exp(1j * mu * chi[i]) * p
                    matrix[i, 2 * (n * (n + 1) + m - 1) + s - 1] += term
    return matrix


def cartesian(theta, phi):
    """Unit vectors r^, theta^, phi^, each (M, 3)."""
    theta, phi = np.broadcast_arrays(np.asarray(theta, float), np.asarray(phi, float))
    st, ct, sp, cp = np.sin(theta), np.cos(theta), np.sin(phi), np.cos(phi)
    r = np.stack([st * cp, st * sp, ct], -1)
    t = np.stack([ct * cp, ct * sp, -st], -1)
    return r, t, np.stack([-sp, cp, 0 * sp], -1)


def hertzian_dipole(moment, k, radius, theta, phi):
    """Field of a current element Il at the origin, exp(+jwt), (M, 3) components r, theta, phi.

    Closed form (C. A. Balanis, Antenna Theory, ch. 4): with E0 = j Z0 k e^(-jkr)/(4 pi r) and
    x = 1/(jkr), E = E0 { -(p - (p.r)r)(1 + x + x^2) + 2 (p.r) r (x + x^2) }.
    """
    radius = np.asarray(radius, dtype=float)
    p = np.stack([u @ np.asarray(moment) for u in cartesian(theta, phi)], -1)
    x = 1 / (1j * k * radius)
    e0 = 1j * Z0 * k * np.exp(-1j * k * radius) / (4 * np.pi * radius)
    across, along = -e0 * (1 + x + x * x), 2 * e0 * (x + x * x)
    return p * np.stack([along, across, across], -1)


def smeared_point(degree, cosine):
    """Density of a point smeared by the overlap of two discs, at distances of that cosine [1/sr].

    Two discs of radius R, d apart, have 2 R^2 arccos(d/2R) - d/2 sqrt(4 R^2 - d^2) in common
    (closed form). The part of degree n is that of d = n, R = N + 1/2, over pi R^2.
    """
    radius, n = degree + 0.5, np.arange(2 * degree + 1)
    common = 2 * radius**2 * np.arccos(n / (2 * radius)) - n / 2 * np.sqrt(4 * radius**2 - n * n)
    kernel = (2 * n + 1) / (4 * np.pi) * common / (np.pi * radius**2)
    return np.polynomial.legendre.legval(np.clip(cosine, -1, 1), kernel)
