"""What is said of an antenna found without a phase reference."""

from __future__ import annotations

from nf2ff.messages.notice import Code


class PhaselessCode(Code):
    """Why an antenna is certified, ambiguous or not found, and what would help."""

    CERTIFIED = (
        "no phase reference: certified, since {agreeing} of {starts} independent starts found it and "
        "{misfit}{gap}; {held}; error of the far field that noise alone predicts {error_db:z.1f} dB"
    )
    HELD = "readings held out agree"
    FEW = "too few readings were held out to tell"
    ONE_SPHERE = (
        "on one sphere a wrong distance, and a phase that changes slowly along the lines, leave no misfit"
    )
    STATED = "it leaves {chi_square:z.3f} times the misfit that noise explains"
    ESTIMATED = "its misfit is that of noise {noise_db:z.1f} dB relative to the largest reading"
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
        "{apart_db:z.0f} dB away from the best"
    )
    ALONE = "{agreeing} of {starts} starts found the best antenna, fewer than {needed}"
    SHALLOW = (
        "{lowest} of {starts} starts ended in the lowest of several minima that lie close together, fewer "
        "than {needed}"
    )
    LOUD = (
        "the misfit is that of noise of {noise_db:z.1f} dB of the largest reading, but where the noise is "
        "not stated errors of the scan pass for noise above {most_db:z.0f} dB"
    )
    UNLIKE = (
        "what the antenna found leaves is not even, as noise is: by {by} one part has {ratio:.2g} times its "
        "mean power, beyond chance"
    )
    NOISE = "the predicted error of the far field is {error_db:z.1f} dB, too much to be certified"

    HELP_NOISE = "check the stated noise level, the degree, the positions and the probe"
    HELP_STATE = (
        "check the balance of the polarisations, drift and distances, or if the readings really are as noisy "
        "state the noise"
    )
    HELP_STARTS = "use more starts"
    HELP_SPHERE = "measure a second sphere, about 2 wavelengths farther out"
    HELP_CLOSER = "measure the first sphere about one wavelength from the antenna"
    HELP_PORTS = "read both ports at once with their relative phase, or the powers of four polarisations"
    HELP_CUTS = (
        "keep the phase along cuts of theta, or read a second element, displaced along theta, with the first"
    )
    HELP_LOUDER = "raise the power or average longer"
