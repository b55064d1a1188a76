"""Samples of an antenna's near field on a sphere become its far field, directivity, EIRP and TRP.

Conventions, stated here and nowhere else:

- Time factor exp(+jwt): an outgoing wave is exp(-jkr)/r. J. E. Hansen's book (1988) uses
  exp(-iwt); Q_smn here = (-1)^m conj(Q_{s,-m,n} there).
- Phasors are peak values: radiated power = 1/2 sum |Q|^2 [W], U = |r E|^2 / (2 Z0) [W/sr].
- SI units and radians; degrees, GHz, dB, dBi and dBm only in commands, plots and reports, and in
  names that end in the unit.
- theta from +z, phi from +x. theta in [0, pi] or, where a positioner swings through the pole,
  [-pi, pi] with theta^ and phi^ continued.
- chi turns the probe about its axis from theta^ towards phi^: an ideal field probe reads
  E_theta cos(chi) + E_phi sin(chi).
- Modes in the order j = 2 (n (n+1) + m - 1) + s, j = 1 ... J = 2 N (N + 2), N the degree.
- Responses of the ideal field probe are fields [V/m], of any other probe waves at its port
  [sqrt(W), 1/2 |w|^2 the power into a matched load], or `relative`, without a known level.
- Far field: lim r exp(+jkr) E [V], components along theta^ and phi^.
"""

from __future__ import annotations

import importlib

TYPE_CHECKING = False  # as in `typing`, which would have to be imported
if TYPE_CHECKING:
    from typing import Any

    from nf2ff.antenna.dipoles import DipoleCluster
    from nf2ff.antenna.far_field import FarField, far_field
    from nf2ff.antenna.grids import Grid, equiangular_grid, gauss_legendre_grid
    from nf2ff.antenna.modes import Modes, required_degree
    from nf2ff.io.native import read_probe, read_samples
    from nf2ff.measurement.probe import Probe, field_probe
    from nf2ff.measurement.samples import Samples
    from nf2ff.measurement.simulated import simulate, simulate_grid
    from nf2ff.metrics.beam import peak
    from nf2ff.metrics.gain_and_power import directivity, eirp, trp
    from nf2ff.solver.solution import Solution
    from nf2ff.solver.solve import solve
    from nf2ff.solver.strategy import Direct, LeastSquares, Quadrature

__version__ = "0.1.0"

# Imported when first used: `nf2ff --help` need not wait for numpy, and Ctrl-C meanwhile ends in one line.
_LATER = {
    "antenna.dipoles": ("DipoleCluster",),
    "antenna.far_field": ("FarField", "far_field"),
    "antenna.grids": ("Grid", "equiangular_grid", "gauss_legendre_grid"),
    "antenna.modes": ("Modes", "required_degree"),
    "io.native": ("read_probe", "read_samples"),
    "measurement.probe": ("Probe", "field_probe"),
    "measurement.samples": ("Samples",),
    "measurement.simulated": ("simulate", "simulate_grid"),
    "metrics.beam": ("peak",),
    "metrics.gain_and_power": ("directivity", "eirp", "trp"),
    "solver.strategy": ("Direct", "LeastSquares", "Quadrature"),
    "solver.solution": ("Solution",),
    "solver.solve": ("solve",),
}

__all__ = [
    "DipoleCluster",
    "Direct",
    "FarField",
    "Grid",
    "LeastSquares",
    "Modes",
    "Probe",
    "Quadrature",
    "Samples",
    "Solution",
    "directivity",
    "eirp",
    "equiangular_grid",
    "far_field",
    "field_probe",
    "gauss_legendre_grid",
    "peak",
    "read_probe",
    "read_samples",
    "required_degree",
    "simulate",
    "simulate_grid",
    "solve",
    "trp",
]


def __getattr__(name: str) -> Any:
    for file, names in _LATER.items():
        if name in names:
            value = getattr(importlib.import_module(f"nf2ff.{file}"), name)
            globals()[name] = value
            return value
    raise AttributeError(f"module 'nf2ff' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*globals(), *__all__]
