"""Errors of the range: waves that reach the probe by other ways."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import Modes, mode_numbers, wavenumber
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.measurement.probe import Probe, at_frequencies
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.solver.direct import dense_matrix
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.errors.axes import probe_axes
from nf2ff.uncertainty.errors.error_term import Complex, Real
from nf2ff.uncertainty.errors.fields import error_term, number, size
from nf2ff.uncertainty.errors.receiver import SignalTerm, largest


@error_term("multiple-reflections", "reflections between probe and antenna, {level}")
class MultipleReflections(SignalTerm):
    """Wave that went from probe to antenna and back once more.

    Notes
    -----
    w (1 + level exp(-2jkr + j phase)), r the recorded distance: the first reflection, as if from
    one point of the antenna. The ripple has the period of half a wavelength of distance: two
    spheres a quarter wavelength apart show it with opposite sign.
    """

    level: float = size("ratio", "Both reflections and the spreading loss", signed=False, phase="phase")
    phase: float = number("rad", "Its phase at distance zero", default=0.0)
    distribution: str = "arcsine"

    def _factor(self, samples: Samples, sign: int) -> Complex:
        k = wavenumber(samples.frequency)[:, None]
        ripple = self.level * np.exp(1j * (self.phase - 2 * k * samples.radius))
        return 1 + sign * ripple


@error_term("stray-wave", "stray wave from theta {theta}, phi {phi}, {level}")
class StrayWave(SignalTerm):
    """A plane wave that the room sends back, the same at every position of the probe.

    Notes
    -----
    ``level`` is the response of the probe that looks at where the wave comes from, its reference
    polarisation along the wave's.

    E ~ exp(+jk d.r), d towards its source; a probe of transmit pattern G hears G(d).E, by
    reciprocity, with G in the probe's place and attitude. This holds where the antenna is at rest
    in the room and the probe moves. Where the antenna turns, what the room reflects changes with
    it.
    """

    level: float = size("level", "Response to it, see notes", signed=False, phase="phase")
    theta: float = number("rad", "Direction it comes from, in the frame of the antenna")
    phi: float = number("rad", "The same")
    phase: float = number("rad", "Phase of that response, were the probe at the origin", default=0.0)
    tilt: float = number("rad", "Angle of its field from theta^ towards phi^ of that direction", default=0.0)
    distribution: str = "arcsine"

    def _added(self, samples: Samples, probe: Probe) -> Complex:
        probe.check_port(samples.ports()[-1])
        place = [samples.theta, samples.phi, samples.chi, samples.radius]
        per_frequency = np.broadcast_arrays(*place, samples.response.real)[:4]
        own, _ = at_frequencies(probe, samples.frequency)
        k = wavenumber(samples.frequency)
        wave = np.empty(samples.response.shape, dtype=complex)
        for f, one in enumerate(samples.frequency):
            theta, phi, chi, radius = (x[f] for x in per_frequency)
            outward, x, y = probe_axes(theta, phi, chi)
            frame = np.stack([x, -y, -outward], axis=-2)  # (M, axis, 3), looking back
            towards, field, factor = self._arriving(radius[:, None] * outward, float(k[f]))
            towards, field = (np.einsum("maj,mj->ma", frame, v) for v in (towards, field))
            r = own.at_frequency(float(one))
            for port in samples.ports():
                rows = np.flatnonzero(samples.port == port)
                wave[f, rows] = _heard(r[port - 1], towards[rows], field[rows]) * factor[rows]
        return self.level * np.exp(1j * self.phase) * largest(samples) * wave

    def _arriving(self, position: Real, k: float) -> tuple[Real, Real, Complex]:
        """Where it comes from (M, 3), its field (M, 3), of which the probe hears what is across
        that, and size (M,) at positions."""
        towards, field = self._at_origin()
        factor = np.exp(1j * k * (position @ towards))
        return np.broadcast_to(towards, position.shape), np.tile(field, (len(factor), 1)), factor

    def _at_origin(self) -> tuple[Real, Real]:
        """Direction it comes from and that of its field, (3,) each."""
        towards, across, along = unit_vectors(self.theta, self.phi)
        return towards, across * np.cos(self.tilt) + along * np.sin(self.tilt)


@error_term("image-source", "image source at theta {theta}, phi {phi}, {distance} away, {level}")
class ImageSource(StrayWave):
    """A wave from a point in the room: the image of the antenna in a wall, or a scatterer.

    What `StrayWave` says of the wave holds at the origin.

    Notes
    -----
    A short dipole there, far from the probe: ~ distance/R exp(-jk(R - distance)), R the way to the
    probe, its field along what of that at the origin is across the way. What the image of a
    directive antenna sends to one place more than to another is left out.
    """

    distance: float = number("m", "Of the source from the origin, farther than the probe")

    def check_scan(self, samples: Samples) -> None:
        """Refuse a source that is not beyond the probe."""
        reach = float(samples.radius.max())
        if not self.distance > reach:
            raise InputError(
                f"{self.name}: distance is {self.distance:g} m, the probe goes out to {reach:g} m",
                "give a larger one",
            )

    def _arriving(self, position: Real, k: float) -> tuple[Real, Real, Complex]:
        ahead, across = self._at_origin()
        way = self.distance * ahead - position
        length = np.linalg.norm(way, axis=-1, keepdims=True)
        towards = way / length
        r = length[:, 0]
        factor = self.distance / r * np.exp(-1j * k * (r - self.distance))
        return towards, np.tile(across, (len(r), 1)), factor


@error_term("quiet-zone", "stray wave in the quiet zone, {theta} off the line of sight, {level}")
class QuietZone(SignalTerm):
    """A plane wave that reaches the antenna beside the wanted one, from the same place in the room at
    every position: the antenna turns, and probe and room are at rest.

    Notes
    -----
    The antenna hears level exp(j phase) (R E).f(d): f its far field, by the modes of the scan itself, d the
    direction ``theta``, ``phi`` from the way to the probe, E the probe's field at the origin, R the
    turn of that way into d. Azimuth counts from theta^ towards phi^ of the position, which are at rest in
    the room where the antenna is rolled and turned about a vertical axis. An arm that carries the probe
    moves through the room instead: see `StrayWave`.
    """

    level: float = size("ratio", "Field of the stray wave at the origin", signed=False, phase="phase")
    theta: float = number("rad", "Angle between the ways to its source and to the probe")
    phi: float = number("rad", "Azimuth of its source about the way to the probe", default=0.0)
    phase: float = number("rad", "Phase of that ratio", default=0.0)
    distribution: str = "arcsine"

    def _added(self, samples: Samples, probe: Probe) -> Complex:
        with found_in(self.name):
            modes = _modes_of(samples, probe)
        wave = np.zeros(samples.response.shape, dtype=complex)
        for f, one in enumerate(modes.each()):
            own, present = samples.at_frequency(f), ~np.isnan(samples.response[f])
            outward, across, round_ = unit_vectors(own.theta, own.phi)
            aside = np.cos(self.phi) * across + np.sin(self.phi) * round_
            towards = np.cos(self.theta) * outward + np.sin(self.theta) * aside
            field = _field_at_origin(own, probe)
            # R turns outward into towards, about their normal.
            parts = [np.sum(field * x, axis=1)[:, None] for x in (outward, aside)]
            turned = field - parts[0] * outward - parts[1] * aside
            turned = turned + parts[1] * (np.cos(self.theta) * aside - np.sin(self.theta) * outward)
            theta, phi = direction_angles(towards)
            e_theta, e_phi = (e[0] for e in far_field_points(one, theta=theta, phi=phi))
            _, across, round_ = unit_vectors(theta, phi)
            heard = e_theta * np.sum(turned * across, axis=1) + e_phi * np.sum(turned * round_, axis=1)
            wave[f, present] = heard
        return self.level * np.exp(1j * self.phase) * wave


@lru_cache(maxsize=2)
def _modes_of(samples: Samples, probe: Probe) -> Modes:
    """Modes of the antenna, once for each scan."""
    return solve(samples, probe).modes


def _field_at_origin(samples: Samples, probe: Probe) -> Complex:
    """Vector (M, 3) of which the scalar product with a far field [V] is the response to a plane wave of
    the field that the probe has at the origin: what it receives of dipoles there."""
    matrix = dense_matrix(plan_geometry(samples), probe, frequency=float(samples.frequency[0]), degree=1)
    # Waves (s, m, n) = (2, -1, 1), (2, 0, 1), (2, 1, 1) and the far field of dipoles made of them.
    root = np.sqrt(0.5)
    dipoles = np.array([[root, 0, -root], [1j * root, 0, 1j * root], [0, 1, 0]])
    q = np.zeros((1, 6), dtype=complex)
    q[0, 1::2] = dipoles[2]
    # A dipole along z has -1 times its moment along theta^ at theta = 90 deg.
    strength = -far_field_points(Modes(samples.frequency, q), theta=[np.pi / 2], phi=[0.0])[0][0, 0]
    return np.asarray(matrix[:, 1::2] @ dipoles.T / strength)


def _heard(coefficients: Complex, direction: Real, field: Real) -> NDArray[np.complex128]:
    """Response (M,) to waves from directions (M, 3) with real fields (M, 3), in the probe's own
    frame, over that to a wave from its boresight along the stronger of x and y.
    """
    degree = Probe(None, coefficients[None, None]).degree
    _, mu, nu = mode_numbers(degree)
    # The pattern that the probe sends, as `Probe.transmit_modes` but for a factor.
    sent = Modes(np.ones(1), coefficients[None] * (1.0 - 2.0 * ((mu + nu) % 2)))
    theta, phi = direction_angles(np.append(direction, [[0.0, 0.0, 1.0]], axis=0))
    e_theta, e_phi = (e[0] for e in far_field_points(sent, theta=theta, phi=phi, threads=1))
    _, across, along = unit_vectors(theta[:-1], phi[:-1])
    onto = e_theta[:-1] * np.sum(across * field, axis=1) + e_phi[:-1] * np.sum(along * field, axis=1)
    # On the axis, where phi = 0, theta^ is x and phi^ is y.
    ahead = max(e_theta[-1], e_phi[-1], key=abs)
    if not abs(ahead) > 1e-6 * np.abs([e_theta, e_phi]).max():
        raise InputError("stray-wave: the probe hears nothing on its boresight, to which the level refers")
    return np.asarray(onto / ahead)
