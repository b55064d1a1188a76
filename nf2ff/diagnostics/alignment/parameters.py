"""What alignment can estimate: the sizes of error terms, each with its prior standard uncertainty.

An error term of the budget states a fault of the set-up and how large it may be. Each of its sizes becomes a
parameter whose prior is that standard uncertainty, about zero. What no scan can see is refused by name.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.errors.axes import AxesSeparation, AxesSkew, AxisWander, TimingLag
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.errors.model import ProbePointing
from nf2ff.uncertainty.errors.position import ArmSag, AxisZero, ShiftTerm, Wobble
from nf2ff.uncertainty.errors.receiver import (
    CableFlexing,
    ChannelImbalance,
    Leakage,
    NoiseFloor,
    ReceiverNoise,
    SlowDrift,
    ThermalRamp,
    largest,
)

Real = NDArray[np.float64]

#: Radii whose range is below this part of a wavelength are one sphere.
ONE_SPHERE = 0.25
#: Modes of a smooth effect with less than this part of the strongest's amplitude are none.
_FAINT = 1e-6
_SEEN_BY_NONE = {
    "phi": ("the zero of phi", "it turns the frame of the antenna about z, and nothing else"),
    "chi": ("the zero of chi", "it turns the polarisation by that angle in all directions alike"),
    "z": ("the height z of the axes", "it shifts the origin of the frame along z, and with it the phase"),
}
_REMEDY = {
    "phi": "leave it out; where the frame matters, set phi to zero by a mark on the device",
    "chi": "leave it out; set chi to zero by an antenna of known polarisation",
    "z": "leave z out; where the frame matters, measure the height of the device",
}


@dataclass(frozen=True, slots=True, eq=False)
class Parameter:
    """One number to be estimated.

    Parameters
    ----------
    name : str
        What it is, in words; modes of a smooth effect are numbered.
    group : str
        The same without that number.
    unit : str
        "rad", "m", "s", "relative" (of the logarithm of an amplitude), or "level", relative to the largest
        response.
    prior : float
        Its standard uncertainty before, about zero [unit].
    moves : tuple of (str, (M,) ndarray or float)
        What it does to the pose, per unit: names of `pose.MOVES`, or "tilt-x", "tilt-y".
    gain, offset : (M,) ndarray or None
        What it adds to the logarithm of the gain, or to the response over the largest, per unit.
    imaginary : bool
        Whether j times that.
    term : int
        Index of the term that it is of.
    field : str
        Size of the term that is its prior.
    geometric : bool
        Whether it is the same at all frequencies.
    """

    name: str
    group: str
    unit: str
    prior: float
    moves: tuple[tuple[str, Any], ...] = ()
    gain: Real | None = None
    offset: Real | None = None
    imaginary: bool = False
    term: int = 0
    field: str = ""

    @property
    def geometric(self) -> bool:
        """Whether it moves the pose: the same at all frequencies."""
        return bool(self.moves)


def parameters_of(terms: Sequence[ErrorTerm], samples: Samples) -> tuple[Parameter, ...]:
    """Parameters of the terms that can be estimated, for samples of one frequency, some perhaps missing."""
    found: list[Parameter] = []
    for index, term in enumerate(terms):
        if isinstance(term, ReceiverNoise | NoiseFloor) or not isinstance(term, _ESTIMABLE):
            continue
        if not any(getattr(term, field) for field in term.sizes):
            raise InputError(
                f"{term.name} has a prior of zero: it is known not to be there",
                "leave it out, or give its standard uncertainty",
            )
        found += [replace(x, term=index, field=x.field or term.sizes[0]) for x in _parameters(term, samples)]
    if not found:
        kinds = ", ".join(sorted(kind.name for kind in _ESTIMABLE))
        raise InputError("there is nothing to estimate", f"name at least one of {kinds}")
    return _numbered(found)


def noise_of(terms: Sequence[ErrorTerm], samples: Samples) -> float | None:
    """Rms noise of a sample that the terms state, None where they state none [unit of the response]."""
    top = float(largest(samples)[0, 0])
    power = [
        (term.rms * (top if isinstance(term, ReceiverNoise) else 1.0)) ** 2
        for term in terms
        if isinstance(term, ReceiverNoise | NoiseFloor)
    ]
    return float(np.sqrt(sum(power))) if sum(power) > 0 else None


def _parameters(term: Any, samples: Samples) -> Iterator[Parameter]:
    """Of one term."""
    match term:
        case AxisZero():
            yield _zero(term, samples)
        case AxesSeparation():
            if term.z:
                raise _unseen("z")
            for axis in "xy":
                yield from _moved(f"axes apart, {axis}", "m", getattr(term, axis), ((axis, 1.0),), field=axis)
        case AxesSkew():
            yield from _moved(f"squareness {term.between}", "rad", term.angle, ((term.between, 1.0),))
        case ProbePointing():
            for axis in "xy":
                size = getattr(term, f"tilt_{axis}")
                move = ((f"tilt-{axis}", 1.0),)
                yield from _moved(f"probe tilt {axis}", "rad", size, move, field=f"tilt_{axis}")
        case TimingLag():
            yield from _moved(f"lag of {' and '.join(term.axes)}", "s", term.lag, _shifts(term, samples))
        case ArmSag():
            for field, unit in (("angle", "rad"), ("stretch", "m")):
                if size := getattr(term, field):
                    alone = replace(term, **{x: 0.0 for x in term.sizes if x != field})  # type: ignore[arg-type]
                    shifts = _shifts(alone, samples)
                    yield from _moved(f"arm sag, {field}", unit, size, shifts, field=field)
        case Wobble():
            for part, turn in (("sine", 0.0), ("cosine", np.pi / 2)):
                one = replace(term, phase=term.phase + turn)
                name = f"wobble of {term.axis} with {term.of}, {part}"
                yield from _moved(name, term.unit_of("amplitude"), term.amplitude, _shifts(one, samples), 0.5)
        case AxisWander():
            shapes = _smooth(term, samples)
            for i, shape in enumerate(shapes, start=1):
                group = f"wander of {term.axis}"
                unit = term.unit_of("rms")
                yield Parameter(f"{group}, {i}", group, unit, term.rms, ((term.axis, shape),))
        case ChannelImbalance():
            there = term._other(samples).astype(float)
            term.check_scan(samples)
            name = f"balance of port {term.port}" if term.between == "ports" else "balance of chi = 90 deg"
            yield from _gained(name, term, there)
        case ThermalRamp():
            times, which = term._times(samples)
            share = ((times - times[0]) / max(times[-1] - times[0], np.finfo(float).tiny))[which]
            yield from _gained("linear drift", term, share)
        case SlowDrift():
            for i, shape in enumerate(_smooth(replace(term, phase=1.0, amplitude=0.0), samples), start=1):
                yield from _gained("slow drift", term, shape, f", {i}")
        case CableFlexing():
            angle = getattr(samples, term.axis) + term.start
            for part, shape in (("sine", np.sin(angle)), ("cosine", np.cos(angle))):
                name = f"cable bent by {term.axis}, {part}"
                prior = term.amplitude * np.sqrt(0.5)
                yield Parameter(name, name, "rad", prior, gain=shape, imaginary=True)
        case Leakage():
            for port in samples.ports():
                there = (samples.port == port).astype(float)
                for part, imaginary in (("real", False), ("imaginary", True)):
                    name, prior = f"leakage of port {port}, {part}", term.level * np.sqrt(0.5)
                    yield Parameter(name, name, "level", prior, offset=there, imaginary=imaginary)


_ESTIMABLE = (
    AxisZero,
    AxesSeparation,
    AxesSkew,
    ProbePointing,
    TimingLag,
    ArmSag,
    Wobble,
    AxisWander,
    ChannelImbalance,
    ThermalRamp,
    SlowDrift,
    CableFlexing,
    Leakage,
)


def _moved(
    name: str,
    unit: str,
    size: float,
    moves: tuple[tuple[str, Any], ...],
    share: float = 1.0,
    *,
    field: str = "",
) -> Iterator[Parameter]:
    """A parameter of the pose, if its size is any; of its variance it has a ``share``."""
    if size:
        yield Parameter(name, name, unit, abs(size) * np.sqrt(share), moves, field=field)


def _gained(name: str, term: Any, shape: Real, end: str = "") -> Iterator[Parameter]:
    """Amplitude and phase of a gain."""
    for field, unit in (("amplitude", "relative"), ("phase", "rad")):
        if size := abs(getattr(term, field)):
            group = f"{name}, {field}"
            turns = field == "phase"
            yield Parameter(group + end, group, unit, size, gain=shape, imaginary=turns, field=field)


def _zero(term: AxisZero, samples: Samples) -> Parameter:
    if term.axis in _SEEN_BY_NONE:
        raise _unseen(term.axis)
    if term.axis == "radius":
        wavelength = 2 * np.pi / float(wavenumber(samples.frequency)[0])
        span = float(np.ptp(samples.radius))
        if span < ONE_SPHERE * wavelength:
            raise InputError(
                "no scan of one sphere sees an error of its radius: it changes the level, hardly the pattern",
                "leave it out, and keep it in the budget, or measure a second sphere some wavelengths "
                "farther out",
            )
    name = f"zero of {term.axis}"
    unit = term.unit_of("offset")
    return Parameter(name, name, unit, abs(term.offset), ((term.axis, 1.0),))


def _unseen(what: str) -> InputError:
    name, effect = _SEEN_BY_NONE[what]
    return InputError(f"no scan sees {name}: {effect}", _REMEDY[what])


def _shifts(term: ShiftTerm, samples: Samples) -> tuple[tuple[str, Real], ...]:
    """Shifts of coordinates by a term, per unit of its one size."""
    (size,) = (getattr(term, x) for x in term.sizes if getattr(term, x))
    return tuple((axis, shift / size) for axis, shift in term._shift(samples).items() if np.any(shift))


def _smooth(term: Any, samples: Samples) -> Real:
    """Modes (K, M) of a smooth effect over the samples, uncorrelated, the smoothest first; of variance 1."""
    effect = term.effects(samples)[0]
    assert effect.basis is not None
    _, size, modes = np.linalg.svd(effect.basis, full_matrices=False)
    keep = size > _FAINT * size[0]
    return np.asarray((size[:, None] * modes)[keep][:, effect.group])


def _numbered(found: list[Parameter]) -> tuple[Parameter, ...]:
    """Each with a name of its own."""
    count = Counter(x.name for x in found)
    seen: Counter[str] = Counter()
    named = []
    for x in found:
        seen[x.name] += 1
        more = f" ({seen[x.name]})" if count[x.name] > 1 else ""
        named.append(replace(x, name=x.name + more, group=x.group + more))
    return tuple(named)
