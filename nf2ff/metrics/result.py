"""The noun of a scan's result: modes, far field, figures, and what is said of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import AnyFarField
from nf2ff.antenna.modes import Modes
from nf2ff.messages.input_error import InputError


class Quantity(NamedTuple):
    """A figure with one value for each frequency.

    Parameters
    ----------
    values : (F,) ndarray
        Values, in SI units.
    units : str
        Their unit.
    long_name : str
        Name in words.
    """

    values: NDArray[Any]
    units: str
    long_name: str


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """What was found from a scan, as it stands in a result file.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    far_field : FarField or FarFieldBlocks, optional
        Far field.
    quantities : mapping of str to Quantity
        One value for each frequency; NaN and infinity are allowed.
    warnings : sequence of sequence of str
        Sentences for each of the F frequencies, or nothing.
    notes : mapping of str to str
        Words that hold for all frequencies: ``status``, how the modes were found, and
        ``degree_reason``.
    provenance : mapping of str to str
        As `io.safe.provenance` has it.

    Raises
    ------
    ValueError
        If shapes do not fit, or a quantity has the name of another dataset of the file.
    """

    modes: Modes
    far_field: AnyFarField | None = None
    quantities: Mapping[str, Quantity] = field(default_factory=dict)
    warnings: tuple[tuple[str, ...], ...] = ()
    notes: Mapping[str, str] = field(default_factory=dict)
    provenance: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        count = self.modes.frequency.size
        checked = {}
        for name, (given, units, long_name) in self.quantities.items():
            values = np.asarray(given)
            if values.dtype.kind not in "fiu" or values.shape != (count,):
                raise InputError(f"{name} is {values.dtype} {values.shape}, expected real numbers ({count},)")
            if name in ("frequency", "warnings"):
                raise InputError(f"{name} is taken, and cannot name a quantity", "choose another")
            checked[name] = Quantity(values, units, long_name)
        if len(self.warnings) not in (0, count):
            raise InputError(f"warnings are given for {len(self.warnings)} of {count} frequencies")
        object.__setattr__(self, "quantities", checked)
        object.__setattr__(self, "warnings", tuple(map(tuple, self.warnings)))


class Powers(NamedTuple):
    """Power into the antenna's port, where it is known [W].

    Parameters
    ----------
    incident, accepted : float, optional
        Power incident on the port, and power that the antenna accepts [W].
    """

    incident: float | None = None
    accepted: float | None = None


UNKNOWN = Powers()
