"""The fit of alignment: Gauss-Newton steps in what is seen, the modes projected out of the derivatives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import mode_count
from nf2ff.diagnostics.alignment.model import COARSE_RTOL, Model, Placed
from nf2ff.diagnostics.alignment.observability import observe
from nf2ff.diagnostics.alignment.parameters import Parameter

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Solutions that an alignment may take, that as recorded and that of noise included; more only where one set
#: of derivatives needs them, or a better start is looked for.
MOST_SOLVES = 60
#: A step [posterior standard uncertainties] below which a fit has come to rest.
AT_REST = 0.05
#: Change of the responses, relative to them, since derivatives were formed, beyond which they are formed anew
#: where the fit rests: they change by about as much.
NEAR = 0.03
#: A step that is not shorter than this times the one before asks for new derivatives.
CONTRACTION = 0.4
#: Rounds of setting samples aside, and largest share that is: what more of them lack is no outlier.
MOST_ROUNDS, MOST_ASIDE = 8, 0.15
#: Share of the signal's power left [-15 dB] from which another start is looked for, in parameters whose prior
#: changes the signal by this part of itself, at so many priors.
MISFIT, STRONG, STARTS = 0.03, 0.2, (-3.0, -2.25, -1.5, -0.75, 0.75, 1.5, 2.25, 3.0)
#: Samples whose squared residual is below this part of the largest are not set aside in the same round.
OUTSTANDING = 0.05
#: Of M samples of noise the largest square is below ln(M) + this, over its mean, with 99.8 % probability.
MARGIN = 6.0


class Derivatives(NamedTuple):
    """At a point: what modes leave of the derivatives (K, M), modes (K, J) that make up the rest, and all."""

    left: Complex
    modes: Complex
    whole: Complex
    at: Real


@dataclass(eq=False)
class Fit:
    """A fit on its way; parameters ``u`` (K,) are in units of their priors."""

    model: Model
    noise: float | None
    start: Complex
    u: Real = field(init=False)
    #: So far: that as recorded.
    solves: int = 1

    def __post_init__(self) -> None:
        count = self.model.samples.port.size
        self.u = np.zeros(len(self.model.parameters))
        self.formed: Derivatives | None = None
        self.q = self.start
        self.used = np.ones(count, dtype=bool)
        self.free = count - mode_count(self.model.degree)
        self.rests = False

    def run(self, *, robust: bool = True) -> None:
        """Fit, set samples aside that no noise explains, and fit again until there are no more."""
        self._settle()
        if self._misfit() > MISFIT and self._search():
            self._settle()
        for _ in range(MOST_ROUNDS if robust else 0):
            used = ~self.outliers()
            if np.array_equal(used, self.used) or used.mean() < 1 - MOST_ASIDE:
                break
            if not self.affords(1):
                self.rests = False
                break
            self.used = used
            self._settle()

    def affords(self, count: int) -> bool:
        """Whether so many more solutions are within `MOST_SOLVES`, that of noise kept back."""
        return self.solves + count < MOST_SOLVES

    @property
    def derivatives(self) -> Derivatives:
        """Those formed last, or those where the fit stands."""
        if self.formed is None:
            self._differentiate()
        assert self.formed is not None
        return self.formed

    # --- one step ------------------------------------------------------------------------------

    def _place(self) -> None:
        """Solve for the modes where the fit stands."""
        self.placed: Placed = self.model.at(self.u * self.model.prior)
        signal = self.placed.signal - self.placed.bend(self.q)
        weights = self.weights
        self.q, self.left = self.placed.solve(signal, weights, start=self.q)
        self.signal = signal
        self.solves += 1

    @property
    def weights(self) -> Real:
        """Equal ones of the responses as recorded, none of those set aside."""
        weights = self.used * np.abs(self.placed.gain) ** 2
        return np.asarray(weights * (8 * np.pi / weights.sum()))

    @property
    def scale(self) -> Real:
        """What weighs the signal's errors as those of the responses: |g|^2 of the samples in use."""
        return np.asarray(self.used * np.abs(self.placed.gain) ** 2)

    def _differentiate(self) -> None:
        """Derivatives where the fit stands."""
        self.formed = self.derivatives_by(self.model.parameters)

    def cost(self, parameters: Sequence[Parameter]) -> int:
        """Solutions that derivatives by parameters take."""
        shapes = {id(x.gain if x.gain is not None else x.offset) for x in parameters if not x.moves}
        return len(shapes) + sum(x.geometric for x in parameters)

    def derivatives_by(self, parameters: Sequence[Parameter]) -> Derivatives:
        """Those by parameters that the model has, be they held, where the fit stands, over the priors."""
        if not parameters:
            nothing = np.zeros((0, self.left.size), dtype=complex)
            return Derivatives(nothing, np.zeros((0, self.q.size), dtype=complex), nothing, self.u)
        columns, places = self.placed.slopes(self.q, self.signal - self.left, parameters)
        weights = self.weights
        solved = [self.placed.solve(c, weights, rtol=COARSE_RTOL) for c in columns]
        self.solves += len(columns)
        prior = [x.prior for x in parameters]
        left = np.stack([solved[i][1] * f * s for (i, f), s in zip(places, prior, strict=True)])
        modes = np.stack([solved[i][0] * f * s for (i, f), s in zip(places, prior, strict=True)])
        whole = np.stack([columns[i] * f * s for (i, f), s in zip(places, prior, strict=True)])
        whole /= np.linalg.norm(self.signal)
        return Derivatives(left, modes, whole, self.u.copy())

    def _normal(self) -> tuple[Real, Real, float]:
        """Re J^H V J (K, K), Re J^H V e (K,), and |e|^2 with the weights V."""
        j = self.derivatives.left * np.sqrt(self.scale)
        e = self.left * np.sqrt(self.scale)
        both = np.concatenate([j.real, j.imag], axis=1)
        error = np.concatenate([e.real, e.imag])
        return both @ both.T, both @ error, float(error @ error)

    def step(self) -> Real:
        """The next step (K,), by the noise that the samples themselves show after it."""
        matrix, right, power = self._normal()
        names = tuple(x.name for x in self.model.parameters)
        free = self.free - int(np.count_nonzero(~self.used))
        known = self.noise**2 if self.noise else 0.0
        self.variance = max(power / max(free, 1), known)
        for _ in range(20):
            self.observed = observe(2 / self.variance * matrix, self.effect(), names)
            v, kept = self.observed.direction, self.observed.fitted
            h = 1 / self.observed.ratio**2 - 1
            along = v.T @ (2 / self.variance * (right + matrix @ self.u)) / (1 + h)
            step = v @ np.where(kept, along, 0.0) - self.u
            after = max(power - 2 * float(step @ right) + float(step @ matrix @ step), 1e-30 * power)
            # Real numbers that the fit took from the residual, in complex ones.
            taken = float(np.sum(1 - self.observed.ratio[kept] ** 2)) / 2
            self.found = after / max(free - taken, 1.0)
            before, self.variance = self.variance, max(self.found, known)
            if abs(self.variance / before - 1) < 0.01:
                break
        return step

    def effect(self) -> Real:
        """`effect_of` the parameters over their priors (K, K)."""
        return self.effect_of(self.derivatives.modes)

    def effect_of(self, z: Complex) -> Real:
        """Square of the far-field changes (K, K) by changes of the modes (K, J), relative to the field; a
        common factor changes nothing."""
        own = z @ self.q.conj() / np.vdot(self.q, self.q)
        z = z - own[:, None] * self.q
        return np.asarray((z.conj() @ z.T).real / np.vdot(self.q, self.q).real)

    def noise_in_modes(self) -> float:
        """Rms of the modes that the noise alone makes, a factor common to all apart, by one draw."""
        pair = np.random.default_rng(0).standard_normal((2, self.left.size))
        noise = np.sqrt(self.variance / 2) * (pair[0] + 1j * pair[1]) / self.placed.gain
        q, _ = self.placed.solve(noise, self.weights, rtol=COARSE_RTOL)
        self.solves += 1
        return float(np.linalg.norm(q - self.q * (np.vdot(self.q, q) / np.vdot(self.q, self.q))))

    def _settle(self) -> None:
        """Steps until the fit rests on derivatives formed near by."""
        before = np.inf
        self._place()
        while True:
            step = self.step()
            size = self._size(step)
            moved = np.linalg.norm((self.u - self.derivatives.at) @ self.derivatives.whole)
            rests = size < AT_REST
            far = moved > (NEAR if size < CONTRACTION * before else 0.1 * NEAR)
            if (
                (rests or size > CONTRACTION * before)
                and far
                and self.affords(self.cost(self.model.parameters) + 1)
            ):
                self.formed, before = None, np.inf
                continue
            self.rests = rests
            if not rests and not self.affords(1):
                break
            self.u = self.u + step
            if rests:
                break
            before = size
            self._place()

    def _misfit(self) -> float:
        """What is left of the signal, relative to it [power]; none where the noise explains it."""
        left = float(np.sum(self.scale * np.abs(self.left) ** 2))
        if self.noise and left < 2 * self.noise**2 * self.free:
            return 0.0
        return left / float(np.sum(self.scale * np.abs(self.signal) ** 2))

    def _search(self) -> bool:
        """Start anew where less is left, if that is anywhere: of faults that turn the phase by more than a
        quarter turn the steps from zero lead the wrong way."""
        self.u = np.zeros_like(self.u)
        self._place()
        self.formed = None
        size = np.linalg.norm(self.derivatives.whole, axis=1)
        best, found = self._misfit(), self.u
        for k in np.flatnonzero(size > STRONG):
            for value in STARTS:
                self.u = trial = np.where(np.arange(size.size) == k, value, 0.0)
                self._place()
                if self._misfit() < best:
                    best, found = self._misfit(), trial
        self.u, self.formed = found, None
        return bool(np.any(found))

    def _size(self, step: Real) -> float:
        """Length of a step in posterior standard uncertainties, the longest of all directions."""
        along = np.abs(self.observed.direction.T @ step) / self.observed.ratio
        return float(along[self.observed.fitted].max(initial=0.0))

    def outliers(self) -> NDArray[np.bool_]:
        """Samples whose residual no noise explains: its scale by the median, since modes take their share."""
        power = np.abs(self.left) ** 2 * np.abs(self.placed.gain) ** 2
        # Of complex Gaussian noise the median of the square is ln 2 of the mean.
        mean = float(np.median(power[self.used])) / np.log(2)
        # The largest first: what they did to the samples beside them goes with them.
        return np.asarray(power > max(mean * (np.log(power.size) + MARGIN), OUTSTANDING * power.max()))
