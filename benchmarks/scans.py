"""Scans of dipoles in closed form, and the bare library calls that their solution cannot do without."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache, partial
from typing import Any

import ducc0
import numpy as np
from measure import best_time

import nf2ff
from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster, huygens_source
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.grids import Grid, grid_for_degree
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, Modes
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.kernel import spin
from nf2ff.kernel.sphere import unit_vectors
from nf2ff.measurement.probe import probe_from_modes

GEOMETRY = {"clenshaw-curtis": "CC", "fejer-1": "F1", "gauss-legendre": "GL"}
#: Orders of the probe that is not ideal.
ORDERS = 5
#: Dipoles of the ring about the probe, and its radius [wavelengths].
RING, RING_RADIUS = 24, 0.15
#: Largest degree at which the antenna has as many dipoles for this probe as for the ideal one.
MANY_DIPOLES = 400
#: Radius of the antenna and of the scan over degree / k: what the antenna radiates above the degree is
#: below 0.48^N of the rest.
ANTENNA, SCAN = 0.35, 1.3


@dataclass(frozen=True)
class Case:
    """A scan at one metre wavelength: its degree, positions, and kind of probe."""

    degree: int
    positions: str
    probe: str

    @property
    def chi(self) -> np.ndarray:
        """Values of chi at each position, twelfths of a turn: on a grid more than tell the orders apart."""
        steps = range(12) if self.probe == "orders to 5" and self.positions != "spiral" else (0, 3)
        return np.array(steps) * np.pi / 6

    @property
    def antenna(self) -> DipoleCluster:
        """What is measured: fewer dipoles where a probe of many makes their fields take long."""
        return antenna_of(self.degree, 6 if self.probe == "ideal" or self.degree <= MANY_DIPOLES else 2)

    @property
    def grid(self) -> Grid | None:
        """The positions, if they are a grid."""
        return None if self.positions == "spiral" else grid_for_degree(self.degree, rule=self.positions)

    def places(self) -> tuple[np.ndarray, np.ndarray]:
        """theta and phi (P,)."""
        if self.grid is None:
            points = equal_area_spiral_for_degree(self.degree)
            return points.theta, points.phi
        theta, phi = np.meshgrid(self.grid.theta, self.grid.phi, indexing="ij")
        return theta.ravel(), phi.ravel()

    def samples(self) -> nf2ff.Samples:
        """Closed form: no spherical wave is in them."""
        theta, phi = self.places()
        chi, radius = self.chi, (SCAN * self.degree + 10) / (2 * np.pi)
        place = {
            "theta": np.tile(theta, chi.size),
            "phi": np.tile(phi, chi.size),
            "chi": np.repeat(chi, theta.size),
            "radius": radius,
        }
        if self.probe == "ideal":
            return nf2ff.simulate(self.antenna, frequency=[SPEED_OF_LIGHT], **place)
        response = _by_ring(self.antenna, theta, phi, chi, radius).reshape(1, -1)
        return nf2ff.Samples([SPEED_OF_LIGHT], **place, port=1, response=response, response_unit="sqrt(W)")


def _by_ring(
    antenna: DipoleCluster, theta: np.ndarray, phi: np.ndarray, chi: np.ndarray, radius: float
) -> np.ndarray:
    """What `receive` gives of `probe_cluster` at each chi and position (K, P), in a tenth of the time.

    Chi in twelfths of a turn brings the ring's dipoles to each other's places, where the field is found once.
    """
    probe, dual = (
        probe_cluster(),
        DipoleCluster(antenna.position, antenna.magnetic / WAVE_IMPEDANCE**2, -antenna.electric),
    )
    turn = 2 * np.pi / RING * np.arange(RING)
    # The dipole that stands at each place of the ring.
    steps = np.round(chi / (2 * np.pi / RING)).astype(int)
    weight = probe.electric[1:, 0][(np.arange(RING) + steps[:, None]) % RING]
    cos, sin = np.cos(chi)[:, None], np.sin(chi)[:, None]
    level = -0.5 / np.sqrt(2 * radiated_power_of(probe, frequency=[SPEED_OF_LIGHT])[0])
    found = np.empty((chi.size, theta.size), dtype=complex)

    def some(part: slice) -> None:
        frame = tuple(np.ascontiguousarray(x.T) for x in unit_vectors(theta[part], phi[part]))
        out, across, along = frame
        e_theta, e_phi = _across(antenna, radius * out, frame)
        h_theta, h_phi = _across(dual, radius * out, frame)
        own = probe.electric[0, 0] * (cos * e_theta + sin * e_phi)
        own -= probe.magnetic[0, 1] * (sin * h_theta - cos * h_phi)
        for at, angle in enumerate(turn):
            place = radius * out + RING_RADIUS * (np.cos(angle) * across - np.sin(angle) * along)
            e_theta, e_phi = _across(antenna, place, frame)
            own += (weight[:, at, None] * cos) * e_theta
            own += (weight[:, at, None] * sin) * e_phi
        found[:, part] = level * own

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(some, [slice(i, i + 4096) for i in range(0, theta.size, 4096)]))
    return found


def _across(source: DipoleCluster, points: np.ndarray, frame: tuple[np.ndarray, ...]) -> list[np.ndarray]:
    """Field at points (3, P), as `near_field`, along theta^ and phi^ of a ``frame``."""
    k, total = 2 * np.pi, [np.zeros(points.shape[1], dtype=complex) for _ in range(2)]
    for place, p, m in zip(source.position, source.electric, source.magnetic, strict=True):
        away = points - place[:, None]
        distance = np.sqrt(away[0] ** 2 + away[1] ** 2 + away[2] ** 2)
        away /= distance
        q = -1j / (k * distance)
        wave = np.exp(-1j * k * distance) * (-1j * k / (4 * np.pi) / distance)
        if p.any():
            near = WAVE_IMPEDANCE * wave * (1 + q + q * q)
            far = WAVE_IMPEDANCE * wave * (1 + 3 * q + 3 * q * q) * _dot(away, p)
            for own, unit in zip(total, frame[1:], strict=True):
                own += near * _dot(unit, p) - far * _dot(unit, away)
        if m.any():
            crossed = np.cross(away, m, axisa=0, axisc=0)
            for own, unit in zip(total, frame[1:], strict=True):
                own -= wave * (1 + q) * _dot(unit, crossed)
    return total


def _dot(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.asarray(a[0] * b[0] + a[1] * b[1] + a[2] * b[2])


@cache
def antenna_of(degree: int, count: int = 6) -> DipoleCluster:
    """Dipoles within a sphere that the degree allows."""
    rng = np.random.default_rng(degree)
    place = rng.normal(size=(count, 3))
    place *= ANTENNA * degree / (2 * np.pi) / np.linalg.norm(place, axis=1, keepdims=True)
    return DipoleCluster(place, rng.normal(size=(count, 3, 2)) @ [1, 1j])


@cache
def probe_cluster() -> DipoleCluster:
    """A Huygens source within a ring of 24 dipoles along x, whose weights turn up to four times: they
    radiate the azimuthal orders up to 5, but for 1e-20 (the order 19 and a ring of 0.15 wavelengths)."""
    rng = np.random.default_rng(1)
    phi = 2 * np.pi / RING * np.arange(RING)
    turns = np.exp(1j * np.outer(phi, np.arange(1 - ORDERS, ORDERS))) @ rng.normal(size=(2 * ORDERS - 1, 2))
    weight = 0.02 * turns @ [1, 1j]
    main = huygens_source(direction=[0, 0, 1], polarisation=[1, 0, 0])
    ring = RING_RADIUS * np.stack([np.cos(phi), np.sin(phi), 0 * phi], axis=1)
    electric = weight[:, None] * np.array([1.0, 0, 0]) * np.abs(main.electric).max()
    return DipoleCluster(
        np.concatenate([main.position, ring]),
        np.concatenate([main.electric, electric]),
        np.concatenate([main.magnetic, 0 * electric]),
    )


@cache
def probe_of(kind: str) -> nf2ff.Probe:
    """The ideal probe, or that of orders to 5, itself measured in closed form all around."""
    if kind == "ideal":
        return nf2ff.field_probe()
    grid = grid_for_degree(14)
    scan = nf2ff.simulate_grid(probe_cluster(), frequency=[SPEED_OF_LIGHT], grid=grid, radius=4.0)
    modes = nf2ff.solve(scan, nf2ff.field_probe(), degree=14).modes
    power = radiated_power_of(probe_cluster(), frequency=modes.frequency)
    probe = probe_from_modes(Modes(modes.frequency, modes.coefficients / np.sqrt(power)[:, None]))
    return nf2ff.measurement.probe.keep_orders(probe, orders=range(-ORDERS, ORDERS + 1))


def far_field_error(modes: Modes, antenna: Any) -> float:
    """Largest error of the far field in 200 directions over the largest field: closed form."""
    rng = np.random.default_rng(0)
    where = {"theta": np.arccos(rng.uniform(-1, 1, 200)), "phi": rng.uniform(0, 2 * np.pi, 200)}
    found = np.array(far_field_points(modes, **where))
    wanted = np.array(far_field_of(antenna, frequency=modes.frequency, **where))
    return float(np.abs(found - wanted).max() / np.abs(wanted).max())


def bare_seconds(case: Case, samples: nf2ff.Samples, repeats: int) -> float | None:
    """Seconds of the library calls that the solution cannot do without; None where there are none.

    On a grid the analyses of all maps, real and imaginary part, in two Python threads or with the library's
    own two, whichever is faster. On a spiral the library's own iteration, to 1e-9.
    """
    if case.grid is None:
        return _iteration_seconds(case, samples, repeats) if case.probe == "ideal" else None
    rng = np.random.default_rng(0)
    spins = (1,) if case.probe == "ideal" else tuple(range(ORDERS + 1))
    shape = (case.grid.theta.size, case.grid.phi.size)
    parts = [(s, rng.normal(size=(1 if s == 0 else 2, *shape))) for s in spins for _ in "ri"]

    def analyse(part: tuple[int, np.ndarray], threads: int) -> None:
        geometry = GEOMETRY[case.positions]
        ducc0.sht.analysis_2d(
            map=part[1], spin=part[0], lmax=case.degree, geometry=geometry, nthreads=threads
        )

    with ThreadPoolExecutor(2) as pool:
        side = best_time(lambda: list(pool.map(partial(analyse, threads=1), parts)), repeats=repeats)
    return min(side, best_time(lambda: [analyse(part, 2) for part in parts], repeats=repeats))


def _iteration_seconds(case: Case, samples: nf2ff.Samples, repeats: int) -> float:
    size = samples.theta.size // 2
    location = spin.aside(np.stack([samples.theta[:size], samples.phi[:size]], axis=1))
    maps = samples.response[0].reshape(2, size)

    def iterate() -> None:
        for part in (maps.real, maps.imag):
            ducc0.sht.pseudo_analysis_general(
                lmax=case.degree,
                map=np.ascontiguousarray(part),
                loc=location,
                spin=1,
                nthreads=2,
                maxiter=300,
                epsilon=1e-9,
            )

    return best_time(iterate, repeats=repeats)
