"""How much of a response is by which waves of the probe and the antenna."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.measurement.probe import Probe, response_constants
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.solution import SolutionCode

#: Part of the response by waves of probe and antenna whose spheres meet from which there is a
#: warning, and above which nothing is to be believed. Choices of ours: antenna and probe 0.5
#: wavelengths apart have 1 % (simulated), a pattern cut off at 90 deg to 2 deg has all of it.
NOTABLE_BEYOND, MAX_BEYOND = 0.03, 0.5


def received_spectrum(samples: Samples, probe: Probe, modes: Modes) -> NDArray[np.float64]:
    """Mean power per coefficient of the field received, by degree, (F, N), up to a factor.

    At the median radius. White noise of the samples makes it the same for all degrees.
    """
    n = np.arange(1, modes.degree + 1)
    middle = samples.middle
    received = np.empty((modes.frequency.size, modes.degree))
    for f, frequency in enumerate(modes.frequency):
        p = response_constants(probe, frequency=float(frequency), radius=[middle], degree=modes.degree)
        with np.errstate(over="ignore"):
            gain = np.sum(np.abs(p[:, 0]) ** 2, axis=(0, 1))
        power = np.abs(modes.coefficients[f].reshape(-1, 2)) ** 2
        by_degree = np.add.reduceat(power, n * n - 1)
        gain[~np.isfinite(gain)] = 0
        # The gain holds the factor (2n+1)/4 pi of unnormalised functions, and a degree has
        # 2 (2n+1) coefficients.
        received[f] = (by_degree * gain).sum(axis=1) / (2 * n + 1) ** 2
    return received


def neglected(samples: Samples, probe: Probe, approximate: Probe, modes: Modes) -> NDArray[np.float64]:
    """Mean square over the sphere and chi of what a simpler probe leaves out of the response.

    Returns
    -------
    (F,) ndarray
        Relative to the whole response of the ports in use, at the nearest sample [dB].
    """
    level = np.empty(modes.frequency.size)
    for f, q in enumerate(modes.coefficients):
        whole, part = (
            _mean_square(_finite(_constants(samples, x, modes, f)), q) for x in (probe, approximate)
        )
        level[f] = 10 * np.log10(max(whole - part, 1e-30 * whole) / whole)
    return level


def judge_probe(samples: Samples, probe: Probe, modes: Modes) -> list[list[Notice]]:
    """Refuse a probe whose response is made by waves that none of its size has, or warn of it.

    Waves of degree n about the antenna and nu about the probe fill spheres of n/k and nu/k. Where
    these meet, n + nu > k r, the coefficients of translation grow beyond all bounds, and with
    them whatever is no wave of the probe at all: noise in its pattern, the edge of a missing part.
    """
    told: list[list[Notice]] = [[] for _ in samples.frequency]
    if probe.response_unit == "V/m":
        return told
    radius = samples.nearest
    for f, frequency in enumerate(samples.frequency.tolist()):
        reach = float(wavenumber(frequency)) * radius
        if modes.degree + probe.degree <= reach or not modes.coefficients[f].any():
            continue
        share = _share_beyond(samples, probe, modes, f, reach)
        notice = SolutionCode.SPHERES_MEET(
            share=share, radius_m=radius, kr=reach, probe_degree=probe.degree, degree=modes.degree
        )
        if not share <= MAX_BEYOND:
            raise InputError(notice, where=f"{frequency / 1e9:.9g} GHz")
        if share > NOTABLE_BEYOND:
            told[f].append(notice)
    return told


def _share_beyond(samples: Samples, probe: Probe, modes: Modes, f: int, reach: float) -> float:
    """Part of the mean square response, over the sphere and chi, by degrees that exceed a sum."""
    whole, within = (_constants(samples, probe, modes, f, largest_sum=most) for most in (None, reach))
    beyond = whole - np.where(np.isfinite(whole), within, 0)
    part, power = (_mean_square(_finite(p), modes.coefficients[f]) for p in (beyond, whole))
    return part / power if power > 0 else math.nan


def _constants(
    samples: Samples, probe: Probe, modes: Modes, f: int, *, largest_sum: float | None = None
) -> NDArray[np.complex128]:
    """Response constants (ports in use, 2 mu_max + 1, N, 2) at the nearest sample."""
    found = response_constants(
        probe,
        frequency=float(samples.frequency[f]),
        radius=[samples.nearest],
        degree=modes.degree,
        largest_sum=largest_sum,
    )
    return found[[port - 1 for port in samples.ports()], 0]


def _finite(constants: NDArray[np.complex128]) -> NDArray[np.complex128]:
    return np.where(np.isfinite(constants), constants, 0)


def _mean_square(constants: NDArray[np.complex128], q: NDArray[np.complex128]) -> float:
    """<|w|^2> over the sphere and chi: sum over mu, m, n of |sum_s P Q|^2 / (2n+1).

    Summed over m first, in which P does not change: P by every Q would be N times as large.
    """
    first = np.arange(1, constants.shape[2] + 1) ** 2 - 1
    q = q.reshape(-1, 2)
    # The size of Q goes with P, which may be near the range of a double where Q is next to nothing.
    size = np.sqrt(np.add.reduceat(np.abs(q) ** 2, first).sum(axis=1))
    counts = np.diff(np.append(first, len(q)))
    unit = q / np.repeat(np.where(size > 0, size, 1), counts)[:, None]
    gram = np.add.reduceat(unit[:, :, None] * unit.conj()[:, None, :], first, axis=0)
    p = constants * (size / np.sqrt(counts))[:, None]
    return float(np.einsum("pujs,jst,pujt->", p, gram, p.conj(), optimize=True).real)
