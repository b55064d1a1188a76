"""What is said of a scan: readings that can hardly be right, and units that hardly fit."""

from __future__ import annotations

from nf2ff.messages.notice import Code

_LEAVE_OUT = "leave it out (an empty response) or measure it again"
_FACTOR = (
    "the {count} readings at {one} are off those at {other} by {level_db:+z.2f} dB and {turn_deg:+z.1f} deg "
)
_CORRECT = (
    ": did the phase jump or drift, or a cable change, between them? Correct a jump by it, have a drift "
    "found (nf2ff align), or measure one of them again"
)
_SQUARE = "since EIRP and TRP grow with its square"


class ReadingCode(Code):
    """Readings that can hardly be right."""

    SPIKE = "{where} stands {height} above all readings nearby, which no antenna makes: " + _LEAVE_OUT
    SPIKES = (
        "{where} stand {height} above all readings nearby, which no antenna makes: leave them out "
        "(empty responses) or measure them again"
    )
    CONTRADICTION = (
        "{where} have the same position and polarisation, but differ by {apart} and "
        "{turn_deg:z.0f} deg, more than noise explains{more}: find out which is wrong, and leave "
        "it out; where there are many, check whether polarisations were exchanged, or angles count the other "
        "way round"
    )
    STUCK = (
        "{count} readings in a row are {value}, {first} to {last}{more}, where the others imply "
        "another field: did the receiver hang, or was a cable off? Leave them out (an empty "
        "response) or measure again"
    )
    ALONE = (
        "{where} is {off} what all the others imply, and without it the misfit of the model falls "
        "by {fall_db:z.0f} dB: " + _LEAVE_OUT
    )
    FACTOR_AT_POLES = _FACTOR + "at the poles, where both belong to one position" + _CORRECT
    REVERSED_AT_POLES = (
        _FACTOR
        + "at the poles, where both belong to one position: does phi or chi count the other way round, "
        "or is the sign of one polarisation reversed? Put right what it is: a changed sign in place of "
        "angles makes the pattern its mirror image"
    )
    FACTOR_BY_MODEL = (
        _FACTOR + "by the model, whose misfit falls by {fall_db:z.0f} dB without that" + _CORRECT
    )
    STEP = (
        "from {where} on, in the order of {order}, all {count} readings are off those before by "
        "{level_db:+z.2f} dB and {turn_deg:+z.1f} deg by the model, whose misfit falls by {fall_db:z.0f} dB "
        "without that: was the receiver or its reference restarted there? Divide these readings by it; or, "
        "if only the phase changed, have it found by a column coherence, 1 before and 2 from there on "
        "(nf2ff transform --degree N)"
    )
    PHASE_JUMPS = (
        "from one cut to the next the phase jumps by {rms_deg:z.0f} deg (rms){more}, which no antenna makes "
        "that these steps resolve: the reference was lost between them; recover it "
        "(nf2ff transform {scan} -o RESULT.h5 --coherent {along} --degree {degree})"
    )


class EmptyCode(Code):
    """Frequencies without a reading."""

    LEFT_OUT = "nothing was read at {ghz}: left out"


class UnitCode(Code):
    """Units that are hardly those stated."""

    ANGLE_IN_DEGREES = (
        "{name} reaches {largest_rad:.6g} rad in whole numbers: is it in degrees? In Python and "
        "native files angles are in radians: convert it by numpy.radians"
    )
    ANGLES_IN_RADIANS = (
        "all samples are at {where}: are these angles in radians? Tables hold degrees, Python and "
        "native files radians: multiply them by 180/pi, and chi too if it is in radians"
    )
    CHI_IN_RADIANS = (
        "chi is {least_deg:z.6g} to {largest_deg:z.6g} deg: is it in radians? Tables hold degrees, "
        "Python and native files radians: multiply chi by 180/pi"
    )
    ELEVATION = (
        "theta is {least_deg:z.6g} to {largest_deg:z.6g} deg at all phi, and the modes leave a residual of "
        "{residual:.2g} of the samples: is it the elevation? Theta is 90 deg less that (nf2ff import "
        "--columns, sign = -1 and offset = 90)"
    )
    NO_PHASE = (
        "all imaginary parts are zero: the responses hold no phase, and may be amplitudes{unit}; measure the "
        "phase; of amplitudes alone (nf2ff import --columns) it is found from several spheres, the first "
        "about a wavelength from the antenna (nf2ff transform --coherent nothing --degree N)"
    )
    POLAR = (
        "real and imag seem to hold amplitudes {unit} and phases in {angle}: so read, the modes leave a "
        "residual of {rest:.2g} of them, and {residual:.2g} otherwise; import them as amplitude and phase "
        "(nf2ff import --columns)"
    )
    POLAR_AT_SIGHT = (
        "real and imag seem to hold amplitudes and phases in {angle}: those in imag fill a turn, and those "
        "in real are not like them; if so, import them as amplitude and phase (nf2ff import --columns)"
    )
    LONG_RADIUS = (
        "the radius is {radius_m:.6g} m: few ranges are that long; check its unit, which must be "
        "metres{hint}, " + _SQUARE
    )
    SHORT_RADIUS = (
        "the radius is {radius_m:.6g} m: no probe is that close; check its unit, which must be metres, "
        + _SQUARE
    )
    FREQUENCY = (
        "the frequency is {frequency_hz:.6g} Hz ({frequency_ghz:.6g} GHz): few antennas are scanned "
        "there; check its unit, which must be Hz"
    )
    FINE_WAVES = (
        "{share:.0%} of the response comes from waves of degree above {degree}, while k r is {kr:.4g}: "
        "the antenna would almost have to touch the probe; check the units of frequency (Hz) and "
        "radius (m)"
    )
    STRONG = (
        "{what}, more than is radiated in any chamber: check the unit of the responses (V/m, or "
        "sqrt(W) at a probe's port), the level, and the radius (m)"
    )
