"""A pose that is held: told at one frequency, and what its uncertainty does at the others.

Where the pose is off by d, over the priors, the responses are off by J d. Of these the modes make up Z d, and
the parameters of the signal, fitted beside it, follow by -F d, F their regression on what modes leave of J.
The modes are then off by (Z - F^T Z_s) d, besides what noise and priors of the signal do: the two have
nothing in common, as the noise at one frequency is not that at another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nf2ff.diagnostics.alignment.fit import Fit
from nf2ff.diagnostics.alignment.parameters import Parameter
from nf2ff.diagnostics.alignment.result import Alignment

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class HeldPose:
    """A pose of K parameters, their covariance (K, K) over the priors, and what they have (K, U) of the
    standard uncertainties in the U directions which were not seen, in the words ``told``."""

    parameters: tuple[Parameter, ...]
    value: tuple[float, ...]
    covariance: Real
    unseen: Real
    told: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class HeldEffect:
    """What a held pose's uncertainty does at a frequency, in units of the priors of K_s signal parameters.

    ``by_priors``, ``left``: squares of the far-field error by the priors of the pose, and by what is left of
    them; ``unseen`` (U,): far-field error by each direction not seen; ``covariance`` (K_s, K_s): what is
    added to that of the signal; ``residual``: mean square that it leaves in the responses.
    """

    by_priors: float
    left: float
    unseen: Real
    covariance: Real
    residual: float


def held_pose(found: Alignment) -> HeldPose | None:
    """The pose that was told at a frequency, to be held at others; None where none was asked for."""
    at = [i for i, x in enumerate(found.parameters) if x.geometric]
    if not at:
        return None
    seen = found.observability
    unseen = seen.unseen()
    return HeldPose(
        tuple(found.parameters[i] for i in at),
        tuple(float(found.value[i]) for i in at),
        seen.covariance[np.ix_(at, at)],
        seen.direction[np.ix_(at, unseen)] * seen.left[unseen],
        tuple(seen.told(i) for i in unseen),
    )


def held_effect(fit: Fit, held: HeldPose) -> HeldEffect:
    """What the uncertainty of a held pose does to a fit that has come to rest."""
    pose, signal = fit.derivatives_by([x for x, _ in fit.model.held]), fit.derivatives
    scale = np.sqrt(fit.scale)
    left, own = (np.concatenate([x.real, x.imag], axis=1) for x in (pose.left * scale, signal.left * scale))
    kept = fit.observed.fitted
    seen = fit.observed.direction[:, kept]
    gain = (seen * fit.observed.ratio[kept] ** 2) @ seen.T
    follow = gain @ (2 / fit.variance * (own @ left.T))
    effect = fit.effect_of(pose.modes - follow.T @ signal.modes)
    rest = left - follow.T @ own
    free = fit.free - np.count_nonzero(~fit.used) - float(np.sum(1 - fit.observed.ratio[kept] ** 2)) / 2
    return HeldEffect(
        by_priors=float(np.trace(fit.effect_of(pose.modes))),
        left=float(np.sum(held.covariance * effect)),
        unseen=np.sqrt(np.maximum(np.einsum("ku,kl,lu->u", held.unseen, effect, held.unseen), 0.0)),
        covariance=follow @ held.covariance @ follow.T,
        residual=float(np.sum(held.covariance * (rest @ rest.T))) / max(free, 1.0),
    )
