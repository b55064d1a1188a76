"""Makes translation.npz: translation coefficients of spherical waves, by a library of others.

Run as ``python tests/data/translation.py`` with treams 0.4.7, which made the file; the tests do
not need it. (It wants scipy < 1.17, which is why its numbers are kept.)

treams has the time factor exp(-iwt) and waves M = h_l^(1) X, N = curl M. With Hansen's F_1 = c M
and F_2 = c N, |c| = 1, the same c for all orders and degrees; the script makes sure. So Hansen's
C^{sn(3)}_{sigma mu nu} is A for sigma = s and B for sigma = 3 - s. The file holds those of
exp(+jwt): F'_{s mu n} = (-1)^mu conj(F_{s,-mu,n}) turns C into conj(C of -mu).
"""

from importlib.metadata import version
from pathlib import Path

import numpy as np

#: Distances kA.
DISTANCE = np.array([45.0, 70.0, 100.0])
#: Degrees n of the outgoing and nu of the regular waves, orders.
DEGREE = np.array([1, 2, 3, 5, 8, 13, 21, 34, 47, 60])
PROBE_DEGREE = np.array([1, 2, 3, 5, 8, 13, 21, 30])
ORDER = np.array([-8, -2, -1, 0, 1, 2, 5, 8, 13])


def hansen_wave(m, n, kr, theta, phi):
    """F^(3)_{1mn}, components theta and phi, from scipy's functions (Hansen 1988, from memory)."""
    from scipy.special import sph_harm_y, spherical_jn, spherical_yn

    y, dy = sph_harm_y(n, abs(m), theta, 0.0, diff_n=1)
    # scipy's Y has the phase of Condon and Shortley: P = Y sqrt(2 pi) without it.
    p, dp = (np.sqrt(2 * np.pi) * (-1) ** m * v.real for v in (y, dy[0]))
    z = spherical_jn(n, kr) + 1j * spherical_yn(n, kr)
    front = (-1) ** m if m > 0 else 1
    front = front * np.exp(1j * m * phi) / np.sqrt(2 * np.pi * n * (n + 1)) * z
    return np.array([front * 1j * m * p / np.sin(theta), -front * dp])


def main():
    """Compute, compare, write."""
    from treams import special

    ratios = []
    for n in (1, 2, 5, 12):
        for m in range(-n, n + 1):
            wave = hansen_wave(m, n, 7.0, 1.1, 0.4)
            ratios.append(wave @ special.vsw_M(n, m, 7.0, 1.1, 0.4)[1:].conj())
            ratios[-1] /= np.linalg.norm(wave) ** 2
    if not np.ptp(ratios) < 1e-12 or not abs(abs(ratios[0]) - 1) < 1e-12:
        msg = f"the waves differ by more than one common factor: {ratios}"
        raise SystemExit(msg)
    print(f"treams against Hansen: {np.mean(ratios):.12g}")
    ka, mu, nu, n = np.meshgrid(DISTANCE, ORDER, PROBE_DEGREE, DEGREE, indexing="ij")
    known = np.abs(mu) <= np.minimum(n, nu)
    coefficients = np.zeros((2, *ka.shape), dtype=complex)
    for at in zip(*np.nonzero(known), strict=True):
        place = (nu[at], -mu[at], n[at], -mu[at], complex(ka[at]), 0.0, 0.0)
        coefficients[(0, *at)] = np.conj(special.tl_vsw_A(*place))
        coefficients[(1, *at)] = np.conj(special.tl_vsw_B(*place))
    np.savez_compressed(
        Path(__file__).with_suffix(".npz"),
        versions=[f"{name} {version(name)}" for name in ("treams", "scipy", "numpy")],
        distance=DISTANCE,
        order=ORDER,
        probe_degree=PROBE_DEGREE,
        degree=DEGREE,
        same=coefficients[0],
        other=coefficients[1],
    )


if __name__ == "__main__":
    main()
