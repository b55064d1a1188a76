"""What sets of readings without a phase reference cannot do, told before the work."""

from __future__ import annotations

import math

import numpy as np

from nf2ff.antenna.modes import mode_count, wavenumber
from nf2ff.kernel.sphere import canonical_angles
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.phaseless import PhaselessCode
from nf2ff.solver.phaseless.likelihood import groups_of
from nf2ff.solver.phaseless.trial import STARTS, found_in_trial

#: Real numbers measured for each unknown at least.
REDUNDANCY = 1.2
#: Spheres nearer than this many wavelengths tell the same.
SPHERES_APART = 0.25
#: Share of the readings whose group reaches over theta by as much as half a step of the degree that makes one
#: sphere enough.
LINKED = 0.5


def real_numbers(samples: Samples) -> int:
    """Real numbers that readings of one frequency tell: two for each, less one phase for each group."""
    assert samples.coherence is not None
    return 2 * samples.coherence.size - groups_of(samples.coherence).count


def check_determined(samples: Samples, probe: Probe, degree: int) -> None:
    """Refuse readings of one frequency that cannot determine the modes of a degree."""
    assert samples.coherence is not None
    check_amplitudes(samples)
    told = real_numbers(samples)
    unknowns = 2 * mode_count(degree) - 1
    if told < REDUNDANCY * unknowns:
        most = math.isqrt(int(told / REDUNDANCY / 4) + 1) - 1
        count = groups_of(samples.coherence).count
        raise InputError(
            f"{samples.coherence.size} readings in {count} groups tell {told} real numbers, degree {degree} "
            f"has {unknowns} unknowns and needs {math.ceil(REDUNDANCY * unknowns)}",
            (f"give degree {most} at most, or " if most >= 1 else "")
            + f"read {math.ceil(REDUNDANCY * unknowns / max(told, 1) * 100) - 100} % more",
        )
    if not linked_along_theta(samples, degree):
        _check_by_trial(samples, probe, degree)


def _check_by_trial(samples: Samples, probe: Probe, degree: int) -> None:
    """Refuse positions from which an antenna made up is not found either."""
    assert samples.coherence is not None
    one = spheres(samples) == 1
    enough = 2 if one else 1
    found = found_in_trial(samples, probe, degree, enough=enough, rng=0)
    if found == enough:
        return
    kinds = "powers" if real_numbers(samples) == samples.coherence.size else "phases known within such groups"
    remedies = (PhaselessCode.HELP_SPHERE(), PhaselessCode.HELP_CUTS())
    raise InputError(
        f"{kinds} on {'one sphere' if one else 'these spheres'} do not determine the field: a trial at these "
        f"positions found an antenna made up in {found} of {STARTS} starts",
        ", or ".join(remedies if one else (PhaselessCode.HELP_CLOSER(), *remedies_of(samples))),
    )


def check_amplitudes(samples: Samples) -> None:
    """Refuse one group for all, which is a scan with a phase reference."""
    assert samples.coherence is not None
    if groups_of(samples.coherence).count == 1:
        what = "all samples are of one group, which is a scan with a phase reference"
        raise InputError(what, "leave coherence out")


def spheres(samples: Samples) -> int:
    """Number of spheres `SPHERES_APART` wavelengths apart at least, samples of one frequency."""
    k = float(wavenumber(samples.frequency[0]))
    ordered = np.sort(samples.radius)
    count, last = 1, ordered[0]
    for r in ordered[1:]:
        if k * (r - last) >= 2 * math.pi * SPHERES_APART:
            count, last = count + 1, r
    return count


def linked_along_theta(samples: Samples, degree: int) -> bool:
    """Whether most readings share their phase with others at another theta."""
    assert samples.coherence is not None
    groups = groups_of(samples.coherence)
    if groups.order is None:
        return False
    theta, _, _ = canonical_angles(samples.theta, samples.phi)
    ordered = theta[groups.order]
    width = np.maximum.reduceat(ordered, groups.starts) - np.minimum.reduceat(ordered, groups.starts)
    far = groups.spread(width) > 0.05 * math.pi / degree
    return bool(np.mean(far) >= LINKED)


def remedies_of(samples: Samples) -> tuple[Notice, ...]:
    """What would tell more than the readings of one frequency do."""
    assert samples.coherence is not None
    found = []
    if spheres(samples) == 1:
        found.append(PhaselessCode.HELP_SPHERE())
    if groups_of(samples.coherence).order is None:
        found.append(PhaselessCode.HELP_PORTS())
    elif not linked_along_theta(samples, 1):
        found.append(PhaselessCode.HELP_CUTS())
    return tuple(found)
