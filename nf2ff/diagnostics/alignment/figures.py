"""What each fault of an alignment does to each figure of merit, to first order in the modes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import Modes
from nf2ff.diagnostics.alignment.result import Alignment
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.beam import peak
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.local_figures import localise

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: What is looked at, as far as the antenna has it; cuts along and across the polarisation.
FIGURES = (
    Figure("directivity"),
    Figure("eirp"),
    Figure("trp"),
    Figure("beamwidth"),
    Figure("beamwidth", plane=np.pi / 2),
    Figure("sidelobe-level"),
    Figure("sidelobe-level", plane=np.pi / 2),
)


@dataclass(frozen=True, slots=True, eq=False)
class FigureEffects:
    """Changes of figures by what an alignment took out, and how sure these are.

    Parameters
    ----------
    figures : tuple of Figure
        F figures; EIRP and TRP are changes of level, whose unit need not be known.
    names : tuple of str
        G faults, as `Alignment.estimates` has them.
    change : (G, F) ndarray
        Figure of the corrected scan less that with this fault left in [dB of a power, rad of an angle]; NaN
        where it is found no more.
    uncertainty : (G, F) ndarray
        Standard uncertainty of the figure by what is left of the fault [dB, rad].
    total : (F,) ndarray
        The same by all faults together, noise apart [dB, rad].
    cross : (G,) ndarray
        Field at the peak that the fault made across the beam's polarisation, over that of the beam.
    cross_left, cross_total : (G,) ndarray, float
        Standard uncertainty of that field by what is left of the fault, and of all.
    """

    figures: tuple[Figure, ...]
    names: tuple[str, ...]
    change: Real
    uncertainty: Real
    total: Real
    cross: Real
    cross_left: Real
    cross_total: float


def effects_on_figures(found: Alignment) -> FigureEffects:
    """What each fault does to the figures at the frequency of an alignment.

    Parameters
    ----------
    found : Alignment
        What was found; a pose that is held from another frequency is not looked at.

    Returns
    -------
    FigureEffects
        To first order in what faults change the modes by, which errs by a tenth of the change or by twice its
        square; figures of the changed modes are exact.
    """
    q = found.modes.coefficients[0]
    modes = Modes(found.modes.frequency, q[None])  # ratios of levels need no unit
    figures = tuple(x for x in FIGURES if _has(x, modes))
    (local,) = localise(figures, modes)
    prior = np.array([x.prior for x in found.parameters])
    groups = [x.group for x in found.parameters]
    names = tuple(dict.fromkeys(groups))
    member = np.array([[x == name for x in groups] for name in names], dtype=float)
    covariance = found.covariance / np.outer(prior, prior)
    decibels = np.array([10 / np.log(10) if x.scale == "power" else 0.0 for x in figures])
    factor = np.where(decibels > 0, decibels / local.nominal, 1.0)

    # A fault that is left in adds to the modes what they make up of it.
    without = local.values(q + (member * (found.value / prior)) @ found.effect)
    as_levels = decibels * np.log(np.where(decibels > 0, local.nominal / without, 1.0))
    change = np.where(decibels > 0, as_levels, local.nominal - without)
    slope = factor[:, None] * (local.gradients(q).conj() @ found.effect.T).real
    across = _cross(modes, found.effect)

    def left(of: Any) -> Real:
        """Standard uncertainties (G,) by each fault of what has the slopes (K,)."""
        part = member * of
        power = np.einsum("gk,kl,gl->g", part.conj(), covariance, part).real
        return np.asarray(np.sqrt(np.maximum(power, 0.0)))

    def whole(of: Any) -> float:
        """By all of them."""
        return float(np.sqrt(max(float((of.conj() @ covariance @ of).real), 0.0)))

    return FigureEffects(
        figures,
        names,
        change,
        np.stack([left(x) for x in slope], axis=1),
        np.array([whole(x) for x in slope]),
        np.abs((member * (found.value / prior)) @ across),
        left(across),
        whole(across),
    )


def _has(figure: Figure, modes: Modes) -> bool:
    """Whether an antenna has a figure: a cut may not fall so far, or have no sidelobe."""
    try:
        localise([figure], modes)
    except InputError:
        return False
    return True


def _cross(modes: Modes, effect: Complex) -> Complex:
    """Fields (K,) at the peak across the beam's polarisation, over the beam's, by changes (K, J) of modes."""
    top = peak(modes)
    every = Modes(np.arange(1.0, len(effect) + 2), np.concatenate([modes.coefficients, effect]))
    fields = np.stack(far_field_points(every, theta=top.theta[:1], phi=top.phi[:1]), axis=1)[:, :, 0]
    beam = fields[0]
    across = np.array([-beam[1].conj(), beam[0].conj()])
    return np.asarray(fields[1:] @ across.conj() / np.vdot(beam, beam).real)
