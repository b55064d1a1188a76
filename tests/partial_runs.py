"""Imperfect scans given to the program, and what it says of them beside what is true.

``python tests/partial_runs.py [WORD ...]`` prints a table of all cases, or of those whose names
hold a word: errors of EIRP, directivity and TRP, what was marked, and all warnings;
``python tests/partial_runs.py noise`` the noise gain reported and measured.
"""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import partial_scans as scans
from partial_scans import GHZ, RADIUS, Gap, Rows, Source

import nf2ff
from nf2ff import probe_models
from nf2ff.probe import probe_from_modes
from nf2ff.transformation import Outcome, report, transform_samples

#: What a figure may be off without noise [dB].
ALLOWED_DB = 0.1


# --- cases -----------------------------------------------------------------------------------


@cache
def source(name: str) -> Source:
    """Antennas by name; all but the dipoles and ``small`` need a degree of 14 to 24."""
    square, wide, small = scans.array(4, 4), scans.array(8, 4), scans.array(2, 1)
    return {
        "pole": lambda: square,
        "27 deg": lambda: square.turned(27, 40),
        "wide 27 deg": lambda: wide.turned(27, 40),
        "equator": lambda: square.turned(90, 40),
        "down": lambda: square.turned(180, 0),
        "circular": lambda: scans.array(4, 4, moment=(1, 1j, 0)),
        "offset": lambda: square.moved(0.005, 0.004, 0.010),
        "small": lambda: small,
        "small down": lambda: small.turned(180, 0),
        "dipole x": lambda: scans.dipole(1, 0, 0),
        "dipole z off": lambda: scans.dipole(0, 0, 1).moved(0.02, 0.01, 0.015),
    }[name]()


def _all(rows: Rows) -> np.ndarray:
    return np.ones(rows.theta.size, dtype=bool)


@cache
def places(name: str) -> Rows:
    """Complete sets of positions by name."""
    grid, spiral = scans.grid, scans.spiral
    if name == "grid, poles once":
        rows = grid()
        return rows.keep(scans.poles_once(rows))
    if name == "spiral, chi alternating":
        rows = spiral(2500)
        return rows.keep(scans.alternating(rows))
    if name == "spiral, chi random":
        rows = spiral(2500, chi_deg=(0,))
        chi = np.random.default_rng(3).uniform(0, 2 * np.pi, rows.chi.size)
        return Rows(rows.theta, rows.phi, chi, rows.port)
    return {
        "grid": grid,
        "grid 10": lambda: grid(10),
        "grid, chi 45 and 135": lambda: grid(chi_deg=(45, 135)),
        "grid, chi 0 and 60": lambda: grid(chi_deg=(0, 60)),
        "grid, two ports": lambda: scans.two_ports(grid()),
        "spiral": lambda: spiral(1600),
        "spiral, two ports": lambda: scans.two_ports(spiral(1600)),
        "spiral, three chi": lambda: spiral(1000, chi_deg=(0, 45, 90)),
    }[name]()


@dataclass(frozen=True)
class Case:
    """A source, positions, and what is missing of them.

    ``cause`` is what a warning must name where a figure is off: "polarisation" or "positions";
    "" for a complete scan.
    """

    name: str
    source: str
    places: str = "grid"
    gap: Gap = field(default=_all)
    cause: str = ""
    noise_db: float | None = None
    degree: int | None = None

    @property
    def rows(self) -> Rows:
        rows = places(self.places)
        return rows.keep(self.gap(rows))


def _complete() -> list[Case]:
    kinds = [
        "grid", "grid 10", "grid, poles once", "grid, chi 45 and 135", "grid, chi 0 and 60",
        "grid, two ports", "spiral", "spiral, two ports", "spiral, three chi",
        "spiral, chi alternating", "spiral, chi random",
    ]  # fmt: skip
    whole = [Case(f"{kind}, complete", "pole", kind) for kind in kinds]
    whole += [
        Case(f"{kind}, complete, beam {beam}", beam, kind)
        for kind in ("grid, poles once", "spiral")
        for beam in ("wide 27 deg", "equator", "down", "circular", "offset", "dipole x")
    ]
    whole += [
        Case(f"{kind}, complete, noise {level:g} dB", "pole", kind, noise_db=level)
        for kind in ("grid", "grid, poles once", "spiral", "spiral, chi alternating")
        for level in (-60, -40)
    ]
    # Chi 0 at all phi of a pole gives both components there; a missing one has neighbours.
    whole.append(Case("chi 90 missing at the pole itself", "pole", gap=scans.no_cross(0, 0)))
    once = scans.no_cross_once(0, 0)
    whole.append(Case("chi 90 missing at one phi of the pole", "pole", gap=once))
    whole.append(Case("chi 90 missing at the pole measured once", "pole", "grid, poles once", once))
    whole.append(Case("same, beam 27 deg", "wide 27 deg", "grid, poles once", once))
    return whole


