"""Which range suits: verdicts, their reasons by code, and their figures."""

import re
from dataclasses import replace

import pytest

from nf2ff.messages.ranges import RangeCode
from nf2ff.ranges.compact_range import reflected_field
from nf2ff.ranges.compare import Fit, RangeKind, RangeQuestion, compare_ranges
from nf2ff.ranges.plane_wave_array import plane_points
from nf2ff.ranges.quiet_zone import evaluate
from nf2ff.ranges.reflector import Reflector, SerratedRim
from nf2ff.ranges.zone import Zone

#: A device of 30 cm at 28 GHz with an antenna of 5 cm, whose place is declared.
DEVICE = RangeQuestion(
    lowest=28e9,
    highest=28e9,
    zone_radius=0.15,
    aperture=0.05,
    place_known=True,
    offset=0.125,
    wanted=("eirp", "trp"),
    reference="port",
    modulated=False,
    frozen=True,
    room=3.0,
    near_distance=0.5,
    near_degree=25,
    near_samples=2808,
)


def verdicts(**changes):
    return dict(zip(RangeKind, compare_ranges(replace(DEVICE, **changes)), strict=True))


def codes(verdict):
    return [reason.code for reason in verdict.reasons]


def test_figures():
    """0.59 m and 56.8 dB, compact 2.10 m and 67.8 dB; black box 16.8 m, 85.9 dB (closed forms)."""
    found = verdicts()
    direct, compact = found[RangeKind.DIRECT], found[RangeKind.COMPACT]
    assert (round(direct.length, 2), round(direct.loss_db, 1)) == (0.59, 56.8)
    assert (round(compact.length, 2), round(compact.loss_db, 1)) == (2.10, 67.8)
    assert found[RangeKind.NEAR_FIELD].fit is Fit.YES
    assert compact.fit is Fit.YES
    assert [x.kind for x in found.values()] == list(RangeKind)
    black = verdicts(aperture=0.3, place_known=False, offset=0.0)
    direct = black[RangeKind.DIRECT]
    assert (round(direct.length, 1), round(direct.loss_db, 1)) == (16.8, 85.9)
    assert direct.fit is Fit.NO
    assert codes(direct)[:2] == [RangeCode.DIRECT_TOO_LONG, RangeCode.WHOLE_DEVICE]
    assert RangeCode.NO_DECLARATION in codes(black[RangeKind.COMPACT])


def test_a_short_direct_range_reads_wrong():
    """12.5 cm off centre in a room of 1 m: +1.16 / -1.02 dB, 7.1 deg (closed form)."""
    direct = verdicts(aperture=0.1, room=1.0)[RangeKind.DIRECT]
    assert direct.fit is Fit.NO  # 2 D^2 / lambda is 1.87 m
    (told,) = [x for x in direct.reasons if x.code is RangeCode.DIRECT_OFFSET]
    assert "+1.16 / -1.02 dB" in told
    assert "7.1 deg" in told
    # At the shortest distance that the aperture allows, 0.59 m, but not in the room's 3 m: 0.35 dB.
    assert verdicts(room=None)[RangeKind.DIRECT].fit is Fit.PARTLY
    assert verdicts()[RangeKind.DIRECT].fit is Fit.YES
    assert verdicts(offset=0.0)[RangeKind.DIRECT].fit is Fit.YES


def test_what_cannot_be_transformed():
    near = verdicts(reference="none")[RangeKind.NEAR_FIELD]
    assert near.fit is Fit.PARTLY
    assert codes(near)[0] is RangeCode.NO_PHASE
    near = verdicts(wanted=("tis",))[RangeKind.NEAR_FIELD]
    assert near.fit is Fit.NO
    assert "harmonic mean of EIS" in near.reasons[0]
    near = verdicts(wanted=("eirp", "evm", "occupied-bandwidth", "eis"))[RangeKind.NEAR_FIELD]
    assert near.fit is Fit.PARTLY
    assert codes(near)[:2] == [RangeCode.SENSITIVITY, RangeCode.NOT_TRANSFORMED]
    assert near.reasons[1].startswith("evm, occupied-bandwidth: ")
    assert codes(verdicts(wanted=("aclr",))[RangeKind.NEAR_FIELD])[0] is RangeCode.ACLR
    # Elsewhere they are measured as they are.
    assert verdicts(wanted=("evm",))[RangeKind.COMPACT].fit is Fit.YES


