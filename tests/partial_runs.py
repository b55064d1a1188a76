"""Imperfect scans given to the program, and what it says of them beside what is true.

``python tests/partial_runs.py [WORD ...]`` prints a table of all cases, or of those whose names
hold a word: errors of EIRP, directivity and TRP, what was marked, and all warnings;
``python tests/partial_runs.py noise`` the noise gain reported and measured.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import partial_scans as scans
from partial_cases import CASES, NOISE_CASES, Case, source
from partial_scans import GHZ, RADIUS

import nf2ff
from nf2ff.measurement import probe_models
from nf2ff.measurement.probe import probe_from_modes
from nf2ff.metrics.result import Result
from nf2ff.metrics.transformation import transform_samples
from nf2ff.report.result import result_facts

#: What a figure may be off without noise [dB].
ALLOWED_DB = 0.1
#: What noise may add to that unwarned, whatever noise gain is stated [dB].
MOST_DB = 1.0


# --- the program's answer ----------------------------------------------------------------------


@cache
def dipole_probe() -> nf2ff.Probe:
    """Two short dipoles across each other."""
    return probe_from_modes(probe_models.dual_port(probe_models.electric_dipole([10 * GHZ])))


def samples_of(case: Case, *, seed: int = 1, noise_db: float | None = None) -> nf2ff.Samples:
    rows = case.rows
    response = scans.readings(source(case.source), rows)
    level = case.noise_db if noise_db is None else noise_db
    if level is not None:
        response = response + scans.noise(response, level, seed)
    unit = "V/m"
    if "ports" in case.places:
        response, unit = scans.wave_per_field() * response, "sqrt(W)"
    return nf2ff.Samples([10 * GHZ], rows.theta, rows.phi, rows.chi, RADIUS, rows.port, response[None], unit)


def probe_of(case: Case) -> nf2ff.Probe:
    return dipole_probe() if "ports" in case.places else nf2ff.field_probe()


@dataclass(frozen=True)
class Answer:
    """What `transform` makes of a case; errors are answer over truth [dB].

    ``trusted_error`` is the largest error of the complex field in a direction that is trusted,
    over the field at the peak [dB]; ``peak_trusted`` whether the true peak is.
    """

    refusal: str = ""
    warnings: tuple[str, ...] = ()
    errors: dict[str, float] = field(default_factory=dict)
    allowed: dict[str, float] = field(default_factory=dict)
    facts: dict = field(default_factory=dict)
    outcome: Result | None = None
    trusted_error: float = -np.inf
    peak_trusted: bool = True


@cache
def answer(name: str) -> Answer:
    """The answer to a case, found once."""
    return answer_to(CASES[name])


def answer_to(case: Case) -> Answer:
    samples = samples_of(case)
    try:
        outcome = transform_samples(samples, probe_of(case), degree=case.degree)
    except ValueError as error:
        return Answer(refusal=str(error))
    true = scans.truth(source(case.source))
    facts = result_facts(outcome)[0]
    power = float(outcome.modes.radiated_power()[0])
    found = {
        "eirp": outcome.quantities["peak_eirp"].values[0] / true.eirp,
        "directivity": outcome.quantities["peak_directivity"].values[0] / true.directivity,
        "trp": power / true.trp,
    }
    errors = {key: 10 * np.log10(value) for key, value in found.items()}
    return Answer(
        warnings=tuple(facts["warnings"]),
        errors=errors,
        allowed=_allowed(case, samples, facts, true),
        facts=facts,
        outcome=outcome,
        trusted_error=_error_where_trusted(case, outcome, true),
        peak_trusted=_trusted_at(outcome, true.theta, true.phi),
    )


def _allowed(case: Case, samples: nf2ff.Samples, facts: dict, true: scans.Truth) -> dict[str, float]:
    """0.1 dB and, under noise, three standard deviations as the stated noise gain has them.

    The gain g is the mean square error of the far field over that of the samples, both relative:
    spread evenly, the field at the peak errs by e = sqrt(g/D) times the samples' noise over their
    rms, half of it in phase and half of that along the polarisation: 1/2 e. That is for EIRP;
    TRP, a mean over many directions, errs by less, its bias g e^2 D apart, and directivity by
    both together: they are given as much as EIRP, and that bias.
    """
    if case.noise_db is None:
        return dict.fromkeys(("eirp", "directivity", "trp"), ALLOWED_DB)
    w = np.abs(samples.response)
    noise = 10 ** (case.noise_db / 20) * w.max() / np.sqrt((w**2).mean())
    gain = 10 ** (facts["noise_gain_db"] / 10)
    deviation = 8.686 * noise * np.sqrt(gain / true.directivity) / 2
    bias = 4.343 * gain * noise**2
    return {
        "eirp": ALLOWED_DB + min(MOST_DB, 3 * deviation),
        "directivity": ALLOWED_DB + min(MOST_DB, 3 * deviation + bias),
        "trp": ALLOWED_DB + min(MOST_DB, 3 * deviation + bias),
    }


def _field_error(case: Case, outcome: Result) -> np.ndarray:
    """Error of the complex far field on the grid of the result (T, P) [V]."""
    seen = outcome.far_field
    t, p = np.meshgrid(seen.theta, seen.phi, indexing="ij")
    wanted = scans.far_field(source(case.source), frequency=10 * GHZ, theta=t.ravel(), phi=p.ravel())
    off = [got[0].ravel() - w for got, w in zip((seen.e_theta, seen.e_phi), wanted, strict=True)]
    return np.hypot(np.abs(off[0]), np.abs(off[1])).reshape(t.shape)


def _error_where_trusted(case: Case, outcome: Result, true: scans.Truth) -> float:
    if "ports" in case.places:  # the phase of the probe's reference is its own
        return -np.inf
    off = _field_error(case, outcome)
    trusted = outcome.far_field.trusted
    off = off if trusted is None else off[trusted[0]]
    top = np.sqrt(true.eirp * scans.Z0 / (2 * np.pi))
    return 20 * float(np.log10(off.max() / top)) if off.size else -np.inf


def _trusted_at(outcome: Result, theta: float, phi: float) -> bool:
    seen = outcome.far_field
    if seen.trusted is None:
        return True
    t, p = np.meshgrid(seen.theta, seen.phi, indexing="ij")
    at = scans.unit_vectors(np.array(theta), np.array(phi))[0]
    nearest = np.argmax(scans.unit_vectors(t.ravel(), p.ravel())[0] @ at)
    return bool(seen.trusted[0].ravel()[nearest])


# --- what the words say ------------------------------------------------------------------------

#: Ways to say that something was not measured; any wording will do.
LACK = re.compile(
    r"\b(not|never|nothing|nowhere|neither|no)\b.{0,40}\b(seen|measured|sampled|covered|observed"
    r"|determined|known|scanned|samples?|readings?|positions?)\b"
    r"|unseen|unmeasured|unsampled|missing|\blacks?\b|lacking|left out|leaves out|\bgaps?\b"
    r"|only (one|a part|part)|undetermined|part of the sphere|incomplete|\bpartial"
    r"|second polari[sz]ation",
    re.IGNORECASE,
)
POLARISATION_WORDS = re.compile(r"polari[sz]ation|component|\bchi\b|\bports?\b", re.IGNORECASE)
#: What part: a number with a unit of angle or solid angle or %, or a part in words.
PART = re.compile(r"\d\s?(sr|%|deg\b|°)|\b(half|quarter|hemisphere|everywhere)\b", re.IGNORECASE)


def names(sentence: str, cause: str) -> bool:
    """Whether a sentence says that something of this kind is missing."""
    if not LACK.search(sentence):
        return False
    return cause != "polarisation" or bool(POLARISATION_WORDS.search(sentence))


def named(case: Case, given: Answer) -> bool:
    """Whether the cause is named with the part that is missing, or the scan refused for it."""
    if given.refusal:
        return names(given.refusal, case.cause)
    return any(names(x, case.cause) and PART.search(x) for x in given.warnings)


def marks_totals(given: Answer) -> bool:
    """Whether directivity and TRP are refused or marked as partial, in words or in the report."""
    if given.refusal:
        return True
    facts = given.facts
    if facts["radiated_power_w"] is None or facts["peak"].get("directivity_dbi") is None:
        return True
    if any("partial" in key and value for key, value in facts.items()):
        return True
    return any(
        "directivity" in x.lower() and re.search(r"TRP|radiated power", x) and LACK.search(x)
        for x in given.warnings
    )


# --- noise ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class NoiseGain:
    """Reported, and measured by repeated solutions with the scatter of that mean [dB].

    ``at_peak`` and ``worst``: noise power towards the peak, and where it grew most, over that of
    the complete scan [dB].
    """

    reported: float
    measured: float
    scatter: float
    at_peak: float = np.nan
    worst: float = np.nan


def _noise(case: Case, repeats: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean square errors of each repeat (K,), and of each direction (T P), over the samples'.

    Mean over the sphere relative to the mean square field, by rings weighted with sin(theta).
    """
    clean = samples_of(case)
    probe = probe_of(case)
    first = nf2ff.solve(clean, probe, degree=case.degree)
    degree = first.modes.degree
    theta = np.radians(np.arange(0, 181, 5))
    phi = np.radians(np.arange(0, 360, 10))

    def solved(seed: int | None) -> np.ndarray:
        one = clean if seed is None else samples_of(case, seed=seed, noise_db=-60.0)
        far = nf2ff.far_field(nf2ff.solve(one, probe, degree=degree).modes, theta=theta, phi=phi)
        return np.stack([far.e_theta[0], far.e_phi[0]])

    base = solved(None)
    weight = np.sin(theta)[:, None] / np.sin(theta).sum() / phi.size
    mean_square = (np.abs(base) ** 2 * weight).sum()
    off = np.array([np.abs(solved(100 + i) - base) ** 2 for i in range(repeats)]).sum(axis=1)
    w = np.abs(clean.response)
    level = 1e-6 * w.max() ** 2 / (w**2).mean()
    over = off / mean_square / level
    return (over * weight).sum(axis=(1, 2)), over.mean(axis=0)


