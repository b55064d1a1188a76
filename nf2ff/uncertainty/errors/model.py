"""Errors of what the solver takes for granted: probe, frequency, part of the sphere, degree."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from nf2ff.antenna.modes import mode_numbers
from nf2ff.measurement.probe import Probe, mounted
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.errors.checks import whole
from nf2ff.uncertainty.errors.term import ErrorTerm, Kind, Rng


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ProbeTerm(ErrorTerm):
    """The probe is another one than the solver is told."""

    kind: ClassVar[Kind] = "probe"
    moves_record: ClassVar[bool] = True

    def alter(self, probe: Probe, rng: Rng = None, *, sign: int = 1) -> Probe:
        """The true probe.

        Parameters
        ----------
        probe : Probe
            The probe as it is taken to be.
        rng : int, Generator or None
            Seed or generator.
        sign : {1, -1}
            -1 for the opposite change, by which the probe of a measured scan is altered.

        Returns
        -------
        Probe
            The altered probe.
        """
        return self._act(None, probe, rng, sign)[1]  # type: ignore[arg-type]

    def _changed(
        self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int
    ) -> tuple[Samples, Probe]:
        return samples, self._altered(probe, rng, sign)

    @abstractmethod
    def _altered(self, probe: Probe, rng: np.random.Generator, sign: int) -> Probe:
        """The probe with the error, which is not zero."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ProbePointing(ProbeTerm):
    """The probe is tilted in its mount.

    Parameters
    ----------
    tilt_x, tilt_y : float
        Turn about its own x axis, then about its own y axis, as for `probe.mounted` [rad].
    """

    tilt_x: float = 0.0
    tilt_y: float = 0.0

    name: ClassVar[str] = "probe-pointing"
    units: ClassVar[Mapping[str, str]] = {"tilt_x": "rad", "tilt_y": "rad"}
    sizes: ClassVar[tuple[str, ...]] = ("tilt_x", "tilt_y")
    words: ClassVar[str] = "probe tilted by {tilt_x} about x, {tilt_y} about y"

    def _altered(self, probe: Probe, rng: np.random.Generator, sign: int) -> Probe:
        del rng
        return mounted(probe, tilt_x=sign * self.tilt_x, tilt_y=sign * self.tilt_y)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ProbeGain(ProbeTerm):
    """The probe receives more or less than it is taken to, at all ports alike.

    Parameters
    ----------
    amplitude : float
        True amplitude over that taken, less 1 [relative].
    """

    amplitude: float

    name: ClassVar[str] = "probe-gain"
    units: ClassVar[Mapping[str, str]] = {"amplitude": "relative"}
    sizes: ClassVar[tuple[str, ...]] = ("amplitude",)
    words: ClassVar[str] = "gain of the probe, amplitude off by {amplitude}"

    def _check(self) -> None:
        if not abs(self.amplitude) < 1:
            raise InputError(
                f"{self.name}: amplitude is {self.amplitude:g}, expected between -1 and 1",
                "give the ratio less 1",
            )

    def _altered(self, probe: Probe, rng: np.random.Generator, sign: int) -> Probe:
        del rng
        return mounted(probe, port_factors=1 + sign * self.amplitude)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ProbePattern(ProbeTerm):
    """Receiving coefficients of the probe that are not quite known.

    Parameters
    ----------
    rms : float
        Root mean square magnitude of the relative error of each coefficient [relative].

    Notes
    -----
    R (1 + rms z), z complex Gaussian of variance 1, drawn for each coefficient once in a scan and
    not for each sample: `apply` takes it from its generator. Coefficients that are zero stay so,
    and with them the probe's azimuthal orders. The error's power is rms^2 of the pattern's.
    """

    rms: float

    name: ClassVar[str] = "probe-pattern"
    units: ClassVar[Mapping[str, str]] = {"rms": "relative"}
    sizes: ClassVar[tuple[str, ...]] = ("rms",)
    unsigned: ClassVar[tuple[str, ...]] = ("rms",)
    uncertain: ClassVar[bool] = False
    words: ClassVar[str] = "pattern of the probe, {rms} rms, one draw for a scan"

    @property
    def needs_rng(self) -> bool:
        """Always, though it is not random within the scan."""
        return True

    def _altered(self, probe: Probe, rng: np.random.Generator, sign: int) -> Probe:
        parts = rng.standard_normal((2, *probe.coefficients.shape)) / np.sqrt(2)
        error = 1 + sign * self.rms * (parts[0] + 1j * parts[1])
        return replace(probe, coefficients=probe.coefficients * error)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ProbePolarisation(ProbeTerm):
    """Cross-polar leakage of the probe: it hears a part of what it would, a quarter turn on.

    Parameters
    ----------
    level : float
        Amplitude of that part [ratio].
    phase : float
        Its phase: 0 turns the polarisation, 90 deg makes it elliptical [rad].

    Notes
    -----
    w(chi) + level exp(j phase) w(chi + 90 deg).
    """

    level: float
    phase: float = 0.0
    distribution: str = "arcsine"

    name: ClassVar[str] = "probe-polarisation"
    units: ClassVar[Mapping[str, str]] = {"level": "ratio", "phase": "rad"}
    sizes: ClassVar[tuple[str, ...]] = ("level",)
    unsigned: ClassVar[tuple[str, ...]] = ("level",)
    polar: ClassVar[tuple[str, str] | None] = ("level", "phase")
    words: ClassVar[str] = "cross-polar leakage of the probe, {level}"

    def _altered(self, probe: Probe, rng: np.random.Generator, sign: int) -> Probe:
        del rng
        _, mu, _ = mode_numbers(probe.degree)
        part = sign * self.level * np.exp(1j * self.phase)
        # A quarter turn of chi, without the rounding of exp(j mu pi/2).
        turned = np.array([1, 1j, -1, -1j])[mu % 4]
        return replace(probe, coefficients=probe.coefficients * (1 + part * turned))


