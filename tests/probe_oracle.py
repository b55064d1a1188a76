"""General probes written out slowly: translation of waves, response constants, modes of dipoles.

Nothing here comes from the package under test but the noun that holds dipoles. Waves and their
notation are those of oracle.py: exp(+jwt), outgoing c = 4, F^(4)_{s mu n} = sum over sigma, nu of
C^{sn}_{sigma mu nu}(kA) F^(1)_{sigma mu nu} about the point at distance A on the z axis. Three
constructions of C share no formula: the projection of the wave's field on a sphere around that
point, a sum of Gaunt coefficients with exact 3j symbols in many digits, and that of treams
(data/translation.py). The tests named ``test_oracle_*`` hold them against each other.
"""

from __future__ import annotations

import functools
from math import comb, factorial

import mpmath
import numpy as np
import oracle
from scipy.special import gammaln

from nf2ff.antenna.dipoles import DipoleCluster

# --- translation by projection -----------------------------------------------------------------


def _legendre_of_order(m, degree, theta):
    """P, dP/dtheta, m P/sin(theta) of ``oracle.legendre`` for one m >= 0, each (M, degree + 1)."""
    x, sine = np.cos(theta), np.sin(theta)
    poly = oracle.jacobi(degree - m, m, m, x)
    slope = [0 * x, *oracle.jacobi(max(degree - m - 1, 0), m + 1, m + 1, x)]
    p, dp, mp = np.zeros((3, theta.size, degree + 1))
    for n in range(max(m, 1), degree + 1):
        log_c = 0.5 * (np.log(n + 0.5) + gammaln(n + m + 1) + gammaln(n - m + 1))
        c = np.exp(log_c - m * np.log(2) - gammaln(n + 1))
        p[:, n] = c * sine**m * poly[n - m]
        mp[:, n] = m * c * sine ** max(m - 1, 0) * poly[n - m]
        dp[:, n] = x * mp[:, n] - c * sine ** (m + 1) * (n + m + 1) / 2 * slope[n - m]
    return p, dp, mp


def _outgoing(degree, x):
    """R_1n and R_2n for c = 4, each (degree + 1, M).

    h_{n+1} = (2n+1)/x h_n - h_{n-1} (Abramowitz & Stegun, 10.1.19), which |y_n| makes stable; as
    ``oracle.radial``, which is scipy's, but for all degrees at once.
    """
    h = [1j * np.exp(-1j * x) / x, (-1 + 1j / x) * np.exp(-1j * x) / x]
    for n in range(1, degree):
        h.append((2 * n + 1) / x * h[n] - h[n - 1])
    r2 = [h[0] / x - h[1], *(h[n - 1] - n / x * h[n] for n in range(1, degree + 1))]
    return np.array(h[: degree + 1]), np.array(r2)


_gauss_legendre = functools.lru_cache(maxsize=16)(np.polynomial.legendre.leggauss)


