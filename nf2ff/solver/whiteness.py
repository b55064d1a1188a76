"""Noise or field: whether what modes leave of the samples varies at random from one to the next."""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.kernel.sphere import canonical_angles, unit_vectors
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.positions import different_positions
from nf2ff.solver.transmission import modelled

#: Samples of which all are looked at; of more, those near the poles and in a few belts.
ALL_OF = 20_000
#: Middles of the belts [rad], without symmetry, so that no null of a pattern takes all.
BELTS = np.radians([38.0, 63.0, 85.0, 112.0, 131.0])
#: Accuracy of the model subtracted, relative to the responses: far below any receiver's noise.
ACCURACY = 1e-8
#: Pairs from which on they are asked; by how many standard deviations, and to which part of it,
#: neighbours must differ less than noise would to be called a field. Choices of ours: 4 deviations
#: are exceeded by chance once in 30,000 scans; fields of up to 4 weak sources gave ratios of 0.03
#: to 0.9 (simulated), noise 1.
FEWEST_PAIRS, DEVIATIONS, SHORT = 40, 4.0, 0.9
#: Distance of readings of one polarisation that are neighbours, and of positions so near that no
#: field within reach of the sampling changes between them, in sampling steps pi/N.
NEXT, NEAR = 1.6, 1 / 3
#: Least sine of theta of readings compared with theta^ and phi^ as their directions.
AWAY = 0.35
#: Distance of readings that were taken at one place.
SAME = 1e-7

#: Remainder over responses that is no more than the rounding of the computation, the tolerance of
#: the iteration included: noise, though not white.
ROUNDING_LEVEL = 1e-6
#: Degree up to which neighbours a step apart do not tell noise from a field cut off too low: fields
#: of random dipoles of k r0 = 1.1 N were taken for noise in one case of 20 (simulated).
SURE_DEGREES = 12

Verdict = Literal["noise", "field", "unknown"]


class Pairs(NamedTuple):
    """Neighbours: the two of each pair, (K,); none is in two pairs."""

    first: NDArray[np.intp]
    second: NDArray[np.intp]


class Contrast(NamedTuple):
    """How much neighbours differ in intensity, white noise of any level being 1.

    ``ratio`` is that of the neighbours, ``deviation`` its standard deviation under noise (NaN where
    there are too few), ``anyone`` the ratio of pairs drawn from all over the sphere.
    """

    ratio: float
    deviation: float
    anyone: float

    def verdict(self, *, fitted: float) -> Verdict:
        """What it is, with ``fitted`` unknowns for each reading taken out before."""
        if math.isnan(self.ratio):
            return "unknown"
        # What was fitted leaves noise correlated by -H_ij / (1 - h), H_ij below h / 2 a step away;
        # the contrast of correlated noise is less by about the square of that.
        left = 1 - min(1.0, 0.5 * fitted / max(1e-9, 1 - fitted)) ** 2
        # Rounded readings have errors of even distribution, which differ less than those of noise,
        # but from their neighbours no less than from any others.
        few = self.ratio < left - DEVIATIONS * self.deviation and self.ratio < SHORT * left
        return "field" if few and self.ratio < SHORT * left * self.anyone else "noise"


def contrast(intensity: NDArray[np.float64], pairs: Pairs, *, readings: int) -> Contrast:
    """How much neighbours differ in intensity (S,), each the sum of |r|^2 of as many ``readings``.

    Of complex white noise, a and b are gamma variables of one scale, whatever its level there.
    x = a/(a + b) then is beta(k, k) and independent of a + b: (2x - 1)^2 has the mean 1/(2k + 1)
    and the mean square 3/((2k + 1)(2k + 3)) (closed form). The ratio is the sum of
    (a - b)^2 / (a + b) over that of a + b, divided by this mean. A field whose intensity hardly
    changes from one neighbour to the next has far less; one of many sources, all of them far
    beyond what the sampling resolves, has no less: then it cannot be told from noise.
    """
    anyone = np.random.default_rng(0).permutation(pairs.second)
    found = []
    for second in (pairs.second, anyone):
        a, b = intensity[pairs.first], intensity[second]
        total = a + b
        good = total > 0
        if good.sum() < FEWEST_PAIRS:
            return Contrast(math.nan, math.nan, math.nan)
        a, b, total = a[good], b[good], total[good]
        mean = 1 / (2 * readings + 1)
        variance = 3 / ((2 * readings + 1) * (2 * readings + 3)) - mean**2
        ratio = float(np.sum((a - b) ** 2 / total) / total.sum()) / mean
        deviation = math.sqrt(variance * float(np.sum(total**2))) / float(total.sum()) / mean
        found.append((ratio, deviation))
    return Contrast(*found[0], found[1][0])


