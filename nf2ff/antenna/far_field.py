"""The far field as a quantity on a grid of directions."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna import fields
from nf2ff.antenna.modes import Modes, Reference
from nf2ff.kernel.arrays import as_array, keep
from nf2ff.messages.input_error import InputError

if TYPE_CHECKING:
    import xarray


#: A direction closer to one of a grid than this is that [rad].
_ON_GRID = 1e-9
#: Bytes of the fields of a block of frequencies.
_BLOCK = 2**24


class _Grid:
    """What a far field on a grid can tell, held or not."""

    __slots__ = ()
    frequency: NDArray[np.float64]
    theta: NDArray[np.float64]
    phi: NDArray[np.float64]
    trusted: NDArray[np.bool_] | None
    if TYPE_CHECKING:

        def at(self, index: int | Sequence[int] | NDArray[np.intp]) -> FarField:
            """The field of one frequency, by its index, or of some."""

    def trusted_fraction(self) -> NDArray[np.float64]:
        """Part of the solid angle of the grid that is trusted, (F,)."""
        if self.trusted is None:
            return np.ones(self.frequency.size)
        weight = np.sin(self.theta)
        if not np.any(weight > 1e-9):  # the poles alone, which have no solid angle
            weight = np.ones_like(weight)
        lost = ~self.trusted
        part: NDArray[np.float64] = 1 - lost.mean(axis=2) @ weight / weight.sum()
        return part

    def blocks(self, multiple: int = 1) -> Iterator[FarField]:
        """The field of one block of frequencies after the other, each but the last of a ``multiple``."""
        size = 32 * self.theta.size * self.phi.size * multiple
        step = max(1, _BLOCK // max(1, size)) * multiple
        for start in range(0, self.frequency.size, step):
            yield self.at(np.arange(start, min(start + step, self.frequency.size)))


@dataclass(frozen=True, slots=True, eq=False)
class FarField(_Grid):
    """Far field lim r exp(+jkr) E on all pairs of ``theta`` and ``phi``.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies [Hz].
    theta : (T,) array_like
        Polar angles from 0 to pi [rad].
    phi : (P,) array_like
        Azimuth angles [rad].
    e_theta, e_phi : (F, T, P) array_like
        Components of the far field, peak values, exp(+jwt) [V].
    radiated_power : (F,) array_like
        Total radiated power [W]. Directivity refers to it.
    reference : {"absolute", "relative"}
        Whether the level is known.
    trusted : (F, T, P) array_like of bool or None
        Directions whose near field was measured; None where all was, at all frequencies.

    Raises
    ------
    ValueError
        If shapes do not fit, an angle is out of range, a frequency is not positive, or a value is
        not finite.
    """

    frequency: NDArray[np.float64]
    theta: NDArray[np.float64]
    phi: NDArray[np.float64]
    e_theta: NDArray[np.complex128]
    e_phi: NDArray[np.complex128]
    radiated_power: NDArray[np.float64]
    reference: Reference = "absolute"
    trusted: NDArray[np.bool_] | None = None

    def __post_init__(self) -> None:
        keep(self, ("frequency", "theta", "phi", "radiated_power"), float, ndim=1)
        shape = (self.frequency.size, self.theta.size, self.phi.size)
        keep(self, ("e_theta", "e_phi"), complex, shape=shape, axes="(F, T, P)")
        keep(self, ("trusted",), bool, shape=shape, axes="(F, T, P)")
        if self.radiated_power.shape != self.frequency.shape:
            raise InputError(
                f"radiated_power has {self.radiated_power.size} values for {shape[0]} frequencies"
            )
        if np.any(self.frequency <= 0):
            raise InputError(f"frequency is {self.frequency.min():g} Hz, expected positive values")
        off = self.theta[(self.theta < 0) | (self.theta > np.pi + 1e-12)]
        if off.size:
            raise InputError(
                f"theta of a far field is {off[0]:.6g} rad, expected within [0, pi]",
                "convert degrees, and turn phi by pi for the other side",
            )
        if self.reference not in ("absolute", "relative"):
            raise InputError(f"reference is {self.reference!r}, expected 'absolute' or 'relative'")

    def at(self, index: int | Sequence[int] | NDArray[np.intp]) -> FarField:
        """The field of one frequency, by its index, or of some."""
        pick = np.atleast_1d(np.asarray(index, dtype=np.intp))
        return _at(self, pick, self.e_theta[pick], self.e_phi[pick])

    def to_xarray(self) -> xarray.Dataset:
        """The same as a labelled dataset, its arrays read-only views of these.

        Returns
        -------
        xarray.Dataset
            Variables ``e_theta`` and ``e_phi`` (frequency, theta, phi) [V], ``radiated_power`` (frequency)
            [W] and, where there is one, ``trusted`` (as the fields), over the coordinates ``frequency`` [Hz],
            ``theta`` and ``phi`` [rad]; each with ``units`` and ``long_name``, as the group ``/far_field`` of
            a native file has them. Its attributes say the time factor, peak values, and whether the level is
            known.
        """
        import xarray

        axes = ("frequency", "theta", "phi")
        limit = "component of lim r exp(+jkr) E, exp(+jwt), peak"
        about = {
            "frequency": (axes[:1], "Hz", "frequency"),
            "theta": (axes[1:2], "rad", "polar angle"),
            "phi": (axes[2:], "rad", "azimuth"),
            "e_theta": (axes, "V", f"theta {limit}"),
            "e_phi": (axes, "V", f"phi {limit}"),
            "radiated_power": (axes[:1], "W", "radiated power"),
            "trusted": (axes, "1", "1 where the near field was seen"),
        }
        items = {
            name: (dims, getattr(self, name), {"units": units, "long_name": long_name})
            for name, (dims, units, long_name) in about.items()
            if getattr(self, name) is not None
        }
        return xarray.Dataset(
            {name: item for name, item in items.items() if name not in axes},
            {name: items[name] for name in axes},
            {
                "reference": self.reference,
                "time_factor": "exp(+jwt)",
                "phasors": "peak values: radiation intensity (|e_theta|^2 + |e_phi|^2) / (2 Z0)",
            },
        )


@dataclass(frozen=True, slots=True, eq=False)
class FarFieldBlocks(_Grid):
    """A far field that is evaluated, or read, where it is asked for: all of it may be too large.

    Parameters
    ----------
    frequency, theta, phi, radiated_power, reference, trusted
        As of `FarField`.
    fields : callable
        Gives e_theta and e_phi (F', T, P) [V] of some of the frequencies, by their indices (F',).
    """

    frequency: NDArray[np.float64]
    theta: NDArray[np.float64]
    phi: NDArray[np.float64]
    radiated_power: NDArray[np.float64]
    reference: Reference
    trusted: NDArray[np.bool_] | None
    fields: Callable[[NDArray[np.intp]], fields.Pair]

    def at(self, index: int | Sequence[int] | NDArray[np.intp]) -> FarField:
        """The field of one frequency, by its index, or of some."""
        pick = np.atleast_1d(np.asarray(index, dtype=np.intp))
        return _at(self, pick, *self.fields(pick))

    @property
    def e_theta(self) -> NDArray[np.complex128]:
        """The component along theta^ of all frequencies, (F, T, P), made each time [V]."""
        return self.fields(np.arange(self.frequency.size))[0]

    @property
    def e_phi(self) -> NDArray[np.complex128]:
        """That along phi^."""
        return self.fields(np.arange(self.frequency.size))[1]

    def only(self, pick: NDArray[np.intp]) -> FarFieldBlocks:
        """The same at some of the frequencies, by their indices."""
        mark = None if self.trusted is None else self.trusted[pick]
        return replace(
            self,
            frequency=self.frequency[pick],
            radiated_power=self.radiated_power[pick],
            trusted=mark,
            fields=lambda index: self.fields(pick[index]),
        )


#: A far field, held or not.
AnyFarField = FarField | FarFieldBlocks


def _at(
    whole: AnyFarField,
    pick: NDArray[np.intp],
    e_theta: NDArray[np.complex128],
    e_phi: NDArray[np.complex128],
) -> FarField:
    """The far field of some frequencies, whose components are given."""
    return FarField(
        whole.frequency[pick],
        whole.theta,
        whole.phi,
        e_theta,
        e_phi,
        whole.radiated_power[pick],
        whole.reference,
        None if whole.trusted is None else whole.trusted[pick],
    )


def trusted_around(
    seen: FarField | FarFieldBlocks | None,
    theta: NDArray[np.float64],
    phi: NDArray[np.float64],
    *,
    index: int = 0,
) -> NDArray[np.bool_]:
    """Whether each direction, or all directions of a grid around it, are trusted.

    Parameters
    ----------
    seen : FarField, FarFieldBlocks or None
        The grid; without one, and where all of it is trusted, the answer is yes.
    theta, phi : ndarray
        Directions, one shape, theta from 0 to pi [rad].
    index : int
        Which of the grid's frequencies.

    Returns
    -------
    ndarray of bool
        The answer for each direction.
    """
    result = np.ones(np.shape(theta), dtype=bool)
    if seen is None or seen.trusted is None:
        return result
    around: list[list[NDArray[np.intp]]] = []
    turn = 2 * np.pi
    for grid, wanted in ((seen.theta, theta), (np.mod(seen.phi, turn), np.mod(phi, turn))):
        order = np.argsort(grid)
        below = np.searchsorted(grid[order], wanted + _ON_GRID, side="right") - 1
        above = np.searchsorted(grid[order], wanted - _ON_GRID, side="left")
        # Around the circle in phi; beyond the last theta there is only that.
        both = (k % grid.size if around else np.clip(k, 0, grid.size - 1) for k in (below, above))
        around.append([order[k] for k in both])
    for row in around[0]:
        for column in around[1]:
            result &= seen.trusted[index, row, column]
    return result


def far_field(modes: Modes, *, theta: ArrayLike, phi: ArrayLike) -> FarField:
    """Far field of ``modes`` on the grid of all pairs of ``theta`` and ``phi``.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    theta : (T,) array_like
        Polar angles in [0, pi], any spacing [rad].
    phi : (P,) array_like
        Azimuth angles, any spacing [rad].

    Returns
    -------
    FarField
        e_theta and e_phi of shape (F, T, P) [V].
    """
    theta = as_array(theta, float, "theta", ndim=1)
    phi = as_array(phi, float, "phi", ndim=1)
    e_theta, e_phi = fields.far_field_grid(modes, theta=theta, phi=phi)
    return FarField(modes.frequency, theta, phi, e_theta, e_phi, modes.radiated_power(), modes.reference)


def far_field_blocks(modes: Modes, *, theta: ArrayLike, phi: ArrayLike) -> FarFieldBlocks:
    """As `far_field`, evaluated where it is asked for.

    Parameters
    ----------
    modes, theta, phi
        As of `far_field`.

    Returns
    -------
    FarFieldBlocks
        Far field of the grid.
    """
    theta = as_array(theta, float, "theta", ndim=1)
    phi = as_array(phi, float, "phi", ndim=1)

    def some(pick: NDArray[np.intp]) -> fields.Pair:
        return fields.far_field_grid(modes.at(pick), theta=theta, phi=phi)

    return FarFieldBlocks(modes.frequency, theta, phi, modes.radiated_power(), modes.reference, None, some)
