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
from nf2ff.antenna.grids import Grid, grid_for_degree
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.kernel import spin
from nf2ff.measurement.probe import probe_from_modes
from nf2ff.measurement.simulated import receive

GEOMETRY = {"clenshaw-curtis": "CC", "fejer-1": "F1", "gauss-legendre": "GL"}
#: Orders of the probe that is not ideal.
ORDERS = 5
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
        """Values of chi at each position: on a grid as many as tell the orders apart."""
        count = 2 * ORDERS + 1 if self.probe == "orders to 5" and self.positions != "spiral" else 2
        return np.arange(count) * (np.pi / 2 if count == 2 else 2 * np.pi / count)

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
        chi = self.chi
        place = {
            "theta": np.tile(theta, chi.size),
            "phi": np.tile(phi, chi.size),
            "chi": np.repeat(chi, theta.size),
            "radius": (SCAN * self.degree + 10) / (2 * np.pi),
        }
        if self.probe == "ideal":
            return nf2ff.simulate(antenna_of(self.degree), frequency=[SPEED_OF_LIGHT], **place)
        return receive(antenna_of(self.degree), [probe_cluster()], frequency=[SPEED_OF_LIGHT], **place)


@cache
def antenna_of(degree: int) -> DipoleCluster:
    """Six dipoles within a sphere that the degree allows."""
    rng = np.random.default_rng(degree)
    place = rng.normal(size=(6, 3))
    place *= ANTENNA * degree / (2 * np.pi) / np.linalg.norm(place, axis=1, keepdims=True)
    return DipoleCluster(place, rng.normal(size=(6, 3, 2)) @ [1, 1j])


@cache
def probe_cluster() -> DipoleCluster:
    """A Huygens source within a ring of 24 dipoles along x, whose weights turn up to four times: they
    radiate the azimuthal orders up to 5, but for 1e-20 (the order 19 and a ring of 0.15 wavelengths)."""
    rng = np.random.default_rng(1)
    phi = 2 * np.pi / 24 * np.arange(24)
    turns = np.exp(1j * np.outer(phi, np.arange(1 - ORDERS, ORDERS))) @ rng.normal(size=(2 * ORDERS - 1, 2))
    weight = 0.02 * turns @ [1, 1j]
    main = huygens_source(direction=[0, 0, 1], polarisation=[1, 0, 0])
    ring = 0.15 * np.stack([np.cos(phi), np.sin(phi), 0 * phi], axis=1)
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
    found = np.array(nf2ff.antenna.fields.far_field_points(modes, **where))
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
