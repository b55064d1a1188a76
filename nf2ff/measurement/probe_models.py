"""Models of probes: the waves that each radiates in its own frame.

Boresight is +z, the reference polarisation x: on boresight the field is along x, with phase zero. Each model
radiates ``efficiency`` times 1 W, for 1 W into its port; it knows of no mismatch, which one who refers to
incident power takes into the efficiency. Time factor exp(+jwt). The functions here raise ValueError where a
number is out of range or there is no field on boresight.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import Antenna
from nf2ff.antenna.expansion import expand_far_field
from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.grids import gauss_legendre_grid
from nf2ff.antenna.modes import (
    Modes,
    frequencies,
    mode_count,
    mode_index,
    mode_numbers,
    required_degree,
    wavenumber,
)
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: Field over polar angle in a principal plane, (T,) -> (F, T).
Plane = Callable[[Real], Complex]

#: Largest degree tried for a model whose series converges slowly.
MAX_DEGREES = 160
#: Power above the degree of a cluster of dipoles, and of what may alias into it [dB].
CLUSTER_TAIL_DB = -200.0
ALIAS_TAIL_DB = -320.0


def electric_dipole(frequency: ArrayLike, *, efficiency: ArrayLike = 1.0) -> Modes:
    """Short electric dipole along x at the origin.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies [Hz].
    efficiency : (F,) or () array_like
        Radiated power for 1 W into the port.

    Returns
    -------
    Modes
        Degree 1; exact for a length far below the wavelength.

    Raises
    ------
    ValueError
        If an efficiency is not within 0 ... 1.
    """
    return _dipoles(frequency, efficiency, electric=1.0, magnetic=0.0)


def magnetic_dipole(frequency: ArrayLike, *, efficiency: ArrayLike = 1.0) -> Modes:
    """Short magnetic dipole along y (small loop in the xz-plane), E along x on boresight.

    Parameters
    ----------
    frequency, efficiency
        As in `electric_dipole`, which also says what is refused.

    Returns
    -------
    Modes
        Degree 1; exact for a loop far below the wavelength.
    """
    return _dipoles(frequency, efficiency, electric=0.0, magnetic=1.0)


def huygens_source(frequency: ArrayLike, *, efficiency: ArrayLike = 1.0) -> Modes:
    """Crossed electric (x) and magnetic (y) dipole: directivity 3 towards +z, none behind.

    Parameters
    ----------
    frequency, efficiency
        As in `electric_dipole`, which also says what is refused.

    Returns
    -------
    Modes
        Degree 1.
    """
    return _dipoles(frequency, efficiency, electric=1.0, magnetic=1.0)


def cosine_pattern(
    frequency: ArrayLike,
    *,
    e_exponent: float,
    h_exponent: float,
    efficiency: ArrayLike = 1.0,
    truncation: float = 1e-2,
) -> Modes:
    """Feed model: powers of cos(theta) in front, nothing behind.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies, at all of which the pattern is the same [Hz].
    e_exponent, h_exponent : float
        q in the field cos(theta)^q of the E- and of the H-plane, at least 1.
    efficiency : (F,) or () array_like
        Radiated power for 1 W into the port.
    truncation : float
        As in `principal_planes`. The kink at theta = 90 deg makes the series converge slowly: for
        0.01 and 0.001, q = 1 takes degree 14 and 66, q = 2 takes 7 and 17, q = 4 takes 5 and 9.

    Returns
    -------
    Modes
        Orders +-1.

    Raises
    ------
    ValueError
        If an exponent is below 1, or as `principal_planes`.

    Notes
    -----
    E_theta = cos(theta)^qE cos(phi), E_phi = -cos(theta)^qH sin(phi) (common practice for feeds, e.g. C. A.
    Balanis, Antenna Theory, chapter on reflectors, from memory). D = 4 / (1/(2 qE + 1) + 1/(2 qH + 1)), 2 (2q
    + 1) for equal ones (closed form). No antenna is known to have it exactly; q = 1 to 8 is what feeds of
    moderate width are fitted with (common practice, no source).
    """
    f = frequencies(frequency)
    for name, q in (("e_exponent", e_exponent), ("h_exponent", h_exponent)):
        if not (np.isfinite(q) and q >= 1):
            raise InputError(f"{name} is {q}, expected at least 1: below, the edge at 90 deg is too steep")

    def plane(q: float) -> Plane:
        return lambda t: np.asarray(np.maximum(np.cos(t), 0.0)[None] ** q, dtype=complex)

    one = principal_planes(f[:1], e_plane=plane(e_exponent), h_plane=plane(h_exponent), truncation=truncation)
    return _to_level(Modes(f, np.repeat(one.coefficients, f.size, axis=0)), efficiency)


def principal_planes(
    frequency: ArrayLike,
    *,
    e_plane: Plane,
    h_plane: Plane,
    efficiency: ArrayLike = 1.0,
    truncation: float = 1e-3,
) -> Modes:
    """Probe of azimuthal orders +-1 alone, from its patterns in the two principal planes.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies [Hz].
    e_plane, h_plane : callable
        Functions of theta (T,) [rad] that give the fields (F, T) in E_theta = e_plane cos(phi), E_phi =
        -h_plane sin(phi), of any common level. A field of one value at the poles has e_plane = h_plane at
        theta = 0 and e_plane = -h_plane at theta = pi.
    efficiency : (F,) or () array_like
        Radiated power for 1 W into the port.
    truncation : float
        Rms of what the expansion may leave of the pattern, relative to its rms.

    Returns
    -------
    Modes
        The smallest degree that does.

    Raises
    ------
    ValueError
        If that takes more than `MAX_DEGREES` degrees, there is no field on boresight, or an
        efficiency or ``truncation`` is out of range.
    """
    f = frequencies(frequency)
    if not 0 < truncation < 1:
        raise InputError(f"truncation is {truncation}, expected between 0 and 1")
    phi = np.pi / 2 * np.arange(4)
    for top in (MAX_DEGREES // 8, MAX_DEGREES // 4, MAX_DEGREES // 2, MAX_DEGREES):
        # Four rings for each degree, so that what is cut off does not alias into what is kept.
        theta = spin.ring_angles_gauss(4 * top)
        e_theta = e_plane(theta)[:, :, None] * np.cos(phi)
        e_phi = -h_plane(theta)[:, :, None] * np.sin(phi)
        far = FarField(f, theta, np.asarray(phi), e_theta, e_phi, np.zeros(f.size))
        found = expand_far_field(far, degree=2 * top, order=1)
        power = found.modes.power_spectrum()
        above = np.cumsum(power[:, ::-1], axis=1)[:, ::-1]
        left = above / above[:, :1] + np.square(found.residual)[:, None]
        enough = np.flatnonzero(np.all(left <= truncation**2, axis=0))
        if enough.size and enough[0] <= top:
            kept = found.modes.truncate(int(enough[0]))
            odd = np.abs(mode_numbers(kept.degree)[1]) == 1
            return _to_level(Modes(f, np.where(odd, kept.coefficients, 0)), efficiency)
    raise InputError(
        f"truncation {truncation:g} of this pattern takes more than {MAX_DEGREES} degrees: allow a larger one"
    )


def modes_of(
    antenna: Antenna, *, frequency: ArrayLike, degree: int | None = None, power: float | None = None
) -> Modes:
    """Modes of dipoles or a wire, from their closed-form far field.

    Parameters
    ----------
    antenna : DipoleCluster or SinusoidalWire
        The antenna in its own frame.
    frequency : (F,) array_like
        Frequencies [Hz].
    degree : int, optional
        Largest degree; by default the one above which there is at most -200 dB of the power of the worst
        antenna within the same minimum sphere.
    power : float, optional
        Radiated power to scale to at every frequency, 1 for a probe [W]; by default the antenna's moments are
        left as they are.

    Returns
    -------
    Modes
        Exact to rounding up to ``degree``: the quadrature determines so many degrees that what
        aliases is below -320 dB.

    Raises
    ------
    ValueError
        If ``degree`` or ``power`` is not positive, or the antenna radiates nothing.
    """
    f = frequencies(frequency)
    kr0 = float(wavenumber(f).max()) * antenna.minimum_radius
    if degree is None:
        degree = required_degree(kr0, tail_db=CLUSTER_TAIL_DB)
    if degree < 1:
        raise InputError(f"degree is {degree}, expected at least 1")
    if power is not None and not (np.isfinite(power) and power > 0):
        raise InputError(f"power is {power}, expected > 0 W")
    top = max(degree, required_degree(kr0, tail_db=ALIAS_TAIL_DB))
    grid = gauss_legendre_grid(top + 1, spin.good_length(2 * top + 1))
    theta, phi = np.repeat(grid.theta, grid.phi.size), np.tile(grid.phi, grid.theta.size)
    e = [
        part.reshape(f.size, grid.theta.size, grid.phi.size)
        for part in far_field_of(antenna, frequency=f, theta=theta, phi=phi)
    ]
    far = FarField(f, grid.theta, grid.phi, e[0], e[1], np.zeros(f.size))
    modes = expand_far_field(far, degree=top).modes.truncate(degree)
    if power is None:
        return modes
    factor = np.sqrt(power / modes.radiated_power())
    return Modes(f, modes.coefficients * factor[:, None])


def dual_port(modes: Modes, *, cross: complex = 0.0) -> tuple[Modes, Modes]:
    """Two ports: a probe, and the same turned by 90 deg about z, from x to y.

    Parameters
    ----------
    modes : Modes
        One port, reference polarisation x.
    cross : complex
        Wave of the other port's antenna that each port radiates as well, relative to its own: 10^(-X/20) for
        a cross-polarisation X dB down on boresight.

    Returns
    -------
    tuple of Modes
        Ports 1 (x) and 2 (y), each of the same radiated power as ``modes``.

    Raises
    ------
    ValueError
        If ``cross`` makes the waves cancel.

    Notes
    -----
    An antenna turned by alpha about z has the field of phi - alpha: Q_smn exp(-j m alpha).
    """
    m = mode_numbers(modes.degree)[1]
    own = modes.coefficients
    turned = own * (-1j) ** (m % 4)
    power = modes.radiated_power()
    ports = []
    for q in (own + cross * turned, turned + cross * own):
        port = Modes(modes.frequency, q, modes.reference)
        left = port.radiated_power()
        # Rounding leaves 1e-32 of the power of two waves that cancel.
        if np.any(left <= 1e-24 * power):
            raise InputError(f"cross is {cross}: with it the two ports' waves cancel, give a smaller level")
        factor = np.sqrt(power / left)
        ports.append(Modes(modes.frequency, q * factor[:, None], modes.reference))
    return ports[0], ports[1]


def _dipoles(frequency: ArrayLike, efficiency: ArrayLike, *, electric: float, magnetic: float) -> Modes:
    """Dipoles along x and y, in phase on boresight: Q_{2,+-1,1} = +-1 and Q_{1,+-1,1} = -1."""
    f = frequencies(frequency)
    q = np.zeros((f.size, mode_count(1)), dtype=complex)
    for m in (-1, 1):
        q[:, mode_index(s=2, m=m, n=1)] = m * electric
        q[:, mode_index(s=1, m=m, n=1)] = -magnetic
    return _to_level(Modes(f, q), efficiency)


def _to_level(modes: Modes, efficiency: ArrayLike) -> Modes:
    """Scale to ``efficiency`` watts, and turn the phase of E_x on boresight to zero."""
    level = per_frequency(efficiency, modes.frequency, "efficiency", float)
    bad = np.flatnonzero((level <= 0) | (level > 1))
    if bad.size:
        raise InputError(f"efficiency is {level[bad[0]]:g}, expected above 0 and at most 1")
    boresight = far_field_points(modes, theta=[0.0], phi=[0.0])[0][:, 0]
    size = np.abs(boresight)
    # One volt for 1 W is a directivity of -18 dB; 1e-9 of it is the rounding of none.
    dark = np.flatnonzero(size <= 1e-9 * np.sqrt(modes.radiated_power()))
    if dark.size:
        raise InputError(
            f"there is no field along x on boresight at {modes.frequency[dark[0]] / 1e9:.9g} GHz, "
            "to which the phase refers",
            "turn the pattern so that there is one",
        )
    factor = np.sqrt(level / modes.radiated_power()) * boresight.conj() / size
    return Modes(modes.frequency, modes.coefficients * factor[:, None])


def per_frequency(value: ArrayLike, f: Real, name: str, kind: type) -> NDArray[Any]:
    """Check a quantity given once or for each frequency, and spread it, (F,)."""
    array = as_array(value, kind, name)
    if array.shape not in ((), f.shape):
        raise InputError(f"{name} has shape {array.shape}, expected one value or ({f.size},)")
    return np.broadcast_to(array, f.shape)
