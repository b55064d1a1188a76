"""`nf2ff export` of pattern files, against closed forms of the fields."""

import numpy as np
import pytest
from export_cases import (
    FIELDS,
    NSMA,
    assert_refused,
    directivity_of,
    field_along,
    peak_of,
    run,
    spherical,
    succeed,
    vectors,
)
from patterns import HUYGENS, TURNSTILE, Z_DIPOLE, modes_of
from scipy.optimize import brentq

from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes
from nf2ff.io import native
from nf2ff.io.nsma_cuts import nsma_pattern
from nf2ff.io.nsma_reader import read_nsma
from nf2ff.metrics.result import Result

#: Polarisations in up and right, as a person behind the antenna sees them. Right-hand is
#: clockwise for that person (IEEE Std 145, from memory), from up to right: up leads by 90 deg,
#: right = -j up, and (up + j right)/sqrt 2 is greatest.
SEEN = {
    "V": [1, 0],
    "H": [0, 1],
    "SLR": [0.5**0.5, 0.5**0.5],
    "SLL": [0.5**0.5, -(0.5**0.5)],
    "RCP": [0.5**0.5, 1j * 0.5**0.5],
    "LCP": [0.5**0.5, -1j * 0.5**0.5],
}


ACROSS = {"V": "H", "H": "V", "SLR": "SLL", "SLL": "SLR", "RCP": "LCP", "LCP": "RCP"}


def seen_from_behind(antenna, frequency, axis, up, plane, angle):
    """Closed-form components up and right (2, A) along the V or H cut through ``axis``."""
    vertical = up - (up @ axis) * axis
    vertical /= np.linalg.norm(vertical)
    right = np.cross(axis, vertical)
    first, second = (vertical, right) if plane == "V" else (right, vertical)
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    e = field_along(antenna, frequency, c * axis + s * first)
    # Ludwig-3 in its own two principal planes: along the cut, and across it.
    along, across = np.sum(e * (c * first - s * axis), -1), e @ second
    return np.array([along, across] if plane == "V" else [across, along])


def half_power_widths(antenna, frequency, axis, up, weights):
    """Widths of the co-polar cuts H and V: where the closed form falls to half of the peak."""
    found = {}
    for tag, plane in (("AZWIDT", "H"), ("ELWIDT", "V")):

        def excess(angle, plane=plane):
            e = seen_from_behind(antenna, frequency, axis, up, plane, np.array([0.0, angle]))
            peak, there = np.abs(weights @ e) ** 2
            return there / peak - 0.5

        ends = []
        for side in (1, -1):
            # The first of steps of 0.1 deg, far below a lobe's width, at which it is below.
            steps = side * np.radians(np.arange(0, 180, 0.1))
            first = next(i for i, x in enumerate(steps) if excess(x) < 0)
            ends.append(brentq(excess, steps[first - 1], steps[first], xtol=1e-9))
        found[tag] = f"{np.degrees(ends[0] - ends[1]):.2f}"
    return found


def front_to_back_db(antenna, frequency, axis):
    """Intensity of both polarisations on the axis over that opposite (closed form) [dB]."""
    front, back = np.sum(np.abs(field_along(antenna, frequency, np.stack([axis, -axis]))) ** 2, -1)
    return 10 * np.log10(front / back)


def test_right_is_right():
    # Looking along +x with z up, -y is to the right; along +z with y up, -x is.
    assert np.cross([1, 0, 0], [0, 0, 1]).tolist() == [0, -1, 0]
    assert np.cross([0, 0, 1], [0, 1, 0]).tolist() == [-1, 0, 0]


