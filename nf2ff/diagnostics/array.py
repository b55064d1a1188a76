"""Excitations of an array whose element and places are known, from the modes of the whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes, mode_count, required_degree, wavenumber
from nf2ff.diagnostics.field_rule import one_frequency, refuse_beyond, rule_field
from nf2ff.diagnostics.noise import checked_noise
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.interpolation import SAME_FREQUENCY
from nf2ff.messages.input_error import InputError

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: Condition of the elements' fields from which they cannot be told apart.
_ALIKE = 1e10
#: An element whose excitation lies this far below the median is dead.
DEAD_DB = -20.0


@dataclass(frozen=True, slots=True, eq=False)
class Excitations:
    """Excitations of an array's elements at one frequency.

    Parameters
    ----------
    frequency : float
        Frequency [Hz].
    position : (P, 3) ndarray
        Places of the elements [m].
    excitation : (P,) ndarray
        Factor of the element's field at each place.
    uncertainty : (P,) ndarray
        Standard uncertainty of its magnitude from noise, sqrt(2) times that of either part's; NaN where the
        noise is not known.
    remainder : float
        Power of what the elements leave of the modes, over all.
    """

    frequency: float
    position: Real
    excitation: Complex
    uncertainty: Real
    remainder: float

    def dead(self, level_db: float = DEAD_DB) -> NDArray[np.bool_]:
        """Elements below a level over the median magnitude, beyond doubt of noise (two standard deviations).

        Parameters
        ----------
        level_db : float
            Magnitude below which an element is dead [dB of the median].

        Returns
        -------
        (P,) ndarray
            Whether it is.
        """
        size = np.abs(self.excitation)
        return np.asarray(
            size + 2 * np.nan_to_num(self.uncertainty) < 10 ** (level_db / 20) * np.median(size)
        )


def array_excitations(
    modes: Modes, element: Modes, positions: ArrayLike, *, noise: float | None = None
) -> Excitations:
    """Excitations of an array, by least squares of all elements' far fields.

    Parameters
    ----------
    modes : Modes
        Of the whole array, one frequency.
    element : Modes
        Of one element about its own place, the same frequency: better the mean of elements measured within
        the array than one alone, which has no neighbours.
    positions : (P, 3) array_like
        Places of the elements, all turned alike [m].
    noise : float, optional
        Standard uncertainty of a coefficient of ``modes``, see `noise.coefficient_noise` [sqrt(W)].

    Returns
    -------
    Excitations
        What each element is driven with, relative to ``element``.

    Raises
    ------
    ValueError
        If frequencies differ, there is no power, or elements are too far away, too many, or too close to be
        told apart.
    """
    place = as_array(positions, float, "positions", ndim=2)
    if place.shape[1] != 3 or not place.size:
        raise InputError(f"positions have shape {place.shape}, expected (P, 3) with P >= 1")
    for one in (modes, element):
        one_frequency(one)
    hertz = float(modes.frequency[0])
    if abs(element.frequency[0] - hertz) > SAME_FREQUENCY * hertz:
        raise InputError(
            f"the element is known at {element.frequency[0]:.9g} Hz, the array at {hertz:.9g} Hz"
        )
    sigma = float(checked_noise(np.nan if noise is None else noise, modes)[0])
    k = float(wavenumber(hertz))
    farthest = float(np.max(np.linalg.norm(place, axis=1)))
    refuse_beyond(modes, farthest, "elements stand up to")
    if len(place) > mode_count(modes.degree):
        raise InputError(
            f"there are {len(place)} elements for {mode_count(modes.degree)} modes of degree {modes.degree}",
            "leave out elements",
        )
    reach = k * farthest
    top = max(modes.degree, required_degree(element.degree + reach, tail_db=-160))
    directions, weight, field = rule_field(modes, top + 2)
    single = rule_field(element, top + 2)[2] * np.sqrt(weight)
    turn = np.exp(1j * k * (directions @ place.T))
    columns = (single[:, :, None] * turn).reshape(-1, len(place))
    wanted = (field * np.sqrt(weight)).ravel()
    gram = columns.conj().T @ columns
    if np.linalg.cond(gram) > _ALIKE:
        raise InputError(
            f"the fields of {len(place)} elements cannot be told apart at {hertz / 1e9:.9g} GHz",
            "leave out elements, or those that stand closer than half a wavelength",
        )
    inverse = np.linalg.inv(gram)
    found = inverse @ (columns.conj().T @ wanted)
    left = wanted - columns @ found
    # The far field of modes q has the norm sqrt(Z0) |q|.
    spread = np.sqrt(WAVE_IMPEDANCE * np.diag(inverse).real) * sigma
    power = np.linalg.norm(wanted) ** 2
    return Excitations(hertz, place, found, spread, float(np.linalg.norm(left) ** 2 / power))
