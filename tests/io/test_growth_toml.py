"""Studies in TOML: what they give, and one clear line where they are wrong."""

import math
import re

import numpy as np
import pytest

from nf2ff.io.growth_toml import MAX_VALUES, read_study_file, study_template

HEAD = """antenna = "a.toml"
frequency_ghz = 28
radius_m = 0.5
metrics = ["directivity"]
"""
VARY = '[vary]\nof = "size"\nvalues = [1, 2]\n'
NOISE = '[[error]]\nkind = "phase-noise"\nrms_deg = 3\n'


SET = '[[set]]\ncoherent = "cuts"\nradii_m = [0.4]\n'


@pytest.fixture
def read(tmp_path):
    """Return a function that reads text as a study."""

    def make(text, head=HEAD):
        path = tmp_path / "study.toml"
        path.write_text(head + text, encoding="utf-8")
        return read_study_file(path)

    return make


@pytest.fixture
def refused(read, tmp_path):
    """Return a function that reads text, which must fail with one line, and returns that."""

    def make(text, head=HEAD):
        with pytest.raises(ValueError, match=r"\A[^\n]+\Z") as caught:
            read(text, head)
        start = f"{tmp_path / 'study.toml'}: "
        assert str(caught.value).startswith(start)
        return str(caught.value).removeprefix(start)

    return make


def test_the_template_is_a_study(read, tmp_path):
    found = read(study_template(), head="")
    assert found.antenna == tmp_path / "antenna.toml"
    assert (found.scan, found.probe, found.degree) == (None, None, None)
    assert (found.frequency, found.radius, found.tail_db) == (28e9, 0.5, -60)
    assert found.inputs == [tmp_path / "antenna.toml"]
    # From 0.1 to 10 in five values of equal ratio (closed form).
    np.testing.assert_allclose(found.values, 10 ** np.array([-1, -0.5, 0, 0.5, 1]), rtol=1e-14)
    assert (found.draws, found.seed, found.confidence) == (100, 0, 0.95)
    assert [x.name for x in found.figures] == ["directivity", "pointing-theta", "pointing-phi"]


def test_what_a_study_may_say(read, tmp_path):
    text = (
        """degree = 9
oversampling = 2
tail_db = -80
draws = 7
seed = 3
confidence = 0.9
probe = "probes/horn.h5"
[vary]
of = "frequency_ghz"
start = 10
stop = 30
count = 3
spacing = "linear"
[figure.directivity]
theta_deg = 90
phi_deg = 0
"""
        + NOISE
    )
    found = read(text, HEAD.replace("frequency_ghz = 28\n", ""))
    assert found.over == "frequency"
    np.testing.assert_allclose(found.values, [10e9, 20e9, 30e9], rtol=1e-15)
    np.testing.assert_allclose(found.shown.values(found.values), [10, 20, 30], rtol=1e-15)
    assert found.shown.label == "frequency [GHz]"
    assert (found.degree, found.oversampling, found.tail_db) == (9, 2, -80)
    assert (found.draws, found.seed, found.confidence) == (7, 3, 0.9)
    assert found.probe == tmp_path / "probes" / "horn.h5"
    assert found.frequency is None
    assert [x.name for x in found.figures] == ["directivity-towards"]


@pytest.mark.parametrize(
    ("over", "key", "values", "parameter", "library", "label"),
    [
        ("radius_m", "radius_m", "[0.4, 0.6]", "radius", [0.4, 0.6], "distance [m]"),
        (
            "oversampling",
            "",
            "[1.2, 3]",
            "oversampling",
            [1.2, 3],
            "positions for each pair of degree and order",
        ),
        ("samples", "", "[40, 90]", "samples", [40, 90], "positions"),
        ("degree", "", "[4, 9]", "degree", [4, 9], "degree of the solution"),
        ("frequency_ghz", "frequency_ghz", "[1, 2.5]", "frequency", [1e9, 2.5e9], "frequency [GHz]"),
    ],
)
def test_what_may_be_varied(read, over, key, values, parameter, library, label):
    head = re.sub(rf"{key} = .*\n", "", HEAD) if key else HEAD
    found = read(f'[vary]\nof = "{over}"\nvalues = {values}\n' + NOISE, head)
    assert found.over == parameter
    np.testing.assert_allclose(found.values, library, rtol=1e-15)
    assert found.shown.label == label


