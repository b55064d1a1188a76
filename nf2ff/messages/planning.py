"""What is said of a plan."""

from __future__ import annotations

from nf2ff.messages.notice import Code


class PlanCode(Code):
    """Warnings on a planned scan."""

    CLOSE = (
        "the probe is {wavelengths:.2g} wavelengths from the minimum sphere at {frequency_ghz:.6g} GHz: "
        "below one (common practice) probe and antenna affect each other"
    )
    BY_DISTANCE = (
        "the size of the antenna asks for degree {spectrum_degree}, its distance for {degree}: evanescent "
        "waves reach the samples"
    )
    CUSTOMARY = (
        "the customary k r0 + 10 would be degree {customary}, with {tail_db:z.1f} dB of the power above it: "
        "not enough for the {wanted_db:g} dB that is wanted"
    )
    NOISE = (
        "the noise of the pattern will be about {margin_db:z.1f} dB below its peak: the wanted {tail_db:g} "
        "dB are out of reach unless readings are averaged"
    )
    NO_SIGNAL = "the peak is {below_db:z.1f} dB below the noise of one reading"
    OVERTRAVEL = (
        "to start and stop, theta runs up to {theta_deg:.3g} deg and phi up to {phi_deg:.3g} deg beyond "
        "their first and last positions: see that axes and cables allow it"
    )
    # A point at the radius r0 comes nearer or goes away by at most r0 times the angle (closed form).
    MOVED = (
        "the axes move by {moved_deg:.3g} deg during a sweep: if all is taken as read where it began, the "
        "error of the last frequency is up to {error_db:z.0f} dB; record the position of each reading"
    )


class DepartureCode(Code):
    """What was measured otherwise than planned."""

    NO_FREQUENCY = "{count} of {planned} planned frequencies were not measured, the first {first_ghz:.6g} GHz"
    MORE_FREQUENCIES = "{count} frequencies were measured but not planned, the first {first_ghz:.6g} GHz"
    ABOVE = (
        "{highest_ghz:.6g} GHz is above the highest planned frequency, {planned_ghz:.6g} GHz: steps and "
        "degree were not chosen for it"
    )
    DISTANCE = (
        "the readings are {low_m:.4g} to {high_m:.4g} m away, not {planned_m:.4g} m as planned: check the "
        "radius, and whether the degree is still right"
    )
    ANOTHER_SET = "the positions are those of the {measured}, not of the {planned} as planned"
    OFF = (
        "{count} of {readings} readings lie off their planned positions, up to {largest_deg:.3g} deg "
        "(planned step {step_deg:.3g} deg)"
    )
    NOT_READ = (
        "{count} of {positions} planned positions were not read at {frequency_ghz:.6g} GHz, at theta "
        "{from_deg:z.3g} to {to_deg:z.3g} deg"
    )
    ONE_POLARISATION = (
        "{count} of {positions} planned positions were read in one polarisation only at {frequency_ghz:.6g} "
        "GHz, at theta {from_deg:z.3g} to {to_deg:z.3g} deg"
    )
    DEGREE = "solved to degree {degree}, planned {planned} for a tail of {tail_db:g} dB"
