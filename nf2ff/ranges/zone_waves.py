"""Regular waves of a quiet zone from the readings of a field probe, by least squares.

Readings on one sphere of the tangential electric field alone do not tell waves whose field there
vanishes: inner resonances, at j_n(kR) = 0 and (x j_n)' = 0. With many degrees some resonance is always
near. A second sphere, or a probe that hears the magnetic field too (a Huygens source), sees them all;
the radial component cures the second kind alone, since waves s = 1 have none. A single plane sees next to
nothing of the field off it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import mode_count, mode_numbers, wavenumber
from nf2ff.kernel.arrays import as_array
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.ranges import IncidentCode
from nf2ff.ranges.incident_field import RegularWaves
from nf2ff.ranges.regular_waves import (
    magnetic,
    regular_waves,
    tangential_strength,
    truncation_error_db,
)

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Noise gain of the worst degree beyond which readings are refused: a single sphere of tangential
#: fields has 19 to 23 dB at kR = 12, two spheres and Huygens sources stay below 10. (A choice of ours.)
MOST_NOISE_GAIN_DB = 15.0
#: Noise gain that is told of.
_NOTEWORTHY_DB = 6.0
#: Numbers in the dense matrix at most, 1.6 GB.
MOST_NUMBERS = 100_000_000


@dataclass(frozen=True, slots=True, eq=False)
class ZoneFit:
    """Regular waves that fit readings best, and how sure they are.

    Parameters
    ----------
    waves : RegularWaves
        The field about the centre of the positions' coordinates.
    residual : float
        Root mean square of what is left of the readings over that of the readings.
    relative_error : float
        Expected root mean square error of the tangential fields on the sphere of the outermost
        reading, over the fields: what is left, taken for white noise, through the least squares.
    noise_gain_db : float
        Error power of the field over that from readings that see all waves alike [dB].
    degree_gain_db : (N,) ndarray
        The same of each degree: 0 for Huygens sources all over a sphere [dB].
    condition : float
        Largest over smallest singular value.
    warnings : tuple of Notice
        What a user should know.
    """

    waves: RegularWaves
    residual: float
    relative_error: float
    noise_gain_db: float
    degree_gain_db: Real
    condition: float
    warnings: tuple[Notice, ...]


def fit_regular_waves(
    position: ArrayLike,
    reading: ArrayLike,
    electric: ArrayLike,
    *,
    frequency: float,
    degree: int,
    magnetic_part: ArrayLike | None = None,
    most_noise_gain_db: float = MOST_NOISE_GAIN_DB,
) -> ZoneFit:
    """Regular waves about the origin from readings at any places.

    Parameters
    ----------
    position : (M, 3) array_like
        Places of the probe, the zone's centre being the origin [m].
    reading : (M,) array_like
        Complex readings, exp(+jwt).
    electric : (M, 3) array_like
        Vector e of each reading: it is e.E [V/m]. A reading of two polarisations is two rows.
    frequency : float
        Frequency [Hz].
    degree : int
        Largest degree N; `zone_degree` says what a zone needs.
    magnetic_part : (M, 3) array_like, optional
        Vector h where the probe hears the magnetic field too: the reading is e.E + h.(Z0 H). A small
        Huygens source that listens for waves along d has e = x/2, h = (d x x^)/2.
    most_noise_gain_db : float
        Noise gain of a degree beyond which the readings are refused [dB].

    Returns
    -------
    ZoneFit
        The waves, their error, and the noise gain.

    Raises
    ------
    ValueError
        If shapes do not fit, there are too few readings or too many for a dense matrix, or they do
        not determine some waves.

    Notes
    -----
    Dense, M J^2 operations and at most 1e8 numbers: degree 58 with two readings a wave, for zones of up to
    seven wavelengths' radius; degree 40 takes a minute. Coefficients are scaled by
    sqrt(j_n^2 + ((x j_n)'/x)^2) at the outermost reading, what a Huygens source hears there, so that
    waves that decay towards the centre do not look ill determined because they are weak.
    """
    matrix, w = _system(position, reading, electric, magnetic_part, frequency=frequency, degree=degree)
    _, _, n = mode_numbers(degree)
    far = float(np.linalg.norm(np.asarray(position, dtype=float), axis=1).max())
    scale = tangential_strength(degree, float(wavenumber(frequency)) * far)[n - 1]
    matrix /= scale
    # Of the normal matrix, in half the time: what is accepted has a condition of some ten, its square
    # costs two digits of sixteen.
    squares, v = np.linalg.eigh(matrix.conj().T @ matrix)
    if not squares[-1] > 0:
        raise InputError("electric is 0 everywhere: the probe hears nothing", "give its polarisation")
    # What is not seen at all has the gain of rounding, some 150 dB.
    s = np.sqrt(np.maximum(squares, 1e-15 * squares[-1]))
    spread = np.sum(np.abs(v / s) ** 2, axis=1)
    mean = np.bincount(n, spread)[1:] / np.bincount(n)[1:]
    level = float(np.mean(s**2))
    gain_db = 10 * np.log10(mean * level)
    worst = int(np.argmax(gain_db))
    if gain_db[worst] > most_noise_gain_db:
        raise InputError(
            f"the readings determine the waves of degree {worst + 1} with a noise gain of "
            f"{gain_db[worst]:z.1f} dB, the most allowed is {most_noise_gain_db:g} dB",
            "on a single sphere this is an inner resonance: add a second sphere a quarter wavelength "
            "inside, or take a probe that hears the magnetic field too; on a plane measure off it as well",
        )
    b = v @ ((v.conj().T @ (matrix.conj().T @ w)) / s**2)
    left = w - matrix @ b
    freedom = max(1, w.size - b.size)
    sigma = np.linalg.norm(left) / np.sqrt(freedom)
    size = float(np.linalg.norm(b))
    total_db = float(10 * np.log10(np.mean(spread) * level))
    told: list[Notice] = []
    if gain_db[worst] > _NOTEWORTHY_DB:
        told.append(IncidentCode.NOISE(gain_db=total_db, degree=worst + 1, worst_db=float(gain_db[worst])))
    return ZoneFit(
        RegularWaves(b / scale),
        float(np.linalg.norm(left) / np.linalg.norm(w)) if w.any() else 0.0,
        float(sigma * np.sqrt(spread.sum()) / size) if size else np.inf,
        total_db,
        gain_db,
        float(s[-1] / s[0]),
        tuple(told),
    )


def zone_degree(radius: float, *, frequency: float, error_db: float = -60.0) -> int:
    """Degree of regular waves that a plane wave needs in a ball.

    Parameters
    ----------
    radius : float
        Radius of the ball [m].
    frequency : float
        Frequency [Hz].
    error_db : float
        Largest error in the ball over the field, by `regular_waves.truncation_error_db` [dB].

    Returns
    -------
    int
        The degree: k R and some (k R)^(1/3) more.
    """
    kr = float(wavenumber(frequency)) * radius
    if not (kr > 0 and np.isfinite(kr) and error_db < 0):
        raise InputError(
            f"k R is {kr:g} and error_db {error_db:g}, expected a number above 0 and a level below"
        )
    # Below k R all is lost; within 12 (k R)^(1/3) + 20 beyond it rounding is reached.
    low, high = 1, int(kr + 12 * kr ** (1 / 3) * (1 + abs(error_db) / 60) + 20)
    low = max(low, int(kr))
    for degree in range(low, high):
        if truncation_error_db(degree, kr) <= error_db:
            return degree
    return high


def _system(
    position: ArrayLike,
    reading: ArrayLike,
    electric: ArrayLike,
    magnetic_part: ArrayLike | None,
    *,
    frequency: float,
    degree: int,
) -> tuple[Complex, Complex]:
    """Matrix (M, J) from coefficients to readings, and the readings (M,)."""
    if degree < 1:
        raise InputError(f"degree is {degree}, expected at least 1")
    if not frequency > 0:
        raise InputError(f"frequency is {frequency:g} Hz, expected > 0")
    place = as_array(position, float, "position", ndim=2)
    w = as_array(reading, complex, "reading", ndim=1)
    parts = {"electric": electric} | ({} if magnetic_part is None else {"magnetic_part": magnetic_part})
    vectors = {name: as_array(v, complex, name, ndim=2) for name, v in parts.items()}
    for name, v in {"position": place, **vectors}.items():
        if v.shape != (w.size, 3):
            raise InputError(f"{name} has shape {v.shape}, expected (M, 3) = {(w.size, 3)}")
    count = mode_count(degree)
    if w.size < count:
        raise InputError(
            f"{w.size} readings cannot determine {count} waves of degree {degree}",
            "read more or lower the degree",
        )
    if w.size * count > MOST_NUMBERS:
        most = int(np.sqrt(1 + MOST_NUMBERS / (2 * w.size))) - 1
        raise InputError(
            f"{w.size} readings of {count} waves, degree {degree}, are too many for a dense matrix",
            f"lower the degree to {most}, or take fewer readings" if most > 0 else "take fewer readings",
        )
    matrix = np.empty((w.size, count), dtype=complex)
    step = max(1, 4_000_000 // (3 * count))
    k = float(wavenumber(frequency))
    for i in range(0, w.size, step):
        part = slice(i, i + step)
        e = regular_waves(degree, place[part], wavenumber=k)
        matrix[part] = np.einsum("mx,mxj->mj", vectors["electric"][part], e)
        if magnetic_part is not None:
            matrix[part] += np.einsum("mx,mxj->mj", vectors["magnetic_part"][part], magnetic(e))
    return matrix, w