def test_degrees_are_whole(read):
    found = read('[vary]\nof = "degree"\nstart = 2\nstop = 9\ncount = 30\n' + NOISE)
    np.testing.assert_array_equal(found.values, np.arange(2, 10))


@pytest.mark.parametrize(
    ("error", "label", "shown"),
    [
        ('kind = "phase-noise"\nrms_deg = 3', "phase-noise, rms [deg]", [3, 6]),
        ('kind = "phase-noise"\nrms = 0.1', "phase-noise, rms [rad]", [0.1, 0.2]),
        ('kind = "axes-apart"\nx_mm = 2', "axes-apart, x [mm]", [2, 4]),
        ('kind = "axes-apart"\nx_mm = 2\ny_mm = 3', "factor on all sizes", [1, 2]),
        (
            'kind = "receiver-noise"\nrms_db = -60',
            "receiver-noise, rms [dB]",
            [-60, -60 + 20 * math.log10(2)],
        ),
        ('kind = "position-noise"\naxis = "radius"\nrms = 0.1', "position-noise, rms [m]", [0.1, 0.2]),
        (
            'kind = "stray-wave"\nlevel_db = -40\ntheta_deg = 3\nphi_deg = 4',
            "stray-wave, level [dB]",
            [-40, -40 + 20 * math.log10(2)],
        ),
        ('kind = "frequency-error"\noffset = 1e-3', "frequency-error, offset [relative]", [1e-3, 2e-3]),
        (
            'kind = "phase-noise"\nrms_deg = 3\n[[error]]\nkind = "probe-gain"\namplitude = 0.1',
            "factor on all sizes",
            [1, 2],
        ),
    ],
)
def test_a_single_size_is_shown_as_what_it_is(read, error, label, shown):
    found = read(VARY + "[[error]]\n" + error)
    assert found.shown.label == label
    np.testing.assert_allclose(found.shown.values(found.values), shown, rtol=1e-12)
    np.testing.assert_array_equal(found.values, [1, 2])


