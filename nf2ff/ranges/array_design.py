"""A plane-wave array judged with its settings and errors: weights, flatness, link gain."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.messages.input_error import InputError
from nf2ff.ranges.array_errors import DrawnErrors, drawn_errors, expected_error_db
from nf2ff.ranges.array_weights import quantised, regularised, synthesise
from nf2ff.ranges.lengths import free_space_loss_db
from nf2ff.ranges.plane_wave_array import (
    Flatness,
    PlaneWaveArray,
    degrees_of_freedom,
    element_weights,
    flatness,
    flatness_of,
    zone_points,
)
from nf2ff.ranges.zone import Zone
from nf2ff.ranges.zone_formulas import NEPER_DB

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Steps of the points that the weights are made for, that the wave is looked at, that errors are drawn at
#: [wavelengths].
FITTED, LOOKED, DRAWN = 0.45, 0.35, 0.5
#: Regularisations among which the one of the least deviation with errors is sought.
REGULARISATIONS = tuple(10 ** (-4 + i / 3) for i in range(11))
#: Regularisation where no errors are stated.
PLAIN = 0.01
#: Quantile of the draws that is printed, and draws in the search.
QUANTILE, SEARCH_DRAWS = 0.95, 20


@dataclass(frozen=True, slots=True, eq=False)
class ArrayTask:
    """An array, its zone, and how its weights are made and set.

    Parameters
    ----------
    array : PlaneWaveArray
        The array.
    zone : Zone
        The zone, in front of it on the z axis.
    regularisation : float, optional
        As in `array_weights.synthesise`; if left out that of the least deviation with the errors of the
        elements, or 0.01 without errors.
    minimax : bool
        As there.
    limit : float, optional
        As there.
    phase_bits, step_db : int, float, optional
        As in `array_weights.quantised`; both or none.
    amplitude_error_db, phase_error : float
        Standard deviations of each element's amplitude [dB] and phase [rad].
    draws : int
        Draws of the errors.
    most_amplitude_db, most_phase : float
        Deviation allowed, the figures after +- [dB], [rad].

    Raises
    ------
    ValueError
        If the zone reaches the array or has no depth, or settings are stated by half.
    """

    array: PlaneWaveArray
    zone: Zone
    regularisation: float | None = None
    minimax: bool = False
    limit: float | None = None
    phase_bits: int | None = None
    step_db: float | None = None
    amplitude_error_db: float = 0.0
    phase_error: float = 0.0
    draws: int = 100
    most_amplitude_db: float = 1.0
    most_phase: float = math.radians(10)

    def __post_init__(self) -> None:
        deep = self.zone.radius if self.zone.shape == "ball" else self.zone.half_depth or 0.0
        if not self.zone.centre[2] - deep > 0:
            raise InputError(
                f"the zone begins {self.zone.centre[2] - deep:.4g} m from the array: elements are inside it",
                "give a larger distance",
            )
        if (self.phase_bits is None) != (self.step_db is None):
            raise InputError("phase bits and attenuator steps are stated by half", "give both or none")

    @property
    def has_errors(self) -> bool:
        """Whether errors of the elements are stated."""
        return self.amplitude_error_db > 0 or self.phase_error > 0

    def zone_area(self) -> float:
        """Area of the zone across the direction of travel [m^2]."""
        return (4 if self.zone.shape == "square" else math.pi) * self.zone.radius**2

    def array_area(self) -> float:
        """Area of the convex hull of the elements, of the box round them where they have none [m^2]."""
        from scipy.spatial import ConvexHull, QhullError

        flat = self.array.position[:, :2]
        try:
            return float(ConvexHull(flat).volume)
        except (QhullError, ValueError):
            return float(np.prod(np.maximum(np.ptp(flat, axis=0), 1e-3)))


@dataclass(frozen=True, slots=True, eq=False)
class ArrayDesign:
    """Weights at one frequency and what they do.

    Parameters
    ----------
    frequency : float
        Frequency [Hz].
    regularisation : float
        That of the weights.
    weights : (C,) ndarray
        Of the channels, as they are set.
    flat : Flatness
        Of the wave in the zone with these weights.
    drawn : DrawnErrors or None
        With errors of the elements.
    error_db : float or None
        Root mean square error of the field by those, in closed form [dB].
    freedom : float
        A_array A_zone / (lambda z)^2.
    link_gain_db, divider_gain_db : float
        From an isotropic antenna at the zone's centre to the array's common port, by a lossless network that
        is matched to the weights, and by attenuators behind an equal divider [dB].
    free_space_db : float
        The same between isotropic antennas [dB].
    passed : bool
        Whether the deviation is within the limits, with errors in 95 % of the draws.
    """

    frequency: float
    regularisation: float
    weights: Complex
    flat: Flatness
    drawn: DrawnErrors | None
    error_db: float | None
    freedom: float
    link_gain_db: float
    divider_gain_db: float
    free_space_db: float
    passed: bool

    @property
    def with_errors(self) -> Flatness:
        """Flatness that 95 % of the draws do not exceed, the ideal one without errors."""
        if self.drawn is None:
            return self.flat
        return Flatness(
            *(float(np.quantile(x, QUANTILE)) for x in (self.drawn.amplitude_db, self.drawn.phase))
        )


def design_array(
    task: ArrayTask,
    *,
    frequency: float,
    rng: int | np.random.Generator | None = 0,
    coarser: float = 1.0,
) -> ArrayDesign:
    """Weights of an array at a frequency, and how good they are.

    Parameters
    ----------
    task : ArrayTask
        The array and what is asked of it.
    frequency : float
        Frequency [Hz].
    rng : int, Generator or None
        Of the draws.
    coarser : float
        How much coarser the points are than 0.45, 0.35 and 0.5 wavelengths for weights, wave and errors.

    Returns
    -------
    ArrayDesign
        As the channels are set.

    Raises
    ------
    ValueError
        If there are too many points.
    """
    step = coarser * 2 * np.pi / float(wavenumber(frequency))
    alpha, weights = _chosen(task, frequency, rng, step)
    return judged(task, weights, alpha, frequency=frequency, rng=rng, coarser=coarser)


def _set(task: ArrayTask, points: Real, alpha: float, frequency: float) -> Complex:
    """Weights as the channels set them."""
    w = synthesise(
        task.array,
        points,
        frequency=frequency,
        regularisation=alpha,
        minimax=task.minimax,
        limit=task.limit,
    )
    if task.phase_bits is None or task.step_db is None:
        return w
    return quantised(w, phase_bits=task.phase_bits, step_db=task.step_db)


def _chosen(
    task: ArrayTask, frequency: float, rng: int | np.random.Generator | None, step: float
) -> tuple[float, Complex]:
    """Regularisation and weights: those asked for, or of the least deviation with the errors."""
    points = zone_points(task.zone, step=FITTED * step)
    if task.regularisation is not None or not task.has_errors:
        alpha = PLAIN if task.regularisation is None else task.regularisation
        return alpha, _set(task, points, alpha, frequency)
    place = zone_points(task.zone, step=DRAWN * step)
    fields, draws = task.array.fields(place, frequency=frequency), []
    normal = np.random.default_rng(rng).standard_normal((2, task.array.channel.size, SEARCH_DRAWS))
    factors = np.exp(normal[0] * task.amplitude_error_db / NEPER_DB + 1j * normal[1] * task.phase_error)
    for weights in regularised(task.array, points, REGULARISATIONS, frequency=frequency):
        waves = fields @ (element_weights(task.array, weights)[:, None] * factors)
        flat = [flatness_of(wave, place, frequency=frequency) for wave in waves.T]
        # Amplitude in neper and phase in radians: both are parts of one complex deviation.
        draws.append(np.median([max(x.amplitude_db / NEPER_DB, x.phase) for x in flat]))
    best = REGULARISATIONS[int(np.argmin(draws))]
    return best, _set(task, points, best, frequency)


def _drawn(
    task: ArrayTask,
    weights: Complex,
    points: Real,
    frequency: float,
    draws: int,
    rng: int | np.random.Generator | None,
) -> DrawnErrors:
    return drawn_errors(
        task.array,
        weights,
        points,
        frequency=frequency,
        amplitude_db=task.amplitude_error_db,
        phase=task.phase_error,
        draws=draws,
        rng=rng,
    )


def judged(
    task: ArrayTask,
    weights: Complex,
    regularisation: float,
    *,
    frequency: float,
    rng: int | np.random.Generator | None = 0,
    coarser: float = 1.0,
) -> ArrayDesign:
    """What weights do at a frequency, which need not be that they were made for.

    Parameters
    ----------
    task : ArrayTask
        The array and what is asked of it.
    weights : (C,) ndarray
        Of the channels.
    regularisation : float
        What is told of them.
    frequency : float
        Frequency [Hz].
    rng : int, Generator or None
        Of the draws.
    coarser : float
        As in `design_array`.

    Returns
    -------
    ArrayDesign
        The figures.
    """
    k = float(wavenumber(frequency))
    step = coarser * 2 * np.pi / k
    array, zone = task.array, task.zone
    flat = flatness(array, weights, zone_points(zone, step=LOOKED * step), frequency=frequency)
    drawn = error = None
    if task.has_errors:
        points = zone_points(zone, step=DRAWN * step)
        drawn = _drawn(task, weights, points, frequency, task.draws, rng)
        error = expected_error_db(
            array,
            weights,
            points,
            frequency=frequency,
            amplitude_db=task.amplitude_error_db,
            phase=task.phase_error,
        )
    w = element_weights(array, weights)
    heard = abs(complex((array.fields(zone.centre[None], frequency=frequency) @ w)[0])) ** 2
    # An element of the field cos^q over half of space has the gain 2 (2q + 1) (closed form).
    scale = 2 * (2 * array.exponent + 1) / (2 * k) ** 2
    link, divider = (
        10 * math.log10(scale * heard / power)
        for power in (float(np.sum(np.abs(w) ** 2)), float(w.size * np.abs(w).max() ** 2))
    )
    distance = float(zone.centre[2])
    freedom = degrees_of_freedom(
        array_area=task.array_area(), zone_area=task.zone_area(), distance=distance, frequency=frequency
    )
    free_space = -float(free_space_loss_db(distance, frequency))
    found = ArrayDesign(
        frequency, regularisation, weights, flat, drawn, error, freedom, link, divider, free_space, False
    )
    worst = found.with_errors
    passed = worst.amplitude_db <= task.most_amplitude_db and worst.phase <= task.most_phase
    return replace(found, passed=passed)
