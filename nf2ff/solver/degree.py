"""How many degrees: what the samples determine, what the antenna needs, what the spectrum shows."""

from __future__ import annotations

import math
import operator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.grids import Grid, grid_for_degree
from nf2ff.antenna.modes import Modes, mode_count, required_degree, wavenumber
from nf2ff.measurement.probe import Probe, response_constants
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver.coverage import Coverage
from nf2ff.solver.whiteness import SURE_DEGREES, Remainder, remainder

#: Power that may lie above the degree taken for an antenna within a known sphere [dB]: a far-field
#: error of 1e-10, which costs a few degrees more than a tolerable one would.
DEGREE_TAIL_DB = -200.0
#: Part of the response by waves of probe and antenna whose spheres meet from which there is a
#: warning, and above which nothing is to be believed. Choices of ours: antenna and probe 0.5
#: wavelengths apart have 1 % (simulated), a pattern cut off at 90 deg to 2 deg has all of it.
NOTABLE_BEYOND, MAX_BEYOND = 0.03, 0.5
#: Degree from which on a flat floor is looked for; below `SURE_DEGREES` it must be known for noise.
FEWEST_DEGREES = 6
#: Degree from which on responses that are noise throughout are called so. Below, a grid has hardly
#: any readings near its poles that would tell it from an antenna too large for the steps.
NOISE_DEGREES = 16
#: Frequencies of a sweep at which it is asked whether a floor is noise.
MAX_FREQUENCIES = 12
#: Largest remainder over largest response from which a floor that may be no noise is told of.
NOTABLE_REMAINDER = 1e-3


def whole(degree: int) -> int:
    """The degree a user asks for; what is no whole number is refused."""
    try:
        return operator.index(degree)
    except TypeError:
        raise InputError(
            f"degree is {degree!r}, expected a whole number", "write it without a decimal point"
        ) from None