def _polarisation() -> list[Case]:
    def case(what: str, gap: Gap, beam: str = "pole", kind: str = "grid", **more) -> Case:
        name = f"chi 90 missing {what}, {beam}" + (f", {kind}" if kind != "grid" else "")
        if "noise_db" in more:
            name += f", noise {more['noise_db']:g} dB"
        if "degree" in more:
            name += f", degree {more['degree']}"
        return Case(name, beam, kind, gap, "polarisation", **more)

    no_cross = scans.no_cross
    caps = [case(f"theta <= {edge}", no_cross(0, edge)) for edge in (5, 10, 15, 20, 30)]
    beams = ("27 deg", "wide 27 deg", "equator", "circular", "offset", "dipole x", "dipole z off")
    return [
        *caps,
        *(case("theta <= 20", no_cross(0, 20), beam) for beam in beams),
        *(case("theta <= 30", no_cross(0, 30), beam) for beam in ("wide 27 deg", "circular")),
        case("theta >= 160", no_cross(160, 180)),
        case("theta >= 160", no_cross(160, 180), "down"),
        case("theta 80 to 100", no_cross(80, 100), "equator"),
        case("theta 80 to 100", no_cross(80, 100)),
        case("theta 60 to 120", no_cross(60, 120), "equator"),
        case("0 < phi < 90", scans.no_cross_quarter),
        case("0 < phi < 90", scans.no_cross_quarter, "equator"),
        case("everywhere", no_cross(0, 180)),
        case("everywhere", no_cross(0, 180), "equator"),
        *(case(f"at {s:.0%} by chance", scans.no_cross_at_random(s)) for s in (0.05, 0.2, 0.5)),
        case("at 50% by chance", scans.no_cross_at_random(0.5), "wide 27 deg"),
        case("once at 40, 30", scans.no_cross_once(40, 30)),
        case("once at 40, 30", scans.no_cross_once(40, 30), "wide 27 deg"),
        case("once at 40, 30", scans.no_cross_once(40, 30), noise_db=-60.0),
        case("once at 40, 30", scans.no_cross_once(40, 30), "pole", "grid 10", noise_db=-40.0),
        case("once at 5, 0", scans.no_cross_once(5, 0), "dipole x"),
        case("every second ring", scans.no_cross_every_second_ring),
        case("theta <= 20", no_cross(0, 20), degree=16),
        case("theta <= 20", no_cross(0, 20), degree=24),
        case("theta <= 15", no_cross(0, 15), noise_db=-60.0),
        case("theta <= 20", no_cross(0, 20), noise_db=-60.0),
        case("theta <= 20", no_cross(0, 20), "equator", noise_db=-60.0),
        case("theta <= 20", no_cross(0, 20), degree=16, noise_db=-60.0),
        case("theta <= 20", no_cross(0, 20), "pole", "spiral"),
        case("theta <= 20", no_cross(0, 20), "pole", "spiral, chi alternating"),
        case("theta <= 20", no_cross(0, 20), "pole", "spiral, two ports"),
        case("theta <= 20", no_cross(0, 20), "pole", "grid, two ports"),
    ]


