"""Studies in native files and as tables: there and back, in units, refused where damaged."""

import json
import math
import re
import shutil
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray

from nf2ff.io import native, safe
from nf2ff.io.growth import read_growth, write_growth
from nf2ff.metrics.planes import Plane
from nf2ff.report.growth import figure_label, growth_dict, growth_facts, growth_lines
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.growth import PARAMETER_UNITS, Growth, Shown, shown_for

FIGURES = (
    Figure("eirp"),
    Figure("beamwidth", plane=math.radians(45), drop_db=10.0),
    Figure("directivity-towards", theta=math.radians(30), phi=math.radians(-20)),
    Figure("pointing-theta"),
)
SHOWN = Shown("phase-noise, rms [deg]", 3.0)


def made(parameter="size", curves=2):
    """Numbers that all differ, the value of one error not found."""
    values = np.array([0.5, 1.0, 4.0])
    count = [3, curves, len(FIGURES)]
    numbers = iter(np.arange(1.0, 500.0) / 7)

    def some(*shape):
        return np.array([next(numbers) for _ in range(math.prod(shape))]).reshape(shape)

    mean = some(*count)
    mean[2, 0, 1] = np.nan
    more = {}
    if parameter == "phase-groups":
        predicted = some(3, curves)
        predicted[1] = np.nan
        more = {"names": ("powers", "cuts", "ports"), "remarks": ("", "refused: few", "1 start")}
        more |= {"certified": some(3, curves) / 1e3, "predicted_db": predicted}
    return Growth(
        parameter=parameter,
        values=values,
        figures=FIGURES,
        frequency=1e9 * some(3, curves),
        degree=np.array([4, 5, 6]),
        samples=np.array([90, 91, 92]),
        draws=np.array([20, 20, 7]),
        reference=some(*count),
        mean=mean,
        spread=some(*count),
        low=some(*count),
        high=some(*count),
        level_db=some(3, curves),
        level_low_db=some(3, curves),
        level_high_db=some(3, curves),
        confidence=0.9,
        **more,
    )


@pytest.mark.parametrize("plane", [-0.3, "E", "phi=45", Plane(0.1, 0.2), Plane(0.1, 0.2, "E plane")])
def test_planes_come_back(tmp_path, plane):
    one = made()
    figures = (replace(FIGURES[1], plane=plane), *FIGURES[1:])
    write_growth(tmp_path / "a.h5", replace(one, figures=figures))
    assert read_growth(tmp_path / "a.h5")[0].figures[0].plane == plane


def assert_same(one, two):
    for field in Growth.__dataclass_fields__:
        a, b = getattr(one, field), getattr(two, field)
        if field == "figures":
            assert a == b
        elif isinstance(a, np.ndarray):
            np.testing.assert_array_equal(a, b)
            assert a.dtype == b.dtype
        else:
            assert a == b, field


@pytest.fixture(scope="module")
def original(tmp_path_factory):
    path = tmp_path_factory.mktemp("study") / "original.h5"
    write_growth(path, made(), shown=SHOWN, provenance=safe.provenance(seed=3))
    return path


@pytest.fixture
def written(original, tmp_path):
    """The file, for one test alone."""
    return Path(shutil.copy(original, tmp_path / "study.h5"))


@pytest.mark.parametrize("parameter", PARAMETER_UNITS)
def test_there_and_back(tmp_path, parameter):
    growth = made(parameter)
    path = tmp_path / "study.h5"
    write_growth(path, growth)
    back, shown = read_growth(path)
    assert_same(growth, back)
    assert shown.label == shown_for(parameter).label


def test_how_values_are_shown_is_kept(written):
    shown = read_growth(written)[1]
    assert (shown.label, shown.factor, shown.level) == (SHOWN.label, 3.0, False)
    assert native.read_provenance(written)["rng_seed"] == "3"
    before = written.read_bytes()
    with pytest.raises(ValueError, match="exists: choose another name"):
        write_growth(written, made())
    assert written.read_bytes() == before
    write_growth(written, made(), shown=Shown("leak [dB]", 0.1, level=True), overwrite=True)
    assert read_growth(written)[1].level


def test_others_read_it(tmp_path):
    growth = made("radius")
    write_growth(tmp_path / "a.h5", growth)
    with xarray.open_dataset(tmp_path / "a.h5", group="study", engine="h5netcdf") as data:
        assert data.level_db.dims == ("value", "curve")
        assert data.value.attrs["units"] == "m"
        np.testing.assert_array_equal(data.level_low_db, growth.level_low_db)
    for k, (unit, own) in enumerate((("dB", "W"), ("rad", "rad"), ("dB", "1"), ("rad", "rad"))):
        group = f"errors/{k + 1}"
        with xarray.open_dataset(tmp_path / "a.h5", group=group, engine="h5netcdf") as data:
            assert data["mean"].attrs["units"] == unit
            assert data.reference.attrs["units"] == own
            np.testing.assert_array_equal(data.high, growth.high[..., k])
            assert data.attrs["figure"] == FIGURES[k].name


