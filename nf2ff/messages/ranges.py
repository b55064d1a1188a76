"""What is said of other ranges: quiet zones, and the fields in them."""

from __future__ import annotations

from nf2ff.messages.notice import Code


class ZoneCode(Code):
    """Warnings on a measured quiet zone."""

    TAPER = (
        "stray waves within {angle_deg:.1f} deg of the direction of travel have under 1.5 periods in "
        "the zone: they count as taper, not as ripple"
    )
    ALL_TAPER = (
        "the zone is {size_wavelengths:.2g} wavelengths wide: no stray wave has 1.5 periods in it, so "
        "that all of them count as taper, not as ripple"
    )
    STEP = (
        "readings are up to {step_mm:.4g} mm apart, above half a wavelength ({half_mm:.4g} mm): ripple "
        "may be missed"
    )
    HOLE = "parts of the zone are up to {hole_mm:.4g} mm from any reading: nothing is known of them"
    DEGREE = (
        "{quantity}: the fit of degree 4 has a taper of {taper_4:.2f} dB and a ripple of +-{ripple_4:.2f} "
        "dB, that of degree 2 {taper_2:.2f} and +-{ripple_2:.2f} dB: part of the variation is neither"
    )
    BACKWARDS = (
        "the phase runs against the direction of travel: another direction, or another time convention"
    )


class IncidentCode(Code):
    """Warnings on a field of regular waves and on what a device would show in it."""

    BEYOND = (
        "{part_db:.1f} dB of the device's power is in waves above degree {degree}, of which the field "
        "is not known: taken as not received"
    )
    NOISE = (
        "the readings determine the field with a noise gain of {gain_db:.1f} dB, the waves of degree "
        "{degree} with {worst_db:.1f} dB"
    )
