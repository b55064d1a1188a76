"""Dipoles of known fields, wherever they are: the bound that the error of each far field must meet."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scans import far_field_error

import nf2ff
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.antenna.points import equal_area_spiral_for_degree

#: Orders beyond k r0 at which the waves of a dipole are below 1e-12 of the strongest at twice its
#: distance (from the decay of Bessel functions, (e k r0 / 2n)^n, and of (r0/A)^n).
MARGIN = 45
#: What is left: on a grid rounding, 1e-16 times the number of additions and of steps of a recurrence, and
#: what the degrees left out make; on a spiral what the iteration leaves, 5e-10 of the gradient times the
#: condition of its matrix, below 10.
BOUNDS = {"clenshaw-curtis": 1e-11, "gauss-legendre": 1e-11, "spiral": 5e-9}


def cases(short: bool) -> list[dict[str, Any]]:
    """What varies, and its value, and the dipole: its place in wavelengths and direction."""
    base = {"place": (0.3, -0.2, 0.4), "along": (1.0, 0.5j, -0.3), "ghz": 1.0, "over": 2.0}
    found = []
    for place in [(0, 0, 0), (0, 0, 1.0), (1.0, 0, 0), (0, -3.0, 0), (2.0, 2.0, -2.0)][
        : 2 if short else None
    ]:
        found.append({**base, "varied": "position", "place": place})
    axes = [(1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1j, 0), (1, 1, 1)]
    for along in axes[2:4] if short else axes:
        found.append({**base, "varied": "orientation", "along": along})
    for ghz in [0.03, 0.4, 6.0, 40.0, 110.0][:: 4 if short else 1]:
        found.append({**base, "varied": "frequency", "ghz": ghz})
    for over in [1.5, 2.0, 5.0, 100.0][:: 3 if short else 1]:
        found.append({**base, "varied": "radius", "over": over})
    return found


def run(short: bool) -> list[dict[str, Any]]:
    """Rows of the table: what was varied, how, on which positions, the error and its bound."""
    rows = []
    for case in cases(short):
        wavelength = SPEED_OF_LIGHT / (case["ghz"] * 1e9)
        antenna = DipoleCluster([np.array(case["place"]) * wavelength], [case["along"]])
        r0 = math.dist(case["place"], (0, 0, 0))
        degree = math.ceil(2 * math.pi * r0) + MARGIN
        radius = max(case["over"] * (r0 + 1), (degree - MARGIN / 2) / (2 * math.pi)) * wavelength
        for positions, bound in BOUNDS.items():
            if positions == "spiral":
                points = equal_area_spiral_for_degree(degree)
                theta, phi = points.theta, points.phi
            else:
                grid = grid_for_degree(degree, rule=positions)
                theta, phi = (x.ravel() for x in np.meshgrid(grid.theta, grid.phi, indexing="ij"))
            samples = nf2ff.simulate(
                antenna,
                frequency=[case["ghz"] * 1e9],
                theta=np.tile(theta, 2),
                phi=np.tile(phi, 2),
                chi=np.repeat([0, np.pi / 2], theta.size),
                radius=radius,
            )
            solution = nf2ff.solve(samples, nf2ff.field_probe(), degree=degree)
            error = far_field_error(solution.modes, antenna)
            told = {key: str(case[key]) for key in ("place", "along", "ghz", "over")}
            rows.append(
                {"varied": case["varied"], **told, "positions": positions, "degree": degree}
                | {"error": error, "bound": bound, "met": bool(error <= bound)}
            )
    return rows
