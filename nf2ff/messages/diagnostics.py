"""Warnings of what a scan says of its set-up, and of looking into the box."""

from __future__ import annotations

from nf2ff.messages.notice import Code


class AlignmentCode(Code):
    """What to beware of in what a scan says of its own set-up."""

    UNSEEN = (
        "the scan does not see {what}: left as recorded, or held near it by the prior, and in the "
        "uncertainty of the far field"
    )
    TIE_CUTS = (
        "{percent:z.0f} % of the far field's uncertainty comes from what the scan does not see, however "
        "small the residual: one or two cuts through the poles, taken after the scan, show drift and geometry"
    )
    UNEXPLAINED = (
        "the residual is {ratio:z.2f} times what the stated noise explains (reduced chi-square): something "
        "is wrong that is not among the terms, and it biases the estimates"
    )
    UNLISTED = (
        "the residual has structure: it looks like {what}, which is not among the terms, so that the "
        "estimates and the far field are wrong by more than they say: add {kind} to the terms"
    )
    NOISE_UNKNOWN = (
        "no noise is stated, so the residual is taken for noise and does not show faults that are not among "
        "the terms: add receiver-noise or noise-floor to them"
    )
    DOUBTFUL = (
        "DO NOT TRUST these corrections yet: no noise is stated, and {signs}; something is probably wrong "
        "that is not among the terms, and the corrected samples may be worse than those recorded: name "
        "receiver-noise or noise-floor, and terms that may be missing: cable-flexing over theta or phi"
    )
    SET_ASIDE = (
        "{count} of {all} samples are set aside, as neither noise nor the terms explain their readings: they "
        "are missing from the corrected samples"
    )
    UNFINISHED = (
        "the estimate has not converged within {solves} solutions: the faults may be larger than their "
        "priors say"
    )
    BEYOND_PRIOR = "{what} is found at {ratio:z.1f} times its prior: check the prior, and the set-up"


class FilterCode(Code):
    """What to beware of when degrees are filtered."""

    COARSE = (
        "the scan determines degrees up to {degree}, but a sphere of this radius so far from the origin has "
        "degrees up to {need}: echoes are folded into the degrees kept, and little of them is suppressed"
    )
    MUCH_REMOVED = (
        "{percent:.2g} % of the power was removed: the sphere may be too small for the antenna, or misplaced"
    )


class PartialCode(Code):
    """What a look into the box takes from a result that is not whole."""

    PARTIAL = (
        "a part of the sphere was not measured: places and powers count what was computed there, too, and "
        "may be far off; how sure they are, and the spheres that hold what radiates, are not known"
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
        "the noise of the modes is not known here, so no degrees were cut off for it: strong fine detail "
        "may be noise"
    )
