"""What the mode spectrum shows: a floor of noise or of far sources, and whether it has fallen off."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.solution import SolutionCode
from nf2ff.solver.model_agreement import LARGE_RESIDUAL
from nf2ff.solver.probe_share import received_spectrum
from nf2ff.solver.whiteness import SURE_DEGREES, Remainder, remainder

#: Degree from which on a flat floor is looked for; below `SURE_DEGREES` it must be known for noise.
FEWEST_DEGREES = 6
#: A floor is flat if the two halves of the top quarter of the degrees differ by less [power]: 3 dB.
FLAT = 2.0
#: A degree rises above the floor from this on [power]: the mean of 2 (2n+1) exponential values
#: exceeds 4 times theirs by chance in fewer than one case in a million from degree 3 on.
RISE = 4.0
#: Standard deviations of a degree's noise beyond which it holds something else as well: one in a million.
SURE_RISE = 4.75
#: Degree from which on responses that are noise throughout are called so. Below, a grid has hardly
#: any readings near its poles that would tell it from an antenna too large for the steps.
NOISE_DEGREES = 16
#: Frequencies of a sweep at which it is asked whether a floor is noise.
MAX_FREQUENCIES = 12
#: Largest remainder over largest response from which a floor that may be no noise is told of.
NOTABLE_REMAINDER = 1e-3
#: Power per coefficient of the last two degrees, over the mean of all, from which a spectrum has not
#: fallen off [dB] ...
FALLEN_DB = -40.0
#: ... and from which, or from which share of the last two in all power, the steps are too coarse for
#: a degree of `COARSE_DEGREES` and more that was not asked for [dB].
COARSE_DB, COARSE_SHARE_DB = -10.0, -20.0
COARSE_DEGREES = 4
#: Degree below which the last two are all there are, so that not they but the residual shows what lacks.
FEW_DEGREES = 3
#: Residual from which it does: a power of `FALLEN_DB`.
MISFIT = 1e-2


class Floor(NamedTuple):
    """The flat part of a spectrum, from some degree to the last.

    Parameters
    ----------
    degree : int
        Degree from which on there is nothing else, at any frequency; the last if there is
        always something.
    level_db : float
        Power per coefficient, over that of the strongest degree [dB].
    rises : (F,) ndarray of bool
        Whether anything of the spectrum rises above the floor.
    remainder : list of Remainder
        For each frequency, what the modes below leave of the samples.
    """

    degree: int
    level_db: float
    rises: NDArray[np.bool_]
    remainder: list[Remainder]

    @property
    def reason(self) -> str:
        """Why the degree is cut there."""
        return (
            f"spectrum: above degree {self.degree - 2} the field received is a flat floor, "
            f"{-self.level_db:z.0f} dB per coefficient below the strongest degree"
        )

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

    def warnings(self, f: int, *, strong: bool) -> list[Notice]:
        """What to beware of at frequency ``f``, if the floor is ``strong`` in the modes kept."""
        rest = self.remainder[f]
        notable = strong or (rest.verdict != "noise" and rest.level > NOTABLE_REMAINDER)
        if not notable or not self.rises[f]:
            return []
        above = self.degree - 2
        if rest.verdict == "noise":
            return [SolutionCode.NOISY(rms_db=20 * math.log10(rest.rms), degree=above)]
        code = SolutionCode.PLATEAU if rest.verdict == "field" else SolutionCode.FLAT_FLOOR
        return [code(degree=above, level_db=20 * math.log10(rest.level))]


def find_floor(samples: Samples, probe: Probe, modes: Modes, *, threads: int | None = None) -> Floor | None:
    """Degree above which the field received is equally strong in all modes, and what that is.

    White noise of the samples has the same power in every coefficient of the field received. So
    have, up to some degree, sources far from the origin. The floor is the mean over the top
    quarter of the degrees, if that is flat.

    ``modes`` are of the largest degree that the sampling allows. None where there is no floor at
    some frequency.
    """
    top = modes.degree
    if top < FEWEST_DEGREES:
        return None
    received = received_spectrum(samples, probe, modes)
    upper = received[:, (3 * top) // 4 :]
    half = upper.shape[1] // 2
    low, high = upper[:, :half].mean(axis=1), upper[:, half:].mean(axis=1)
    if not np.all((low < FLAT * high) & (high < FLAT * low)):
        return None
    floor = np.maximum(low, high)[:, None]
    rising = received > RISE * floor
    rises = rising.any(axis=1)
    cut = _last(rising)
    found = _remainders(samples, probe, modes, cut, rises, threads)
    if all(r.verdict == "noise" for r in found):
        # Weak degrees add up in a beam: none is cut that noise alone would not make so strong.
        cut = _last((received > _noise_alone(top) * floor) & rises[:, None])
    if top < NOISE_DEGREES:
        found = [r if one else r._replace(verdict="unknown") for r, one in zip(found, rises, strict=True)]
    if top < SURE_DEGREES and not all(r.verdict == "noise" for r in found):
        return None
    level = 10 * np.log10((floor[:, 0] / received.max(axis=1)).max())
    return Floor(cut, float(level), rises, found)


def _last(rising: NDArray[np.bool_]) -> int:
    """Degree to cut at, two above the last that rises at any frequency (F, N); N if none does."""
    top = rising.shape[1]
    above = np.flatnonzero(rising.any(axis=0))
    return min(top, int(above[-1]) + 3) if above.size else top


def _noise_alone(top: int) -> NDArray[np.float64]:
    """Power of each degree up to ``top``, over its mean, that white noise alone hardly exceeds.

    The mean of k = 2 (2n+1) exponential values, by the approximation of Wilson and Hilferty (1931).
    """
    k = 2 * (2 * np.arange(1, top + 1) + 1)
    return np.minimum(RISE, (1 - 1 / (9 * k) + SURE_RISE / (3 * np.sqrt(k))) ** 3)


def _remainders(
    samples: Samples, probe: Probe, modes: Modes, cut: int, rises: NDArray[np.bool_], threads: int | None
) -> list[Remainder]:
    """What the modes up to ``cut`` leave: found at some frequencies, and taken for those between."""
    count = modes.frequency.size
    asked = np.unique(np.linspace(0, count - 1, min(count, MAX_FREQUENCIES)).round().astype(int))
    # A frequency of noise alone, or of a field too fine for the sampling, is asked itself.
    asked = np.union1d(asked, np.flatnonzero(~rises))
    found = {}
    for f in asked.tolist():
        below = modes.at(f).truncate(cut)
        below = replace(below, coefficients=below.coefficients * rises[f])
        found[f] = remainder(samples.at_frequency(f), probe, below, top=modes.degree, threads=threads)
    return [found[int(asked[np.argmin(np.abs(asked - f))])] for f in range(count)]


def judge(
    modes: Modes,
    *,
    automatic: bool,
    floor: Floor | None = None,
    lack: str = "",
    residual: NDArray[np.float64] | None = None,
) -> tuple[NDArray[np.float64], list[list[Notice]]]:
    """Tail of the power spectrum [dB], and warnings; a hopeless automatic degree is refused.

    ``lack`` is what the samples lack where that alone keeps the degree so low; ``residual`` is what the modes
    leave of the samples (F,), NaN where there are too few to tell.
    """
    if lack and floor is not None and not floor.noise:
        floor = None  # noise that a gap raises hides what is below it
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
    warnings = []
    for f, frequency in enumerate(modes.frequency / 1e9):
        strong = bool(top_db[f] > FALLEN_DB)
        told = [] if floor is None else floor.warnings(f, strong=strong)
        warnings.append(told)
        if floor is not None and floor.drowned(f):
            if not floor.rises[f]:
                raise InputError(
                    f"the responses at {frequency:.9g} GHz vary from sample to sample at random: "
                    "there is nothing but noise, or the steps are far too coarse for this antenna",
                    "check the receiver, use finer steps, or leave that frequency out",
                )
            continue
        hopeless = top_db[f] > COARSE_DB or tail_db[f] > COARSE_SHARE_DB
        # A lower degree leaves no more than the one that the rest would allow.
        if automatic and not lack and modes.degree >= COARSE_DEGREES and hopeless:
            raise InputError(
                f"the sampling is too coarse for this antenna at {frequency:.9g} GHz: at degree "
                f"{modes.degree}, the largest it determines, the last two degrees still have "
                f"{tail_db[f]:z.0f} dB of the power",
                "use finer steps, centre the antenna, or give a degree to accept the error",
            )
        left = math.nan if residual is None else float(residual[f])
        if modes.degree < FEW_DEGREES and (lack or not math.isnan(left)):
            # With a lack the degree is one that explains the samples; of much that is left others tell.
            if not lack and MISFIT < left <= LARGE_RESIDUAL:
                code = SolutionCode.FEW_DEGREES_AT_LIMIT if automatic else SolutionCode.FEW_DEGREES
                told.append(code(degree=modes.degree, residual=left))
        elif strong and not told:
            code = SolutionCode.TRUNCATED_AT_LIMIT if automatic else SolutionCode.TRUNCATED
            code = SolutionCode.TRUNCATED_BY_GAP if lack else code
            told.append(code(degree=modes.degree, tail_db=float(tail_db[f]), lack=lack))
    return tail_db, warnings
