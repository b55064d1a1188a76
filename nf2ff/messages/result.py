"""Warnings on a result: where its figures are not to be relied on, and what was taken as given."""

from __future__ import annotations

from nf2ff.messages.notice import Code


class ResultCode(Code):
    """What users are told of a result besides what the solver says."""

    UNIT_UNSTATED = (
        "the unit of the responses is not stated, so they are relative and give directivity, but no EIRP "
        "and no TRP; for these {ways}"
    )
    PROBE_EXTRAPOLATED = (
        "the probe was extrapolated from {frequency_ghz:.9g} GHz, as asked: its error there is not known"
    )
    ORDERS_NEGLECTED = (
        "the probe's azimuthal orders above {order} were neglected, as asked: they carry "
        "{level_db:z.1f} dB of its response at {radius:.6g} m"
    )
    TOO_MUCH_POWER = (
        "the radiated power is {ratio:.4g} times the {kind} power of {power:.6g} W: check the level and the "
        "power stated"
    )
    NOISE_AMPLIFIED = (
        "the noise of the samples is {gain_db:z.0f} dB stronger in the far field: they hardly "
        "determine all waves of degree {degree}; measure what is missing, or lower the degree"
    )
    NOISE_IN_POWER = (
        "the noise of the samples adds about {power_db:z.2g} dB to TRP, takes as much from directivity and "
        "makes EIRP scatter by {eirp_db:z.2g} dB (standard deviation): average longer, or measure what is "
        "missing"
    )
    PEAK_NOT_SEEN = (
        "the peak found (theta {theta_deg:z.1f} deg, phi {phi_deg:z.1f} deg) lies in or beside what "
        "was not measured, where the far field cannot be trusted: its direction, EIRP, gain, "
        "widths and lobes are not known"
    )
    PEAK_NOT_HIGHEST = (
        "the peak found (theta {theta_deg:z.1f} deg, phi {phi_deg:z.1f} deg) may not be the highest: at "
        "the edge of what was not measured the field is only {below_db:z.0f} dB below it"
    )
    FIGURES_NOT_SEEN = "not known, since they hang on directions that were not seen: {figures}{rest}"
    NO_SUCH_PLANE = "{reason}: cuts are {first} and {second} instead"
    DIRECTIONS_NOT_SEEN = "{percent:.3g} % of the directions were not seen: do not trust the far field there"
