"""What is warned of in scans of power without phase."""

from nf2ff.messages.notice import Code


class PowerCode(Code):
    """Warnings of totals and peaks of scans that measured power only."""

    GAP = (
        "the largest gap between positions is {ratio:z.1f} times that of an even set of as many: what lies "
        "in it is guessed; measure there"
    )
    UNEVEN = (
        "the areas of the positions differ by {spread_percent:z.0f} %, so their density is not constant: use "
        "'voronoi' instead of the mean"
    )
    ALIASED = (
        "a field of degree {degree} has a power pattern of degree {pattern_degree}, these positions resolve "
        "up to {limit}: what lies above is aliased; measure at steps of {step_deg:.3g} deg or less"
    )
    UNRESOLVED = (
        "{share_percent:z.0f} % (rms) of the pattern is beyond the degree {degree} that these positions "
        "resolve: noise, or a pattern too fine for them; measure at smaller steps"
    )
    TOTAL_UNSTATED = (
        "the steps are too coarse for this pattern (samples that carry its power: about {samples}), and a "
        "beam may lie between them: no uncertainty of the total is stated; measure at smaller steps"
    )
    PEAK_UNSTATED = (
        "the steps are too coarse for the beam: the peak between the samples is a guess, no uncertainty of "
        "it is stated; measure at smaller steps"
    )
    PEAK_UNSURE = (
        "the peak lies between samples that determine it to {uncertainty_db:.2g} dB (standard uncertainty): "
        "steps coarse for the beam round it off, and noise scatters it; measure at smaller steps about it"
    )
    FLOOR = (
        "a floor of noise of {floor_dbm:z.1f} dBm, {below_db:z.1f} dB below the peak, was subtracted, as "
        "{part_percent:z.0f} % of the sphere reads little else: it had raised TRP by {rise_db:.2g} dB; "
        "measure with the device off to be sure"
    )
    FLOOR_OR_RADIATION = (
        "a floor of noise of {floor_dbm:z.1f} dBm, {below_db:z.1f} dB below the peak, was subtracted, as "
        "{part_percent:z.0f} % of the sphere reads little else, unless the device radiates that evenly "
        "there: it had raised TRP by {rise_db:.2g} dB; measure with the device off to be sure"
    )
    LOW_READINGS = (
        "the tenth of the sphere that reads least is about {level_dbm:z.1f} dBm, {below_db:z.1f} dB below "
        "the peak: if that is noise, TRP is about {rise_db:.2g} dB too high; measure with the device off and "
        "give its mean as the noise floor, or measure at smaller steps"
    )
    SCATTER = (
        "readings scatter by {scatter_percent:.2g} % of their mean: if that is the receiver's noise, its "
        "floor made TRP {single_db:.2g} dB too high where each reading is a single sample, and up to "
        "{average_db:.2g} dB where it is an average; measure with the device off and give "
        "its mean as the noise floor"
    )
    CLIPPED = (
        "{part_percent:z.0f} % of the sphere reads just {level_dbm:z.1f} dBm, the least of all: a table "
        "clipped there makes TRP up to {rise_db:.2g} dB too high; half of that power was subtracted"
    )
    SEARCH_ENDED = (
        "{part_percent:z.0f} % of the sphere has the same sensitivity, the weakest, {level_dbm:z.1f} dBm: if "
        "that is where the search ended, leave these cells empty; TIS is then up to {rise_db:.2g} dB higher"
    )
