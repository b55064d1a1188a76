"""Warnings of the expansion of a pattern in modes."""

from nf2ff.messages.notice import Code


class ExpansionCode(Code):
    """What to beware of in modes made of a pattern."""

    RESIDUAL = (
        "degree {degree} leaves {residual_db:z.1f} dB of the pattern: noise, higher degrees, or the edge of "
        "a part taken as zero"
    )
    TAIL = (
        "the spectrum has not fallen off where the steps in theta end (last degrees {tail_db:z.1f} dB of the "
        "power): noise, an edge, or a pattern that needs finer steps"
    )
    EDGE = (
        "azimuthal order {order}, the largest taken, has {edge_db:z.1f} dB of the power: "
        "use finer steps in phi"
    )
    MISSING = (
        "the part of the sphere taken as zero would hold about {missing_db:z.1f} dB of the power at the "
        "intensity of its edge"
    )
    POWER = (
        "the pattern radiates {radiated_w:.6g} W for {input_w:.6g} W into the port: its level is too high by "
        "{excess_db:.3g} dB at least, check its calibration"
    )
