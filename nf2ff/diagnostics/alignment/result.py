"""What an alignment found: the faults, how sure they are, what they do, and the scan set right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.diagnostics.alignment.observability import Observability
from nf2ff.diagnostics.alignment.parameters import Parameter
from nf2ff.diagnostics.alignment.unlisted import Unlisted
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.uncertainty.errors.error_term import ErrorTerm

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Reduced chi-square above which a scan is not corrected: a residual of twice the stated noise. A receiver's
#: noise is known to a few dB, 3 dB is a factor 2; beyond 4 it is other faults, which estimates then absorb.
MOST_UNEXPLAINED = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """One fault of the set-up, as estimated: a parameter, or a smooth one as a whole.

    Parameters
    ----------
    name : str
        What it is.
    unit : str
        "rad", "m", "s", "relative" (of the logarithm of an amplitude) or "level" (of the largest response).
    value : float
        Estimate; of a smooth fault its rms over the samples [unit].
    uncertainty, prior : float
        Standard uncertainty after and before; rms alike [unit].
    field : float
        Change of the far field that it makes, relative to the field, rms over the sphere.
    """

    name: str
    unit: str
    value: float
    uncertainty: float
    prior: float
    field: float


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """What a scan says of its set-up at one frequency, and the scan set right.

    Parameters
    ----------
    frequency : float
        Frequency [Hz].
    parameters : tuple of Parameter
        K parameters.
    value, uncertainty : (K,) ndarray
        Estimates, and their standard uncertainties [unit of each].
    covariance : (K, K) ndarray
        Covariance of the parameters [units of both].
    observability : Observability
        What of them the scan sees.
    effect : (K, J) ndarray
        Change of the modes by a fault of one prior standard uncertainty that is left in [sqrt(W)].
    modes : Modes
        Modes of the antenna, faults taken out.
    samples : Samples
        Corrected samples, at all frequencies of the scan: responses freed of gains, leakage and tilts, at the
        places where the probe truly was, for the same probe. Samples set aside are missing.
    set_aside : (S,) ndarray of int
        Numbers of the samples set aside, from 1.
    residual_before, residual_after : (M,) ndarray
        What modes leave of each response as recorded and as corrected, over the largest; NaN where missing.
    noise : float
        Rms noise of a sample over the largest response, as stated or from the residual.
    chi_square : float or None
        Residual over what the stated noise and the uncertainty of a pose that is held explain; None where no
        noise is stated.
    far_field_before, far_field_after : float
        Standard uncertainty of the far field relative to the field, rms over the sphere, a common factor
        apart: by the priors, and by what is left of them, each with the noise.
    far_field_noise : float
        That of the noise alone, relative to the field.
    far_field_pose : float
        That of a pose that is held from another frequency, 0 where none is.
    solves : int
        Least-squares solutions that it took.
    warnings : tuple of Notice
        What to beware of.
    others : tuple of Alignment
        The scan's other frequencies, the pose held.
    unlisted : tuple of Unlisted
        Faults that are not among the terms and show in the residual, the surest first; looked for at the
        frequency that tells the pose.
    """

    frequency: float
    parameters: tuple[Parameter, ...]
    value: Real
    uncertainty: Real
    covariance: Real
    observability: Observability
    effect: Complex
    modes: Modes
    samples: Samples
    set_aside: NDArray[np.int64]
    residual_before: Real
    residual_after: Real
    noise: float
    chi_square: float | None
    far_field_before: float
    far_field_after: float
    far_field_noise: float
    far_field_pose: float
    solves: int
    warnings: tuple[Notice, ...]
    others: tuple[Alignment, ...] = ()
    unlisted: tuple[Unlisted, ...] = ()

    def estimates(self) -> list[Estimate]:
        """Faults in the order of the terms, those of a smooth kind as one.

        Returns
        -------
        list of Estimate
        """
        found = []
        prior = np.array([x.prior for x in self.parameters])
        q = self.modes.coefficients[0]
        for group in dict.fromkeys(x.group for x in self.parameters):
            at = [i for i, x in enumerate(self.parameters) if x.group == group]
            one = self.parameters[at[0]]
            scale = [_rms(self.parameters[i]) if len(at) > 1 else 1.0 for i in at]
            total = (float(np.linalg.norm(x[at] * scale)) for x in (self.value, self.uncertainty, prior))
            value, after, before = total
            change = _without(q, (self.value[at] / prior[at]) @ self.effect[at])
            size = float(np.linalg.norm(change) / np.linalg.norm(q))
            value = float(self.value[at[0]]) if len(at) == 1 else value
            found.append(Estimate(group, one.unit, value, after, before, size))
        return found


def terms_left(found: Alignment, terms: Sequence[ErrorTerm]) -> tuple[ErrorTerm, ...]:
    """Terms of a budget for the corrected samples: with what is left of the sizes.

    Parameters
    ----------
    found : Alignment
        What was found.
    terms : sequence of ErrorTerm
        The terms that it was found by.

    Returns
    -------
    tuple of ErrorTerm
        Those that were estimated, each size times its standard uncertainty after over before, the largest of
        all frequencies; the others as they are. That some go together is not in them.
    """
    left = list(terms)
    for index, term in enumerate(terms):
        sizes: dict[str, Any] = {}
        for field in term.sizes:
            ratios = [
                x for one in (found, *found.others) if (x := _ratio_left(one, index, field)) is not None
            ]
            if ratios:
                sizes[field] = max(ratios) * getattr(term, field)
        left[index] = replace(term, **sizes) if sizes else term
    return tuple(left)


def check_explained(found: Alignment) -> None:
    """Refuse an alignment whose terms do not explain the scan: corrected by it, a good scan may turn bad.

    Parameters
    ----------
    found : Alignment
        What was found.

    Raises
    ------
    ValueError
        If the residual shows a fault that is not among the terms, or reduced chi-square is above 4 at any
        frequency.
    """
    if found.unlisted:
        words = ", or ".join(x.words for x in found.unlisted)
        raise InputError(
            f"the residual shows a fault that is not among the terms: it looks like {words}; the estimates "
            "would be wrong by more than they say",
            f"add {found.unlisted[0].kind} to the terms, or mend the cause and measure again",
        )
    every = (found, *found.others)
    bad = [x for x in every if x.chi_square and x.chi_square > MOST_UNEXPLAINED]
    if not bad:
        return
    worst = max(bad, key=lambda x: x.chi_square or 0.0)
    several = f" (too high at {len(bad)} of {len(every)} frequencies)" if len(every) > 1 else ""
    raise InputError(
        f"the terms do not explain the scan: at {worst.frequency / 1e9:.9g} GHz reduced chi-square is "
        f"{worst.chi_square:.3g}{several}, allowed: {MOST_UNEXPLAINED:g}; the estimates would be wrong by "
        "more than they say",
        "name terms that may be missing, such as cable-flexing over theta or phi, slow-drift or wander, or "
        "state the noise that the receiver truly has" + ("; or leave bad frequencies out" if several else ""),
    )


def _ratio_left(found: Alignment, index: int, field: str) -> float | None:
    """Standard uncertainty after over before of a term's size, None where it was not estimated."""
    at = [i for i, x in enumerate(found.parameters) if (x.term, x.field) == (index, field)]
    if not at:
        return None
    prior = np.array([found.parameters[i].prior for i in at])
    shape = np.array([_rms(found.parameters[i]) for i in at])
    return float(np.linalg.norm(found.uncertainty[at] * shape) / np.linalg.norm(prior * shape))


def _without(q: Complex, change: Complex) -> Complex:
    """A change of modes less its part along them."""
    return np.asarray(change - q * (np.vdot(q, change) / np.vdot(q, q)))


def _rms(parameter: Parameter) -> float:
    shapes = [x for _, x in parameter.moves]
    shapes += [x for x in (parameter.gain, parameter.offset) if x is not None]
    return float(np.sqrt(np.mean(np.square(shapes[0]))))