@functools.lru_cache(maxsize=512)
def translation(degree, ka, probe_degree, mu):
    """C^{sn}_{sigma mu nu}(kA) for one mu: (N, s, NU, sigma), by projection.

    F_{s mu n} is evaluated on a sphere of radius rho about the new origin. Its radial part there
    is that of sigma = 2 alone, and the projection of its part across r on F^(1)_1 that of sigma =
    1. With the normalised P the integrals of P^2 sin and of [P'^2 + (mP/sin)^2] sin are 1 and
    nu(nu+1). All is proportional to e^(i mu phi): one meridian does. Both divide by j_nu(k rho),
    which must not be small, but the nearer to the old origin the larger are the waves that
    cancel: k rho is where j_nu(k rho) / |y_N(kA - k rho)| is greatest. Rounding then costs a few
    times 1e-13 of the largest C of that n as long as kA > N + nu.
    """
    if mu < 0:
        return translation(degree, ka, probe_degree, -mu) * np.array([[1, -1], [-1, 1]])[:, None]
    result = np.zeros((degree, 2, probe_degree, 2), dtype=complex)
    for nu in range(max(mu, 1), probe_degree + 1):
        trial = np.linspace(0.1, min(nu + 0.8 * nu ** (1 / 3), 0.8 * ka), 200)
        far = oracle.radial(degree, ka - trial, 4)[0]
        krho = trial[np.argmax(np.abs(oracle.radial(nu, trial, 1)[0] / far))]
        # The field is analytic but for the old origin: beyond its own degree k rho + nu its
        # expansion falls off at least like ((rho/A)^2)^n.
        x, weight = _gauss_legendre(64 * -(-int(degree + 3 * krho + nu + 60) // 64))
        theta = np.arccos(x)
        across, along = krho * np.sin(theta), ka + krho * x
        kr, old = np.hypot(across, along), np.arctan2(across, along)
        p, dp, mp = (v.T for v in _legendre_of_order(mu, degree, old))
        r1, r2 = _outgoing(degree, kr)
        # r^' is r^ turned by theta - old in the plane phi = 0.
        cos, sin = np.cos(theta - old), np.sin(theta - old)
        own_p, own_dp, own_mp = (v[:, nu] for v in _legendre_of_order(mu, nu, theta))
        j, _ = oracle.radial(nu, krho, 1)
        n = np.arange(degree + 1)[:, None]
        waves = np.zeros((2, 3, degree + 1, x.size), dtype=complex)  # s, component, n
        waves[0, 1], waves[0, 2] = 1j * mp * r1, -dp * r1
        waves[1] = n * (n + 1) * p * r1 / kr, dp * r2, 1j * mp * r2
        radial, polar, azimuthal = waves.swapaxes(0, 1)
        onto_one = (1j * own_mp * (sin * radial - cos * polar) - own_dp * azimuthal) @ weight
        onto_two = krho * (own_p * (cos * radial + sin * polar)) @ weight
        scale = 1 / (np.sqrt(np.maximum(n, 1) * (n + 1.0) * nu * (nu + 1)) * j)
        both = scale[:, :, None] * np.stack([onto_one.T, onto_two.T], axis=-1)  # n, s, sigma
        result[max(mu, 1) - 1 :, :, nu - 1] = both[max(mu, 1) :]
    result.flags.writeable = False
    return result


# --- translation by Gaunt coefficients -----------------------------------------------------------


@functools.lru_cache(maxsize=200_000)
def three_j(a, b, c, m):
    """3j symbol (a b c; m -m 0) in mpmath's working precision, by Racah's formula with integers.

    A. R. Edmonds, Angular Momentum in Quantum Mechanics, 1957, eq. 3.6.11 with 3.7.3 (from
    memory; tested against an integral).
    """
    if not (abs(a - b) <= c <= a + b and abs(m) <= min(a, b)):
        return mpmath.mpf(0)
    total = sum(
        (-1) ** t * comb(a + b - c, t) * comb(a - b + c, a - m - t) * comb(b - a + c, b - m - t)
        for t in range(max(0, b - c - m, a - c - m), min(a + b - c, a - m, b - m) + 1)
    )
    above = factorial(a + m) * factorial(a - m) * factorial(b + m) * factorial(b - m)
    below = factorial(a + b - c) * factorial(a - b + c) * factorial(b - a + c)
    # 1000 bits behind the point, where the smallest squares met begin at some 250.
    square = ((above * (factorial(c) * total) ** 2) << 1000) // (below * factorial(a + b + c + 1))
    return (-1) ** ((a - b) % 2) * (1 if total > 0 else -1) * mpmath.sqrt(mpmath.mpf(square) / 2**1000)


@functools.lru_cache(maxsize=16)
def _hankel2_to(top, x, _):
    h = [1j * mpmath.expj(-mpmath.mpf(x)) / x, (-1 + 1j / mpmath.mpf(x)) * mpmath.expj(-x) / x]
    for n in range(1, top):
        h.append((2 * n + 1) / mpmath.mpf(x) * h[n] - h[n - 1])
    return h


def hankel2(p, x):
    """h_p^(2)(x) in mpmath's working precision, but for p eps.

    h_{n+1} = (2n+1)/x h_n - h_{n-1} (Abramowitz & Stegun, 10.1.19), which |y_n| makes stable.
    """
    return _hankel2_to(256 * (p // 256 + 1), x, mpmath.mp.prec)[p]


def translation_mp(n, nu, mu, ka):
    """C^{sn}_{sigma mu nu}(kA) for sigma = s and for sigma = 3 - s, in mpmath's precision.

    C = (-1)^(mu+nu)/2 sqrt((2n+1)(2nu+1) / (n(n+1)nu(nu+1))) sum over p of (-1)^((n+nu-p)/2) (2p+1)
    (n nu p; 0 0 0) (n nu p; mu -mu 0) h_p^(2)(kA) times n(n+1) + nu(nu+1) - p(p+1), or 2j mu kA
    (J. E. Hansen 1988, appendix A3, conjugated; from memory, signs confirmed by `translation`).
    """
    same, other = mpmath.mpc(0), mpmath.mpc(0)
    for p in range(abs(n - nu), n + nu + 1, 2):
        both = three_j(n, nu, p, 0) * three_j(n, nu, p, mu)
        term = (-1) ** ((n + nu - p) // 2) * (2 * p + 1) * both * hankel2(p, ka)
        same += (n * (n + 1) + nu * (nu + 1) - p * (p + 1)) * term
        other += 2j * mu * mpmath.mpf(ka) * term
    scale = mpmath.sqrt(mpmath.mpf((2 * n + 1) * (2 * nu + 1)) / (n * (n + 1) * nu * (nu + 1)))
    scale *= mpmath.mpf((-1) ** ((mu + nu) % 2)) / 2
    return scale * same, scale * other


# --- response constants --------------------------------------------------------------------------


def receiving(transmitting, degree):
    """R from T at 1 W, T in the probe's own frame, R in that turned by half a turn about x.

    Reciprocity: R_{sigma mu nu} = (-1)^mu T'_{sigma,-mu,nu} / sqrt(2) in one frame (Hansen 1988,
    eq. 2.107, from memory, for a wave of 1 W at v = sqrt 2). The half turn about x, theta -> pi -
    theta and phi -> -phi, makes T'_{sigma mu nu} = (-1)^nu T_{sigma,-mu,nu}.
    """
    sign = [(-1) ** ((mu + nu) % 2) for _, mu, nu in oracle.modes(degree)]
    return np.asarray(transmitting) * sign / np.sqrt(2)


def response_constants(r, probe_degree, ka, degree, mu):
    """P_{s mu n} = 1/2 sum C R of one mu (N, 2): Hansen 1988, eq. 3.10, for exp(+jwt)."""
    c = translation(degree, ka, probe_degree, mu)
    result = np.zeros((degree, 2), dtype=complex)
    for nu in range(max(abs(mu), 1), probe_degree + 1):
        for sigma in (1, 2):
            result += 0.5 * c[:, :, nu - 1, sigma - 1] * r[oracle.position(sigma, mu, nu)]
    return result


def response_constants_mp(r, probe_degree, ka, n, mu):
    """P_{1 mu n} and P_{2 mu n} from the Gaunt sums."""
    total = [mpmath.mpc(0), mpmath.mpc(0)]
    for nu in range(max(abs(mu), 1), probe_degree + 1):
        one, two = (complex(r[oracle.position(s, mu, nu)]) for s in (1, 2))
        if one == two == 0:
            continue
        same, other = translation_mp(n, nu, mu, ka)
        total[0] += same * one + other * two
        total[1] += same * two + other * one
    return total[0] / 2, total[1] / 2


# --- dipoles -------------------------------------------------------------------------------------


def cluster_modes(cluster, k, degree):
    """Q_smn (J,) of a cluster, exactly.

    The reciprocity theorem between the cluster and the regular wave (s, -m, n): Q_smn = -(-1)^m
    sum over dipoles of k sqrt(Z0) p.F^(1)_{s,-m,n} - j k/sqrt(Z0) m.F^(1)_{3-s,-m,n}, as H of
    k sqrt(Z0) F_s is j k/sqrt(Z0) F_{3-s}. Scale and sign by the check value of the dipole along
    z at the origin, Q_{2,0,1} = -q, and k^2 Z0 |p|^2 / (12 pi) of power.
    """
    x, y, z = cluster.position.T
    kr = k * np.linalg.norm(cluster.position, axis=1)
    theta, phi = np.arctan2(np.hypot(x, y), z), np.arctan2(y, x)
    # A dipole at the origin is moved by 1e-14 of a radian of phase: the formulas divide by kr.
    f = oracle.waves(degree, np.maximum(kr, 1e-14), theta, phi, 1)
    basis = np.stack(oracle.cartesian(theta, phi))
    p = np.einsum("di,cdi->dc", cluster.electric, basis)
    m = np.einsum("di,cdi->dc", cluster.magnetic, basis)
    onto_p, onto_m = np.einsum("dc,djc->j", p, f), np.einsum("dc,djc->j", m, f)
    q = np.empty(f.shape[1], dtype=complex)
    for s, order, n in oracle.modes(degree):
        here, there = oracle.position(s, -order, n), oracle.position(3 - s, -order, n)
        wave = k * np.sqrt(oracle.Z0) * onto_p[here] - 1j * k / np.sqrt(oracle.Z0) * onto_m[there]
        q[oracle.position(s, order, n)] = -((-1) ** order) * wave
    return q


def rotated(cluster, turn, shift=(0.0, 0.0, 0.0)):
    """The cluster turned by the proper matrix ``turn`` (3, 3), then shifted."""
    return DipoleCluster(
        cluster.position @ turn.T + shift, cluster.electric @ turn.T, cluster.magnetic @ turn.T
    )


def mounting(theta, phi, chi):
    """Axes x_p, y_p, z_p of a mounted probe as the columns of a matrix."""
    r_unit, theta_unit, phi_unit = (v[0] for v in oracle.cartesian([theta], [phi]))
    x = theta_unit * np.cos(chi) + phi_unit * np.sin(chi)
    y = theta_unit * np.sin(chi) - phi_unit * np.cos(chi)
    return np.stack([x, y, -r_unit], axis=1)