@pytest.mark.slow
@pytest.mark.parametrize("polarisation", [None, "H", "SLR", "SLL", "RCP", "LCP"])
def test_pattern_file_of_the_demonstration(panel, tmp_path, polarisation):
    path = tmp_path / "a.nsma"
    chosen, count = ((), 720) if polarisation is None else (("--step-deg", 2), 180)
    chosen += () if polarisation is None else ("--polarisation", polarisation)
    out = succeed(panel.path, "-o", path, *NSMA, *chosen, "--with-phase")
    co = polarisation or "V"
    cross = ACROSS[co]
    names = [("H", f"{co}/{co}"), ("H", f"{co}/{cross}"), ("V", f"{co}/{co}"), ("V", f"{co}/{cross}")]
    listed = ", ".join(" ".join(x) for x in names)
    assert out == f"{path}: {listed} in {count} directions, 1 frequency, gain -30.00 dBi\n"
    found = read_nsma(path)
    assert found.warnings == ()
    frequency, up = panel.frequency[0], np.array([0, 0, 1.0])
    axis = peak_of(panel.antenna, frequency, np.array([1, 0, -0.15]), 0.1)
    theta, phi = np.degrees(spherical(axis))
    assert dict(found.fields) == {
        "COMNT1": "0 dB: co-polar at the peak. H: right, V: up positive, seen from behind",
        "COMNT2": f"Great circles through the peak, theta {theta:.3f} deg, phi {phi:.3f} deg",
        "ANTMAN": "Example",
        "MODNUM": "P-1",
        "LOWFRQ": "24000",
        "HGHFRQ": "24000",
        "GUNITS": "DBI/DBR",
        "MDGAIN": "-30.00",
        **half_power_widths(panel.antenna, frequency, axis, up, SEEN[co]),
        "FRTOBA": f"{front_to_back_db(panel.antenna, frequency, axis):.0f}",
        "ELTILT": "8,0.5",
        "PATTYP": "typical",
    }
    assert [(x.plane, x.polarisation) for x in found.cuts[0]] == names
    weights = {name: np.array(w) for name, w in SEEN.items()}
    at_peak = weights[co] @ seen_from_behind(panel.antenna, frequency, axis, up, "V", np.zeros(1))[:, 0]
    for cut in found.cuts[0]:
        np.testing.assert_array_equal(cut.angle_deg, -180 + 360 / count * np.arange(count))
        e = seen_from_behind(panel.antenna, frequency, axis, up, cut.plane, np.radians(cut.angle_deg))
        wanted = weights[cut.polarisation[len(co) + 1 :]] @ e / at_peak
        level = 10 ** (cut.level_db / 20)
        # Three decimals in dB are a factor 1 + 0.58e-4; three in deg are 0.87e-5 rad; the axis is
        # found to 1e-7, which moves the field by k r0 = 75 times that at most.
        size = np.abs(wanted).max()
        assert np.all(np.abs(level - np.abs(wanted)) <= 6e-5 * np.abs(wanted) + 2e-5 * size)
        turned = np.abs(wanted) * np.exp(1j * np.radians(cut.phase_deg))
        assert np.all(np.abs(turned - wanted) <= 9e-6 * np.abs(wanted) + 2e-5 * size)
    peak_cut = found.cuts[0][0]
    assert (peak_cut.level_db[count // 2], peak_cut.phase_deg[count // 2]) == (0, 0)


@pytest.mark.slow
@pytest.mark.parametrize("up", ["x", "-x", "y", "-y", "-z"])
def test_other_ways_to_mount(small, tmp_path, up):
    succeed(
        small.path,
        "-o",
        tmp_path / "a.nsma",
        *FIELDS,
        "--up",
        up,
        "--gain-dbi",
        -30,
        "--polarisation",
        "SLR",
        "--through",
        70,
        50,
        "--step-deg",
        10,
        "--frequency-ghz",
        3,
    )
    found = read_nsma(tmp_path / "a.nsma")
    assert found.fields["COMNT2"] == "Great circles through theta 70.000 deg, phi 50.000 deg"
    # Levels do not refer to that direction: no half-power width about it.
    assert not {"AZWIDT", "ELWIDT"} & set(found.fields)
    sign = -1.0 if up.startswith("-") else 1.0
    upward = sign * np.eye(3)["xyz".index(up[-1])]
    axis = vectors(*np.radians([[70], [50]]))[0][0]
    e = [
        seen_from_behind(small.antenna, 3e9, axis, upward, c.plane, np.radians(c.angle_deg))
        for c in found.cuts[0]
    ]
    power = [np.abs(SEEN[c.polarisation[4:]] @ x) for c, x in zip(found.cuts[0], e, strict=True)]
    # Levels refer to the co-polar one at the peak, by ludwig-3 about the axis: here, to a factor.
    level = [10 ** (c.level_db / 20) for c in found.cuts[0]]
    assert found.cuts[0][0].phase_deg is None
    ratio = np.concatenate(level) / np.concatenate(power)
    strong = np.concatenate(power) > 1e-3 * max(map(np.max, power))
    np.testing.assert_allclose(ratio[strong], np.median(ratio), rtol=1.2e-4)
    # The reference: co-polar at the peak, parallel to the axis' own vectors by rolling the wave
    # front along the great circle from the axis to the peak.
    start = max(
        (
            vectors(*(np.array([x]) for x in np.radians([t, p])))[0][0]
            for t in range(0, 181, 10)
            for p in range(0, 360, 10)
        ),
        key=lambda r: np.sum(np.abs(field_along(small.antenna, 3e9, r[None])) ** 2),
    )
    peak = peak_of(small.antenna, 3e9, start, 0.2)
    vertical = upward - (upward @ axis) * axis
    vertical /= np.linalg.norm(vertical)
    slant = (vertical + np.cross(axis, vertical)) / 2**0.5
    # Rodrigues' formula for the rotation that carries the axis to the peak the short way.
    k, c = np.cross(axis, peak), axis @ peak
    rolled = slant * c + np.cross(k, slant) + k * (k @ slant) / (1 + c)
    assert found.fields["FRTOBA"] == f"{front_to_back_db(small.antenna, 3e9, peak):.0f}"
    reference = np.abs(field_along(small.antenna, 3e9, peak[None])[0] @ rolled)
    np.testing.assert_allclose(1 / np.median(ratio), reference, rtol=1.2e-4)


def test_gain_from_the_power_put_in(panel, tmp_path):
    # Closed form: partial gain 4 pi U / P, P the power put in; the antenna radiates 0.098 W.
    succeed(
        panel.path, "-o", tmp_path / "a.nsma", *FIELDS, "--up", "z", "--input-power-w", 0.1, "--step-deg", 30
    )
    axis = peak_of(panel.antenna, 24e9, np.array([1, 0, -0.15]), 0.1)
    e = seen_from_behind(panel.antenna, 24e9, axis, np.array([0, 0, 1.0]), "V", np.zeros(1))[0, 0]
    gain = 4 * np.pi * abs(e) ** 2 / (2 * WAVE_IMPEDANCE) / 0.1
    assert read_nsma(tmp_path / "a.nsma").fields["MDGAIN"] == f"{10 * np.log10(gain):.2f}"


def panel_peak(panel):
    """Closed-form components up and right (2,) at the panel's peak."""
    axis = peak_of(panel.antenna, 24e9, np.array([1, 0, -0.15]), 0.1)
    up = np.array([0, 0, 1.0])
    return seen_from_behind(panel.antenna, 24e9, axis, up, "V", np.zeros(1))[:, 0]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("names", "share"), [(("radiation_efficiency", "total_efficiency"), 0.5), (("total_efficiency",), 0.25)]
)
def test_gain_of_a_result_that_knows_the_power(panel, tmp_path, names, share):
    # Gain is partial directivity times efficiency (closed form). Of both efficiencies, that of the
    # power accepted gives the gain.
    stated = {"radiation_efficiency": ([0.5], "1", "a"), "total_efficiency": ([0.25], "1", "b")}
    modes = native.read_result(panel.path).modes
    native.write_result(tmp_path / "r.h5", Result(modes, quantities={name: stated[name] for name in names}))
    words = (tmp_path / "r.h5", "-o", tmp_path / "a.nsma", *FIELDS, "--up", "z", "--step-deg", 30)
    succeed(*words)
    wanted = share * directivity_of(panel.antenna, 24e9, panel_peak(panel)[:1])[0]
    assert read_nsma(tmp_path / "a.nsma").fields["MDGAIN"] == f"{10 * np.log10(wanted):.2f}"
    # What is given comes first.
    succeed(*words, "--overwrite", "--gain-dbi", 3)
    assert read_nsma(tmp_path / "a.nsma").fields["MDGAIN"] == "3.00"


def test_gain_above_directivity_is_told(panel, tmp_path):
    words = (panel.path, "-o", tmp_path / "a.nsma", *FIELDS, "--up", "z", "--step-deg", 30)
    done = run(*words, "--gain-dbi", 25.83)
    assert done.code == 0
    (line,) = done.err.splitlines()
    # 22.827 dBi is the partial directivity (closed form, as above): 3.003 dB are a factor 1.997.
    assert line.startswith("warning, the gain 25.83 dBi is above the directivity 22.83 dBi of the ")
    assert "polarisation V at the peak, 24 GHz: an efficiency of 199.7 %; check gain, power" in line
    assert (tmp_path / "a.nsma").exists()
    succeed(*words, "--gain-dbi", 22.82, "--overwrite")


def test_directivity_is_not_gain(small, relative, tmp_path):
    out = ("-o", tmp_path / "a.nsma", *FIELDS, "--up", "z")
    says = "a pattern file needs the gain, and the directivity, "
    assert_refused(tmp_path, small.path, *out, says=says)
    line = run(small.path, *out).err
    assert "the gain is less by the losses in the antenna: give the gain (--gain-dbi), or the" in line
    assert_refused(tmp_path, relative, *out, says=says)
    assert run(relative, *out).err.endswith(": give the gain (--gain-dbi)\n")
    says = "the power put in gives the gain of absolute data, and these are relative: give the gain"
    assert_refused(tmp_path, relative, *out, "--input-power-w", 0.01, says=says)
    succeed(relative, *out, "--gain-dbi", 1)
    assert read_nsma(tmp_path / "a.nsma").fields["MDGAIN"] == "1.00"
    twice = (*out, "--overwrite", "--gain-dbi", 1, "--input-power-w", 0.01)
    assert_refused(tmp_path, small.path, *twice, says="the gain is given twice, in dBi and by the")


def test_gain_belongs_to_the_middle_of_the_band():
    # z-dipoles of growing power: at an input of 1 W the gain is 1.5 P_rad (closed form).
    q = np.sqrt(2 * np.array([0.1, 0.2, 0.3, 0.4, 0.5]))[:, None] * -Z_DIPOLE.coefficients
    q *= np.sign(Z_DIPOLE.coefficients[0, 3].real)
    modes = Modes([1e9, 1.1e9, 1.4e9, 1.6e9, 2e9], q)
    fields = {"ANTMAN": "Example", "MODNUM": "1", "ELTILT": "0,0"}
    angle = np.radians([-90, 0, 90])
    found = nsma_pattern(modes, up=[0, 0, 2], angle=angle, fields=fields, input_power=1.0)
    assert found.fields["MDGAIN"] == f"{10 * np.log10(1.5 * 0.3):.2f}"
    assert (found.fields["LOWFRQ"], found.fields["HGHFRQ"]) == ("1000", "2000")
    assert found.fields["COMNT2"] == "Great circles through the peak of each frequency"
    assert [c[0].polarisation for c in found.cuts] == ["V/V"] * 5
    for cuts in found.cuts:
        # E_theta ~ sin theta: in the horizontal cut all the same, in the vertical one cos; nothing
        # horizontal: rounding, far below 200 dB or written as that.
        np.testing.assert_allclose(cuts[0].level_db, 0, atol=1e-9)
        assert cuts[2].level_db[0] < -190
        assert max(cuts[1].level_db.max(), cuts[3].level_db.max()) < -190
        assert min(c.level_db.min() for c in cuts) >= -200


def test_fields_of_the_user_come_first(small, tmp_path):
    more = ("LOWFRQ=2700", "HGHFRQ=3100", "PATTYP=envelope", "COMNT1=mine", "AZWIDT=70", "DESCR1=a = b")
    words = [x for word in more for x in ("--field", word)]
    succeed(small.path, "-o", tmp_path / "a.nsma", *NSMA, *words, "--step-deg", 30)
    found = read_nsma(tmp_path / "a.nsma").fields
    assert {f"{k}={v}" for k, v in found.items()} >= set(more)
    assert set(found) >= {"ELWIDT", "FRTOBA"}


def test_widths_and_ratio_where_there_are_any():
    # Closed form: a z-dipole, cos of the elevation, is 90 deg wide in the vertical cut, the same
    # all around, and as strong behind.
    dipole = nsma_of(Z_DIPOLE, up=[0, 0, 1]).fields
    assert (dipole["ELWIDT"], dipole["FRTOBA"]) == ("90.00", "0")
    assert "AZWIDT" not in dipole
    # Whatever rounding makes of a ratio of 1, there is no minus before it.
    for name in [(1, 1, 1), (2, 1, 1), (1, 2, 2), (2, 2, 2), (1, 3, 3), (2, 3, 3)]:
        alone = nsma_of(modes_of({name: 1}, 3), up=[0.3, 0.5, 0.6]).fields
        assert alone["FRTOBA"] == "0"
    # Huygens source: (1 + cos)^2 is half at cos = sqrt 2 - 1, in every cut; nothing behind, which
    # two characters cannot say.
    source = nsma_of().fields
    width = f"{2 * np.degrees(np.arccos(2**0.5 - 1)):.2f}"
    assert (source["AZWIDT"], source["ELWIDT"]) == (width, width)
    assert "FRTOBA" not in source
    # With as little of the magnetic dipole missing as to have 99 dB and 100 dB:
    # (2 - x)/x is the ratio of the fields in front and behind.
    for decibels, says in ((99.4, "99"), (99.6, None)):
        x = 2 / (1 + 10 ** (decibels / 20))
        weak = modes_of({(2, -1, 1): -1, (2, 1, 1): 1, (1, 1, 1): x - 1, (1, -1, 1): x - 1})
        assert nsma_of(weak).fields.get("FRTOBA") == says


def test_widths_are_those_of_the_co_polarisation_in_the_middle_of_the_band():
    # Closed form, towards +z with y up: a Huygens source along x is (1 + cos) wide by Ludwig-3, a
    # dipole along y cos in the vertical cut. Of both together each polarisation has its own.
    dipole = modes_of({(2, 1, 1): -1j, (2, -1, 1): -1j})
    both = Modes([1e9], HUYGENS.coefficients + dipole.coefficients)
    wide = f"{2 * np.degrees(np.arccos(2**0.5 - 1)):.2f}"
    found = nsma_of(both, polarisation="H").fields
    assert (found["AZWIDT"], found["ELWIDT"]) == (wide, wide)
    found = nsma_of(both, polarisation="V").fields
    assert found["ELWIDT"] == "90.00"
    assert "AZWIDT" not in found
    # Of three frequencies, the one in the middle.
    along_x = modes_of({(2, 1, 1): 1, (2, -1, 1): -1}).coefficients
    q = np.concatenate([HUYGENS.coefficients, along_x, HUYGENS.coefficients])
    three = nsma_of(Modes([1e9, 1.5e9, 2e9], q), polarisation="H").fields
    assert (three["AZWIDT"], three["FRTOBA"]) == ("90.00", "0")
    assert "ELWIDT" not in three


def test_circular_polarisation_is_found():
    # Closed form: a turnstile x - jy radiates right-hand circular towards +z.
    angle, fields = np.radians([0.0, 10.0]), {"ANTMAN": "E", "MODNUM": "1", "ELTILT": "0,0"}
    common = {"up": [0, 1, 0], "angle": angle, "fields": fields, "gain_dbi": 1.7}
    found = nsma_pattern(TURNSTILE, through=(0.0, 0.0), **common)
    assert found.cuts[0][0].polarisation == "RCP/RCP"
    mirrored = modes_of({(2, -1, 1): (-1 + 1j * -1j) / 2**0.5, (2, 1, 1): (1 + 1j * -1j) / 2**0.5})
    found = nsma_pattern(mirrored, through=(0.0, 0.0), **common)
    assert found.cuts[0][0].polarisation == "LCP/LCP"
    for name in ("V", "H", "SLR", "SLL"):
        # All of a circular wave's linear components are 3 dB down: no polarisation is at fault.
        got = nsma_pattern(TURNSTILE, polarisation=name, **{**common, "gain_dbi": -1.3})
        assert got.cuts[0][0].polarisation == f"{name}/{name}"
        assert got.warnings == ()


def nsma_of(modes=HUYGENS, **changes):
    """A pattern of a Huygens source towards +z, some arguments changed."""
    given = {
        "up": [0, 1, 0],
        "angle": [0.0],
        "gain_dbi": 1.0,
        "fields": {"ANTMAN": "E", "MODNUM": "1", "ELTILT": "0,0"},
    }
    return nsma_pattern(modes, **{**given, **changes})


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"polarisation": "X"}, "polarisation is 'X', expected one of V, H, SLR, SLL, RCP, LCP"),
        ({"polarisation": "V"}, "no field of polarisation V at the peak, 1 GHz: choose the polari"),
        ({"fields": {"MDGAIN": "1"}}, "MDGAIN follows from the gain, given in dBi: leave the field"),
        ({"fields": {"GUNITS": "A/B"}}, "GUNITS follows from the gain, given in dBi: leave the"),
        ({"up": [0, 0, 1]}, "the axis of the cuts, theta 0 deg, points up or down: give another"),
        ({"up": [1e-4, 0, -1]}, "points up or down: .*another axis"),
        ({"up": [0, 0, 0]}, "up is .*, expected three components that are not all zero"),
        ({"up": [0, 1]}, "up is .*, expected three components"),
        ({"gain_dbi": None, "input_power": 0.0}, "input_power is 0.0 W, expected a positive power"),
        ({"gain_dbi": None, "input_power": np.nan}, "input_power is nan W, expected a positive pow"),
        ({"gain_dbi": np.inf}, "gain_dbi is inf"),
        ({"gain_dbi": None, "input_power": [1, 2]}, "input_power has 2 values for 1 frequencies"),
        ({"modes": modes_of({})}, r"radiated power is 0 W at 1e\+09 Hz: directivity is not"),
    ],
)
def test_patterns_that_cannot_be_made(changes, says):
    # The Huygens source of the check values is polarised along x: horizontal where y is up.
    assert nsma_of().cuts[0][0].polarisation == "H/H"
    with pytest.raises(ValueError, match=says) as error:
        nsma_of(**changes)
    assert "\n" not in str(error.value)
