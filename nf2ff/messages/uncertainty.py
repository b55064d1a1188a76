"""Warnings on an uncertainty: what the way that was taken cannot show, and what does not fit."""

from __future__ import annotations

from nf2ff.messages.notice import Code


class UncertaintyCode(Code):
    """What users are told of an uncertainty besides what the solver says of the scan."""

    NOISE_OVERLOOKED = (
        "noise {does} {label} by about {bias_db:z.3g} dB, where its standard uncertainty is "
        "{uncertainty_db:z.3g} dB: derivatives do not show that, draws do and take it off, so leave "
        "--linear out"
    )
    TOO_MUCH_POWER = (
        "the radiated power is {ratio:.4g} times the {power_w:.6g} W put in: check the level and the "
        "power stated"
    )
