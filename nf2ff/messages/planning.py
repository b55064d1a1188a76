"""What is said of a plan."""

from __future__ import annotations

from nf2ff.messages.notice import Code


class PlanCode(Code):
    """Warnings on a planned scan."""

    CLOSE = (
        "the probe is {wavelengths:.2g} wavelengths from the minimum sphere at {frequency_ghz:.6g} GHz: "
        "below one (common practice) probe and antenna act on each other"
    )
    BY_DISTANCE = (
        "the size of the antenna asks for degree {spectrum_degree}, its distance for {degree}: evanescent "
        "waves reach the samples"
    )
    CUSTOMARY = (
        "the customary k r0 + 10 would be degree {customary}, with {tail_db:.1f} dB of the power above it: "
        "not enough for the {wanted_db:g} dB that is wanted"
    )
    NOISE = (
        "the peak is {margin_db:.1f} dB above the noise of one reading: what lies {tail_db:g} dB below, as "
        "wanted, drowns unless it is averaged"
    )
    NO_SIGNAL = "the peak is {below_db:.1f} dB below the noise of one reading"
    OVERTRAVEL = (
        "to start and stop, theta runs up to {theta_deg:.3g} deg and phi up to {phi_deg:.3g} deg beyond "
        "their first and last positions: see that axes and cables allow it"
    )
    MOVED = (
        "frequencies and the second polarisation are read while the axes move: each reading has its own place"
    )
