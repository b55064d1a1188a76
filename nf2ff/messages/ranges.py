"""What is said of other ranges: quiet zones, and the fields in them."""

from __future__ import annotations

from nf2ff.messages.notice import Code


class ZoneCode(Code):
    """Warnings on a measured quiet zone."""

    TAPER = (
        "stray waves within {angle_deg:z.1f} deg of the direction of travel have under 1.5 periods in "
        "the zone: they count as taper, not as ripple"
    )
    ALL_TAPER = (
        "the zone is {size_wavelengths:.2g} wavelengths wide: no stray wave has 1.5 periods in it, so "
        "all of them count as taper, not as ripple"
    )
    STEP = (
        "readings are up to {step_mm:.4g} mm apart, above half a wavelength ({half_mm:.4g} mm): ripple "
        "may be missed"
    )
    HOLE = "parts of the zone are up to {hole_mm:.4g} mm from the nearest reading: nothing is known of them"
    DEGREE = (
        "{quantity}: the fit of degree 4 has a taper of {taper_4:z.2f} dB and a ripple of +-{ripple_4:z.2f} "
        "dB, that of degree 2 {taper_2:z.2f} and +-{ripple_2:z.2f} dB: part of the variation is neither"
    )
    BACKWARDS = "the phase runs against the direction of travel: check that direction and the time convention"


class IncidentCode(Code):
    """Warnings on a field of regular waves and on what a device would show in it."""

    BEYOND = (
        "{part_db:z.1f} dB of the device's power is in waves above degree {degree}, for which the field "
        "is not known: they are taken as not received"
    )
    NOISE = (
        "the readings determine the field with a noise gain of {gain_db:z.1f} dB, the waves of degree "
        "{degree} with {worst_db:z.1f} dB"
    )


class RangeCode(Code):
    """Why a range suits a device, or does not."""

    DIRECT_LENGTH = (
        "{length_m:.3g} m long (zone radius - D/2 + 2 D^2/lambda, D = {aperture_cm:.3g} cm at "
        "{frequency_ghz:.6g} GHz), path loss {loss_db:z.1f} dB"
    )
    DIRECT_TOO_LONG = "the room is {room_m:.3g} m long, the far field needs {length_m:.3g} m"
    WHOLE_DEVICE = (
        "where the device radiates is not known, so D is the whole device, {aperture_cm:.3g} cm: "
        "a declared position would shorten the range"
    )
    DIRECT_OFFSET = (
        "an antenna {offset_cm:.3g} cm off the centre reads up to {near_db:+z.2f} / {far_db:+z.2f} dB wrong, "
        "its direction by up to {parallax_deg:z.1f} deg, at {length_m:.3g} m"
    )
    DIRECT_PEAK = (
        "the peak is within {error_db:.3g} dB from {length_m:.3g} m on ({ratio:.3g} D^2/lambda, a uniform "
        "disc)"
    )
    DIRECT_SIDELOBE = (
        "a sidelobe of {level_db:.3g} dB is within {error_db:.3g} dB from {length_m:.3g} m on ({ratio:.3g} "
        "D^2/lambda, a Taylor disc)"
    )
    NEAR_SIZE = (
        "{distance_m:.3g} m to the probe, degree {degree}, {samples} readings at each frequency, "
        "path loss {loss_db:z.1f} dB"
    )
    NO_PHASE = (
        "a device without connector or phase reference gives power, not phase: the transform needs a second "
        "sphere, a probe with two elements, or phase along cuts"
    )
    SENSITIVITY = (
        "sensitivity ({names}) cannot be transformed: EIS is measured directly, at each direction, and TIS "
        "is the harmonic mean of EIS"
    )
    NOT_TRANSFORMED = "{names}: properties of the signal received at a distance, which no transform gives"
    ACLR = (
        "adjacent-channel leakage as a ratio of total powers comes from power at a distance; in one "
        "direction it needs a phase reference for the noise-like neighbour, which a carrier is not"
    )
    MODULATED = (
        "a modulated signal needs one reference for each frequency bin, and a frozen beam for the whole "
        "scan: {lacking}"
    )
    MODULATED_HELD = "one reference for each frequency bin, and the beam frozen for the whole scan"
    COMPACT_SIZE = (
        "reflector of about {reflector_m:.3g} m (twice the zone of {zone_m:.3g} m), focal length about "
        "{focal_m:.3g} m (3.5 reflectors), path loss {loss_db:z.1f} dB"
    )
    NO_DECLARATION = "the device may radiate from anywhere in the zone: no declaration is needed"
    COMPACT_TOO_LONG = "the room is {room_m:.3g} m long, the focal length alone {focal_m:.3g} m"
    ARRAY_SIZE = (
        "array of {array_m:.3g} m at {distance_m:.3g} m, at least {elements} elements "
        "(area of array times area of zone over (lambda z)^2), {margin} with margin, "
        "at {frequency_ghz:.6g} GHz"
    )
    ARRAY_TOO_LONG = "the room is {room_m:.3g} m long, the zone ends {length_m:.3g} m from the array"
    COMPACT_COMPUTED = (
        "computed by physical optics for a rim with 30 teeth: {taper_db:z.2f} dB of taper, ±{ripple_db:z.2f} "
        "dB of ripple, {phase_deg:z.1f} deg of phase in a disc at {frequency_ghz:.6g} GHz; other rims: nf2ff "
        "design-range"
    )
    ARRAY_COMPUTED = (
        "computed for {elements} elements with errors of 0.5 dB and 5 deg: ±{amplitude_db:z.2f} dB, "
        "±{phase_deg:z.1f} deg in a ball at {frequency_ghz:.6g} GHz (95 % of draws), link loss "
        "{loss_db:z.1f} dB; others: nf2ff design-range"
    )
    ARRAY_BAND = (
        "from {low_ghz:.6g} to {high_ghz:.6g} GHz: fixed weights hold within about +-5 %, a wider band "
        "needs new weights"
    )


class DesignCode(Code):
    """Why a design fails, and what would work."""

    ELEMENTS = (
        "{channels} channels at {frequency_ghz:.6g} GHz, at least {least} are needed (area of array times "
        "area of zone over (lambda z)^2), {margin} with margin"
    )
    ZONE = "a zone that works at {distance_m:.4g} m: {zone}"
    DISTANCE = "a distance that works: {distance_m:.4g} m from the array to the zone's centre"
    FREQUENCY = "works up to {frequency_ghz:.4g} GHz as it is"
    NOTHING = (
        "nothing works down to 0.3 of this zone, up to 3 times this distance or down to 0.3 of this "
        "frequency: use more channels, a larger array, or smaller errors"
    )
