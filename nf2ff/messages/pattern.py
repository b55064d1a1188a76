"""Warnings of pattern files of NSMA WG16.99.050: what breaks the recommendation, and what was made of it."""

from __future__ import annotations

from nf2ff.messages.notice import Code


def _at(sentence: str) -> str:
    """A sentence with the line it is about, and how many more there are like it."""
    return "line {line}: " + sentence + "{others}"


class PatternCode(Code):
    """What a pattern file, or the pattern that is to be written, is warned of."""

    LETTERS = _at("has letters outside ASCII: read as {encoding}")
    LINE_END = _at("does not end in CR LF: read all the same")
    AFTER_END = _at("{text!r} stands after ENDFIL: left out")
    END = _at("ENDFIL is {text!r}, expected 'EOF': taken as the end")
    NO_END = _at("the file ends without ENDFIL: is it whole?")
    UNKNOWN = _at("{text} is not a field of the recommendation: left out")
    MARK = _at("{text!r} where {expected!r} should be: read as such")
    LENGTH = _at("{tag} has {count} characters, expected at most {most}: read in full")
    TWICE = _at("{tag} occurs twice: the first is kept")
    ORDER = _at("{field} is not in the order of the recommendation: read as it is")
    EMPTY = _at("{tag} is empty: left out")
    REVISION = _at("{tag} is {text!r}, expected {expected!r}: read as if it were")
    TILT = _at("ELTILT is {text!r}, without a tolerance: kept as it is")
    POLARISATION = _at("POLARI is {text!r}: read as {read!r}")
    CAPITALS = _at("{tag} is {text!r}: read in capitals")
    FORM = _at("{fault}: kept as it is")
    MISSING = _at("the header has no {tag}, which is required: read without")
    MISSING_IN_CUT = _at("the cut has no {tag}: read without")
    CUTS = _at("NUMCUT is {text!r} for {count} cuts: all are read")
    NO_CUTS = _at("no NUMCUT for {count} cuts: all are read")
    FREQUENCIES = _at("NOFREQ is {text!r} for {count} frequencies: all are read")
    POINTS = _at("NUPOIN is {text!r} for {count} points: all are read")
    ENDS = _at(
        "FSTLST is {text!r}, the points run from {first_deg:zg} to {last_deg:zg} deg: the points are right"
    )
    COMMA = _at("a point without a comma at its end: read all the same")
    POINT = _at("a point of {count} characters, expected at most {most}: read in full")
    PHASE = _at("{count} of {points} points have no phase: all phases left out")
    SAME_ANGLE = _at(
        "{first_deg:zg} deg occurs twice, levels up to {difference_db:zg} dB apart: the first is kept"
    )
    SAME_DIRECTION = _at(
        "{first_deg:zg} and {second_deg:zg} deg are the same direction, levels up to {difference_db:zg} dB "
        "apart: the first is kept"
    )
    SORTED = _at("the angles of the cut do not increase: they are sorted")
    GAIN_ABOVE_DIRECTIVITY = (
        "the gain {gain_dbi:z.2f} dBi is above the directivity {directivity_dbi:z.2f} dBi of the "
        "polarisation {polarisation} at the peak, {frequency_ghz:.9g} GHz: an efficiency of "
        "{efficiency_percent:.4g} %; "
        "check gain, power and calibration"
    )
