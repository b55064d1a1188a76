"""Results of scans without a phase reference: what is certified, and the errors that noise leaves."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.fields import far_field_at
from nf2ff.antenna.modes import Modes, required_degree, wavenumber
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.phaseless import PhaselessCode
from nf2ff.metrics.beam import peak
from nf2ff.metrics.result import Quantity, Result
from nf2ff.solver.phaseless.reconstruction import Progress, Reconstruction, reconstruct

#: Power above the degree that is taken for an antenna within a known sphere [dB].
TAIL_DB = -60.0


def degree_for(samples: Samples, degree: int | None, minimum_radius: float | None) -> int:
    """The degree to look for: given, or that of the sphere that holds the antenna [m]."""
    if degree is not None:
        return degree
    if minimum_radius is None:
        raise InputError(
            "without a phase reference the readings do not tell the degree of the modes",
            "state the smallest sphere about the origin that holds the antenna, or the degree",
            option="--minimum-radius-m or --degree",
        )
    k = float(wavenumber(samples.frequency.max()))
    return required_degree(k * minimum_radius, tail_db=TAIL_DB) + 1


def certified_samples(
    samples: Samples,
    probe: Probe,
    *,
    degree: int,
    noise: float | None = None,
    starts: int = 8,
    rng: int | np.random.Generator | None = None,
    progress: Progress | None = None,
) -> tuple[Samples, Reconstruction, list[str]]:
    """The readings with the phases found, of those frequencies that are certified.

    Parameters
    ----------
    samples, probe, degree, noise, starts, rng, progress
        As in `solver.phaseless.reconstruct`.

    Returns
    -------
    samples : Samples
        With phases, without groups.
    reconstruction : Reconstruction
        Of these frequencies.
    left_out : list of str
        What is said of the other frequencies.

    Raises
    ------
    ValueError
        If no frequency is certified, or as `reconstruct`.
    """
    found = reconstruct(samples, probe, degree=degree, noise=noise, starts=starts, rng=rng, progress=progress)
    good = np.flatnonzero(found.certified)
    told = [
        f"{hertz / 1e9:.9g} GHz is left out: {one.sentence()}"
        for hertz, one in zip(samples.frequency, found.certificates, strict=True)
        if not one.certified
    ]
    if not good.size:
        one = found.certificates[0]
        option = "--noise-db" if any(x.code is PhaselessCode.HELP_STATE for x in one.remedies) else ""
        raise InputError("; ".join(one.reasons), ", or ".join(one.remedies), where=one.verdict, option=option)
    kept = found.samples.part(good.tolist())
    modes = Modes(kept.frequency, found.modes.coefficients[good], found.modes.reference)
    certificates = tuple(found.certificates[i] for i in good)
    return kept, Reconstruction(modes, kept, certificates, found.draws[good]), told


def mark_certified(result: Result, found: Reconstruction) -> Result:
    """A result with its certificate, and the errors that noise leaves in its figures.

    Parameters
    ----------
    result : Result
        Of the samples with the phases found.
    found : Reconstruction
        What found them, of the same frequencies.

    Returns
    -------
    Result
        With more quantities; the certificate is the first of the warnings.
    """
    rows = found.certificates
    quantities: dict[str, Any] = dict(result.quantities)

    def add(name: str, values: Any, units: str, words: str) -> None:
        quantities[name] = Quantity(np.asarray(values), units, words)

    add("certified", [int(x.certified) for x in rows], "1", "1 where phases were found and certified")
    add("far_field_error", [x.error for x in rows], "1", "predicted relative rms error of the far field")
    add("chi_square", [x.chi_square for x in rows], "1", "misfit over that of noise, NaN where not stated")
    add("starts", [x.starts for x in rows], "1", "independent starts")
    add("agreeing_starts", [x.agreeing for x in rows], "1", "starts that found the result")
    add("reading_noise", [x.noise for x in rows], "1", "rms noise of a reading, in its unit")
    for name, values in _scatter(found).items():
        add(
            f"{name}_error", values, "1", f"predicted relative standard error of the {name.replace('_', ' ')}"
        )
    warnings = result.warnings or ((),) * len(rows)
    warnings = tuple((one.sentence(), *some) for one, some in zip(rows, warnings, strict=True))
    status = f"phases found without a reference, certified; {result.notes.get('status', '')}"
    return replace(result, quantities=quantities, warnings=warnings, notes={**result.notes, "status": status})


def _scatter(found: Reconstruction) -> dict[str, NDArray[np.float64]]:
    """Relative standard errors of peak directivity, and of peak EIRP and power where they are known."""
    top = peak(found.modes)
    directivity, eirp, power = [], [], []
    for f, draws in enumerate(found.draws):
        place = np.array([[top.theta[f], np.mod(top.phi[f], 2 * np.pi)]])
        every = np.concatenate([found.modes.coefficients[f : f + 1], draws])
        u = [float(np.sum(np.abs(far_field_at(q, place)) ** 2)) for q in every]
        total = np.sum(np.abs(draws) ** 2, axis=1) / np.sum(np.abs(found.modes.coefficients[f]) ** 2)
        toward = np.array(u[1:]) / u[0]
        directivity.append(np.sqrt(np.mean((toward / total - 1) ** 2)))
        eirp.append(np.sqrt(np.mean((toward - 1) ** 2)))
        power.append(np.sqrt(np.mean((total - 1) ** 2)))
    errors = {"peak_directivity": np.array(directivity)}
    if found.modes.reference == "absolute":
        errors |= {"peak_eirp": np.array(eirp), "radiated_power": np.array(power)}
    return errors
