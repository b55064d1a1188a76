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
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nf2ff.farfield import FarField as FarField
    from nf2ff.farfield import far_field as far_field
    from nf2ff.grid import Grid as Grid
    from nf2ff.grid import equiangular_grid as equiangular_grid
    from nf2ff.grid import gauss_legendre_grid as gauss_legendre_grid
    from nf2ff.io import read_probe as read_probe
    from nf2ff.io import read_samples as read_samples
    from nf2ff.metrics import directivity as directivity
    from nf2ff.metrics import eirp as eirp
    from nf2ff.metrics import peak as peak
    from nf2ff.metrics import trp as trp
    from nf2ff.modes import Modes as Modes
    from nf2ff.modes import required_degree as required_degree
    from nf2ff.probe import Probe as Probe
    from nf2ff.probe import field_probe as field_probe
    from nf2ff.samples import Samples as Samples
    from nf2ff.simulate import DipoleCluster as DipoleCluster
    from nf2ff.simulate import simulate as simulate
    from nf2ff.simulate import simulate_grid as simulate_grid
    from nf2ff.solve import Direct as Direct
    from nf2ff.solve import LeastSquares as LeastSquares
    from nf2ff.solve import Quadrature as Quadrature
    from nf2ff.solve import Solution as Solution
    from nf2ff.solve import solve as solve

__version__ = "0.1.0"

# Names are imported when first used, so that `nf2ff --help` need not wait for any of them.
_HOME = {
    "farfield": ["FarField", "far_field"],
    "grid": ["Grid", "equiangular_grid", "gauss_legendre_grid"],
    "io": ["read_probe", "read_samples"],
    "metrics": ["directivity", "eirp", "peak", "trp"],
    "modes": ["Modes", "required_degree"],
    "probe": ["Probe", "field_probe"],
    "samples": ["Samples"],
    "simulate": ["DipoleCluster", "simulate", "simulate_grid"],
    "solve": ["Direct", "LeastSquares", "Quadrature", "Solution", "solve"],
}
_MODULE = {name: module for module, names in _HOME.items() for name in names}

__all__ = sorted(_MODULE)  # noqa: PLE0605


def __getattr__(name: str) -> Any:
    if name in _MODULE:
        value = getattr(importlib.import_module(f"nf2ff.{_MODULE[name]}"), name)
        globals()[name] = value
        return value
    msg = f"module 'nf2ff' has no attribute {name!r}"
    raise AttributeError(msg)


def __dir__() -> list[str]:
    return [*globals(), *_MODULE]
