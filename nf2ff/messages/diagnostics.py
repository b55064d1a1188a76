"""Warnings of looking into the box."""

from __future__ import annotations

from nf2ff.messages.notice import Code


class FilterCode(Code):
    """What to beware of when degrees are filtered."""

    COARSE = (
        "the scan determines degrees up to {degree}, but a sphere of this radius so far from the origin has "
        "degrees up to {need}: echoes are folded into the degrees kept, and little of them is suppressed"
    )
    MUCH_REMOVED = (
        "{percent:.2g} % of the power was removed: the sphere may be too small for the antenna, or misplaced"
    )


class ProjectionCode(Code):
    """What to beware of in fields beside the antenna."""

    INSIDE = (
        "the surface comes to {radius_m:.4g} m from the origin, within the sphere of {minimum_m:.4g} m that "
        "holds what radiates: the expansion does not converge there, so features are blurred or wrong"
    )
    NOISE = (
        "noise is as strong as the field at {radius_m:.4g} m, whatever the degree: nothing can be told "
        "there; go farther from the antenna, or measure with less noise"
    )
    UNKNOWN_NOISE = (
        "the noise of the modes is not known here, so no degree was cut for it: strong fine detail may "
        "be noise"
    )
