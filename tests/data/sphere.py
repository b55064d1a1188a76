"""Makes sphere.npz: the field scattered by a sphere off-centre, from libraries of others.

Run as ``python tests/data/sphere.py`` with treams 0.4.7 and miepython 3.3.0, which made the file;
the tests need neither. (That treams wants scipy < 1.17, which is why its numbers are kept.)

A plane wave of 1 V/m along x goes towards +z and meets a lossy dielectric sphere. Near field:
treams, vector spherical waves about the sphere's centre. Far field: summed from the coefficients
and the vector spherical harmonics of treams, and compared with the amplitudes S1 and S2 of
miepython, an implementation of its own. treams has the time factor exp(-iwt), outgoing waves
exp(ikr)/r and lossy permittivities of positive imaginary part; the file holds the conjugate, for
exp(+jwt).
"""

from importlib.metadata import version
from pathlib import Path

import numpy as np

SPEED_OF_LIGHT = 299792458.0
FREQUENCY = 3e9
K = 2 * np.pi * FREQUENCY / SPEED_OF_LIGHT
WAVELENGTH = SPEED_OF_LIGHT / FREQUENCY
#: Sphere: radius [m], centre [m], relative permittivity in exp(-iwt).
SIZE = 0.4 * WAVELENGTH
CENTRE = WAVELENGTH * np.array([0.4, -0.3, 0.6])
PERMITTIVITY = 3 + 0.5j
#: Degree about the sphere's own centre, k a = 2.5: its terms fall below 1e-30.
OWN_DEGREE = 20
#: Near field three wavelengths outside the minimum sphere about the origin [m].
RADIUS = float(np.linalg.norm(CENTRE)) + SIZE + 3 * WAVELENGTH
#: 1.5 positions for each pair of degree and order up to 24, on a spiral of equal areas.
POSITIONS = 3 * 24 * 26 // 2
DIRECTIONS = 200


def unit_vectors(theta, phi):
    """r^, theta^, phi^ as rows (M, 3)."""
    st, ct, sp, cp = np.sin(theta), np.cos(theta), np.sin(phi), np.cos(phi)
    return (
        np.stack([st * cp, st * sp, ct], axis=1),
        np.stack([ct * cp, ct * sp, -st], axis=1),
        np.stack([-sp, cp, 0 * cp], axis=1),
    )


def scattered_wave():
    """Waves of treams about the sphere's centre; the incident phase is 0 in the origin."""
    import treams

    vacuum = treams.Material()
    sphere = treams.TMatrix.sphere(OWN_DEGREE, K, [SIZE], [treams.Material(PERMITTIVITY), vacuum])
    incident = treams.plane_wave([0, 0, K], [1, 0, 0], k0=K, material=vacuum)
    return (sphere @ incident.expand(sphere.basis)) * np.exp(1j * K * CENTRE[2])


def near_field(waves, theta, phi):
    """E_theta, E_phi at RADIUS about the origin [V/m], exp(-iwt)."""
    r, *tangents = unit_vectors(theta, phi)
    field = np.asarray(waves.efield(RADIUS * r - CENTRE))
    return [np.sum(field * t, axis=1) for t in tangents]


def far_field(waves, theta, phi):
    """Limit of r exp(-ikr) E [V], about the origin, from the same waves.

    M = h_l X and N = (h_l' + h_l/x) Y + ..., helicity +-1 is (N +- M)/sqrt 2, and far away
    h_l(x) -> (-i)^(l+1) exp(ix)/x, its derivative i times that.
    """
    from treams import special

    basis = waves.basis
    degree, m, helicity = (np.asarray(x)[:, None] for x in (basis.l, basis.m, 2 * basis.pol - 1))
    x, y = special.vsh_X(degree, m, theta, phi), special.vsh_Y(degree, m, theta, phi)
    wave = (-1j) ** degree[..., None] * (y - 1j * helicity[..., None] * x) / np.sqrt(2) / K
    spherical = np.einsum("j,jmc->mc", np.asarray(waves), wave)
    shift = np.exp(-1j * K * unit_vectors(theta, phi)[0] @ CENTRE)
    return [spherical[:, c] * shift for c in (1, 2)]


def miepython_far_field(theta, phi):
    """The same from S1 and S2 of miepython, which are those of exp(+jwt).

    E_theta = S2 cos(phi) exp(ikr)/(-ikr), E_phi = -S1 sin(phi) exp(ikr)/(-ikr) about the centre
    (Bohren & Huffman 1983, eq. 4.75; from memory).
    """
    import miepython

    index = np.sqrt(PERMITTIVITY).conjugate()
    s1, s2 = miepython.S1_S2(index, K * SIZE, np.cos(theta), norm="wiscombe")
    path = CENTRE[2] - unit_vectors(theta, phi)[0] @ CENTRE
    shift = np.exp(1j * K * path) / (-1j * K)
    return [np.conj(s2) * np.cos(phi) * shift, -np.conj(s1) * np.sin(phi) * shift]


def main():
    """Compute, compare, write."""
    i = np.arange(POSITIONS)
    theta = np.arccos(1 - (2 * i + 1) / POSITIONS)
    phi = np.sqrt(np.pi * POSITIONS) * theta % (2 * np.pi)
    waves = scattered_wave()
    near = near_field(waves, theta, phi)
    rng = np.random.default_rng(1)
    far_theta, far_phi = np.arccos(rng.uniform(-1, 1, DIRECTIONS)), rng.uniform(0, 6.28, DIRECTIONS)
    far = far_field(waves, far_theta, far_phi)
    other = miepython_far_field(far_theta, far_phi)
    error = np.linalg.norm(np.subtract(far, other)) / np.linalg.norm(far)
    print(f"treams against miepython: {error:.1e}")
    if not error < 1e-11:
        msg = "the two libraries differ"
        raise SystemExit(msg)
    np.savez_compressed(
        Path(__file__).with_suffix(".npz"),
        versions=[f"{name} {version(name)}" for name in ("treams", "miepython", "scipy", "numpy")],
        frequency=FREQUENCY,
        radius=RADIUS,
        sphere_radius=SIZE,
        sphere_centre=CENTRE,
        permittivity=np.conj(PERMITTIVITY),
        theta=theta,
        phi=phi,
        e_theta=np.conj(near[0]),
        e_phi=np.conj(near[1]),
        far_theta=far_theta,
        far_phi=far_phi,
        far_e_theta=np.conj(far[0]),
        far_e_phi=np.conj(far[1]),
    )


if __name__ == "__main__":
    main()
