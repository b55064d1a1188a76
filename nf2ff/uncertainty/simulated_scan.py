"""Simulated scans of known antennas: what a probe receives, and the modes it should lead to."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.dipoles import Antenna
from nf2ff.antenna.grids import gauss_legendre_grid, grid_for_degree
from nf2ff.antenna.modes import Modes, required_degree, wavenumber
from nf2ff.antenna.points import (
    PointSet,
    constant_rate_spiral,
    equal_area_spiral,
    equal_area_spiral_for_degree,
)
from nf2ff.kernel.arrays import as_array
from nf2ff.measurement.probe import Probe, field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate, simulate_grid
from nf2ff.messages.input_error import InputError
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import Quadrature
from nf2ff.uncertainty.remeasured import responses_of

Real = NDArray[np.float64]

#: Power that the expansion of an antenna leaves out, with which it is compared: rounding [dB].
TRUTH_TAIL_DB = -240.0
#: Sets of positions, and the fewest in one.
Positions = Literal["spiral", "constant-rate", "grid"]
LEAST_POSITIONS = 12


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedScan:
    """Scan of a known antenna: two polarisations at each position of a spiral or grid.

    Parameters
    ----------
    antenna : DipoleCluster or SinusoidalWire
        The antenna.
    frequency, radius : float
        Frequency [Hz] and distance of the probe [m].
    degree : int, optional
        Degree N of the solution and of the spiral. Otherwise what the antenna's size asks for.
    tail_db : float
        Power of the antenna that may be left above that degree, see `required_degree` [dB].
    oversampling : float
        Positions for each pair of degree and order of the equal-area spiral, see
        `equal_area_spiral_for_degree`; the other positions are those that determine the degree.
    probe : Probe, optional
        Probe, of which port 1 is used; otherwise the ideal field probe.
    positions : {"spiral", "constant-rate", "grid"}
        Equal-area spiral, spiral of two axes of constant speed, or grid of equal steps with both poles.
    samples_wanted : int, optional
        Number of positions, however few the degree has then; of a grid as many as fit.

    Raises
    ------
    ValueError
        If a number is not positive, or the probe is inside the antenna's minimum sphere.
    """

    antenna: Antenna
    frequency: float
    radius: float
    degree: int | None = None
    tail_db: float = -60.0
    oversampling: float = 1.5
    probe: Probe | None = None
    positions: Positions = "spiral"
    samples_wanted: int | None = None

    def __post_init__(self) -> None:
        for field in ("frequency", "radius", "oversampling"):
            value = float(as_array(getattr(self, field), float, field, ndim=0))
            if not value > 0:
                unit = {"frequency": " Hz", "radius": " m"}.get(field, "")
                raise InputError(f"{field} is {value:g}{unit}, expected > 0")
            object.__setattr__(self, field, value)
        if self.degree is not None:
            degree = int(as_array(self.degree, np.int64, "degree", ndim=0))
            if degree < 1:
                raise InputError(f"degree is {degree}, expected at least 1")
            object.__setattr__(self, "degree", degree)
        if self.positions not in get_args(Positions):
            raise InputError(
                f"positions are {self.positions!r}", f"expected one of {', '.join(get_args(Positions))}"
            )
        if self.samples_wanted is not None and not self.samples_wanted >= LEAST_POSITIONS:
            raise InputError(f"samples are {self.samples_wanted}, expected {LEAST_POSITIONS} or more")
        reach = self.antenna.minimum_radius
        if not self.radius > reach:
            raise InputError(
                f"radius is {self.radius:.6g} m, the antenna's minimum sphere has {reach:.6g} m",
                "go farther out",
            )

    @property
    def solver_degree(self) -> int:
        """Degree N: the one given, or that which the antenna's size asks for."""
        if self.degree is not None:
            return self.degree
        kr0 = float(wavenumber(self.frequency)) * self.antenna.minimum_radius
        return required_degree(kr0, tail_db=self.tail_db)

    def truth(self) -> Modes:
        """Modes of the antenna, from its field in closed form, up to where rounding begins."""
        return expanded(self.antenna, self.frequency, least=self.solver_degree)

    def measure(self, samples: Samples, probe: Probe) -> Samples:
        """What a probe receives of the antenna, see `received`."""
        return received(self.antenna, samples, probe)

    def samples(self) -> Samples:
        """The samples without any error, both polarisations at one position after the other."""
        theta, phi = self.places()
        count = 2 * theta.size
        place = Samples(
            np.array([self.frequency]),
            np.repeat(theta, 2),
            np.repeat(phi, 2),
            np.tile([0.0, np.pi / 2], theta.size),
            np.full(count, self.radius),
            np.ones(count, dtype=np.int16),
            np.zeros((1, count), dtype=complex),
        )
        return received(self.antenna, place, self.probe or field_probe())

    def places(self) -> tuple[Real, Real]:
        """Angles of the positions [rad]."""
        degree, wanted = self.solver_degree, self.samples_wanted
        if self.positions == "grid":
            # The largest grid for a degree that has no more positions.
            while wanted is not None and degree > 1 and _grid_size(degree) > wanted:
                degree -= 1
            while wanted is not None and _grid_size(degree + 1) <= wanted:
                degree += 1
            grid = grid_for_degree(degree)
            t, p = np.meshgrid(grid.theta, grid.phi, indexing="ij")
            return t.ravel(), p.ravel()
        points: PointSet
        if self.positions == "constant-rate":
            # N + 4 turns of 2N + 1.5 positions, of a degree that need not be whole.
            n = degree if wanted is None else (np.sqrt(9.5**2 - 8 * (6 - wanted)) - 9.5) / 4
            points = constant_rate_spiral(turns=n + 4, samples_per_turn=2 * n + 1.5)
        elif wanted is None:
            points = equal_area_spiral_for_degree(degree, oversampling=self.oversampling)
        else:
            points = equal_area_spiral(wanted)
        return points.theta, points.phi