def _positions() -> list[Case]:
    def case(what: str, gap: Gap, beam: str = "pole", kind: str = "grid", **more) -> Case:
        name = f"{what}, {beam}" + (f", {kind}" if kind != "grid" else "")
        if "noise_db" in more:
            name += f", noise {more['noise_db']:g} dB"
        return Case(name, beam, kind, gap, "positions", **more)

    nothing = scans.nothing
    to = {edge: nothing(edge + 0.5, 180) for edge in (90, 120, 150, 165)}
    beams = ("27 deg", "equator", "down", "small", "small down", "offset", "dipole z off")
    belt = lambda rows: nothing(0, 29)(rows) & nothing(151, 180)(rows)  # noqa: E731
    return [
        *(case(f"theta to {edge}", gap) for edge, gap in to.items()),
        *(case("theta to 90", to[90], beam) for beam in beams),
        case("theta to 120", to[120], "wide 27 deg"),
        case("theta to 150", to[150], "down"),
        case("theta 30 to 150", belt),
        case("theta 30 to 150", belt, "equator"),
        case("theta to 120", to[120], "pole", "spiral"),
        case("theta to 90", to[90], "pole", "spiral"),
        case("theta to 90", to[90], "pole", "grid, two ports"),
        *(case(f"nothing for theta < {edge}", nothing(0, edge - 1)) for edge in (10, 20, 30, 60)),
        case("nothing for theta < 20", nothing(0, 19), "equator"),
        case("theta to 90", to[90], noise_db=-60.0),
        case("theta to 150", to[150], noise_db=-60.0),
        case("nothing for theta < 20", nothing(0, 19), noise_db=-60.0),
    ]


COMPLETE, POLARISATION, POSITIONS = _complete(), _polarisation(), _positions()
CASES = {case.name: case for case in (*COMPLETE, *POLARISATION, *POSITIONS)}


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
    return nf2ff.Samples(
        [10 * GHZ], rows.theta, rows.phi, rows.chi, RADIUS, rows.port, response[None], unit
    )


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
    outcome: Outcome | None = None
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
    facts = report(samples, outcome)[0]
    power = float(outcome.solution.modes.radiated_power()[0])
    found = {
        "eirp": outcome.peak.eirp[0] / true.eirp,
        "directivity": outcome.peak.directivity[0] / true.directivity,
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


def _allowed(
    case: Case, samples: nf2ff.Samples, facts: dict, true: scans.Truth
) -> dict[str, float]:
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
        "eirp": ALLOWED_DB + 3 * deviation,
        "directivity": ALLOWED_DB + 3 * deviation + bias,
        "trp": ALLOWED_DB + 3 * deviation + bias,
    }


def _field_error(case: Case, outcome: Outcome) -> np.ndarray:
    """Error of the complex far field on the grid of the result (T, P) [V]."""
    seen = outcome.far_field
    t, p = np.meshgrid(seen.theta, seen.phi, indexing="ij")
    wanted = scans.far_field(
        source(case.source), frequency=10 * GHZ, theta=t.ravel(), phi=p.ravel()
    )
    off = [got[0].ravel() - w for got, w in zip((seen.e_theta, seen.e_phi), wanted, strict=True)]
    return np.hypot(np.abs(off[0]), np.abs(off[1])).reshape(t.shape)


def _error_where_trusted(case: Case, outcome: Outcome, true: scans.Truth) -> float:
    if "ports" in case.places:  # the phase of the probe's reference is its own
        return -np.inf
    off = _field_error(case, outcome)
    trusted = outcome.far_field.trusted
    off = off if trusted is None else off[trusted]
    top = np.sqrt(true.eirp * scans.Z0 / (2 * np.pi))
    return 20 * float(np.log10(off.max() / top)) if off.size else -np.inf


def _trusted_at(outcome: Outcome, theta: float, phi: float) -> bool:
    seen = outcome.far_field
    if seen.trusted is None:
        return True
    t, p = np.meshgrid(seen.theta, seen.phi, indexing="ij")
    at = scans.unit_vectors(np.array(theta), np.array(phi))[0]
    nearest = np.argmax(scans.unit_vectors(t.ravel(), p.ravel())[0] @ at)
    return bool(seen.trusted.ravel()[nearest])


# --- what the words say ------------------------------------------------------------------------