@pytest.mark.parametrize(
    ("reference", "frozen", "fit", "says"),
    [
        ("bins", True, Fit.YES, RangeCode.MODULATED_HELD),
        ("carrier", True, Fit.NO, RangeCode.MODULATED),
        ("bins", False, Fit.NO, RangeCode.MODULATED),
        ("none", True, Fit.PARTLY, RangeCode.NO_PHASE),
    ],
)
def test_modulated_signals(reference, frozen, fit, says):
    near = verdicts(modulated=True, reference=reference, frozen=frozen)[RangeKind.NEAR_FIELD]
    assert near.fit is fit
    assert says in codes(near)


def test_rooms_and_bands():
    found = verdicts(room=0.6)
    assert codes(found[RangeKind.COMPACT])[0] is RangeCode.COMPACT_TOO_LONG
    assert codes(found[RangeKind.ARRAY])[0] is RangeCode.ARRAY_TOO_LONG
    assert verdicts(room=None)[RangeKind.ARRAY].fit is Fit.YES
    wide = verdicts(lowest=24e9)[RangeKind.ARRAY]
    assert wide.fit is Fit.PARTLY
    assert codes(wide)[0] is RangeCode.ARRAY_BAND
    # (0.6 m)^2 pi (0.15 m)^2 / (lambda 0.9 m)^2 = 274.1 (closed form).
    assert "at least 275 elements" in wide.reasons[1]


def test_refused():
    with pytest.raises(ValueError, match=r"wanted is 'volume', expected some of pattern"):
        replace(DEVICE, wanted=("eirp", "volume"))
    with pytest.raises(ValueError, match=r"wanted is empty"):
        replace(DEVICE, wanted=())


def test_how_far_a_figure_needs():
    """5 cm at 28 GHz: closed form for the peak of a disc, sinc of half the rim's phase."""
    found = verdicts(peak_db=0.0559, sidelobe_db=1.0, sidelobe_level_db=30.0, room=0.6)[RangeKind.DIRECT]
    by_code = {x.code: x for x in found.reasons}
    peak, lobe = by_code[RangeCode.DIRECT_PEAK], by_code[RangeCode.DIRECT_SIDELOBE]
    # 2 D^2/lambda has 0.0559 dB, so that the length is that of the range as a whole.
    assert peak.figures["ratio"] == pytest.approx(2.0, rel=1e-3)
    assert peak.figures["length_m"] == pytest.approx(found.length, rel=1e-3)
    assert lobe.figures["ratio"] > 2
    # A room that suits the peak alone suits in part.
    assert peak.figures["length_m"] < 0.6 < lobe.figures["length_m"]
    assert found.fit is Fit.PARTLY
    near = verdicts(peak_db=0.0559, sidelobe_db=1.0, sidelobe_level_db=30.0)[RangeKind.DIRECT]
    assert near.fit is Fit.YES


def test_computed_figures_are_those_of_the_designs():
    # The same reflector and array by the functions that compute them: serrated, 0.6 m, F 2.1 m, and 18 x 18.
    found = verdicts(zone_radius=0.15, lowest=10e9, highest=10e9)
    (told,) = [x for x in found[RangeKind.COMPACT].reasons if x.code is RangeCode.COMPACT_COMPUTED]
    reflector = Reflector(2.1, 0.45, SerratedRim(0.18, 0.3, 30))
    zone = Zone(0.15, "cylinder", None, (0, 0.45, 2.1))
    field = reflected_field(reflector, reflector.feed(exponent=6), zone, frequency=10e9)
    figures = evaluate(field.probed(plane_points(zone, step=0.45 * 0.0299792458)), zone)
    taper, ripple = (float(v) for v in re.findall(r"[\d.]+(?= dB)", told))
    expected = figures.amplitude_db
    assert (taper, ripple) == pytest.approx((expected.taper, expected.ripple), abs=0.005)
    reasons = found[RangeKind.ARRAY].reasons
    (told,) = [x for x in reasons if x.code is RangeCode.ARRAY_COMPUTED]
    assert "computed for 49 elements" in told
    # Beyond what takes a moment nothing is said.
    wide = verdicts(zone_radius=1.0, aperture=0.05, lowest=28e9, highest=28e9)
    codes_of = [x.code for kind in (RangeKind.COMPACT, RangeKind.ARRAY) for x in wide[kind].reasons]
    assert RangeCode.COMPACT_COMPUTED not in codes_of
    assert RangeCode.ARRAY_COMPUTED not in codes_of
