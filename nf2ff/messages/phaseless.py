"""What is said of an antenna found without a phase reference."""

from __future__ import annotations

from nf2ff.messages.notice import Code


class PhaselessCode(Code):
    """Why an antenna is certified, ambiguous or not found, and what would help."""

    CERTIFIED = (
        "no phase reference: certified, since {agreeing} of {starts} independent starts found it, "
        "{misfit}{gap}, and readings held out agree; predicted error of the far field {error_db:.1f} dB"
    )
    STATED = "it leaves {chi_square:.3f} times the misfit that noise explains"
    ESTIMATED = "its misfit is that of noise {noise_db:.1f} dB relative to the largest reading"
    GAP = ", the next minimum {ratio:.3g} times as much"
    MISFIT = (
        "the best antenna found leaves {chi_square:.3g} times the misfit that noise explains (expected 1 +- "
        "{scatter:.2g})"
    )
    HELD_OUT = (
        "readings held out differ {ratio:.3g} times as much as noise explains (expected at most {most:.3g})"
    )
    RIVAL = (
        "{rivals} of {starts} starts found another antenna that explains the readings as well, "
        "{apart_db:.0f} dB away from the best"
    )
    ALONE = "{agreeing} of {starts} starts found the best antenna, fewer than {needed}"
    SHALLOW = "no two starts ended in the lowest of several minima that lie close together"
    NOISE = "the predicted error of the far field is {error_db:.1f} dB, too much to be certified"

    HELP_NOISE = "check the stated noise level, the degree, the positions and the probe"
    HELP_STARTS = "use more starts"
    HELP_SPHERE = "measure a second sphere, about 2 wavelengths farther out"
    HELP_CLOSER = "measure the first sphere about one wavelength from the antenna"
    HELP_PORTS = "read both ports at once with their relative phase, or the powers of four polarisations"
    HELP_CUTS = (
        "keep the phase along cuts of theta, or read a second element, displaced along theta, with the first"
    )
    HELP_LOUDER = "raise the power or average longer"