def test_a_measured_scan(read, tmp_path):
    found = read(VARY + NOISE, 'scan = "scan.csv"\nmetrics = ["eirp"]\ndegree = 8\n')
    assert found.scan == tmp_path / "scan.csv"
    assert (found.antenna, found.frequency, found.radius, found.degree) == (None, None, None, 8)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        # Which files.
        ('scan = "b.h5"', "has both of antenna and scan: name one of them"),
        ('antenna = "/etc/passwd"', "antenna is '/etc/passwd', expected a file in its folder or"),
        ('antenna = "../a.toml"', "antenna is '../a.toml', expected a file in its folder or below"),
        ('antenna = "C:\\\\a.toml"', r"antenna is 'C:.*, expected a file in its folder"),
        ('antenna = "link/a.toml"', "antenna 'link/a.toml' is a link that leads elsewhere"),
        ('antenna = ""', "antenna is '', expected the name of a TOML file of dipoles"),
        ("antenna = 3", "antenna is 3, expected the name of a TOML file of dipoles"),
        # Numbers.
        ("frequency_ghz = 0", "frequency_ghz is 0, expected a number above 0"),
        ("radius_m = -1", "radius_m is -1, expected a number above 0"),
        ("draws = 1", "draws is 1, expected a whole number from 2 to 1000000"),
        ("draws = 0", "draws is 0, expected a whole number from 2"),
        ("seed = 0.5", "seed is 0.5, expected a whole number from 0"),
        ("degree = 0", "degree is 0, expected a whole number from 1"),
        ("oversampling = 1", "oversampling is 1, expected a number from 1.1 to 100"),
        ("tail_db = 3", "tail_db is 3, expected a level from -240 to -20"),
        ("confidence = 1", "confidence is 1, expected a number from 0.5 to 0.9999"),
        ("dravs = 3", r"key is 'dravs' \(did you mean 'draws'\?\), expected one of antenna, scan"),
        # Metrics.
        ("metrics = []", "metrics is .*, expected a list of one or more of directivity"),
        ('metrics = ["erp"]', r"metric is 'erp' \(did you mean 'eirp'\?\), expected one of"),
        ('metrics = ["gain"]', "metrics holds 'gain', which is EIRP to an error: leave it out"),
        ('metrics = ["eirp", "eirp"]', "metrics holds 'eirp', which occurs twice"),
        ('metrics = ["pattern"]', "figure.pattern: key 'theta_deg' is missing"),
        # What is varied.
        ("VARY", "key 'vary' is missing, expected a table"),
        ("VARY[vary]\nvalues = [1]", "vary, key 'of' is missing, expected one of size, frequency_g"),
        ('VARY[vary]\nof = "sizes"\nvalues = [1]', r"vary: of is 'sizes' \(did you mean 'size'\?\)"),
        ('VARY[vary]\nof = "size"', "vary: expected either values, or start, stop and count"),
        ('VARY[vary]\nof = "size"\nstart = 1\nstop = 2', "vary: expected either values, or start"),
        ('VARY[vary]\nof = "size"\nvalues = [1]\ncount = 3', "vary: expected either values, or"),
        (
            'VARY[vary]\nof = "size"\nvalues = [2, 1]',
            "vary: values are 2, 1, expected numbers above 0 in increasing order",
        ),
        ('VARY[vary]\nof = "size"\nvalues = [0, 1]', "vary: values are 0, 1, expected numbers above"),
        ('VARY[vary]\nof = "size"\nvalues = [-1, 1]', "vary: values are -1, 1, expected numbers"),
        (
            'VARY[vary]\nof = "size"\nstart = 3\nstop = 1\ncount = 9',
            "vary: values are 3, .*, ..., expected numbers above 0 in increasing order",
        ),
        (
            'VARY[vary]\nof = "size"\nstart = 0\nstop = 1\ncount = 9',
            "vary, start is 0, expected a number above 0",
        ),
        ('VARY[vary]\nof = "size"\nvalues = []', "vary, values is .*, expected a list of 1 to 1000"),
        ('VARY[vary]\nof = "size"\nvalues = ["a"]', r"vary, values\[1\] is 'a', expected a list"),
        (
            'VARY[vary]\nof = "size"\nstart = 1\nstop = 2\ncount = 1',
            f"vary, count is 1, expected a whole number from 2 to {MAX_VALUES}",
        ),
        ('VARY[vary]\nof = "size"\nspacing = "log"', "vary, spacing is 'log', expected 'logarithmic'"),
        ('VARY[vary]\nof = "degree"\nvalues = [2, 2.5]', "vary: values holds 2.5, expected whole numbers"),
        ('VARY[vary]\nof = "radius_m"\nvalues = [2, 3]', "radius_m is both given and varied: leave it"),
        ('VARY[vary]\nof = "phase-groups"', r"vary: of is 'phase-groups', and there is no \[\[set\]\]: name"),
        (
            f'VARY[vary]\nof = "phase-groups"\n{SET}',
            r"has radius_m, but each \[\[set\]\] has its own radii_m",
        ),
        (f'VARY[vary]\nof = "phase-groups"\nvalues = [1]\n{SET}', r"vary: has values, but the tables"),
        (f'VARY[vary]\nof = "size"\nvalues = [1]\n{SET}', "has set, noise_db or starts, which are of sets"),
        (
            f'VARY[vary]\nof = "phase-groups"\n{SET.replace("cuts", "cut")}',
            "set, coherent is 'cut'|.*set.*coherent is 'cut'",
        ),
        # Errors.
        ("ERROR", r"vary: of is 'size', and there is no \[\[error\]\]"),
        (
            'ERROR[[error]]\nkind = "phase-nois"\nrms_deg = 1',
            r"error 1 \('phase-nois'\): error term "
            r"is 'phase-nois': did you mean 'phase-noise', .* nf2ff uncertainty --template names all 32$",
        ),
        (
            'ERROR[[error]]\nkind = "phase-noise"\nrms_deg = -1',
            r"error 1 \('phase-noise'\): .* "
            r"expected a number >= 0.*\(given: rms_deg = -1\)$",
        ),
        ('ERROR[[error]]\nkind = "phase-noise"\nrms_deg = 1\nname = "a"', ".*phase-noise has no 'name'"),
        (
            "[figure.eirp]\ntheta_deg = 3\nphi_deg = 3",
            r"\[figure.eirp\] is there, but metrics are directivity: add it to them, or leave the",
        ),
        ("[figure.directivity]\ndrop_db = 3", "figure.directivity: has drop_db, but directivity takes"),
    ],
)
def test_one_line_names_place_key_and_value(refused, tmp_path, text, says):
    (tmp_path / "link").symlink_to("/", target_is_directory=True)
    vary, noise = VARY, NOISE
    if text.startswith("VARY"):
        vary, text = "", text.removeprefix("VARY")
    if text.startswith("ERROR"):
        noise, text = "", text.removeprefix("ERROR")
    head = HEAD
    if not text.startswith("["):
        key = text.partition(" =")[0]
        head = re.sub(rf"^{key} = .*\n", "", HEAD, flags=re.MULTILINE)
        text, vary = "", f"{text}\n{vary}"
    line = refused(f"{vary}\n{noise}\n{text}", head)
    assert re.match(says, line), line


