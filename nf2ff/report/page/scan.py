"""What a page draws of a scan: readings where they were taken, and what the modes leave of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes
from nf2ff.antenna.points import constant_density
from nf2ff.kernel.sphere import angle_of_chord, canonical_angles, unit_vectors
from nf2ff.measurement.probe import Probe, at_frequencies
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.report.page.data import ArrayPack
from nf2ff.report.page.pattern import map_grid
from nf2ff.report.picture import decibels
from nf2ff.report.scan_plots import strongest_rows
from nf2ff.uncertainty.remeasured import responses_of

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: How far below the largest reading maps of readings reach, and those of what is left [dB].
DEPTH, LEFT_DEPTH = 60.0, 100.0
#: Steps of maps to choose from [deg], and bytes that one of them may take.
STEPS_DEG = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 10.0)
ROOM = 500_000
#: Positions that are marked.
MARKED = 3000
#: Largest distance to a reading in a regular set over the distance that nine tenths of the sphere keep, and
#: some more: in a square lattice they are 0.707 (closed form) and 0.56 steps, on a sphere steps in phi vary.
REACH = 1.8
#: Places of equal areas at which distances are taken.
PLACES = 10_000
#: Accuracy of the responses that modes give.
TOLERANCE = 1e-7
#: What is left agrees with the residual of the result up to this factor: a map holds a part of the readings.
ALIKE = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Left:
    """What the modes leave of readings, and whether that is what the result says of them.

    Parameters
    ----------
    level : (F, M) ndarray
        Residual over the largest reading of each frequency; NaN where nothing was read.
    relative : (F,) ndarray
        Its norm over that of the readings.
    reason : str
        Why it cannot be shown; empty if it can.
    """

    level: Real
    relative: Real
    reason: str = ""


def left_of(samples: Samples, probe: Probe, modes: Modes, expected: Real | None) -> Left:
    """What modes leave of readings at the same frequencies, and whether it is as ``expected`` (F,).

    One factor for each port and frequency is fitted: the level of a result may not be that of the readings.
    """
    known = at_frequencies(probe, samples.frequency, extrapolate=True)[0]
    model = responses_of(modes, samples, known, tolerance=TOLERANCE)
    left = np.full(samples.response.shape, np.nan)
    relative = np.full(len(left), np.nan)
    for f, (read, found) in enumerate(zip(samples.response, model, strict=True)):
        there = ~np.isnan(read)
        apart = np.full(read.shape, np.nan, dtype=complex)
        for port in samples.ports():
            of_port = there & (samples.port == port)
            power = np.vdot(found[of_port], found[of_port]).real
            factor = np.vdot(found[of_port], read[of_port]) / power if power > 0 else 0.0
            apart[of_port] = read[of_port] - factor * found[of_port]
        if there.any():
            left[f] = np.abs(apart) / max(float(np.abs(read[there]).max()), 1e-300)
            relative[f] = np.linalg.norm(apart[there]) / max(float(np.linalg.norm(read[there])), 1e-300)
    return Left(left, relative, _differs(relative, expected))


def _differs(relative: Real, expected: Real | None) -> str:
    """Why what is left is not that of the result, if it is not."""
    if expected is None:
        return ""
    # Below the accuracy of both, nothing can be compared.
    least = 100 * TOLERANCE
    ratio = np.maximum(relative, least) / np.maximum(expected, least)
    worst = int(np.nanargmax(np.abs(np.log(ratio)))) if np.isfinite(ratio).any() else 0
    if ratio[worst] < 1 / ALIKE:
        return (
            f"by a factor of their own the modes leave {100 * relative[worst]:.3g} % of these readings, "
            f"and the result says {100 * expected[worst]:.3g} % of all: ports or polarisations differ in "
            "level or phase"
        )
    if not ratio[worst] > ALIKE:
        return ""
    return (
        f"the modes leave {100 * relative[worst]:.3g} % of these readings, and the result says "
        f"{100 * expected[worst]:.3g} %: give the scan, the probe and its mounting as for nf2ff transform"
    )


class ScanMaps:
    """Maps over theta and phi of the strongest readings: each place shows the nearest.

    Parameters
    ----------
    samples : Samples
        At the frequencies that are shown.
    """

    def __init__(self, samples: Samples) -> None:
        from scipy.spatial import cKDTree

        count = samples.frequency.size
        there = ~np.isnan(samples.response)
        best = int(np.argmax(there.sum(axis=1)))
        first = samples.part([best]) if samples.moving else samples
        if not there[best].any():
            raise InputError("there is no reading", "give the scan that the result was made from")
        self.port, self.chi, rows = strongest_rows(
            samples.port, first.chi, samples.response[best], there[best], most=None
        )
        theta, phi, turned = canonical_angles(first.theta[rows], first.phi[rows])
        places = unit_vectors(theta, phi)[0]
        # Of even positions each has the area 4 pi / M, of a square that wide.
        tree = cKDTree(places)
        near = tree.query(places[:: max(1, len(places) // 4000)], k=2)[0][:, 1] if len(places) > 1 else [0.1]
        apart = max(math.sqrt(4 * math.pi / len(places)), float(np.median(near)))
        least = math.degrees(apart) / 1.5
        fits = [x for x in STEPS_DEG if (180 / x + 1) * 360 / x * count <= ROOM]
        self.step = next((x for x in fits if x >= least), fits[-1] if fits else STEPS_DEG[-1])
        t, p = np.meshgrid(*map_grid(self.step), indexing="ij")
        chord, index = tree.query(unit_vectors(t, p)[0])
        far = angle_of_chord(chord) > _reach(tree)
        self.rows, self.cells = rows, np.where(far, -1, index)
        self.theta, self.phi, self.total = theta, phi, rows.size
        self.radius = float(first.radius.min()), float(first.radius.max())
        #: Rows of the samples that maps show, and which of them each place shows.
        self.shown, inverse = np.unique(self.cells[self.cells >= 0], return_inverse=True)
        #: At negative theta theta^ and phi^ point the other way: so does what is read.
        self.sign = np.where(turned, -1.0, 1.0)[self.shown]
        self.place = np.full(self.cells.shape, -1)
        self.place[self.cells >= 0] = inverse

    def part(self, samples: Samples) -> Samples:
        """The samples that maps show."""
        which = np.zeros(samples.response.shape[1], dtype=bool)
        which[self.rows[self.shown]] = True
        return samples.part(range(samples.frequency.size), which)

    def on_map(self, values: Real) -> Real:
        """Values (F, M) of `part` at each place of the map (F, T, P)."""
        padded = np.concatenate([values, np.full((len(values), 1), np.nan)], axis=1)
        return np.asarray(padded[:, self.place])

    def put(self, pack: ArrayPack, samples: Samples, left: Left | None) -> dict[str, Any]:
        """Add amplitude, phase and residual of `part`, and positions; what is said of them."""
        read = samples.response
        whole = np.nanmax(np.abs(np.where(np.isnan(read), 0, read)), axis=1, keepdims=True)
        with np.errstate(invalid="ignore"):
            level = 2 * decibels(np.abs(read) / np.maximum(whole, 1e-300))
            phase = np.degrees(np.angle(read * self.sign))
        zero = np.zeros(len(read))
        pack.put_levels("amplitude", self.on_map(level), top=zero, depth=DEPTH, fine=False, step=0.5)
        pack.put_levels("phase", self.on_map(phase), top=zero + 180, depth=360, fine=False, step=3.0)
        about = {
            "step": self.step,
            "positions": self.total,
            "port": self.port,
            "chi": self.chi,
            "radius": self.radius,
            "residual": left is not None and not left.reason,
        }
        if left is not None and not left.reason:
            lower = 2 * decibels(left.level)
            top = np.array([np.nanmax(x) if np.isfinite(x).any() else 0.0 for x in lower])
            pack.put_levels("residual", self.on_map(lower), top=top, depth=LEFT_DEPTH, fine=False, step=1.0)
        some = np.unique(np.linspace(0, self.total - 1, min(MARKED, self.total)).round().astype(int))
        turn = 32767 / (2 * np.pi)
        marks = np.stack([self.theta[some], self.phi[some]]) * turn
        pack.put("positions", np.rint(marks).astype("u2"), unit=360 / 32767)
        return about


def _reach(tree: Any) -> float:
    """Distance up to which a place belongs to a reading: that of their spacing, gaps aside [rad]."""
    even = constant_density(PLACES)
    distance = angle_of_chord(tree.query(unit_vectors(even.theta, even.phi)[0])[0])
    # Whatever is missing, a quarter of the sphere is measured; the bound closes in on it.
    bound = 6 * float(np.quantile(distance, 0.25))
    for _ in range(20):
        spacing = float(np.quantile(distance[distance <= bound], 0.9))
        if REACH * spacing >= bound:
            break
        bound = REACH * spacing
    return bound