@pytest.mark.parametrize(
    ("damage", "says"),
    [
        (lambda f: f.pop("study"), "has no group /study"),
        (lambda f: f.pop("errors/2"), "has no group /errors/2"),
        (lambda f: f["study"].attrs.update(parameter=np.bytes_(b"mood")), "parameter is 'mood', expected"),
        (
            lambda f: f["study"].attrs.update(figures=np.bytes_(b"many")),
            "figures is 'many', expected a whole",
        ),
        (
            lambda f: f["study"].attrs.update(confidence=np.bytes_(b"high")),
            "confidence is 'high', expected a",
        ),
        (
            lambda f: f["study"].attrs.update(shown_as_level=np.bytes_(b"?")),
            "shown_as_level is '?', expected",
        ),
        (lambda f: f["study"].attrs.pop("label"), "/study has no attribute label: write it again"),
        (lambda f: f["errors/1"].attrs.update(figure=np.bytes_(b"erp")), "figure is 'erp', expected one of"),
        (lambda f: f["errors/1/mean"].attrs.update(units=np.bytes_(b"rad")), "has units 'rad', expected dB"),
        (lambda f: f["study/value"].attrs.update(units=np.bytes_(b"m")), "has units 'm', expected 1"),
    ],
)
def test_damage_is_seen(written, damage, says):
    path = written
    with h5py.File(path, "r+") as file:
        damage(file)
    with pytest.raises(ValueError, match=re.escape(says)) as caught:
        read_growth(path)
    assert re.match(rf"{re.escape(str(path))}: [^\n]+\Z", str(caught.value))


def test_values_as_they_are_shown():
    np.testing.assert_allclose(SHOWN.values([1, 2]), [3, 6], rtol=1e-15)
    # 20 log10 of 0.01 and 0.1 (closed form).
    leak = Shown("leak [dB]", 0.01, level=True)
    np.testing.assert_allclose(leak.values([1, 10]), [-40, -20], rtol=1e-15)
    np.testing.assert_allclose(shown_for("frequency").values([28e9]), [28], rtol=1e-15)


def test_figures_are_told_apart():
    assert [figure_label(x) for x in FIGURES] == [
        "peak EIRP",
        "10 dB beamwidth in the cut 45 deg",
        "directivity at theta 30, phi -20 deg",
        "pointing along theta",
    ]
    others = ("directivity", "trp", "sidelobe-level", "pointing-phi", "eirp-towards", "beamwidth")
    assert [figure_label(Figure(x)) for x in others] == [
        "peak directivity",
        "TRP",
        "sidelobe level in the cut 0 deg",
        "pointing along phi",
        "EIRP at theta 0, phi 0 deg",
        "3.01 dB beamwidth in the cut 0 deg",
    ]


def test_the_table_is_in_db_and_deg():
    growth = made()
    lines = growth_lines(growth, SHOWN)
    assert len([x for x in lines if not x]) == 2  # one after each frequency
    head = re.split(r"\s{2,}", lines[0].strip())
    assert head == [
        "phase-noise, rms [deg]",
        "GHz",
        "degree",
        "samples",
        "draws",
        "pattern error level [dB]",
        "peak EIRP [dB]",
        "10 dB beamwidth in the cut 45 deg [deg]",
        "directivity at theta 30, phi -20 deg [dB]",
        "pointing along theta [deg]",
    ]
    first = re.split(r"\s{2,}", lines[1].strip())
    assert first[:5] == ["1.5", f"{growth.frequency[0, 0] / 1e9:.6g}", "4", "90", "20"]
    level = (x[0, 0] for x in (growth.level_db, growth.level_low_db, growth.level_high_db))
    assert first[5] == "{:.1f} ({:.1f} to {:.1f})".format(*level)
    for k, factor in enumerate((1, 180 / math.pi, 1, 180 / math.pi)):
        numbers = (factor * x[0, 0, k] for x in (growth.mean, growth.low, growth.high))
        assert first[6 + k] == "{:.3g} ({:.3g} to {:.3g})".format(*numbers)
    assert re.split(r"\s{2,}", lines[3].strip())[7] == "not found"
    second = re.split(r"\s{2,}", lines[6].strip())
    assert second[:2] == ["1.5", f"{growth.frequency[0, 1] / 1e9:.6g}"]
    numbers = (x[0, 1, 0] for x in (growth.mean, growth.low, growth.high))
    assert second[6] == "{:.3g} ({:.3g} to {:.3g})".format(*numbers)
    assert lines[-1].endswith("the interval that holds 90 % of them")


def test_the_object_holds_all_numbers():
    growth = made()
    found = growth_dict(growth, SHOWN)
    json.dumps(found, allow_nan=False)
    assert (found["parameter"], found["unit"], found["shown_as"]) == ("size", "1", SHOWN.label)
    assert found["confidence"] == 0.9
    assert len(found["points"]) == 6
    point = found["points"][3]  # the second value at the second frequency
    assert (point["value"], point["shown_value"]) == (1.0, 3.0)
    assert (point["degree"], point["samples"], point["draws"]) == (5, 91, 20)
    assert point["frequency_hz"] == growth.frequency[1, 1]
    assert point["error_level_low_db"] == growth.level_low_db[1, 1]
    eirp, width = point["errors"][:2]
    assert (eirp["figure"], eirp["high_db"]) == ("eirp", growth.high[1, 1, 0])
    assert width["spread_deg"] == pytest.approx(math.degrees(growth.spread[1, 1, 1]), rel=1e-15)
    assert found["points"][4]["errors"][1]["mean_deg"] is None


def test_facts_in_a_few_words():
    growth = made()
    facts = growth_facts(growth, SHOWN)
    assert facts["varied"] == "phase-noise, rms [deg]"
    assert facts["values"] == [1.5, 3.0, 12.0]
    assert facts["draws"] == [20, 20, 7]
    assert facts["figures"][0] == "peak EIRP"
    assert facts["error_level_db"] == growth.level_db[:, 0].tolist()
