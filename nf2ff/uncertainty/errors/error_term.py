"""What all error terms have in common: sizes and how they are drawn, what they do to a scan.

A term states by how much a measurement differs from what its record says. It is put to two uses,
which agree to first order:

- `ErrorTerm.truth` gives where, and with which probe, a scan was truly taken whose record says
  otherwise: responses simulated there belong to the record as it was.
- `ErrorTerm.apply` adds the effect of the error to a scan that was measured: where the truth was
  at record + d the record is moved by -d, the response is disturbed as the receiver would.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, ClassVar, Literal, Self

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.budget.budget_term import DISTRIBUTIONS
from nf2ff.uncertainty.errors.checks import choose, times
from nf2ff.uncertainty.errors.fields import Fact, FieldError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Rng = int | Generator | None
Scan = tuple[Samples, Probe]
Kind = Literal["position", "signal", "probe", "model"]

#: What stands behind a number in descriptions where it is not the unit itself.
_UNIT_WORDS = {"level": "of the largest response", "ratio": "of the wanted signal"}


@dataclass(frozen=True, slots=True, eq=False)
class RandomEffect:
    """How independent draws of mean 0 and variance 1 disturb the samples: a linear map.

    Parameters
    ----------
    quantity : str
        "theta", "phi", "chi" [rad] or "radius" [m] of the positions; "phase" [rad] or "amplitude"
        [relative] of the responses; "response", to which complex draws are added [its unit].
    scale : (M,) or (F, M) ndarray
        Factor at each sample [unit of the quantity]; (F, M) if every frequency has its own draws.
    group : (M,) ndarray of int or slice
        Which of the K draws each sample has: all of them, ``slice(None)``, where each has its own.
    step : (K,) ndarray or None
        For a random walk the factor of each step, in the order of time.
    distribution : str
        Of the draws.
    basis : (B, K) ndarray or None
        Of a smooth effect what each of B draws gives to K.
    """

    quantity: str
    scale: Real
    group: NDArray[np.intp] | slice
    step: Real | None = None
    distribution: str = "normal"
    basis: Real | None = None

    @property
    def draws(self) -> int:
        """Number of draws, K or B: of a walk with all its steps, samples or none being there."""
        if self.basis is not None:
            return len(self.basis)
        if self.step is not None:
            return self.step.size
        return self.scale.shape[-1] if isinstance(self.group, slice) else int(self.group.max()) + 1

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape (K,) or (F, K) of all draws."""
        return (*self.scale.shape[:-1], self.draws)

    @property
    def rms(self) -> Real:
        """Standard uncertainty at each sample, shaped as ``scale`` [unit of the quantity]."""
        if self.basis is not None:
            return self.scale * np.sqrt(np.sum(self.basis**2, axis=0))[self.group]
        if self.step is None:
            return self.scale
        return self.scale * np.sqrt(np.cumsum(self.step**2))[self.group]

    def drawn(self, rng: Generator) -> NDArray[Any]:
        """One disturbance of the samples, shaped as ``scale``."""
        return self.spread(self.unit_draws([rng])[0])

    def unit_draws(self, rngs: Sequence[Generator]) -> NDArray[Any]:
        """Draws (D, K) or (D, F, K), all that one disturbance takes by each generator."""
        kind = complex if self.quantity == "response" else float
        draws: NDArray[Any] = np.empty((len(rngs), *self.shape), dtype=kind)
        for own, rng in zip(draws, rngs, strict=True):
            own.real = _unit_draws(rng, self.distribution, self.shape)
            if kind is complex:
                own.imag = _unit_draws(rng, self.distribution, self.shape)
        return draws * math.sqrt(0.5) if kind is complex else draws

    def spread(self, draws: NDArray[Any]) -> NDArray[Any]:
        """Disturbance (..., M) of each sample by draws (..., K)."""
        if self.basis is not None:
            # One by one: a product of all together would depend on how many they are.
            draws = (draws[..., None, :] @ self.basis)[..., 0, :]
        values = draws if self.step is None else np.cumsum(draws * self.step, axis=-1)
        return values[..., self.group] * self.scale

    def gather(self, values: NDArray[Any]) -> NDArray[Any]:
        """Adjoint of `spread`: values (..., M) of the samples to the draws (..., K).

        With the derivatives of a real metric by the quantity at each sample, the sum of squares of
        what this gives is the variance of the metric (GUM, JCGM 100:2008, eq. 10, from memory). Of
        complex draws half of it, where the metric changes by the real part of conj(value) times
        the disturbance: real and imaginary part have half the variance each.
        """
        values = values * self.scale
        total: NDArray[Any] = values
        if not isinstance(self.group, slice):
            flat = values.reshape(-1, values.shape[-1])
            count = self.draws if self.basis is None else self.basis.shape[1]
            at, size = (np.arange(len(flat))[:, None] * count + self.group).ravel(), len(flat) * count
            total = np.bincount(at, flat.real.ravel(), size)
            if np.iscomplexobj(flat):
                total = total + 1j * np.bincount(at, flat.imag.ravel(), size)
            total = total.reshape(*values.shape[:-1], count)
        if self.basis is not None:
            return np.asarray(total @ self.basis.T)
        if self.step is None:
            return total
        return np.cumsum(total[..., ::-1], axis=-1)[..., ::-1] * self.step


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ErrorTerm(ABC):
    """One cause of error with its sizes.

    A kind of error is a class made by `fields.error_term`: its fields say what they are, from which
    ``facts``, ``units``, ``sizes``, ``unsigned`` and ``polar`` follow.

    Parameters
    ----------
    distribution : {"normal", "rectangular", "triangular", "arcsine"}
        From which `drawn` takes the sizes of a systematic error. Sizes are standard uncertainties
        whatever the distribution (not half-widths).

    Raises
    ------
    ValueError
        If a value is not finite, a size negative that has no sign, or a word unknown.
    """

    distribution: str = "normal"

    #: Name in files, and the error in words with its fields in braces.
    name: ClassVar[str] = ""
    words: ClassVar[str] = ""
    #: What it acts on.
    kind: ClassVar[Kind] = "signal"
    #: What its fields, but for ``distribution``, state of themselves.
    facts: ClassVar[Mapping[str, Fact]] = {}
    #: Unit of each number: "axis" is rad, but m where the field ``axis`` is "radius"; "relative" is a
    #: relative change, "level" an amplitude ratio to the largest response of the frequency, "ratio"
    #: one to the wanted signal, "response" the response's unit.
    units: ClassVar[Mapping[str, str]] = {}
    #: Numbers that scale the error, those that have no sign, and the size and the phase that are drawn
    #: together as a complex number.
    sizes: ClassVar[tuple[str, ...]] = ()
    unsigned: ClassVar[tuple[str, ...]] = ()
    polar: ClassVar[tuple[str, str] | None] = None
    #: Whether the sizes of a systematic error are drawn anew: not those that are known.
    uncertain: ClassVar[bool] = True
    #: Whether the record is moved, and not the response.
    moves_record: ClassVar[bool] = False

    def __post_init__(self) -> None:
        choose(self.distribution, DISTRIBUTIONS, f"{self.name}: distribution")
        for field, fact in self.facts.items():
            try:
                value = fact.check(getattr(self, field), f"{self.name}: {field}", self.unit_of(field))
            except InputError as error:
                raise FieldError(error.what, error.remedy, field=field) from error
            object.__setattr__(self, field, value)

    @property
    def random(self) -> bool:
        """Whether it is random within a scan, as `effects` says: all kinds that have any."""
        return type(self)._effects is not ErrorTerm._effects

    @property
    def needs_rng(self) -> bool:
        """Whether `apply` draws from the generator."""
        return self.random

    def unit_of(self, field: str) -> str:
        """Unit of a field: one of ``units``, "axis" as what it stands for; empty if it has none."""
        unit = self.facts[field].unit
        if unit == "axis":
            return "m" if getattr(self, "axis", "") == "radius" else "rad"
        return unit

    def describe(self) -> str:
        """What it is in words, with its values and units, angles in degrees."""
        shown = {}
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name in self.units:
                unit = self.unit_of(field.name)
                if unit == "rad":
                    value, unit = math.degrees(value), "deg"
                value = f"{value:.6g} {_UNIT_WORDS.get(unit, unit)}"
            shown[field.name] = value
        text = self.words.format(**shown)
        if self.random:
            return f"{text}; random within the scan"
        if not self.uncertain:
            return text
        return f"{text}; systematic, a standard uncertainty ({self.distribution})"

    def scaled(self, factor: float) -> Self:
        """The same term with all sizes times ``factor``."""
        return replace(self, **{field: factor * getattr(self, field) for field in self.sizes})

    def drawn(self, rng: Rng = None) -> Self:
        """The term as one draw of a Monte Carlo run takes it, by a seed or generator.

        Itself if it is random within the scan or its size is known. Else its sizes are draws whose
        root mean square they were; one without a sign takes the draw's magnitude. A size with a
        phase is drawn as a complex number, real and imaginary part from the distribution; under
        "arcsine" its magnitude stays and its phase is uniform.

        Raises
        ------
        ValueError
            If a draw is no size that the error may have.
        """
        if self.random or not self.uncertain or not self.sizes:
            return self
        values = self._drawn_values(np.random.default_rng(rng))
        try:
            return replace(self, **values)
        except ValueError as error:
            given = ", ".join(f"{field} {getattr(self, field):g}" for field in self.sizes)
            raise InputError(
                f"{error} (a draw of {self.distribution} distribution, standard uncertainty: {given})",
                "state a smaller one, or a distribution with bounds",
            ) from error

    def _drawn_values(self, generator: Generator) -> dict[str, Any]:
        """Sizes, and the phase that belongs to one, of one draw."""
        if self.polar is not None:
            size, phase = self.polar
            if self.distribution == "arcsine":
                z = np.exp(2j * np.pi * generator.random())
            else:
                z = complex(*_unit_draws(generator, self.distribution, 2)) / math.sqrt(2)
            turned = getattr(self, phase) + float(np.angle(z))
            return {size: getattr(self, size) * float(abs(z)), phase: turned}
        values: dict[str, Any] = {}
        draws = _unit_draws(generator, self.distribution, len(self.sizes))
        for field, draw in zip(self.sizes, draws, strict=True):
            value = getattr(self, field) * float(draw)
            values[field] = abs(value) if field in self.unsigned else value
        return values

    def effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        """Independent random disturbances of the samples, none of a systematic error.

        Raises `ValueError` as `check_scan` does.
        """
        self.check_scan(samples)
        return self._effects(samples)

    def check_scan(self, samples: Samples) -> None:
        """Raise `ValueError` for samples that cannot have this error: here, for lack of times."""
        if "time" in self.facts:
            self._times(samples)

    def apply(self, samples: Samples, probe: Probe, rng: Rng = None, *, sign: int = 1) -> Scan:
        """Add the effect of the error to a scan that is given.

        Parameters
        ----------
        samples, probe : Samples, Probe
            The scan, whose positions or responses change, and the probe by which it is solved, which
            changes if the error is of kind "probe".
        rng : int, Generator or None
            Seed or generator.
        sign : {1, -1}
            1 to add the error once more, -1 to take it out, to first order.

        Raises
        ------
        ValueError
            If the samples cannot have this error, or are moved out of range.
        """
        return self._act(samples, probe, rng, -sign if self.moves_record else sign)

    def truth(self, samples: Samples, probe: Probe, rng: Rng = None, *, sign: int = 1) -> Scan:
        """Where, and with which probe, the scan was truly taken; unchanged by a signal error.

        Parameters and errors are those of `apply`, ``sign`` that of the error. The positions,
        frequencies and probe returned are the true ones, the responses as they were.
        """
        if not self.moves_record:
            self.check_scan(samples)
            return samples, probe
        return self._act(samples, probe, rng, sign)

    def _act(self, samples: Samples, probe: Probe, rng: Rng, sign: int) -> Scan:
        if sign not in (1, -1):
            raise InputError(f"sign is {sign}, expected 1 or -1: the size belongs to the term")
        self.check_scan(samples)
        if self.sizes and not any(getattr(self, field) for field in self.sizes):
            return samples, probe
        return self._changed(samples, probe, np.random.default_rng(rng), sign)

    @abstractmethod
    def _changed(self, samples: Samples, probe: Probe, rng: Generator, sign: int) -> Scan:
        """Scan and probe with the error, which is not zero."""

    def _effects(self, samples: Samples) -> tuple[RandomEffect, ...]:
        """Those of a random error."""
        del samples
        return ()

    def _times(self, samples: Samples) -> tuple[Real, NDArray[np.intp]]:
        """Different times in order, and which of them each sample has."""
        return times(getattr(self, "time"), samples, self.name)  # noqa: B009 (not all have it)


def _unit_draws(rng: Generator, distribution: str, shape: int | tuple[int, ...]) -> Real:
    """Draws of mean 0 and variance 1."""
    if distribution == "normal":
        return rng.standard_normal(shape)
    half_width = DISTRIBUTIONS[distribution].divisor
    if distribution == "arcsine":
        return half_width * np.cos(2 * np.pi * rng.random(shape))
    if distribution == "triangular":
        return half_width * (rng.random(shape) - rng.random(shape))
    return rng.uniform(-half_width, half_width, shape)
