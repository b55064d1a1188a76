"""Whether plans keep the uncertainty that they promise: scans carried out with errors as large as allowed.

Run as ``python benchmarks/plan_promise.py [SCANS]``: that many scans of each of ten devices on each of two
sets of positions. A plan of the package gives degree, positions and tolerances for the uncertainties
wished; scans with errors of just those sizes are made, and the truth is found, by `erroneous_scans`, which
shares nothing with the package. Counted is how often EIRP, TRP and peak directivity lie within 1.96 wished
standard uncertainties of the truth: 95 % of them or more should.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import partial

import erroneous_scans as scans
import numpy as np
from erroneous_scans import FREQUENCY, Z0, Complex, Dipoles, Real

import nf2ff
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.metrics.beam import peak
from nf2ff.planning.axes import Axis, Positioner, Receiver
from nf2ff.planning.enclosure import Part
from nf2ff.planning.plan import Plan, ScanRequest, make_plan
from nf2ff.planning.tolerances import Wish, checked_by_draws, planned_solution, tolerances
from nf2ff.uncertainty.errors.catalogue import make_term
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.simulated_scan import received

SETS = ("grid", "constant-rate-spiral")
FIGURES = ("eirp", "trp", "directivity")
#: Standard uncertainty wished of each [dB].
WISHED_DB = 0.15
#: Room between minimum sphere and probe [wavelengths].
ROOM = 3.0


@dataclass(frozen=True)
class Device:
    """Dipoles, and how far the probe is from the sphere that holds them [m]."""

    dipoles: Dipoles
    room: float = ROOM

    @property
    def radius(self) -> float:
        """Radius of that sphere [m]."""
        return max(0.1, float(np.linalg.norm(self.dipoles.place, axis=1).max()))


def _array(
    count: int,
    *,
    spacing: float = 0.45,
    at: tuple[float, float, float] = (0, 0, 0),
    axis: tuple[complex, complex, complex] = (1, 0, 0),
    taper: float = 0.0,
    steer: tuple[float, float] = (0, 0),
) -> Dipoles:
    """A square of Huygens sources that look to +z; ``taper`` 1 is a squared cosine."""
    side = spacing * (np.arange(count) - (count - 1) / 2)
    x, y = (v.ravel() for v in np.meshgrid(side, side, indexing="ij"))
    place = np.stack([x, y, 0 * x], axis=1)
    half = spacing * count / 2
    shape = 1 - taper * (1 - (np.cos(np.pi * x / 2 / half) * np.cos(np.pi * y / 2 / half)) ** 2)
    phase = place @ scans.direction(*np.radians(steer))
    weight = shape * np.exp(-2j * np.pi * phase)
    p = np.array(axis, dtype=complex)
    return Dipoles(place + np.array(at), weight[:, None] * p, Z0 * weight[:, None] * np.cross([0, 0, 1], p))


def _cluster(radius: float, count: int) -> Dipoles:
    """Dipoles of all kinds anywhere in a ball."""
    rng = np.random.default_rng(5)
    place = rng.normal(size=(count, 3))
    place *= (radius * np.cbrt(rng.uniform(size=count)) / np.linalg.norm(place, axis=1))[:, None]
    p, m = rng.normal(size=(2, count, 3)) + 1j * rng.normal(size=(2, count, 3))
    return Dipoles(place, p, Z0 * m)


DEVICES = {
    "dipole": Device(Dipoles(np.zeros((1, 3)), np.array([[0, 0.6, 1 + 0j]]), np.zeros((1, 3), complex))),
    "Huygens source": Device(_array(1)),
    "array of 6 x 6": Device(_array(6)),
    "array of 14 x 14": Device(_array(14)),
    "array off centre": Device(_array(4, at=(3.0, 0.5, 0.0))),
    "low sidelobes": Device(_array(8, taper=1.0)),
    "circular": Device(_array(6, axis=(1, 1j, 0))),
    "at a wavelength": Device(_array(6), room=1.0),
    "steered to 40 deg": Device(_array(8, steer=(40, 30))),
    "cluster": Device(_cluster(1.5, 20)),
}

#: Errors of a scan; tolerances are multiples of them.
ERRORS = (
    ("position-noise", {"axis": "theta", "rms": 1e-3}),
    ("position-noise", {"axis": "phi", "rms": 1e-3}),
    ("receiver-noise", {"rms": 1e-3}),
    ("channel-imbalance", {"amplitude": 0.01, "phase": 0.01, "between": "chi"}),
)


def plan_of(device: Device, positions: str) -> Plan:
    """The plan of a scan of a device."""
    axis = Axis(0.2, 0.4, 0.1)
    return make_plan(
        ScanRequest(
            frequency=[FREQUENCY],
            device=Part(diameter=2 * device.radius),
            parts=(),
            coherent=True,
            centre=(0, 0, 0),
            distance=device.radius + device.room,
            positioner=Positioner(axis, axis),
            receiver=Receiver(0.05, polarisation_switch=0.01),
            scan=positions,
        )
    )


def allowed(device: Device, plan: Plan) -> list[ErrorTerm]:
    """Errors as large as the plan allows them together."""
    d = device.dipoles
    antenna = DipoleCluster(d.place, d.electric, d.magnetic)
    solution = planned_solution(
        antenna,
        plan.scan,
        frequency=FREQUENCY,
        radius=plan.request.distance,
        degree=plan.degree,
    )
    terms = [make_term(name, sizes) for name, sizes in ERRORS]
    wishes = [Wish(Figure(name), WISHED_DB) for name in FIGURES]
    found = tolerances(solution, terms, wishes)
    found = checked_by_draws(found, solution, wishes, draws=60, rng=1, measure=partial(received, antenna))
    return [one.shared for one in found if one.shared is not None]


def carried_out(
    device: Device, plan: Plan, terms: list[ErrorTerm], rng: np.random.Generator
) -> nf2ff.Samples:
    """One scan with these errors."""
    scan, d = plan.scan, device.dipoles
    aside = {"theta": 0.0, "phi": 0.0}
    gain, noise = np.ones(scan.chi.size, complex), 0.0
    for term in terms:
        if term.name == "position-noise":
            aside[term.axis] = term.rms * rng.normal(size=scan.chi.size)
        elif term.name == "channel-imbalance":
            a, b = rng.normal(size=2)
            gain = np.where(scan.chi > 1, (1 + term.amplitude * a) * np.exp(1j * term.phase * b), 1.0)
        else:
            noise = term.rms
    there = scan.theta + aside["theta"], scan.phi + aside["phi"]
    w: Complex = scans.received(d, *there, scan.chi, plan.request.distance) * gain
    z: Real = rng.normal(size=(2, w.size))
    w = w + noise * np.abs(w).max() * (z[0] + 1j * z[1]) / np.sqrt(2)
    theta = np.where(scan.theta > np.pi, scan.theta - 2 * np.pi, scan.theta)
    return nf2ff.Samples(
        frequency=[FREQUENCY],
        theta=theta,
        phi=scan.phi,
        chi=scan.chi,
        radius=plan.request.distance,
        port=1,
        response=w[None],
    )


def main(count: int = 10) -> None:
    """Print the table."""
    print(
        f"{'device':18} {'positions':21} {'degree':>6} {'readings':>8}   within 1.96 x {WISHED_DB} dB: ",
        end="",
    )
    print(*FIGURES, f"of {count}; rms error dB")
    kept = np.zeros(len(FIGURES), int)
    total = 0
    for number, (name, device) in enumerate(DEVICES.items()):
        true = scans.truth(device.dipoles)
        values = np.array([true.eirp, true.trp, true.directivity])
        for positions in SETS:
            plan = plan_of(device, positions)
            terms = allowed(device, plan)
            rng = np.random.default_rng([number, SETS.index(positions)])
            errors = []
            for _ in range(count):
                samples = carried_out(device, plan, terms, rng)
                modes = nf2ff.solve(samples, nf2ff.field_probe(), degree=plan.degree).modes
                top = peak(modes)
                power = float(nf2ff.trp(modes)[0])
                found = np.array([float(top.directivity[0]) * power, power, float(top.directivity[0])])
                errors.append(10 * np.log10(found / values))
            inside = np.sum(np.abs(errors) <= 1.96 * WISHED_DB, axis=0)
            kept += inside
            total += count
            rms = np.sqrt(np.mean(np.square(errors), axis=0))
            print(
                f"{name:18} {positions:21} {plan.degree:6} {plan.scan.time.size:8}   ",
                *(f"{x:4}" for x in inside),
                "  ",
                *(f"{x:.3f}" for x in rms),
                flush=True,
            )
    print("all:", *(f"{x} {kept[i]} of {total}," for i, x in enumerate(FIGURES)))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