@cache
def _complete_noise(beam: str, kind: str, degree: int | None, repeats: int) -> np.ndarray:
    return _noise(Case("whole", beam, kind, degree=degree), repeats)[1]


def noise_gain(case: Case, repeats: int = 16, *, directions: bool = False) -> NoiseGain:
    """Noise gain reported by `transform`, and measured, if asked also by direction."""
    each, where = _noise(case, repeats)
    outcome = transform_samples(samples_of(case), probe_of(case), degree=case.degree)
    measured = NoiseGain(
        reported=10 * float(np.log10(outcome.quantities["noise_gain"].values[0])),
        measured=10 * float(np.log10(each.mean())),
        scatter=4.343 * float(each.std(ddof=1) / each.mean() / np.sqrt(repeats)),
    )
    if not directions:
        return measured
    ratio = 10 * np.log10(where / _complete_noise(case.source, case.places, case.degree, repeats))
    true = scans.truth(source(case.source))
    row, column = np.rint(np.degrees([true.theta, true.phi]) / [5, 10]).astype(int)
    return replace(measured, at_peak=ratio[row, column % 36], worst=ratio.max())


# --- tables -------------------------------------------------------------------------------------


def _row(case: Case, given: Answer) -> str:
    if given.refusal:
        return f"{case.name:58s} refused ({'named' if named(case, given) else 'other cause'})"
    e, facts = given.errors, given.facts
    fine = all(abs(e[key]) <= given.allowed[key] for key in e)
    verdict = "right" if fine else "named" if named(case, given) else "WRONG"
    return (
        f"{case.name:58s} {facts['degree']:3d} {e['eirp']:+8.3f} {e['directivity']:+8.3f} "
        f"{e['trp']:+8.3f} {facts['unseen_sr']:6.2f} {facts['trusted_fraction']:6.3f} "
        f"{given.trusted_error:7.1f} {facts['noise_gain_db']:6.1f} "
        f"{'partial' if marks_totals(given) else '-':8s} {verdict}"
    )


def main(words: list[str]) -> None:
    if words == ["noise"]:
        print(f"{'set':30s} reported measured  +-    at peak  worst   [dB; the last two over")
        print(f"{'':60s} the complete scan]")
        for name, case in NOISE_CASES.items():
            g = noise_gain(case, directions=True)
            print(
                f"{name:30s} {g.reported:8.1f} {g.measured:8.1f} {g.scatter:5.1f} "
                f"{g.at_peak:8.1f} {g.worst:8.1f}",
                flush=True,
            )
        return
    print(f"{'case':58s}   N     EIRP        D      TRP unseen  trust  err/tr   gain totals   verdict")
    for case in CASES.values():
        if not words or any(word in case.name for word in words):
            given = answer(case.name)
            print(_row(case, given), flush=True)
            for sentence in (given.refusal, *given.warnings):
                if sentence:
                    print(f"        {sentence}")


if __name__ == "__main__":
    main(sys.argv[1:])