# --- model ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FrequencyError(ErrorTerm):
    """The frequency is another one than recorded.

    Parameters
    ----------
    offset : float
        True frequency over the recorded one, less 1 [relative].

    Notes
    -----
    It acts as a wrong wavenumber. The probe's receiving coefficients are taken to be the same at
    the true frequency. An antenna that is simulated there radiates as it does at that frequency:
    the far field it is compared with must be its own there.
    """

    offset: float

    name: ClassVar[str] = "frequency-error"
    kind: ClassVar[Kind] = "model"
    moves_record: ClassVar[bool] = True
    units: ClassVar[Mapping[str, str]] = {"offset": "relative"}
    sizes: ClassVar[tuple[str, ...]] = ("offset",)
    words: ClassVar[str] = "frequency off by {offset}"

    def _check(self) -> None:
        if not abs(self.offset) < 1:
            raise InputError(
                f"{self.name}: offset is {self.offset:g}, expected between -1 and 1", "give the ratio less 1"
            )

    def _changed(
        self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int
    ) -> tuple[Samples, Probe]:
        del rng
        factor = 1 + sign * self.offset
        if probe.frequency is not None:
            probe = replace(probe, frequency=probe.frequency * factor)
        return replace(samples, frequency=samples.frequency * factor), probe


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TruncatedAngle(ErrorTerm):
    """A part of the sphere is not measured: samples beyond a polar angle are left out.

    Parameters
    ----------
    theta_max : float
        Largest magnitude of theta that stays [rad].
    """

    theta_max: float

    name: ClassVar[str] = "truncated-angle"
    kind: ClassVar[Kind] = "model"
    units: ClassVar[Mapping[str, str]] = {"theta_max": "rad"}
    uncertain: ClassVar[bool] = False
    words: ClassVar[str] = "no sample beyond theta {theta_max}"

    def _check(self) -> None:
        if not 0 < self.theta_max <= np.pi:
            raise InputError(
                f"{self.name}: theta_max is {np.degrees(self.theta_max):g} deg, expected above 0 "
                "and at most 180 deg"
            )

    def _changed(
        self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int
    ) -> tuple[Samples, Probe]:
        del rng, sign
        # Rounding of the last ring, as `Samples` allows it.
        near = np.abs(samples.theta) <= self.theta_max * (1 + 1e-9)
        rows = np.atleast_2d(near).all(axis=0)
        if not rows.any():
            raise InputError(
                f"{self.name}: all samples are beyond theta = {np.degrees(self.theta_max):g} deg",
                "set a larger theta_max",
            )
        fields = ("theta", "phi", "chi", "radius", "port", "response")
        kept = {x: getattr(samples, x)[..., rows] for x in fields}
        number = None if samples.number is None else samples.number[rows]
        return replace(samples, **kept, number=number), probe


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TruncatedDegree(ErrorTerm):
    """The expansion ends too early: `catalogue.solver_degree` tells it to the solver.

    Parameters
    ----------
    degree : int
        Largest degree of the solution.
    """

    degree: int

    name: ClassVar[str] = "truncated-degree"
    kind: ClassVar[Kind] = "model"
    uncertain: ClassVar[bool] = False
    words: ClassVar[str] = "no mode above degree {degree}"

    def _check(self) -> None:
        object.__setattr__(self, "degree", whole(self.degree, f"{self.name}: degree"))

    def _changed(
        self, samples: Samples, probe: Probe, rng: np.random.Generator, sign: int
    ) -> tuple[Samples, Probe]:
        del rng, sign
        return samples, probe