def _grid_size(degree: int) -> int:
    grid = grid_for_degree(degree)
    return int(grid.theta.size * grid.phi.size)


#: Expansions that are kept: that for the truth, and that for a probe that is not ideal.
_KEPT = 2


@functools.lru_cache(maxsize=_KEPT)
def expanded(antenna: Antenna, frequency: float, *, least: int = 1) -> Modes:
    """Modes of an antenna from its field in closed form, of degree ``least`` or more.

    They reach up to the degree above which the antenna has no power but rounding. The last ones are
    kept: a probe that is not ideal asks for the same at each draw.
    """
    k, reach = float(wavenumber(frequency)), antenna.minimum_radius
    degree = max(least, required_degree(k * reach, tail_db=TRUTH_TAIL_DB))
    field = simulate_grid(
        antenna,
        frequency=[frequency],
        grid=gauss_legendre_grid(degree + 1, 2 * degree + 2),
        radius=2 * max(reach, degree / k),
    )
    return solve(field, field_probe(), degree=degree, method=Quadrature()).modes


def received(antenna: Antenna, samples: Samples, probe: Probe) -> Samples:
    """What a probe receives of an antenna at the positions of samples of one frequency and port.

    Of the ideal field probe in closed form, of any other by the transmission formula.
    """
    ideal = field_probe()
    if probe.response_unit == "V/m" and np.array_equal(probe.coefficients, ideal.coefficients):
        return simulate(
            antenna,
            frequency=samples.frequency,
            theta=samples.theta,
            phi=samples.phi,
            chi=samples.chi,
            radius=samples.radius,
        )
    modes = expanded(antenna, float(samples.frequency[0]))
    response = responses_of(modes, samples, probe, tolerance=1e-10)
    return replace(samples, response=response, response_unit=probe.response_unit)