#: Ways to say that something was not measured; any wording will do.
LACK = re.compile(
    r"\b(not|never|nothing|nowhere|neither|no)\b.{0,40}\b(seen|measured|sampled|covered|observed"
    r"|determined|known|scanned|samples?|readings?|positions?)\b"
    r"|unseen|unmeasured|unsampled|missing|\blacks?\b|lacking|left out|leaves out|\bgaps?\b"
    r"|only (one|a part|part)|undetermined|part of the sphere|incomplete|\bpartial",
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
    """Reported, and measured over repeated solutions [dB], over the complete scan's at the peak."""

    reported: float
    measured: float
    scatter: float
    at_peak: np.ndarray
    worst: np.ndarray


def _noise(case: Case, repeats: int) -> tuple[np.ndarray, np.ndarray, float]:
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
        far = nf2ff.far_field(
            nf2ff.solve(one, probe, degree=degree).modes, theta=theta, phi=phi
        )
        return np.stack([far.e_theta[0], far.e_phi[0]])

    base = solved(None)
    weight = np.sin(theta)[:, None] / np.sin(theta).sum() / phi.size
    mean_square = (np.abs(base) ** 2 * weight).sum()
    off = np.array([np.abs(solved(100 + i) - base) ** 2 for i in range(repeats)]).sum(axis=1)
    w = np.abs(clean.response)
    level = 1e-6 * w.max() ** 2 / (w**2).mean()
    over = off / mean_square / level
    return (over * weight).sum(axis=(1, 2)), over.mean(axis=0), level


def noise_gain(case: Case, repeats: int = 16) -> NoiseGain:
    """Noise gain reported by `transform` (mean of its field error), and measured."""
    each, where, _ = _noise(case, repeats)
    whole = Case("whole", case.source, case.places, degree=case.degree)
    _, complete, _ = _noise(whole, repeats)
    samples = samples_of(case)
    outcome = transform_samples(samples, probe_of(case), degree=case.degree)
    reported = report(samples, outcome)[0]["noise_gain_db"]
    true = scans.truth(source(case.source))
    ratio = where / complete
    row, column = np.rint(np.degrees([true.theta, true.phi]) / [5, 10]).astype(int)
    return NoiseGain(
        reported=reported,
        measured=10 * np.log10(each.mean()),
        scatter=4.343 * each.std(ddof=1) / each.mean() / np.sqrt(repeats),
        at_peak=10 * np.log10(ratio[row, column % 36]),
        worst=10 * np.log10(ratio.max()),
    )


#: Sets whose noise gain is asked for, by the names of their cases.
NOISE_CASES = {
    name: Case(name, beam, kind, gap, cause, degree=degree)
    for name, beam, kind, gap, cause, degree in (
        ("complete grid", "pole", "grid", _all, "", 20),
        ("complete spiral", "pole", "spiral", _all, "", 20),
        ("grid, poles once", "pole", "grid, poles once", _all, "", 20),
        ("chi alternating", "pole", "spiral, chi alternating", _all, "", 20),
        ("chi 90 missing to 5", "pole", "grid", scans.no_cross(0, 5), "polarisation", 20),
        ("chi 90 missing to 10", "pole", "grid", scans.no_cross(0, 10), "polarisation", 20),
        ("chi 90 missing to 15", "pole", "grid", scans.no_cross(0, 15), "polarisation", 20),
        ("chi 90 missing to 20", "pole", "grid", scans.no_cross(0, 20), "polarisation", 16),
        ("chi 90 missing to 20, auto", "pole", "grid", scans.no_cross(0, 20), "polarisation", None),
        ("chi 90 missing in a belt", "equator", "grid", scans.no_cross(80, 100), "polarisation", 20),
        ("chi 90 missing at half", "pole", "grid", scans.no_cross_at_random(0.5), "polarisation", 20),
        ("theta to 150", "pole", "grid", scans.nothing(150.5, 180), "positions", 20),
        ("theta to 90", "pole", "grid", scans.nothing(90.5, 180), "positions", 20),
        ("nothing to 20", "pole", "grid", scans.nothing(0, 19), "positions", 20),
    )
}  # fmt: skip


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
            g = noise_gain(case)
            print(
                f"{name:30s} {g.reported:8.1f} {g.measured:8.1f} {g.scatter:5.1f} "
                f"{g.at_peak:8.1f} {g.worst:8.1f}",
                flush=True,
            )
        return
    print(
        f"{'case':58s}   N     EIRP        D      TRP unseen  trust  err/tr   gain totals   verdict"
    )
    for case in CASES.values():
        if not words or any(word in case.name for word in words):
            given = answer(case.name)
            print(_row(case, given), flush=True)
            for sentence in (given.refusal, *given.warnings):
                if sentence:
                    print(f"        {sentence}")


if __name__ == "__main__":
    main(sys.argv[1:])
