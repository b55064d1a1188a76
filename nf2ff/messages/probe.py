"""What is said of a probe that was made of files: how its level and its modes came about."""

from __future__ import annotations

from nf2ff.messages.notice import Code


class ProbeCode(Code):
    """Notes on a probe, each of a port or of all."""

    PATTERN_LEVEL = "level: that of {power_w:.9g} W into each port, as stated"
    PATTERN_ONE_WATT = (
        "level: that of 1 W into each port, as is assumed of a pattern unless another is stated"
    )
    PATTERN_UNKNOWN = "level: unknown, as asked"
    LEVEL = "{who}: level that of {power_w:.9g} W into the port, as stated"
    UNKNOWN = "{who}: level unknown, as the file says"
    UNKNOWN_AS_ASKED = "{who}: level unknown, as asked"
    SCAN = "{who}: {sentence}"
    EXPANDED = (
        "{who}: expanded to degree {degree} ({reason}), which leaves {residual_db:z.0f} dB of the pattern"
    )
    AT_FREQUENCY = "{who}, {frequency_ghz:.9g} GHz: {warning}"
    AT_FREQUENCIES = "{who}, {frequency_ghz:.9g} GHz and {others} more frequencies: {warning}"
    POWER = (
        "the probe radiates {radiated_w:.6g} W for {input_w:.6g} W into the port: its level is too high by "
        "{excess_db:.3g} dB at least, check its calibration"
    )


#: Notes that hold until the level becomes known.
LEVEL_UNKNOWN = (ProbeCode.PATTERN_UNKNOWN, ProbeCode.UNKNOWN, ProbeCode.UNKNOWN_AS_ASKED)
