"""What is said of a solution: of its probe, degree, gaps, noise and misfit."""

from __future__ import annotations

from nf2ff.messages.notice import Code

_INTERPOLATED = (
    "the probe was interpolated between its frequencies; leaving out the nearest of them changes it by "
)
_STOPPED = (
    "the iteration stopped after {steps} steps without converging: raise max_iterations or lower the degree"
)
_TRUNCATED = (
    "the mode spectrum has not fallen off at degree {degree} (last degrees {tail_db:z.1f} dB of the "
    "power): it is truncated, or the data are noisy; "
)
_MISFIT = (
    "degree {degree} leaves a residual of {residual:.2g} of the samples: higher degrees lack, or the data "
    "are noisy; "
)


class SolutionCode(Code):
    """Warnings of what a solver found."""

    PROBE_INTERPOLATED = _INTERPOLATED + "{change_db:z.0f} dB: measure it in finer steps"
    PROBE_UNVERIFIED = _INTERPOLATED + "an unknown amount: measure it in finer steps"
    NEGLECTED_ORDERS = (
        "the probe's azimuthal orders other than +-1 were neglected, as asked: they carry "
        "{level_db:z.1f} dB of its response at {radius_m:.6g} m"
    )
    SPHERES_MEET = (
        "{share:.0%} of the response at {radius_m:.6g} m comes from waves of probe and antenna whose "
        "degrees add up to more than k r = {kr:z.1f}, where their spheres would meet: those of the "
        "probe, up to {probe_degree}, may be noise or an edge in its pattern (import it with a "
        "lower degree: nf2ff import --degree), those of the antenna, up to {degree}, noise of the "
        "samples (lower the degree)"
    )

    GAP = (
        "{gap}, and degree {degree} bridges gaps of up to {reach_deg:.3g} deg: TRP, directivity and "
        "fractions of power leave out what is radiated there and are not known; use the far field only "
        "where trusted is 1"
    )
    UNDETERMINED = (
        "the samples hardly determine all waves of degree {degree} ({lack}) and would give "
        "{gain_db:z.0f} dB more noise than evenly spread ones: what they do not determine is held "
        "back; measure what is missing, or lower the degree"
    )
    LOWER_DEGREE = (
        "{lack}: the degree is {degree}, which the samples determine everywhere, and not "
        "{allowed}, which the rest would allow: that the antenna has no higher waves there is assumed"
    )
    LEAST_DEGREE = (
        "the degree is {degree}, the least that explains the samples, and not {allowed}, which their steps "
        "would allow: that the antenna has no higher waves where nothing was measured is assumed"
    )

    PLATEAU = (
        "above degree {degree} the mode spectrum is a plateau, up to {level_db:z.0f} dB of the "
        "largest response, and not noise, since it hardly changes from one sample to the next: "
        "it comes from sources far from the origin (a cable, a reflection) or from a fault of "
        "probe or receiver (drift, exchanged or unequal channels), and the steps do not resolve it; find it, "
        "or use finer steps"
    )
    FLAT_FLOOR = (
        "above degree {degree} the mode spectrum is flat, up to {level_db:z.0f} dB of the largest "
        "response: it was cut there as noise, but may come from weak sources far from the origin, "
        "which these positions cannot tell apart from it; give a degree to keep it"
    )
    NOISY = (
        "the data are noisy ({rms_db:z.0f} dB of the largest response): above degree {degree} the "
        "mode spectrum is noise, which hides what is weaker; average longer or raise the power (a higher "
        "degree would only add noise), or if that lowers it little, check positions and polarisations, which "
        "may have been exchanged from some reading on"
    )
    TRUNCATED = _TRUNCATED + "raise the degree or use finer steps"
    TRUNCATED_AT_LIMIT = _TRUNCATED + "use finer steps"
    TRUNCATED_BY_GAP = _TRUNCATED + "the rest would allow a higher one, but {lack}: measure what is missing"
    FEW_DEGREES = _MISFIT + "raise the degree or use finer steps"
    FEW_DEGREES_AT_LIMIT = _MISFIT + "use finer steps"

    NOT_CONVERGED = _STOPPED
    NOT_CONVERGED_HIGHER_ORDERS = _STOPPED + ", or measure at more values of chi"
    NOISY_RESIDUAL = (
        "the modes leave a residual of {residual:.2g} of the samples, which varies at random from one sample "
        "to the next as noise does, {rms_db:z.0f} dB of the largest response; average longer or raise the "
        "power, or if that lowers it little, check positions and polarisations; or recover the phase if it "
        "jumped from cut to cut (nf2ff transform --coherent cuts --degree N)"
    )
    LARGE_RESIDUAL = (
        "the modes leave a residual of {residual:.2g} of the samples: check positions, units, "
        "probe and time convention, and whether the degree is high enough; if the phase jumped from cut to "
        "cut, recover it (nf2ff transform --coherent cuts --degree N)"
    )
