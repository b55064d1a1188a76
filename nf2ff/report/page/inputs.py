"""What the page of a report is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import AnyFarField
from nf2ff.antenna.modes import Modes
from nf2ff.io.report_toml import ReportMeta
from nf2ff.kernel.interpolation import nearest_known
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.result import Result
from nf2ff.planning.plan import Plan
from nf2ff.uncertainty.result import Uncertainty


@dataclass(frozen=True, slots=True, eq=False)
class ReportInput:
    """What a report is made of.

    Parameters
    ----------
    result : Result
        The result, F frequencies.
    name : str
        Its name, of its file.
    files : mapping of str to str
        SHA-256 of each file that was read, by name.
    meta : ReportMeta
        What is said besides figures.
    samples : Samples, optional
        The scan that the result was made of.
    probe : Probe, optional
        The probe that took it, at the frequencies of the result; needed with samples.
    uncertainty : Uncertainty, optional
        Of the same frequencies.
    plan : Plan, optional
        What was planned.
    other : tuple of str and Modes, optional
        Name and modes of a result to compare with.
    other_seen : FarField or FarFieldBlocks, optional
        What marks the directions that the other saw.
    beams : mapping of str to Modes
        Other beams of the same antenna, by name.
    frequency_index : int
        Frequency of the pictures for paper, and first of the page.
    command : str
        How the report was asked for.
    notices : tuple of str
        What is to be known of the files.
    """

    result: Result
    name: str
    files: Mapping[str, str] = field(default_factory=dict)
    meta: ReportMeta = field(default_factory=ReportMeta)
    samples: Samples | None = None
    probe: Probe | None = None
    uncertainty: Uncertainty | None = None
    plan: Plan | None = None
    other: tuple[str, Modes] | None = None
    other_seen: AnyFarField | None = None
    beams: Mapping[str, Modes] = field(default_factory=dict)
    frequency_index: int = 0
    command: str = ""
    notices: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        count = self.result.modes.frequency.size
        if not 0 <= self.frequency_index < count:
            raise InputError(f"frequency_index is {self.frequency_index}, expected 0 to {count - 1}")
        if (self.samples is None) != (self.probe is None):
            raise InputError("samples and their probe belong together", "give both or neither")

    @property
    def ghz(self) -> list[str]:
        """Frequencies as they are shown."""
        return [f"{x / 1e9:.9g}" for x in self.result.modes.frequency]


def indices_of(frequency: NDArray[np.float64], wanted: NDArray[np.float64]) -> list[int | None]:
    """Where each wanted frequency [Hz] is among others; None where it is not."""
    nearest, same = nearest_known(frequency, wanted)
    return [int(i) if found else None for i, found in zip(nearest, same, strict=True)]
