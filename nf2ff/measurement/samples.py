"""What was measured, and where."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, Literal, TypeVar
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel.arrays import as_array, keep, square
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
ResponseUnit = Literal["V/m", "sqrt(W)", "relative"]
RESPONSE_UNITS: tuple[ResponseUnit, ...] = ("V/m", "sqrt(W)", "relative")
#: Largest response: its square and the square of that are still numbers.
LARGEST = 1e70
T = TypeVar("T")


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class Samples:
    """Complex responses of a probe at M positions and F frequencies.

    Positions are kept as they were recorded; theta in [-pi, pi] admits a positioner that swings through the
    pole. An angle, radius or port that all samples share may be a scalar.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies, all different [Hz].
    theta, phi, chi : (M,) or (F, M) array_like
        Polar angle in [-pi, pi], azimuth and probe rotation [rad]; (F, M) where the axes move during a
        frequency sweep.
    radius : (M,) or (F, M) array_like
        Distance of the probe's reference point from the origin [m], positive.
    port : (M,) array_like of int
        Probe port of each sample, counted from 1.
    response : (F, M) array_like
        Complex responses, exp(+jwt), peak [``response_unit``]. NaN marks a sample missing at that frequency
        only.
    response_unit : {"V/m", "sqrt(W)", "relative"}
        Field at an ideal field probe, wave at a probe's port, or of unknown level.
    number : (M,) array_like of int, optional
        Number of each sample in the record that these are a part of; from 1 where it is all.
    time : (M,) or (F, M) array_like, optional
        When each sample was taken, by one clock [s].
    coherence : (M,) array_like of int, optional
        Group of each sample: those of one group share one unknown phase, and a sample alone in its group is
        an amplitude. Without it all phases have one reference.

    Attributes
    ----------
    any_missing : bool
        Whether a sample is missing at some frequency.

    Raises
    ------
    ValueError
        If shapes do not fit, an angle or radius is out of range, a position or time is not finite or a
        response is infinite.
    """

    frequency: NDArray[np.float64]
    theta: NDArray[np.float64]
    phi: NDArray[np.float64]
    chi: NDArray[np.float64]
    radius: NDArray[np.float64]
    port: NDArray[np.int16]
    response: NDArray[np.complex128]
    response_unit: ResponseUnit = "V/m"
    number: NDArray[np.int64] | None = None
    time: NDArray[np.float64] | None = None
    coherence: NDArray[np.int64] | None = None
    any_missing: bool = field(init=False, default=False)

    def __post_init__(self) -> None:
        self._check({one.name for one in fields(self)})

    def changed(self, **columns: NDArray[Any]) -> Samples:
        """The same samples with other columns of the same shapes, which alone are checked."""
        new = object.__new__(Samples)
        for one in fields(self):
            value = columns[one.name] if one.name in columns else getattr(self, one.name)
            object.__setattr__(new, one.name, value)
        new._check(set(columns))
        if set(columns) == {"response"}:
            _found[new] = self.known
        return new

    @property
    def known(self) -> dict[Any, Any]:
        """What was found of the positions, frequencies and ports, by keys of those who found it."""
        return _found.setdefault(self, {})

    def once(self, find: Callable[..., T], *given: Any) -> T:
        """What a function finds of the positions, frequencies and ports alone, kept for the next time.

        It is called with the samples and what else is ``given``.
        """
        known = self.known
        if (find, given) not in known:
            known[find, given] = find(self, *given)
        return known[find, given]

    def _check(self, names: set[str]) -> None:
        """Take the columns named, which are new."""
        if "frequency" in names:
            keep(self, ("frequency",), float, ndim=1)
            frequency = self.frequency
            if np.any(frequency <= 0):
                raise InputError(f"frequency is {frequency.min()} Hz, expected positive values")
            if frequency.size == 0:
                raise InputError("there is no frequency", "give at least one")
            ordered = np.sort(frequency)
            again = ordered[1:][np.diff(ordered) == 0]
            if again.size:
                raise InputError(f"frequency holds {again[0]:.12g} Hz twice", "leave one out")
        if "response" in names:
            keep(self, ("response",), complex, ndim=2, missing=True)
        response = self.response
        if response.shape[0] != self.frequency.size:
            raise InputError(f"response has {response.shape[0]} rows for {self.frequency.size} frequencies")
        if response.shape[1] == 0:
            raise InputError("there is no sample", "give at least one")
        if "response" in names:
            total = square(response)  # NaN if a response is
            object.__setattr__(self, "any_missing", bool(np.isnan(total)))
            if not total <= LARGEST**2:
                _refuse_large(response)
        for name in ("theta", "phi", "chi", "radius", "port", "time"):
            if name in names and not (name == "time" and self.time is None):
                self._keep_column(name)
        counted = [name for name in ("number", "coherence") if name in names]
        keep(self, counted, np.int64, shape=response.shape[1:], axes="(M,)")
        limit = np.pi * (1 + 1e-9)
        if "theta" in names and not max(self.theta.max(), -self.theta.min()) <= limit:
            bad = np.flatnonzero(np.abs(self.theta).ravel() > limit)
            value = np.degrees(self.theta.ravel()[bad[0]])
            raise InputError(
                f"theta is {value:.6g} deg at sample {bad[0] % response.shape[1] + 1}, "
                "expected -180 to 180 deg"
            )
        if "radius" in names and not self.radius.min() > 0:
            at = int(np.argmin(self.radius)) % response.shape[1]
            raise InputError(f"radius is {self.radius.min():.6g} m at sample {at + 1}, expected > 0")
        if "port" in names and self.port.min() < 1:
            raise InputError(f"port is {self.port.min()}, ports are counted from 1")
        if self.response_unit not in RESPONSE_UNITS:
            raise InputError(f"response_unit is {self.response_unit!r}, expected one of {RESPONSE_UNITS}")

    def _keep_column(self, name: str) -> None:
        """Take a column of the positions, the ports or the times."""
        shape = self.response.shape
        kind = np.int16 if name == "port" else float
        if name == "port" and np.any(np.abs(np.asarray(self.port)) > np.iinfo(np.int16).max):
            raise InputError(f"port is {np.max(self.port)}, expected 1 to {np.iinfo(np.int16).max}")
        given = getattr(self, name)
        value = as_array(given, kind, name)
        # Of the arrays that numpy broadcasts the flag itself would warn.
        own = isinstance(given, np.ndarray) and not given.data.readonly
        if own and np.may_share_memory(given, value):
            # What is found of positions is kept (`once`): whoever changes the array changes no samples.
            value = as_array(value.copy(), kind, name)
        if value.ndim == 0:
            value = np.broadcast_to(value, shape[1:])
        if value.shape != shape[1:] and not (value.shape == shape and name != "port"):
            raise InputError(
                f"{name} has shape {value.shape}, expected (M,) = ({shape[1]},)"
                + ("" if name == "port" else f" or (F, M) = {shape}")
                + " like the response"
            )
        object.__setattr__(self, name, value)

    def ports(self) -> list[int]:
        """Ports that occur, in order."""
        return list(self.once(_ports))

    @property
    def nearest(self) -> float:
        """Least radius [m]."""
        return self.once(_radii)[0]

    @property
    def farthest(self) -> float:
        """Largest radius [m]."""
        return self.once(_radii)[1]

    @property
    def middle(self) -> float:
        """Median radius [m]."""
        return self.once(_middle)

    @property
    def moving(self) -> bool:
        """Whether the positions differ from frequency to frequency."""
        return any(x.ndim == 2 for x in (self.theta, self.phi, self.chi, self.radius))

    def place(self, index: int) -> tuple[Real, Real, Real, Real]:
        """Recorded theta, phi, chi [rad] and radius [m] at one frequency, each (M,)."""
        columns = (self.theta, self.phi, self.chi, self.radius)
        theta, phi, chi, radius = (x[index] if x.ndim == 2 else x for x in columns)
        return theta, phi, chi, radius

    def at_frequency(self, index: int) -> Samples:
        """The samples of one frequency, those missing there left out, positions (M',)."""
        if not (self.any_missing or self.moving) and len(self.response) == 1:
            return self
        present = ~np.isnan(self.response[index])
        if not present.any():
            ghz = self.frequency[index] / 1e9
            raise InputError(f"there is no sample at {ghz:.9g} GHz", "leave that frequency out")
        return self.part([index], slice(None) if present.all() else present)

    def part(self, frequencies: Sequence[int], which: slice | NDArray[np.bool_] = slice(None)) -> Samples:
        """The samples of some ``frequencies``, by index, and of them all or some (a slice or mask ``which``).

        Positions are (M',) where there is one frequency.
        """
        rows = np.asarray(frequencies)
        number = self.number
        if not isinstance(which, slice):
            number = np.flatnonzero(which) + 1 if number is None else number[which]

        def some(x: NDArray[Any]) -> NDArray[Any]:
            if x.ndim == 2:
                x = x[rows[0]] if rows.size == 1 else x[rows]
            return x[..., which]

        return Samples(
            self.frequency[rows],
            some(self.theta),
            some(self.phi),
            some(self.chi),
            some(self.radius),
            self.port[which],
            self.response[rows][:, which],
            self.response_unit,
            number,
            None if self.time is None else some(self.time),
            None if self.coherence is None else self.coherence[which],
        )

    def number_of(self, row: int) -> int:
        """Number of a sample in the record that these are a part of, from 1."""
        return row + 1 if self.number is None else int(self.number[row])


def _refuse_large(response: NDArray[np.complex128]) -> None:
    """Raise where powers of a response (F, M) would be no numbers; without a temporary."""
    for part in (response.real, response.imag):
        if max(np.fmax.reduce(part, axis=None), -np.fmin.reduce(part, axis=None)) > LARGEST:
            row, sample = np.argwhere(np.abs(part) > LARGEST)[0].tolist()
            what = f"response of sample {sample + 1} is {response[row, sample]:.4g}"
            raise InputError(f"{what}, expected at most {LARGEST:g}", "check its unit")


#: For samples that are alive, what was found of them (`Samples.once`), by those too that differ in responses.
_found: WeakKeyDictionary[Samples, dict[Any, Any]] = WeakKeyDictionary()


def _ports(samples: Samples) -> list[int]:
    port = _different(samples.port)
    return [int(port[0])] if port.min() == port.max() else np.unique(port).tolist()


def _radii(samples: Samples) -> tuple[float, float]:
    radius = _different(samples.radius)
    return float(radius.min()), float(radius.max())


def _different(column: NDArray[Any]) -> NDArray[Any]:
    """The column, or one of its values where they all are one number in memory."""
    return column[:1] if column.strides == (0,) else column


def _middle(samples: Samples) -> float:
    return float(np.median(samples.radius)) if samples.nearest < samples.farthest else samples.nearest
