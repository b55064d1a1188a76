"""What an alignment found: the faults, how sure they are, what they do, and the scan set right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.diagnostics.alignment_parameters import Parameter
from nf2ff.diagnostics.observability import Observability
from nf2ff.measurement.samples import Samples
from nf2ff.messages.notice import Notice
from nf2ff.uncertainty.errors.error_term import ErrorTerm

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


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
        Change of the modes by one prior standard uncertainty of each parameter [sqrt(W)].
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
        Residual over what the stated noise explains; None where none is stated.
    far_field_before, far_field_after : float
        Standard uncertainty of the far field relative to the field, rms over the sphere, a common factor
        apart: by the priors, and by what is left of them, each with the noise.
    far_field_noise : float
        That of the noise alone, relative to the field.
    solves : int
        Least-squares solutions that it took.
    warnings : tuple of Notice
        What to beware of.
    others : tuple of Alignment
        The scan's other frequencies, the pose held.
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
    solves: int
    warnings: tuple[Notice, ...]
    others: tuple[Alignment, ...] = ()

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
        Those that were estimated, each size times its standard uncertainty after over before; the others as
        they are. That some go together is not in them.
    """
    left = list(terms)
    for index, term in enumerate(terms):
        sizes: dict[str, Any] = {}
        for field in term.sizes:
            at = [i for i, x in enumerate(found.parameters) if (x.term, x.field) == (index, field)]
            if at:
                prior = np.array([found.parameters[i].prior * _rms(found.parameters[i]) for i in at])
                after = found.uncertainty[at] / [found.parameters[i].prior for i in at]
                ratio = float(np.linalg.norm(after * prior) / np.linalg.norm(prior))
                sizes[field] = ratio * getattr(term, field)
        left[index] = replace(term, **sizes) if sizes else term
    return tuple(left)


def _without(q: Complex, change: Complex) -> Complex:
    """A change of modes less its part along them."""
    return np.asarray(change - q * (np.vdot(q, change) / np.vdot(q, q)))


def _rms(parameter: Parameter) -> float:
    shapes = [x for _, x in parameter.moves]
    shapes += [x for x in (parameter.gain, parameter.offset) if x is not None]
    return float(np.sqrt(np.mean(np.square(shapes[0]))))
