"""Cases of scans: an antenna, positions, and what is missing of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np
import partial_scans as scans
from partial_scans import Gap, Rows, Source


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
        "grid",
        "grid 10",
        "grid, poles once",
        "grid, chi 45 and 135",
        "grid, chi 0 and 60",
        "grid, two ports",
        "spiral",
        "spiral, two ports",
        "spiral, three chi",
        "spiral, chi alternating",
        "spiral, chi random",
    ]
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
        case("theta >= 160", no_cross(160, 180)),
        case("theta >= 160", no_cross(160, 180), "down"),
        case("theta 80 to 100", no_cross(80, 100), "equator"),
        case("theta 80 to 100", no_cross(80, 100)),
        case("0 < phi < 90", scans.no_cross_quarter),
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


#: Sets whose noise gain is asked for.
NOISE_CASES = {
    name: Case(name, beam, kind, gap, degree=degree)
    for name, beam, kind, gap, degree in (
        ("complete grid", "pole", "grid", _all, 20),
        ("complete spiral", "pole", "spiral", _all, 20),
        ("grid, poles once", "pole", "grid, poles once", _all, 20),
        ("chi alternating", "pole", "spiral, chi alternating", _all, 20),
        ("chi 90 missing to 5", "pole", "grid", scans.no_cross(0, 5), 20),
        ("chi 90 missing to 10", "pole", "grid", scans.no_cross(0, 10), 20),
        ("chi 90 missing to 15", "pole", "grid", scans.no_cross(0, 15), 20),
        ("chi 90 missing to 20", "pole", "grid", scans.no_cross(0, 20), 16),
        ("chi 90 missing to 20, auto", "pole", "grid", scans.no_cross(0, 20), None),
        ("chi 90 missing in a belt", "equator", "grid", scans.no_cross(80, 100), 16),
        ("chi 90 missing at half", "pole", "grid", scans.no_cross_at_random(0.5), 16),
        ("theta to 150", "pole", "grid", scans.nothing(150.5, 180), 16),
        ("theta to 90", "pole", "grid", scans.nothing(90.5, 180), 16),
        ("nothing to 20", "pole", "grid", scans.nothing(0, 19), 20),
    )
}
