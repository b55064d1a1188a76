"""What may go wrong in a scan, and which figures are asked for: the question that `assess` answers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel.arrays import keep
from nf2ff.kernel.sphere import direction_angles, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.budget_term import Evaluation
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.figure import Figure

Real = NDArray[np.float64]

#: What each metric of a budget is made of, by its name. Gain is EIRP over a power that the scan
#: does not know: its relative error is that of EIRP.
FIGURES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "directivity": ("directivity",),
        "gain": ("eirp",),
        "eirp": ("eirp",),
        "trp": ("trp",),
        "beamwidth": ("beamwidth",),
        "pointing": ("pointing-theta", "pointing-phi"),
        "sidelobe_level": ("sidelobe-level",),
        "pattern": ("directivity-towards",),
    }
)


@dataclass(frozen=True, slots=True, eq=False)
class ModelledError:
    """A cause of error that is propagated through the scan, as a term of a budget.

    Parameters
    ----------
    name : str
        Its name in the budget. Errors of the same name are one term together.
    error : ErrorTerm
        What it does.
    evaluation : {"A", "B"}
        How its size was found.
    degrees_of_freedom : float
        Of that size, at least 1.
    note : str
        Where the size comes from.
    """

    name: str
    error: ErrorTerm
    evaluation: Evaluation = "B"
    degrees_of_freedom: float = math.inf
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Assessment:
    """Errors of a scan, stated and modelled, and the figures whose uncertainty is asked for.

    Parameters
    ----------
    budget : Budget
        With a term of the name of each modelled error, not supplied.
    errors : sequence of ModelledError
        Errors to be propagated; there may be none.
    figures : mapping of str to sequence of Figure
        What each metric of the budget is, by its name; two for pointing, along theta^ and phi^.
    relative_only : sequence of str
        Metrics that take only the relative error from their figure, such as gain from EIRP.

    Raises
    ------
    ValueError
        If a modelled error is supplied as a term too, or correlates with another term.
    """

    budget: Budget
    errors: tuple[ModelledError, ...]
    figures: Mapping[str, tuple[Figure, ...]]
    relative_only: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "errors", tuple(self.errors))
        object.__setattr__(self, "relative_only", tuple(self.relative_only))
        figures = {name: tuple(some) for name, some in self.figures.items()}
        object.__setattr__(self, "figures", MappingProxyType(figures))
        supplied = {term.name for term in self.budget.terms if term.size is not None}
        for i, one in enumerate(self.errors, start=1):
            if one.name in supplied:
                raise InputError(
                    f"{one.name!r} is supplied as a term and modelled as error {i}",
                    "keep one of them, so that it counts once",
                )
        names = self.budget.names
        for pair in np.argwhere(self.budget.correlation - np.eye(len(names))):
            a, b = (names[i] for i in pair)
            if a in self.groups:
                raise InputError(
                    f"{a!r} is modelled and correlates with {b!r}, but the effect of a modelled "
                    "error has a size and no sign",
                    "leave the correlation out, or supply both as terms with sensitivities",
                )

    @property
    def groups(self) -> dict[str, list[int]]:
        """Which of the errors make up each modelled term, by its name."""
        found: dict[str, list[int]] = {}
        for i, one in enumerate(self.errors):
            found.setdefault(one.name, []).append(i)
        return found

    @property
    def columns(self) -> dict[str, list[int]]:
        """Where in `all_figures` those of each metric stand, by its name."""
        found, at = {}, 0
        for metric in self.budget.metrics:
            count = len(self.figures[metric.name])
            found[metric.name] = list(range(at, at + count))
            at += count
        return found

    @property
    def all_figures(self) -> tuple[Figure, ...]:
        """K figures, in the order of the metrics."""
        return tuple(x for metric in self.budget.metrics for x in self.figures[metric.name])


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """Great circles through one direction, on which the pattern is followed.

    Parameters
    ----------
    theta, phi : float
        That direction [rad].
    plane : (C,) array_like
        Angle of each circle from theta^ towards phi^ there [rad].
    angle : (A,) array_like
        Angles along each circle, counted from there [rad].
    names : tuple of str
        Each plane in words; none: by its angle.
    """

    theta: float
    phi: float
    plane: Real
    angle: Real
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        keep(self, ["plane", "angle"], float, ndim=1)
        object.__setattr__(self, "names", tuple(self.names))
        if len(self.names) not in (0, self.plane.size):
            raise InputError(f"the cut has {len(self.names)} names, expected {self.plane.size}, or none")

    def directions(self) -> tuple[Real, Real]:
        """theta and phi of all directions, (C A,) each, circle after circle [rad]."""
        origin, across, along = unit_vectors(self.theta, self.phi)
        side = np.cos(self.plane)[:, None] * across + np.sin(self.plane)[:, None] * along
        cos, sin = np.cos(self.angle)[:, None], np.sin(self.angle)[:, None]
        return direction_angles((cos * origin + sin * side[:, None]).reshape(-1, 3))