def neighbours(place: NDArray[np.float64], *, farthest: float) -> Pairs:
    """Pairs of different points ``place`` (S, D) within a distance, the nearest first, each point in one."""
    from scipy.spatial import cKDTree

    if len(place) < 2:
        return Pairs(np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp))
    count = min(6, len(place))
    distance, other = cKDTree(place).query(place, k=count)
    one = np.repeat(np.arange(len(place)), count)
    distance, other = distance.ravel(), other.ravel()
    use = np.flatnonzero((other > one) & (distance > SAME) & (distance < farthest))
    use = use[np.argsort(distance[use], kind="stable")]
    one, other = one[use], other[use]
    free = bytearray(b"\1" * len(place))
    chosen = []
    # Plain numbers are several times faster in this loop.
    for k, (i, j) in enumerate(zip(one.tolist(), other.tolist(), strict=True)):
        if free[i] and free[j]:
            free[i] = free[j] = 0
            chosen.append(k)
    return Pairs(one[chosen], other[chosen])


class Remainder(NamedTuple):
    """What modes leave of the samples of one frequency.

    ``level`` is the largest of it and ``rms`` its root mean square, over the largest response;
    ``verdict`` says whether it varies at random from one sample to the next.
    """

    level: float
    rms: float
    verdict: Verdict


def remainder(
    samples: Samples,
    probe: Probe,
    modes: Modes,
    *,
    top: int,
    threads: int | None = None,
    lines: bool = False,
    seen: float = 1.0,
) -> Remainder:
    """What modes leave of the samples, and whether that is noise or a field that they lack.

    Samples and modes are of one frequency; zero modes leave the responses themselves. The sampling
    allows degree ``top``: its step is pi/N. With ``lines`` it is no noise either if it changes smoothly along
    cuts or along rings, as where the phase jumps from one to the next. ``seen`` is the part of the sphere
    that was seen: of the waves of the rest the samples are free.
    """
    theta, phi, turned = canonical_angles(samples.theta, samples.phi)
    step = math.pi / top
    largest = float(np.abs(samples.response).max())
    fitted = seen * modes.coefficients.shape[1] / samples.theta.size
    if samples.theta.size > ALL_OF:
        use = np.sin(theta) < np.sin(min(3.5 * step, 0.5 * math.pi))
        for belt in BELTS:
            use |= np.abs(theta - belt) < step
        samples = samples.part([0], use)
        theta, phi, turned = (x[use] for x in (theta, phi, turned))
    rest = samples.response[0]
    if modes.coefficients.any():
        rest = rest - modelled(samples, probe, modes.coefficients[0], tolerance=ACCURACY, threads=threads)
    power = np.abs(rest) ** 2
    level, rms = (math.sqrt(x) / largest if largest > 0 else 0.0 for x in (power.max(), power.mean()))
    if level < ROUNDING_LEVEL:
        return Remainder(level, rms, "noise")
    chi = samples.chi + np.pi * turned
    unit = unit_vectors(theta, phi)[0]
    # Two polarisations, and two ports, are far from each other: polarisations 5 deg apart by more
    # than the largest step.
    kind = np.stack([np.cos(2 * chi), np.sin(2 * chi), samples.port], axis=1)
    away = np.sin(theta) > AWAY
    one = np.concatenate([unit, NEXT * step / math.radians(10) * kind], axis=1)[away]
    found = [contrast(power[away], neighbours(one, farthest=NEXT * step), readings=1).verdict(fitted=fitted)]
    for line in (np.stack([np.cos(phi), np.sin(phi)], axis=1), theta[:, None]) if lines else ():
        own = neighbours(np.concatenate([one, line[away] / SAME], axis=1), farthest=NEXT * step)
        found.append(contrast(power[away], own, readings=1).verdict(fitted=fitted))
    # Both polarisations together need no directions to compare, nor do they mind the poles, where
    # a grid has positions far nearer to each other than the field can change.
    first, position = different_positions(theta, phi)
    place = unit[first]
    visits, cos, sin, both = (
        np.bincount(position, x, len(place)) for x in (np.ones(theta.size), kind[:, 0], kind[:, 1], power)
    )
    pair = (visits == 2) & (np.hypot(cos, sin) < 0.3)
    close = neighbours(place[pair], farthest=NEAR * step)
    # There a grid has more readings than it needs, of which the fit takes little.
    found.append(contrast(both[pair], close, readings=2).verdict(fitted=0.0))
    verdict: Verdict = "unknown"
    if top >= SURE_DEGREES or found[-1] != "unknown":
        verdict = "field" if "field" in found else "noise" if "noise" in found else "unknown"
    return Remainder(level, rms, verdict)
