"""Warnings of a table of power that contradicts itself."""

from nf2ff.messages.notice import Code


class TableCode(Code):
    """What readings at one place say of the set-up."""

    POLE = (
        "readings at theta {theta_deg:z.0f} deg, which is one direction whatever phi, spread over "
        "{spread_db:.2g} dB (standard deviation {deviation_db:.2g} dB, noise explains {noise_db:.2g} dB): "
        "the polarisations differ in gain, the axes do not meet, or the power drifted"
    )
