"""The model that alignment fits: w = g(p) (A(x(p), probe(p)) q) + b(p), and its derivatives by p."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from nf2ff.diagnostics.alignment.parameters import Parameter
from nf2ff.diagnostics.alignment.pose import MOVES, motions_by, pose_of
from nf2ff.diagnostics.alignment.pose_derivatives import MOTIONS, of_probe, pose_operators, tilt_derivatives
from nf2ff.measurement.probe import Probe, drop_weak_orders, mounted
from nf2ff.measurement.samples import Samples
from nf2ff.solver.methods import by_conjugate_gradients
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.transmission import TransmissionOperator

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Relative accuracy of solutions, and of those by which derivatives are freed of the modes.
RTOL, COARSE_RTOL = 1e-7, 1e-4
MOST_STEPS = 400
#: Power of azimuthal orders of a tilted probe below which they are left out.
FAINT_ORDERS = 1e-11


@dataclass(frozen=True, eq=False)
class Model:
    """Samples of one frequency, none missing, and what may be wrong with them.

    Parameters
    ----------
    samples : Samples
        As they were recorded.
    probe : Probe
        The probe, at their frequency.
    parameters : tuple of Parameter
        K parameters, their shapes those of the samples.
    degree : int
        Degree N.
    threads : int
        Threads.
    held : tuple of (Parameter, float)
        Further parameters, which keep their values.
    """

    samples: Samples
    probe: Probe
    parameters: tuple[Parameter, ...]
    degree: int
    threads: int
    held: tuple[tuple[Parameter, float], ...] = ()

    @cached_property
    def prior(self) -> Real:
        """Prior standard uncertainties (K,)."""
        return np.array([x.prior for x in self.parameters])

    @cached_property
    def top(self) -> float:
        """The largest response recorded."""
        return float(np.abs(self.samples.response).max())

    def at(self, p: Real) -> Placed:
        """The model with parameters (K,)."""
        return Placed(self, p)


@dataclass(frozen=True, eq=False)
class Placed:
    """The model with certain parameters ``p``: everything but the modes."""

    model: Model
    p: Real

    @cached_property
    def values(self) -> list[tuple[Parameter, float]]:
        """All parameters with their values."""
        return [*zip(self.model.parameters, self.p.tolist(), strict=True), *self.model.held]

    @cached_property
    def moves(self) -> dict[str, Real | float]:
        """What moves the pose, by name."""
        total: dict[str, Real | float] = {}
        for x, value in self.values:
            for name, shape in x.moves:
                total[name] = total.get(name, 0.0) + value * shape
        return total

    def _sum(self, name: str) -> Complex:
        total = np.zeros(self.model.samples.port.size, dtype=complex)
        for x, value in self.values:
            shape = getattr(x, name)
            if shape is not None and value:
                total += (1j if x.imaginary else 1) * value * shape
        return total

    @cached_property
    def gain(self) -> Complex:
        """g (M,)."""
        return np.exp(self._sum("gain"))

    @cached_property
    def signal(self) -> Complex:
        """(w - b) / g, (M,)."""
        return (self.model.samples.response[0] - self.model.top * self._sum("offset")) / self.gain

    @cached_property
    def pose(self) -> tuple[Samples, Real]:
        """Samples at their true places, and the tilts (2, M) of the probe but for those of its mount."""
        found = pose_of(self.model.samples, {k: v for k, v in self.moves.items() if k in MOVES})
        return found.samples, found.tilt

    @cached_property
    def probe(self) -> Probe:
        """The probe as it is mounted."""
        mount = {f"tilt_{axis}": float(self.moves.get(f"tilt-{axis}", 0.0)) for axis in "xy"}
        if not any(mount.values()):
            return self.model.probe
        return drop_weak_orders(mounted(self.model.probe, **mount), power=FAINT_ORDERS)

    @cached_property
    def operator(self) -> TransmissionOperator:
        """A at the true places, of the probe as it is mounted."""
        m = self.model
        frequency = float(m.samples.frequency[0])
        return TransmissionOperator(
            plan_geometry(self.pose[0]), self.probe, frequency, m.degree, 0.2 * RTOL, m.threads
        )

    def bend(self, q: Complex) -> Complex:
        """What further tilts of the probe, by shifts of axes, add to responses (M,): to second order."""
        operator, (tx, ty) = self.operator, self.pose[1]
        total = np.zeros(tx.size, dtype=complex)
        if np.any(tx) or np.any(ty):
            x = operator.from_modes(q)
            slopes = tilt_derivatives(self.probe)
            (xx, xy), (yx, yy) = (tilt_derivatives(one) for one in slopes)
            both = replace(xy, coefficients=xy.coefficients + yx.coefficients)
            factors = (tx, ty, 0.5 * tx**2, 0.5 * ty**2, 0.5 * tx * ty)
            for one, factor in zip((*slopes, xx, yy, both), factors, strict=True):
                if one.coefficients.any():  # the ideal probe hears nothing of one tilt
                    total += factor * of_probe(operator, one).forward(x)
        return total

    def mounting(self, q: Complex) -> Complex:
        """What tilts of the mount add to responses (M,)."""
        if self.probe is self.model.probe:
            return np.zeros(self.gain.size, dtype=complex)
        x = self.operator.from_modes(q)
        return self.operator.forward(x) - of_probe(self.operator, self.model.probe).forward(x)

    def solve(
        self, signal: Complex, weights: Real, *, rtol: float = RTOL, start: Complex | None = None
    ) -> tuple[Complex, Complex]:
        """Modes (J,) by least squares of responses (M,), and what these leave, (M,)."""
        operator = replace(self.operator, tolerance=0.2 * rtol) if rtol > RTOL else self.operator
        estimate, x = by_conjugate_gradients(
            operator,
            signal,
            weights=weights,
            rtol=rtol,
            max_iterations=MOST_STEPS,
            damping=0.0,
            start=None if start is None else operator.from_modes(start),
        )
        return estimate.coefficients, signal - operator.forward(x)

    def slopes(
        self, q: Complex, signal: Complex, parameters: Sequence[Parameter]
    ) -> tuple[list[Complex], list[tuple[int, complex]]]:
        """Derivatives of the model's signal, columns (M,); of each parameter its column and a factor."""
        operator = self.operator
        x = operator.from_modes(q)
        maps = pose_operators(operator)
        motions = {name: maps[name].forward(x) for name in MOTIONS}
        moved: dict[str, Complex] = {"tilt-x": motions["tilt-x"], "tilt-y": -motions["tilt-y"]}
        moves = {k: v for k, v in self.moves.items() if k in MOVES}
        columns: list[Complex] = []
        places: list[tuple[int, complex]] = []
        known: dict[int, int] = {}
        for one in parameters:
            factor = 1j if one.imaginary else 1.0
            shape = one.gain if one.gain is not None else one.offset
            if shape is None:
                total = np.zeros(signal.size, dtype=complex)
                for name, weight in one.moves:
                    if name not in moved:
                        by = motions_by(self.model.samples, moves, name)
                        moved[name] = np.sum(by * np.stack([motions[m] for m in MOTIONS]), axis=0)
                    total += weight * moved[name]
                columns.append(total)
            elif id(shape) not in known:
                known[id(shape)] = len(columns)
                columns.append(shape * signal if one.offset is None else self.model.top * shape / self.gain)
            places.append((known.get(id(shape), len(columns) - 1), factor))
        return columns, places


def rows(parameters: Sequence[Parameter], present: NDArray[np.bool_]) -> tuple[Parameter, ...]:
    """Parameters whose shapes are of some samples only."""

    def some(shape: Real | None) -> Real | None:
        if shape is None or np.ndim(shape) == 0:
            return shape
        key = id(shape)
        return kept.setdefault(key, shape[present])

    kept: dict[int, Real] = {}
    return tuple(
        replace(
            x,
            moves=tuple((name, some(shape)) for name, shape in x.moves),
            gain=some(x.gain),
            offset=some(x.offset),
        )
        for x in parameters
    )