def test_sampling_alone_needs_no_error(read, refused):
    found = read('positions = "grid"\nsamples = 200\n[vary]\nof = "degree"\nvalues = [4, 9]\n')
    assert (found.positions, found.samples, found.errors, found.draws) == ("grid", 200, (), 2)
    assert refused(VARY) == "vary: of is 'size', and there is no [[error]]: name one, or vary something else"
    of = '[vary]\nof = "samples"\nvalues = [40]\n'
    line = refused(of, HEAD + "oversampling = 2\n")
    assert line == "has samples and oversampling, which say the same: leave one of them out"
    line = refused('positions = "grid"\noversampling = 2\n[vary]\nof = "degree"\nvalues = [4]\n')
    assert line == "has oversampling, which is for positions spiral, not grid: use samples"
    assert "expected 'spiral', 'constant-rate' or 'grid'" in refused('positions = "disc"\n' + of)
    scan = 'scan = "a.h5"\nmetrics = ["eirp"]\n'
    assert refused(VARY, scan).startswith("has no [[error]], but sampling alone is judged of an antenna")


@pytest.mark.parametrize("key", ["frequency_ghz", "radius_m"])
def test_an_antenna_is_somewhere(refused, key):
    line = refused(VARY + NOISE, re.sub(rf"{key} = .*\n", "", HEAD))
    assert line == f"key '{key}' is missing: a scan of the antenna is simulated there"


def test_antenna_or_scan(refused):
    head = HEAD.replace('antenna = "a.toml"\n', "")
    assert refused(VARY + NOISE, head) == "has none of antenna and scan: name one of them"
    head = 'scan = "a.h5"\nmetrics = ["eirp"]\n'
    for key in ("frequency_ghz", "radius_m", "oversampling"):
        line = refused(VARY + NOISE, f"{head}{key} = 2\n")
        assert line == f"has {key}, but a scan that was measured has its own: leave it out"
    assert refused('[vary]\nof = "radius_m"\nvalues = [1]\n' + NOISE, head) == (
        "vary: of is 'radius_m', but of a measured scan only the size can vary"
    )
