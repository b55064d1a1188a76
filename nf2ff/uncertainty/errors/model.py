"""Errors of what the solver takes for granted: probe, frequency, part of the sphere, degree."""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from nf2ff.antenna.modes import mode_numbers
from nf2ff.measurement.probe import Probe, mounted
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.uncertainty.errors.error_term import ErrorTerm, Rng, Scan
from nf2ff.uncertainty.errors.fields import count, error_term, number, size


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ProbeTerm(ErrorTerm):
    """The probe is another one than the solver is told."""

    kind = "probe"
    moves_record = True

    def alter(self, probe: Probe, rng: Rng = None, *, sign: int = 1) -> Probe:
        """The true probe, as `truth` has it; with sign -1 that of a measured scan, altered."""
        return self._act(None, probe, rng, sign)[1]  # type: ignore[arg-type]

    def _changed(self, samples: Samples, probe: Probe, rng: Generator, sign: int) -> Scan:
        return samples, self._altered(probe, rng, sign)

    @abstractmethod
    def _altered(self, probe: Probe, rng: Generator, sign: int) -> Probe:
        """The probe with the error, which is not zero."""


@error_term("probe-pointing", "probe tilted by {tilt_x} about x, {tilt_y} about y")
class ProbePointing(ProbeTerm):
    """The probe is tilted in its mount, as by `probe.mounted`."""

    tilt_x: float = size("rad", "Turn about its own x axis", default=0.0)
    tilt_y: float = size("rad", "Turn about its own y axis, after that about x", default=0.0)

    def _altered(self, probe: Probe, rng: Generator, sign: int) -> Probe:
        del rng
        return mounted(probe, tilt_x=sign * self.tilt_x, tilt_y=sign * self.tilt_y)


def _check_ratio(less_one: float, label: str) -> None:
    if not abs(less_one) < 1:
        raise InputError(f"{label} is {less_one:g}, expected between -1 and 1", "give the ratio less 1")


@error_term("probe-gain", "gain of the probe, amplitude off by {amplitude}")
class ProbeGain(ProbeTerm):
    """The probe receives more or less than it is taken to, at all ports alike."""

    amplitude: float = size("relative", "True amplitude over that taken, less 1", limits=_check_ratio)

    def _altered(self, probe: Probe, rng: Generator, sign: int) -> Probe:
        del rng
        return mounted(probe, port_factors=1 + sign * self.amplitude)


@error_term("probe-pattern", "pattern of the probe, {rms} rms, one draw for a scan")
class ProbePattern(ProbeTerm):
    """Receiving coefficients of the probe that are not quite known.

    Notes
    -----
    R (1 + rms z), z complex Gaussian of variance 1, drawn for each coefficient once in a scan and
    not for each sample: `apply` takes it from its generator. Coefficients that are zero stay so,
    and with them the probe's azimuthal orders. The error's power is rms^2 of the pattern's.
    """

    rms: float = size("relative", "Root mean square error of each coefficient, complex", signed=False)
    uncertain = False

    @property
    def needs_rng(self) -> bool:
        """Always, though it is not random within the scan."""
        return True

    def _altered(self, probe: Probe, rng: Generator, sign: int) -> Probe:
        parts = rng.standard_normal((2, *probe.coefficients.shape)) / np.sqrt(2)
        error = 1 + sign * self.rms * (parts[0] + 1j * parts[1])
        return replace(probe, coefficients=probe.coefficients * error)


@error_term("probe-polarisation", "cross-polar leakage of the probe, {level}")
class ProbePolarisation(ProbeTerm):
    """Cross-polar leakage of the probe: w(chi) + level exp(j phase) w(chi + 90 deg)."""

    level: float = size("ratio", "Amplitude of that part", signed=False, phase="phase")
    phase: float = number(
        "rad", "Its phase: 0 turns the polarisation, 90 deg makes it elliptical", default=0.0
    )
    distribution: str = "arcsine"

    def _altered(self, probe: Probe, rng: Generator, sign: int) -> Probe:
        del rng
        _, mu, _ = mode_numbers(probe.degree)
        part = sign * self.level * np.exp(1j * self.phase)
        # A quarter turn of chi, without the rounding of exp(j mu pi/2).
        turned = np.array([1, 1j, -1, -1j])[mu % 4]
        return replace(probe, coefficients=probe.coefficients * (1 + part * turned))


@error_term("frequency-error", "frequency off by {offset}")
class FrequencyError(ErrorTerm):
    """The frequency is another one than recorded.

    Notes
    -----
    It acts as a wrong wavenumber. The probe's receiving coefficients are taken to be the same at
    the true frequency. An antenna that is simulated there radiates as it does at that frequency:
    the far field it is compared with must be its own there.
    """

    offset: float = size("relative", "True frequency over the recorded one, less 1", limits=_check_ratio)
    kind = "model"
    moves_record = True

    def _changed(self, samples: Samples, probe: Probe, rng: Generator, sign: int) -> Scan:
        del rng
        factor = 1 + sign * self.offset
        if probe.frequency is not None:
            probe = replace(probe, frequency=probe.frequency * factor)
        return replace(samples, frequency=samples.frequency * factor), probe


def _check_polar_angle(angle: float, label: str) -> None:
    if not 0 < angle <= np.pi:
        raise InputError(f"{label} is {np.degrees(angle):g} deg, expected above 0 and at most 180 deg")


@error_term("truncated-angle", "no sample beyond theta {theta_max}")
class AngleTruncation(ErrorTerm):
    """A part of the sphere is not measured: samples beyond a polar angle are left out."""

    theta_max: float = number("rad", "Largest magnitude of theta that stays", limits=_check_polar_angle)
    kind = "model"
    uncertain = False

    def _changed(self, samples: Samples, probe: Probe, rng: Generator, sign: int) -> Scan:
        del rng, sign
        # Rounding of the last ring, as `Samples` allows it.
        near = np.abs(np.atleast_2d(samples.theta)) <= self.theta_max * (1 + 1e-9)
        rows = np.asarray(near.all(axis=0))
        if not rows.any():
            raise InputError(
                f"{self.name}: all samples are beyond theta = {np.degrees(self.theta_max):g} deg",
                "set a larger theta_max",
            )
        return samples.part(range(samples.frequency.size), rows), probe


@error_term("truncated-degree", "no mode above degree {degree}")
class DegreeTruncation(ErrorTerm):
    """The expansion ends too early: `catalogue.solver_degree` tells it to the solver."""

    degree: int = count("Largest degree of the solution")
    kind = "model"
    uncertain = False

    def _changed(self, samples: Samples, probe: Probe, rng: Generator, sign: int) -> Scan:
        del rng, sign
        return samples, probe
