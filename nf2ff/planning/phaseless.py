"""Sets of readings that do without a phase reference, and what they cost."""

from __future__ import annotations

from typing import NamedTuple

from nf2ff.measurement.coherence import FINER


class PhaselessSet(NamedTuple):
    """A set of readings and what it gives.

    Parameters
    ----------
    name : str
        What is read.
    spheres : int
        Spheres, about 2 wavelengths apart where there are two.
    readings : float
        Readings over those of a scan with a reference.
    time : float
        Time over that of such a scan.
    gives : str
        What comes of it.
    """

    name: str
    spheres: int
    readings: float
    time: float
    gives: str


def _set(name: str, gives: str, *, spheres: int, polarisations: float = 1, heads: float = 1) -> PhaselessSet:
    times = FINER**2 * spheres * polarisations
    return PhaselessSet(name, spheres, times * heads, times, gives)


#: From measured rates of certificates (benchmarks/phaseless_certificates.py).
PHASELESS_SETS = (
    _set("phase along cuts of theta", "the field", spheres=1),
    _set("two elements displaced along theta, read together", "the field", spheres=1, heads=2),
    _set("two ports, read together", "the field", spheres=2),
    _set("powers of four polarisations", "the field, of large panels not always", spheres=2, polarisations=2),
    _set("powers of two polarisations", "the field, of directive panels seldom", spheres=2),
)
