"""How errors and certificates without a phase reference depend on which readings are taken."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from nf2ff.measurement.coherence import FINER, WAYS, Coherent, with_coherence
from nf2ff.measurement.probe import Probe, field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver.phaseless.certificate import aligned
from nf2ff.solver.phaseless.reconstruction import reconstruct
from nf2ff.uncertainty.draws import Draws
from nf2ff.uncertainty.errors.catalogue import simulated
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.growth import Growth, summed_up
from nf2ff.uncertainty.local_figures import localise
from nf2ff.uncertainty.simulated_scan import SimulatedScan


@dataclass(frozen=True, slots=True)
class ReadingSet:
    """What is read of an antenna without a phase reference.

    Parameters
    ----------
    coherent : str
        Which readings share a phase, as in `measurement.coherence.with_coherence`.
    radii : tuple of float
        Radii of the spheres [m].
    polarisations : int
        How many, evenly over half a turn: 2 or 4.
    displaced : float
        Angle along theta between two elements that are read together, 0 for one element; with two all
        readings of both at one place share a phase [rad].
    name : str
        What it is called; made up if not given.

    Raises
    ------
    ValueError
        If a value is none of these.
    """

    coherent: Coherent
    radii: tuple[float, ...]
    polarisations: int = 2
    displaced: float = 0.0
    name: str = ""

    def __post_init__(self) -> None:
        if self.coherent not in WAYS:
            raise InputError(f"coherent is {self.coherent!r}, expected one of {', '.join(WAYS)}")
        if not self.radii or not all(0 < r < math.inf for r in self.radii):
            raise InputError(f"radii are {self.radii}, expected one or more above 0 m")
        if self.polarisations not in (2, 4):
            raise InputError(f"polarisations is {self.polarisations}, expected 2 or 4")
        if not 0 <= self.displaced < math.pi / 2:
            raise InputError(f"the displacement is {math.degrees(self.displaced):g} deg, expected 0 to 90")
        if self.displaced and self.coherent != "positions":
            raise InputError(f"two elements share a phase at each place, not along {self.coherent}")
        if not self.name:
            kind = "powers" if self.coherent == "nothing" else f"phase along {self.coherent}"
            kind = f"two elements {math.degrees(self.displaced):.3g} deg apart" if self.displaced else kind
            many = f", {self.polarisations} polarisations" if self.polarisations > 2 else ""
            object.__setattr__(
                self, "name", f"{kind}{many}, {len(self.radii)} sphere{'s'[: len(self.radii) - 1]}"
            )

    def place(self, scan: SimulatedScan) -> Samples:
        """Where it reads, with its groups: on the positions of a scan, `FINER`; responses are zero."""
        degree = scan.solver_degree
        fine = replace(scan, degree=math.ceil(FINER * degree), radius=min(self.radii))
        theta, phi = fine.places()
        chi = np.pi * np.arange(self.polarisations) / self.polarisations
        offsets = (-self.displaced / 2, self.displaced / 2) if self.displaced else (0.0,)
        r, offset, c, at = (
            x.ravel() for x in np.meshgrid(self.radii, offsets, chi, np.arange(theta.size), indexing="ij")
        )
        t = theta[at] + offset
        t = np.where(t > np.pi, t - 2 * np.pi, t)
        port, zero = np.ones(at.size, dtype=np.int16), np.zeros((1, at.size), dtype=complex)
        samples = Samples(np.array([scan.frequency]), t, phi[at], c, r, port, zero)
        if self.displaced:
            groups = np.unique(np.stack([at, r]), axis=1, return_inverse=True)[1].ravel()
            return replace(samples, coherence=groups)
        return with_coherence(samples, self.coherent)


def sweep_phase_groups(
    scan: SimulatedScan,
    terms: Sequence[ErrorTerm],
    figures: Sequence[Figure],
    sets: Sequence[ReadingSet],
    *,
    draws: int,
    noise_db: float | None = None,
    starts: int = 8,
    rng: int | None = 0,
    jobs: int | None = None,
    confidence: float = 0.95,
    progress: Callable[[int], None] | None = None,
) -> Growth:
    """Errors without a phase reference, and how often a simulated antenna is certified, over what is read.

    Parameters
    ----------
    scan : SimulatedScan
        The antenna, its frequency and the kind of positions, whose steps are made `FINER`.
    terms : sequence of ErrorTerm
        Errors of the scan, such as noise of the receiver.
    figures : sequence of Figure
        What to look at.
    sets : sequence of ReadingSet
        What is read.
    draws : int
        Draws for each set, of errors and of the phases of the groups.
    noise_db : float, optional
        Noise of a reading over the largest that is stated to the search [dB]; it is estimated if not given.
    starts, jobs
        As in `solver.phaseless.reconstruction.reconstruct`.
    rng : int, optional
        Seed; None for other draws each time.
    confidence, progress
        As in `uncertainty.growth.sweep`.

    Returns
    -------
    Growth
        Its values are the numbers of the sets from 1. Errors are of the draws that were certified, of all
        where none was; NaN where a set was refused. Of the sets that were done if it was interrupted
        (KeyboardInterrupt) after the first.

    Raises
    ------
    ValueError
        If there is no set, or as `simulated` for the errors.
    """
    if not sets:
        raise InputError("there is no set of readings to look at", "name at least one")
    probe = scan.probe or field_probe()
    truth = scan.truth()
    local = localise(figures, truth)[0]
    found: list[_Found] = []
    seeds = np.random.SeedSequence(rng).spawn(draws)
    for i, one in enumerate(sets):

        def report(count: int, before: int = i * draws) -> None:
            if progress is not None:
                progress(before + count)

        try:
            made = _draws(scan, one, terms, probe, seeds, noise_db, starts, jobs, report)
        except KeyboardInterrupt:
            if not found:
                raise
            break
        q = np.stack([x.extend(truth.degree).coefficients[0] for x in made.modes]) if made.modes else None
        found.append(made)
        if q is not None:
            exact = truth.coefficients[0]
            q = aligned(q, exact)
            made.levels = np.sum(np.abs(q - exact) ** 2, axis=1) / np.sum(np.abs(exact) ** 2)
            made.values = local.values(q)
    return _growth(scan, figures, sets, found, np.asarray(local.nominal), confidence)


@dataclass(eq=False)
class _Found:
    """Of one set: modes and certificates of the draws, and number of samples; or why it was refused."""

    samples: int
    modes: list[Any]
    certificates: list[Any]
    refused: str = ""
    levels: Any = None
    values: Any = None


def _draws(
    scan: SimulatedScan,
    one: ReadingSet,
    terms: Sequence[ErrorTerm],
    probe: Probe,
    seeds: Sequence[np.random.SeedSequence],
    noise_db: float | None,
    starts: int,
    jobs: int | None,
    report: Callable[[int], None],
) -> _Found:
    place = one.place(scan)
    assert place.coherence is not None
    _, group = np.unique(place.coherence, return_inverse=True)
    made = _Found(place.port.size, [], [])
    for i, seed in enumerate(seeds):
        rng = np.random.default_rng(seed)
        turns = np.exp(2j * np.pi * rng.random(group.max() + 1))[group]
        drawn = [term.drawn(rng) for term in terms]
        read = simulated(drawn, place, probe, scan.measure, rng)
        read = replace(read, response=read.response * turns, coherence=place.coherence)
        noise = None
        if noise_db is not None:
            noise = float(np.nanmax(np.abs(read.response)) * 10 ** (noise_db / 20))
        how: Any = {"degree": scan.solver_degree, "noise": noise, "starts": starts, "jobs": jobs}
        try:
            answer = reconstruct(read, probe, rng=rng, **how)
        except InputError as error:
            made.refused = str(error)
            break
        if answer.certificates[0].starts < starts:
            raise KeyboardInterrupt  # which `reconstruct` takes for itself
        made.modes.append(answer.modes)
        made.certificates.append(answer.certificates[0])
        report(i + 1)
    return made


def _growth(
    scan: SimulatedScan,
    figures: Sequence[Figure],
    sets: Sequence[ReadingSet],
    found: list[_Found],
    nominal: Any,
    confidence: float,
) -> Growth:
    rows, certified, predicted, remarks = [], [], [], []
    none = np.zeros((2, 0)), np.zeros((3, 1, 0)), np.zeros((1, 0))
    for made in found:
        good = np.array([x.certified for x in made.certificates], dtype=bool)
        certified.append([good.mean() if good.size else 0.0])
        error = [20 * np.log10(x.error) for x in made.certificates]
        predicted.append([np.median(error) if error else np.nan])
        said = Counter(x.reasons[0] for x in made.certificates if not x.certified)
        remarks.append(made.refused or (said.most_common(1)[0][0] if said else ""))
        if made.modes:
            own = good if good.any() else ~good
            values, levels = made.values[own][:, None], made.levels[own][:, None]
        else:
            values, levels = np.full((1, 1, len(figures)), np.nan), np.zeros((1, 1))
        draws = Draws(tuple(figures), nominal[None], values, levels, max(good.size, 1), *none)
        rows.append((np.array([scan.frequency]), scan.solver_degree, made.samples, draws))
    growth = summed_up("phase-groups", np.arange(1.0, len(found) + 1), rows, confidence)
    nothing = np.array([[not x.modes] for x in found])
    shown: Any = {
        x: np.where(nothing, np.nan, getattr(growth, x))
        for x in ("level_db", "level_low_db", "level_high_db")
    }
    return replace(
        growth,
        **shown,
        draws=np.array([len(x.modes) for x in found]),
        names=tuple(x.name for x in sets[: len(found)]),
        certified=np.array(certified),
        predicted_db=np.array(predicted),
        remarks=tuple(remarks),
    )
