"""Faults that are not among the terms, looked for in what an alignment leaves of the scan.

Modes and parameters make up for most of a fault beside those fitted, but seldom for all. What they leave of
its derivative, C, is held against the residual e (score test; C. R. Rao, Proc. Camb. Phil. Soc. 44, 1948,
from memory): where there is nothing but noise of variance sigma^2, and parameters as priors have them, C^T e
has the covariance S = sigma^2/2 C^T (1 - J (J^T J + sigma^2/2)^-1 J^T) C, and e^T C S^-1 C^T e is chi-square
of as many degrees as C has columns. The noise is that of the residual itself, so that a receiver whose noise
is not what was stated raises no alarm.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.diagnostics.alignment.fit import Fit
from nf2ff.diagnostics.alignment.model import rows
from nf2ff.diagnostics.alignment.parameters import Parameter, parameters_of
from nf2ff.measurement.samples import Samples
from nf2ff.uncertainty.errors.axes import AxesSeparation, AxesSkew
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.errors.position import AxisZero
from nf2ff.uncertainty.errors.receiver import CableFlexing, ChannelImbalance, Leakage, ThermalRamp

Real = NDArray[np.float64]

#: Chance that noise alone passes for one of the faults: with ten of them once in a million scans.
CHANCE = 1e-7


class Unlisted(NamedTuple):
    """A fault that is not among the terms, but shows in the residual.

    Parameters
    ----------
    kind : str
        Name of the error term that describes it.
    words : str
        What it looks like; how large it is the parameters that follow it hide.
    chance : float
        Chance that noise imitates it.
    """

    kind: str
    words: str
    chance: float


def unlisted(fit: Fit, samples: Samples, terms: Sequence[ErrorTerm], *, doubtful: bool) -> list[Unlisted]:
    """Faults beside the terms that the residual of a fit shows, the surest first.

    Parameters
    ----------
    fit : Fit
        That has come to its end.
    samples : Samples
        Those it was made of, at one frequency.
    terms : sequence of ErrorTerm
        Those it estimated.
    doubtful : bool
        Whether something is known to be wrong: cables are then looked for whatever it costs, otherwise each
        fault only as far as the solutions go.

    Returns
    -------
    list of Unlisted
    """
    found = []
    present = ~np.isnan(samples.response[0])
    for term in _candidates(samples, terms):
        parameters = rows(parameters_of([term], samples), present)
        if not fit.affords(fit.cost(parameters)) and not (doubtful and isinstance(term, CableFlexing)):
            continue
        chance = _chance(fit, parameters)
        if chance < CHANCE:
            found.append(Unlisted(term.name, _words(term, parameters), chance))
    return sorted(found, key=lambda x: x.chance)


def _candidates(samples: Samples, terms: Sequence[ErrorTerm]) -> Iterator[ErrorTerm]:
    """Customary faults that are not among the terms: what nothing else tells of first."""
    listed = {_key(x) for x in terms}
    ports = samples.ports()
    every: list[ErrorTerm] = [CableFlexing(axis=axis, amplitude=np.radians(1)) for axis in ("phi", "theta")]
    if samples.time is not None and np.ptp(samples.time) > 0:
        every.append(ThermalRamp(amplitude=0.01, phase=np.radians(1)))
    if len(ports) > 1:
        every.append(ChannelImbalance(port=ports[1], amplitude=0.01, phase=np.radians(1)))
    every += [
        AxisZero(axis="theta", offset=np.radians(0.1)),
        AxesSeparation(x=1e-4),
        AxesSeparation(y=1e-4),
        AxesSkew(angle=np.radians(0.1)),
        Leakage(level=1e-3),
    ]
    return (x for x in every if _key(x) not in listed)


def _key(term: Any) -> tuple[Any, ...]:
    """What kind of fault a term is."""
    return type(term), getattr(term, "axis", None), getattr(term, "between", None)


def _chance(fit: Fit, parameters: Sequence[Parameter]) -> float:
    """Chance of noise to look as much like faults beside those fitted as the residual does."""
    from scipy.special import gammaincc

    scale = np.sqrt(fit.scale)

    def real(x: Any) -> Real:
        x = np.atleast_2d(x) * scale
        return np.concatenate([x.real, x.imag], axis=1)

    c, j, e = real(fit.derivatives_by(parameters).left), real(fit.derivatives.left), real(fit.left)[0]
    half, cross = fit.found / 2, j @ c.T
    information = j @ j.T + half * np.eye(len(j))
    # To where data and priors together would come to rest, whatever was left at its prior or not reached.
    e = e - np.linalg.solve(information, j @ e - half * fit.u) @ j
    s = c @ c.T - cross.T @ np.linalg.solve(information, cross)
    score = c @ e
    square = float(score @ np.linalg.lstsq(s, score, rcond=1e-10)[0]) / half
    return float(gammaincc(len(c) / 2, max(square, 0.0) / 2))


def _words(term: Any, parameters: Sequence[Parameter]) -> str:
    """A fault in words."""
    first = {
        "cable-flexing": f"a cable bent by {getattr(term, 'axis', '')}",
        "thermal-ramp": "a steady drift",
        "channel-imbalance": "a port out of balance",
        "leakage": "leakage",
    }
    return first.get(term.name, parameters[0].group)