def count_limit(samples: Samples) -> int:
    """Largest degree whose unknowns are no more than the samples of every frequency."""
    count = samples.response.shape[1]
    if samples.any_missing:
        count = int((~np.isnan(samples.response)).sum(axis=1).min())
    return max(0, math.isqrt(count // 2 + 1) - 1)


def most(limit: int, grid_degree: int) -> int:
    """Largest degree a user may ask for.

    One more than a full grid determines is allowed, and left zero: the customary rule of steps
    pi/N and 2 pi / 2N gives just that grid.
    """
    return max(limit, grid_degree + 1) if grid_degree else limit


def scattered_limit(samples: Samples, coverage: Coverage) -> int:
    """Largest degree to take from samples that are no full grid without being asked.

    What density and spacing of the positions allow, and 1.5 samples for each unknown, counted
    over the part of the sphere that was seen.
    """
    top = count_limit(samples)
    if top < 1:
        return top
    seen = max(0.5, 1 - float(coverage.unseen(top).mean()))
    pairs = (top + 1) ** 2 / (1.5 * seen)
    return max(1, min(top, math.isqrt(int(pairs + 1)) - 1, coverage.supported_degree()))


def sampled_degree(grid: Grid) -> int:
    """Largest degree to take from a full grid without being asked; one without any is refused.

    A grid that starts one step from the poles determines twice what its quadrature does, by
    least squares.
    """
    if grid.degree < 1:
        rings = grid_for_degree(1, rule=grid.rule).theta.size
        raise InputError(
            f"the grid of {grid.theta.size} x {grid.phi.size} positions (theta x phi) determines "
            f"no wave at all: degree 1 needs at least {rings} angles theta and 3 equal steps in "
            "phi over the full circle, since a cut does not tell the field beside it"
        )
    if grid.rule == "fejer-2":
        return min(grid.theta.size, (grid.phi.size - 1) // 2)
    return grid.degree


def choose_degree(
    samples: Samples, degree: int | None, limit: int, minimum_radius: float | None
) -> tuple[int, str]:
    """The degree to solve for and why, at most ``limit``; what asks for more is refused."""
    who = f"the {samples.response.shape[1]} samples"
    if degree is not None:
        if degree < 1:
            raise InputError(f"degree is {degree}, expected at least 1")
        if degree > limit:
            raise InputError(
                f"{who} determine degree {limit} at most, not {degree}, which needs "
                f"at least {mode_count(degree)} samples (its unknowns) in steps of at most "
                f"{180 / degree:.4g} deg in theta and {360 / (2 * degree + 1):.4g} deg in phi"
            )
        return degree, "given"
    if limit < 1:
        raise InputError(f"{who} are fewer than the 6 unknowns of degree 1", "measure more")
    k = float(wavenumber(samples.frequency.max()))
    if minimum_radius is not None:
        needed = required_degree(k * minimum_radius, tail_db=DEGREE_TAIL_DB)
        if needed <= limit:
            return needed, (
                f"minimum sphere of {minimum_radius:.6g} m, k r0 = {k * minimum_radius:.4g}, "
                f"{DEGREE_TAIL_DB:g} dB of the power above"
            )
        least = required_degree(k * minimum_radius, tail_db=-30.0)
        if least > limit:
            raise InputError(
                f"the samples determine degree {limit}, an antenna of minimum sphere "
                f"{minimum_radius:.6g} m (k r0 = {k * minimum_radius:.4g}) needs at least {least}: "
                f"steps of at most {180 / least:.4g} deg"
            )
        return limit, (
            f"sampling; the minimum sphere of {minimum_radius:.6g} m asks for {needed} at "
            f"{DEGREE_TAIL_DB:g} dB"
        )
    # The antenna lies within the sphere on which it is measured.
    kr = k * float(samples.radius.max())
    # More than kr is needed in any case: a far sphere need not be asked.
    inside = required_degree(kr, tail_db=DEGREE_TAIL_DB) if kr < limit else limit
    if inside < limit:
        return inside, "radius of the scan, which encloses the antenna"
    return limit, "sampling"


class Floor(NamedTuple):
    """The flat part of a spectrum, from some degree to the last.

    Parameters
    ----------
    degree : int
        Degree from which on there is nothing else, at any frequency; the last if there is
        always something.
    reason : str
        How that was seen.
    rises : (F,) ndarray of bool
        Whether anything of the spectrum rises above the floor.
    remainder : list of Remainder
        For each frequency, what the modes below leave of the samples.
    """

    degree: int
    reason: str
    rises: NDArray[np.bool_]
    remainder: list[Remainder]

    @property
    def noise(self) -> bool:
        """Whether it is, as far as can be told, noise, above which the modes may be cut."""
        return all(r.verdict != "field" for r in self.remainder)

    def drowned(self, f: int) -> bool:
        """Whether at frequency ``f`` noise hides what the spectrum has below the floor.

        A floor of which nothing is known hides it just so, but is no sign of noise alone.
        """
        verdict = self.remainder[f].verdict
        return verdict == "noise" or (verdict == "unknown" and bool(self.rises[f]))

    def sentences(self, f: int, *, strong: bool) -> list[str]:
        """What to beware of at frequency ``f``, if the floor is ``strong`` in the modes kept."""
        rest = self.remainder[f]
        notable = strong or (rest.verdict != "noise" and rest.level > NOTABLE_REMAINDER)
        if not notable or not self.rises[f]:
            return []
        level = f"up to {20 * math.log10(rest.level):.0f} dB of the largest response"
        if rest.verdict == "field":
            return [
                f"above degree {self.degree - 2} the mode spectrum is a plateau, {level}, that is "
                "no noise, since it hardly changes from one sample to the next: it comes from "
                "sources far from the origin (a cable, a reflection) or from a fault of probe or "
                "receiver (drift, unequal channels), and the steps do not resolve it; find it, or "
                "use finer steps"
            ]
        if rest.verdict == "unknown":
            return [
                f"above degree {self.degree - 2} the mode spectrum is flat, {level}: it was cut "
                "there as noise, but may come from weak sources far from the origin, too, which "
                "these positions do not tell; give a degree to keep it"
            ]
        return [
            f"the data are noisy ({20 * math.log10(rest.rms):.0f} dB of the largest response): "
            f"above degree {self.degree - 2} the mode spectrum is noise, which hides what is "
            "weaker; average longer or raise the power: a higher degree would only add noise"
        ]


def received_spectrum(samples: Samples, probe: Probe, modes: Modes) -> NDArray[np.float64]:
    """Mean power per coefficient of the field received, by degree, (F, N), up to a factor.

    At the median radius. White noise of the samples makes it the same for all degrees.
    """
    n = np.arange(1, modes.degree + 1)
    middle = float(np.median(samples.radius))
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


def find_floor(samples: Samples, probe: Probe, modes: Modes) -> Floor | None:
    """Degree above which the field received is equally strong in all modes, and what that is.

    White noise of the samples has the same power in every coefficient of the field received. So
    have, up to some degree, sources far from the origin. The floor is the mean over the top
    quarter of the degrees, taken for one only if it is flat: the two halves of that quarter agree
    within 3 dB.

    Parameters
    ----------
    samples, probe
        As in `nf2ff.solver.solve.solve`.
    modes : Modes
        Of the largest degree that the sampling allows.

    Returns
    -------
    Floor or None
        None where there is none at some frequency.
    """
    top = modes.degree
    if top < FEWEST_DEGREES:
        return None
    received = received_spectrum(samples, probe, modes)
    upper = received[:, (3 * top) // 4 :]
    half = upper.shape[1] // 2
    low, high = upper[:, :half].mean(axis=1), upper[:, half:].mean(axis=1)
    if not np.all((low < 2 * high) & (high < 2 * low)):
        return None
    floor = np.maximum(low, high)[:, None]
    # 4 times the floor: the mean of 2 (2n+1) exponential values exceeds that by chance in fewer
    # than one case in a million from degree 3 on.
    rises = received > 4 * floor
    above = np.flatnonzero(rises.any(axis=0))
    cut = min(top, int(above[-1]) + 3) if above.size else top
    level = 10 * np.log10((floor[:, 0] / received.max(axis=1)).max())
    found = _remainders(samples, probe, modes, cut, rises.any(axis=1))
    if top < NOISE_DEGREES:
        found = [
            r if one else r._replace(verdict="unknown")
            for r, one in zip(found, rises.any(axis=1), strict=True)
        ]
    if top < SURE_DEGREES and not all(r.verdict == "noise" for r in found):
        return None
    reason = (
        f"spectrum: above degree {cut - 2} the field received is a flat floor, {level:.0f} dB per "
        "coefficient below the strongest degree"
    )
    return Floor(cut, reason, rises.any(axis=1), found)


def _remainders(
    samples: Samples, probe: Probe, modes: Modes, cut: int, rises: NDArray[np.bool_]
) -> list[Remainder]:
    """What the modes up to ``cut`` leave, at some frequencies, told to those between."""
    count = modes.frequency.size
    asked = np.unique(np.linspace(0, count - 1, min(count, MAX_FREQUENCIES)).round().astype(int))
    # A frequency of noise alone, or of a field too fine for the sampling, is asked itself.
    asked = np.union1d(asked, np.flatnonzero(~rises))
    below = modes.truncate(cut)
    found = {}
    for f in asked.tolist():
        q = below.coefficients[f : f + 1] * rises[f]
        found[f] = remainder(
            samples.at_frequency(f), probe, Modes(modes.frequency[f : f + 1], q), top=modes.degree
        )
    return [found[int(asked[np.argmin(np.abs(asked - f))])] for f in range(count)]


def judge(
    modes: Modes, *, automatic: bool, floor: Floor | None = None
) -> tuple[NDArray[np.float64], list[list[str]]]:
    """Tail of the power spectrum [dB], and warnings; a hopeless automatic degree is refused."""
    power = modes.power_spectrum()
    total = power.sum(axis=1)
    if np.any(total == 0):
        f = int(np.argmax(total == 0))
        raise InputError(
            f"all responses are zero at {modes.frequency[f] / 1e9:.9g} GHz",
            "check the receiver's data, or leave that frequency out",
        )
    with np.errstate(divide="ignore"):
        tail_db = 10 * np.log10(power[:, -2:].sum(axis=1) / total)
        density = power / (2 * (2 * np.arange(1, modes.degree + 1) + 1))
        mean = total / mode_count(modes.degree)
        top_db = 10 * np.log10(density[:, -2:].mean(axis=1) / mean)
    warnings: list[list[str]] = [[] for _ in total]
    for f, frequency in enumerate(modes.frequency / 1e9):
        if floor is not None and floor.drowned(f):
            if not floor.rises[f]:
                raise InputError(
                    f"the responses at {frequency:.9g} GHz vary from sample to sample at random: "
                    "there is nothing but noise, or the steps are far too coarse for this "
                    "antenna; check the receiver, use finer steps, or leave that frequency out"
                )
            warnings[f] += floor.sentences(f, strong=bool(top_db[f] > -40))
            continue
        if automatic and modes.degree >= 4 and (top_db[f] > -10 or tail_db[f] > -20):
            raise InputError(
                f"the sampling is too coarse for this antenna at {frequency:.9g} GHz: at degree "
                f"{modes.degree}, the largest it determines, the last two degrees still have "
                f"{tail_db[f]:.0f} dB of the power; use finer steps, or give a degree to accept "
                "the error"
            )
        told = [] if floor is None else floor.sentences(f, strong=bool(top_db[f] > -40))
        warnings[f] += told
        if top_db[f] > -40 and not told:
            warnings[f].append(
                f"the mode spectrum has not fallen off at degree {modes.degree} (last degrees "
                f"{tail_db[f]:.1f} dB of the power): it is truncated, or the data are noisy; "
                + ("use finer steps" if automatic else "raise the degree or use finer steps")
            )
    return tail_db, warnings


def neglected(samples: Samples, probe: Probe, approximate: Probe, modes: Modes) -> NDArray[np.float64]:
    """Mean square over the sphere and chi of what a simpler probe leaves out of the response.

    Returns
    -------
    (F,) ndarray
        Relative to the whole response of the ports in use, at the nearest sample [dB].
    """
    ports = [port - 1 for port in samples.ports()]
    level = np.empty(modes.frequency.size)
    for f, frequency in enumerate(modes.frequency):
        power = []
        for one in (probe, approximate):
            p = response_constants(
                one, frequency=float(frequency), radius=[samples.radius.min()], degree=modes.degree
            )[ports, 0]
            p[~np.isfinite(p)] = 0
            power.append(_mean_square(p, modes.coefficients[f]))
        level[f] = 10 * np.log10(max(power[0] - power[1], 1e-30 * power[0]) / power[0])
    return level


def judge_probe(samples: Samples, probe: Probe, modes: Modes) -> list[list[str]]:
    """Refuse a probe whose response is made by waves that none of its size has, or tell of it.

    Parameters
    ----------
    samples : Samples
        Where the probe was.
    probe : Probe
        The probe, known at the frequencies of the samples.
    modes : Modes
        What was found with it.

    Returns
    -------
    list of list of str
        For each frequency, sentences on what to beware of.

    Raises
    ------
    ValueError
        If at some frequency more than half of the response is by such waves.

    Notes
    -----
    Waves of degree n about the antenna and nu about the probe fill spheres of n/k and nu/k. Where
    these meet, n + nu > k r, the coefficients of translation grow beyond all bounds, and with
    them whatever is no wave of the probe at all: noise in its pattern, the edge of a missing part.
    """
    told: list[list[str]] = [[] for _ in samples.frequency]
    if probe.response_unit == "V/m":
        return told
    radius = float(samples.radius.min())
    for f, frequency in enumerate(samples.frequency.tolist()):
        reach = float(wavenumber(frequency)) * radius
        if modes.degree + probe.degree <= reach or not modes.coefficients[f].any():
            continue
        share = _share_beyond(samples, probe, modes, f, reach)
        sentence = (
            f"{share:.0%} of the response at {radius:.6g} m is by waves of probe and "
            f"antenna whose degrees add up to more than k r = {reach:.1f}, where their spheres "
            f"would meet: those of the probe, up to {probe.degree}, may be noise or an edge in "
            "its pattern (import it with a lower degree: nf2ff import --degree), those of the "
            f"antenna, up to {modes.degree}, noise of the samples (lower the degree)"
        )
        if not share <= MAX_BEYOND:
            raise InputError(f"{frequency / 1e9:.9g} GHz: {sentence}")
        if share > NOTABLE_BEYOND:
            told[f].append(sentence)
    return told


def _share_beyond(samples: Samples, probe: Probe, modes: Modes, f: int, reach: float) -> float:
    """Part of the mean square response, over the sphere and chi, by degrees that exceed a sum."""
    place: dict[str, Any] = {
        "frequency": float(samples.frequency[f]),
        "radius": [float(samples.radius.min())],
        "degree": modes.degree,
    }
    ports = [port - 1 for port in samples.ports()]
    whole, rest = (response_constants(probe, **place, largest_sum=most)[ports, 0] for most in (None, reach))
    parts = []
    for p in (whole - np.where(np.isfinite(whole), rest, 0), whole):
        p[~np.isfinite(p)] = 0
        parts.append(_mean_square(p, modes.coefficients[f]))
    return parts[0] / parts[1] if parts[1] > 0 else math.nan


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
