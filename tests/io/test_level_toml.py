"""Descriptions of what sets the level: what they give, and one clear line where they are wrong."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from commands import succeed

from nf2ff.antenna.closed_form import radiated_power_of
from nf2ff.antenna.dipoles import huygens_source
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.io import level_toml
from nf2ff.io.level_toml import COLUMNS, read_gain_transfer, read_level
from nf2ff.io.tables import write_table
from nf2ff.measurement.level_steps import KINDS
from nf2ff.measurement.simulated import simulate_grid

#: See measurement/test_level_chain.py: factors are exponentials of arguments up to 12.
FACTOR_RTOL = 100 * 2.0**-52

RECEIVER = '[[step]]\nkind = "receiver"\nname = "receiver"\nvalue_db = 0\n'
CABLE = "frequency_hz,loss_db\n29.5e9,3.5\n26.5e9,2.9\n28e9,3.2\n"


@pytest.fixture
def put(tmp_path):
    """Return a function that writes files, the last one named, and returns its path."""

    def write(**files):
        for name, text in files.items():
            path = tmp_path / name.replace("__", "/").replace("_", ".")
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        return path

    return write


def step(kind="loss", name="cable", **keys):
    """One [[step]] as text."""
    lines = [f'kind = "{kind}"', f'name = "{name}"', *(f"{k} = {v}" for k, v in keys.items())]
    return "\n".join(["[[step]]", *lines]) + "\n"


# --- what is read --------------------------------------------------------------------------------


def test_a_chain_of_all_kinds(put, tmp_path):
    path = put(
        cable_csv=CABLE,
        tables__amplifier_csv="# measured cold\ngain_db,frequency_hz\n30,26e9\n31,27e9\n31,28e9\n30,30e9\n",
        receiver_csv="frequency_hz,factor_db,phase_deg\n26e9,-40,170\n28e9,-41,-170\n30e9,-42,-150\n",
        junction_csv="frequency_hz,probe_real,probe_imag,receiver_real,receiver_imag\n"
        "26e9,0.1,0,0,0.2\n30e9,0.3,0.1,0,0.2\n",
        level_toml=step(table='"cable.csv"')
        + step("attenuator", "pad", value_db=10)
        + step(
            "amplifier", "amplifier", table='"tables/amplifier.csv"', interpolation='"smooth"', port="[1, 2]"
        )
        + step("mismatch", "near", probe_reflection="[0.1, -0.2]", receiver_reflection="[0, 0.3]")
        + step("mismatch", "far", table='"junction.csv"', port=2)
        + step("channel", "channel 2", value_db=0.5, phase_deg=5.0, port=2)
        + step("receiver", "a", table='"receiver.csv"', port=1)
        + step("receiver-power", "b", value_dbm=-30.0, port=2)
        + step("transmission", "c", value_dbm=10, port=3),
    )
    chain, files = read_level(path)
    assert [s.name for s in chain.steps] == [
        "cable",
        "pad",
        "amplifier",
        "near",
        "far",
        "channel 2",
        "a",
        "b",
        "c",
    ]
    assert chain.ends_in == "sqrt(W)"
    assert chain.steps[0].value_db.interpolation == "linear"
    assert chain.steps[2].value_db.interpolation == "smooth"
    names = ["level.toml", "cable.csv", "tables/amplifier.csv", "junction.csv", "receiver.csv"]
    assert files == tuple(tmp_path / name for name in names)
    # At 27 GHz, by the definitions: 1/3 of the way for the cable, a point of the amplifier, half of
    # the way for the receiver, whose phase passes 180 deg, a quarter for the junction: of two
    # values whose turn is a delay, magnitude and phase.
    common = 10 ** ((3.0 + 10) / 20) * (1 - (0.1 - 0.2j) * 0.3j)
    end = 0.3 + 0.1j
    reflection = (0.75 * 0.1 + 0.25 * abs(end)) * np.exp(0.25j * np.angle(end))
    amplified = 10 ** (-31 / 20)
    expected = np.array(
        [
            amplified * 10 ** (-40.5 / 20) * np.exp(1j * np.pi),
            amplified
            * (1 - reflection * 0.2j)
            * 10 ** (-0.5 / 20)
            * np.exp(-1j * np.radians(5))
            * np.sqrt(2e-6),
            np.sqrt(2e-2),
        ]
    )
    got = chain.factor([27e9], [1, 2, 3])[0]
    np.testing.assert_allclose(got, common * expected, rtol=FACTOR_RTOL)


@pytest.mark.parametrize(
    ("kind", "column"),
    [
        ("loss", "loss_db"),
        ("attenuator", "loss_db"),
        ("amplifier", "gain_db"),
        ("channel", "amplitude_db"),
        ("receiver", "factor_db"),
        ("receiver-power", "power_dbm"),
        ("transmission", "power_dbm"),
        ("antenna-factor", "antenna_factor_db_per_m"),
    ],
)
def test_columns(put, kind, column):
    text = step(kind, "x", table='"x.csv"') + ("" if KINDS[kind].ties else RECEIVER)
    chain, _ = read_level(put(x_csv=f"frequency_hz,{column}\n2e9,5\n1e9,3\n", level_toml=text))
    np.testing.assert_array_equal(chain.steps[0].value_db.values, [3, 5])
    assert set(KINDS) == set(COLUMNS)


def test_an_antenna_factor(put):
    text = RECEIVER + step("antenna-factor", "probe", value_db_per_m=40.0)
    chain, _ = read_level(put(level_toml=text))
    assert chain.ends_in == "V/m"
    # A wave of 1 is sqrt(50) V at 50 ohm, 100/m times that in the field.
    np.testing.assert_allclose(chain.factor([1e9], [1]), [[100 * 50**0.5]], rtol=FACTOR_RTOL)


def test_a_file_may_begin_with_a_byte_order_mark(put):
    chain, _ = read_level(put(level_toml="\ufeff" + RECEIVER))
    assert chain.steps[0].name == "receiver"


def test_start_from_absolute_readings(put):
    chain, _ = read_level(put(level_toml='starts_from = "V/m"\n' + step(value_db=2)))
    assert chain.starts_from == chain.ends_in == "V/m"


def test_one_table_of_two_steps_is_one_file(put):
    text = step(table='"cable.csv"') + step(name="same cable", table='"cable.csv"') + RECEIVER
    assert len(read_level(put(cable_csv=CABLE, level_toml=text))[1]) == 2


def test_a_reference_antenna(put, tmp_path):
    path = put(
        horn_csv="frequency_hz,gain_dbi,reflection_real,reflection_imag\n9e9,15,0.1,0\n10e9,16,0.2,0.1\n",
        way_csv="frequency_hz,loss_db\n8e9,1\n10e9,2\n",
        gain_toml='name = "horn"\ntable = "horn.csv"\ntheta_deg = 90\nphi_deg = -45\n'
        'reference_loss_table = "way.csv"\ndevice_loss_db = -3\ninterpolation = "linear"\n',
    )
    transfer, files = read_gain_transfer(path)
    assert files == (path, tmp_path / "horn.csv", tmp_path / "way.csv")
    assert transfer.name == "horn"
    np.testing.assert_allclose(transfer.direction, [np.pi / 2, -np.pi / 4])
    at = {"frequency": [9.5e9], "name": "x"}
    np.testing.assert_allclose(transfer.gain_dbi.at(**at), 15.5)
    # The magnitude in the middle of 0.1 and |0.2 + 0.1j|, whatever the phase: 1 - |Gamma|^2.
    between = (0.1 + 0.05**0.5) / 2
    np.testing.assert_allclose(transfer.mismatch_factor([9.5e9]), 1 - between**2)
    np.testing.assert_allclose(transfer.reference_loss_db.at(**at), 1.75)
    np.testing.assert_allclose(transfer.device_loss_db.at(**at), -3)


def test_a_reference_antenna_by_numbers(put):
    path = put(
        gain_toml='name = "horn"\ngain_dbi = 15\nreflection = [0.1, -0.2]\ndevice_loss_table = "w.csv"',
        w_csv="frequency_hz,loss_db\n8e9,1\n9e9,1\n10e9,2\n",
    ).with_name("gain.toml")
    transfer, _ = read_gain_transfer(path)
    at = {"frequency": [9.5e9], "name": "x"}
    assert transfer.direction is None
    np.testing.assert_allclose(transfer.gain_dbi.at(**at), 15)
    np.testing.assert_allclose(transfer.reflection.at(**at), 0.1 - 0.2j)
    np.testing.assert_allclose(transfer.reference_loss_db.at(**at), 0)
    np.testing.assert_allclose(transfer.device_loss_db.at(**at), 1.5)
    gain_only, _ = read_gain_transfer(
        put(g_csv="frequency_hz,gain_dbi\n9e9,15\n", gain_toml='name = "horn"\ntable = "g.csv"')
    )
    # Nothing is said of reflections, at no frequency: it is the gain that ends.
    np.testing.assert_array_equal(gain_only.reflection.values, [0])
    assert gain_only.reflection.frequency is None
    with pytest.raises(ValueError, match="gain_dbi of 'horn' is not known at 9"):
        gain_only.sentences([9.5e9])


def test_the_examples_of_the_documentation(put):
    chain, field, transfer = re.findall(r"::\n\n((?:    .*\n|\n)+)", level_toml.__doc__)
    assert read_level(put(cable_csv=CABLE, level_toml=chain + field))[0].ends_in == "V/m"
    read, files = read_level(put(cable_csv=CABLE, level_toml=chain))
    assert len(files) == 2
    assert read.sentences([28e9], ports=[1])[1].startswith("cable: loss 3.2 dB at 28 GHz (table, 3")
    # The cable is that of port 1: 3.2 dB there, nothing elsewhere.
    factor = read.factor([28e9], [1, 2])[0]
    np.testing.assert_allclose(factor, np.sqrt(2e-6) * np.array([10**0.16, 1]), rtol=FACTOR_RTOL)
    known, _ = read_gain_transfer(put(gain_toml=transfer))
    assert known.direction == (0, 0)
    np.testing.assert_array_equal(known.gain_dbi.values, [15.2])


# --- from readings to EIRP by command -------------------------------------------------------------


def test_eirp_by_command_with_no_more_of_the_probe_than_its_antenna_factor(put, tmp_path):
    """Readings of a known transmitter, a cable's table, a certificate of antenna factors."""
    frequency, power = np.array([2.4e9, 2.45e9]), 0.1
    source = huygens_source(direction=[0, 0.3, 1], polarisation=[1, 0, 0], position=[0, 5e-3, 2e-2])
    grid = equiangular_grid(theta_count=13, phi_count=24)
    scan = simulate_grid(source, frequency=frequency, grid=grid, radius=0.2)
    scale = np.sqrt(power / radiated_power_of(source, frequency=frequency))
    # By the definitions: AF = E/V, V at 50 ohm; the cable; a receiver that shows 1 at -20 dBm.
    factor_db = 20 * np.log10(frequency / 1e6) - 36.0
    loss_db = 2.0 * frequency / 2.4e9
    volts = scan.response * (scale * 10 ** (-factor_db / 20))[:, None]
    reading = volts / np.sqrt(50) * 10 ** (-loss_db / 20)[:, None] / np.sqrt(2e-5)
    write_table(tmp_path / "scan.csv", replace(scan, response=reading, response_unit="relative"))

    def table(column, values):
        rows = (f"{f!r},{x!r}\n" for f, x in zip(frequency.tolist(), values.tolist(), strict=True))
        return f"frequency_hz,{column}\n" + "".join(rows)

    path = put(
        cable_csv=table("loss_db", loss_db),
        factor_csv=table("antenna_factor_db_per_m", factor_db),
        level_toml=step(table='"cable.csv"')
        + step("antenna-factor", "biconical", table='"factor.csv"')
        + step("receiver-power", "receiver", value_dbm=-20.0),
    )
    words = ("transform", tmp_path / "scan.csv", "--level", path, "--input-power-w", 0.2, "--json")
    out = json.loads(succeed(*words, "-o", tmp_path / "result.h5"))["frequencies"]
    for fact in out:
        # A Huygens source has directivity 3 (closed form); as far as waves above the degree and
        # rounding let it, see measurement/test_level_chain.py.
        assert fact["peak"]["eirp_dbm"] == pytest.approx(10 * np.log10(3 * power / 1e-3), abs=1e-8)
        assert fact["radiated_power_w"] == pytest.approx(power, rel=1e-9)
        assert fact["peak"]["realised_gain_dbi"] == pytest.approx(10 * np.log10(1.5), abs=1e-8)
    level = succeed("inspect", tmp_path / "result.h5")
    assert "relative readings become V/m at the probe's place" in level
    assert "biconical: antenna factor 31.6042 to 31.7833 dB(1/m) at 2.4 to 2.45 GHz" in level


# --- what is refused -----------------------------------------------------------------------------


def refused(reader, path, message):
    """Assert one line that starts with the file and matches."""
    with pytest.raises(ValueError, match=message) as caught:
        reader(path)
    text = str(caught.value)
    assert "\n" not in text
    assert len(text) < 400
    assert str(path.parent) in text


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", r"has \[\], expected tables \[\[step\]\]"),
        ("step = 3", r"has \['step'\], expected tables \[\[step\]\]"),
        ("step = []", r"expected tables \[\[step\]\]"),
        ("step = [1]", r"expected tables \[\[step\]\]"),
        ("[step", r"level.toml: is not TOML \(Expected .*\): correct it there"),
        ("a = " + "[" * 5000, r"is not TOML \(.*recursion.*\): correct it there"),
        ("a = " + "1" * 5000, r"is not TOML \(Exceeds the limit .* digits.*\): correct it there"),
        (RECEIVER + "[chain]\nx = 1", "key 'chain' is unknown: expected step, starts_from"),
        ("start_from = 'V/m'\n" + RECEIVER, r"key 'start_from' is unknown \(is it starts_from\?\)"),
        ("starts_from = 'sqrtW'\n" + RECEIVER, r"starts_from: is 'sqrtW', expected 'sqrt\(W\)'\?"),
        ("starts_from = 1\n" + RECEIVER, "key starts_from: is 1, expected one of V/m, sqrt"),
        (
            "".join(step(name=f"cable {i}", value_db=1) for i in range(101)),
            "has 101 steps, expected at most 100: join some",
        ),
        ('[[step]]\nname = "x"', "step 1, key kind is missing: add it"),
        ('[[step]]\nkind = "loss"', "step 1, key name is missing: add it"),
        (step("los", value_db=1), "step 1, key kind: is 'los', expected 'loss'\\? or one of loss, a"),
        (step("amplifer", value_db=1), "is 'amplifer', expected 'amplifier'\\? or one of"),
        (step("transmision", value_db=1), "expected 'transmission'\\? or one of"),
        (step("cable", value_db=1), "key kind: is 'cable', expected 'loss'\\? or one of"),
        (step("LNA", value_db=1), "key kind: is 'LNA', expected 'amplifier'\\? or one of"),
        (
            step("probe-gain", value_db=1),
            "is 'probe-gain', expected no step for the gain of the probe, which is part of its "
            "pattern: one of loss, att",
        ),
        (step(loss_db=3), r"'cable', key 'loss_db' is unknown \(is it value_db\?\): expected kind"),
        (step("zzz", value_db=1), "key kind: is 'zzz', expected one of loss, attenuator, amplifier, "),
        ("[[step]]\nkind = ['loss']\nname = 'x'", r"key kind: is \['loss'\], expected .*one of loss"),
        (step(name=" ", value_db=1), "step 1, key name: is ' ', expected a text of 1 to 80"),
        ("[[step]]\nkind = 'loss'\nname = 3", "key name: is 3, expected a text of 1 to 80 print"),
        (step(name="x" * 81, value_db=1), r"key name: is 'x+\.\.\., expected a text of 1 to 80"),
        (step(value_dbm=1), r"'cable', key 'value_dbm' is unknown \(is it value_db\?\): expected kind"),
        (step(value_db=1, phase_deg=3), "step 1, 'cable', key 'phase_deg' is unknown: expected kind"),
        (step("receiver-power", value_db=1), r"'value_db' is unknown \(is it value_dbm\?\)"),
        (
            step("antenna-factor", value_db=1),
            r"'value_db' is unknown \(is it value_db_per_m\?\): expected kind",
        ),
        (
            step("antenna-factor", value_db_per_m=121),
            "key value_db_per_m: is 121, expected a number from -60 to 120",
        ),
        (
            step("antenna-factor", value_db_per_m=1, phase_deg=3),
            "step 1, 'cable', key 'phase_deg' is unknown",
        ),
        (step(), "step 1, 'cable', has neither of value_db and table: give one of them"),
        (step(value_db=1, table="'x'"), "step 1, 'cable', has both of value_db and table: give one"),
        (step(value_db=1, interpolation="'smooth'"), "key interpolation needs a table: give one, or"),
        (step(value_db=-1), "step 1, 'cable', key value_db: is -1, expected a number from 0 to 200"),
        (step(value_db=201), "key value_db: is 201, expected a number from 0 to 200"),
        (step("amplifier", value_db=151), "value_db: is 151, expected a number from -50 to 150"),
        (step("channel", value_db=-61), "value_db: is -61, expected a number from -60 to 60"),
        (step("receiver-power", value_dbm=151), "value_dbm: is 151, expected .* -300 to 150"),
        (step("transmission", value_dbm=101), "value_dbm: is 101, expected .* from -150 to 100"),
        (step("channel", value_db=1, phase_deg=361), "phase_deg: is 361, expected .* -360 to 360"),
        (step(value_db="nan"), "key value_db: is nan, expected a number from 0 to 200"),
        (step(value_db="true"), "key value_db: is True, expected a number from 0 to 200"),
        (step(value_db="'3'"), "key value_db: is '3', expected a number from 0 to 200"),
        (step(value_db="1" * 400), r"key value_db: is 1+\.\.\., expected a number from 0 to 200"),
        (step(value_db=1, port=0), "key port: is 0, expected a whole number from 1, or a list of"),
        (step(value_db=1, port=40000), "key port: is 40000, expected a whole number from 1"),
        (step(value_db=1, port="[]"), r"key port: is \[\], expected a whole number from 1"),
        (step(value_db=1, port="[2, 2]"), r"key port: is \[2, 2\], expected .* list of different"),
        (step(value_db=1, port="true"), "key port: is True, expected a whole number from 1"),
        (step(value_db=1, port="1.0"), "key port: is 1.0, expected a whole number from 1"),
        (step("mismatch"), "step 1, 'cable', key probe_reflection is missing: add it"),
        (step("mismatch", value_db=1), "key 'value_db' is unknown: expected kind, name"),
        (
            step("mismatch", probe_reflection="[0.1, 0]"),
            "step 1, 'cable', key receiver_reflection is missing: add it",
        ),
        (
            step("mismatch", probe_reflection="0.1", receiver_reflection="[0, 0]"),
            r"key probe_reflection: is 0.1, expected \[real, imaginary\] of a magnitude below 1, l",
        ),
        (
            step("mismatch", probe_reflection="[0, 0]", receiver_reflection="[0.8, 0.6]"),
            r"key receiver_reflection: is \[0.8, 0.6\], expected \[real, imaginary\]",
        ),
        (
            step("mismatch", probe_reflection="[0]", receiver_reflection="[0, 0]"),
            r"key probe_reflection: is \[0\], expected",
        ),
        (
            step("mismatch", probe_reflection="[0, '1']", receiver_reflection="[0, 0]"),
            r"key probe_reflection: is \[0, '1'\], expected",
        ),
        (
            step("mismatch", probe_reflection=f"[0, {'1' * 400}]", receiver_reflection="[0, 0]"),
            r"key probe_reflection: is \[0, 1+\.\.\., expected",
        ),
        (
            step("mismatch", table="'x.csv'", probe_reflection="[0, 0]"),
            "has table and key probe_reflection: put it into the table",
        ),
        (
            step("mismatch", probe_reflection="[0, 0]", interpolation="'smooth'"),
            "key interpolation needs a table",
        ),
        (step("channel", table="'x.csv'", phase_deg=3), "has table and key phase_deg: put it into the table"),
        # What the chain itself refuses.
        (step(value_db=1), "level.toml: no step ties relative readings to watts: add one of kind"),
        (RECEIVER + RECEIVER, "level.toml: two steps are named 'receiver': name each step once"),
        ('starts_from = "V/m"\n' + RECEIVER, "level.toml: 'receiver' ties readings to watts, and th"),
    ],
)
def test_bad_descriptions(put, text, message):
    refused(read_level, put(level_toml=text), message)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("frequency_hz,loss_db\n28e9,-1\n", "x.csv, line 2, column loss_db: is -1: expected 0 to 200"),
        ("frequency_hz,loss_db\n28e9,1\n0,1\n", "line 3, column frequency_hz: is 0: expected a pos"),
        ("frequency_hz,loss_db\n2e9,1\n1e9,1\n2e9,2\n", "line 4, column frequency_hz: .* each frequ"),
        (
            "frequency_hz,loss_db\n2e9,1\n1e9,1\n2000000000.1,2\n",
            "line 4, column frequency_hz: .* each frequ",
        ),
        ("frequency_hz,loss\n28e9,1\n", "line 1: column loss_db is missing"),
        ("frequency_hz,gain_db\n28e9,1\n", "line 1: column loss_db is missing"),
        ("frequency_hz,loss_db,phase_deg\n28e9,1,0\n", "column 'phase_deg' is unknown: remove it"),
        ("frequency_hz,loss_db\n28e9,\n", "line 2, column loss_db: is empty: expected a number"),
        ("frequency_hz,loss_db\n28e9,nan\n", "line 2, column loss_db: is 'nan': expected a finite number$"),
        ("frequency_hz,loss_db\n", "has no row below its header"),
        ("", "x.csv: is empty: expected a header line"),
    ],
)
def test_bad_tables(put, table, message):
    text = RECEIVER + step(table='"x.csv"')
    refused(read_level, put(x_csv=table, level_toml=text), message)


def test_bad_tables_of_mismatch_and_phase(put):
    header = "frequency_hz,probe_real,probe_imag,receiver_real,receiver_imag\n"
    text = RECEIVER + step("mismatch", "m", table='"x.csv"')
    path = put(x_csv=header + "28e9,0,1,0,0\n", level_toml=text)
    refused(read_level, path, "line 2, column probe_imag: is 1: expected above -1 and below 1")
    path = put(x_csv=header + "28e9,0.1,0,0.8,0.7\n", level_toml=text)
    refused(read_level, path, "step 2, 'm', reflection towards the receiver of 'm' has magnitude 1.06")
    text = step("receiver", "r", table='"x.csv"', interpolation='"cubic"')
    path = put(x_csv="frequency_hz,factor_db\n28e9,0\n", level_toml=text)
    refused(read_level, path, "key interpolation: is 'cubic', expected .*one of linear, smooth")


@pytest.mark.parametrize(
    "name", ["/etc/hosts", "../x.csv", "a/../../x.csv", r"..\\x.csv", r"C:\\x.csv", "C:x.csv", r"\\x.csv"]
)
def test_tables_elsewhere_are_refused(put, name):
    path = put(x_csv=CABLE, sub__level_toml=RECEIVER + step(table=f'"{name}"'))
    refused(read_level, path, "key table: is '.*', expected a file in its folder or below it")


@pytest.mark.parametrize("value", ['""', "3", "['x.csv']"])
def test_tables_without_a_name(put, value):
    path = put(level_toml=RECEIVER + step(table=value))
    refused(read_level, path, "step 2, 'cable', key table: is .*, expected the name of a CSV file")


def test_links_out_of_the_folder_are_refused(put, tmp_path):
    path = put(x_csv=CABLE, sub__level_toml=RECEIVER + step(table='"link.csv"'))
    link = tmp_path / "sub" / "link.csv"
    link.symlink_to(tmp_path / "x.csv")
    message = "key table: 'link.csv' is a link that leads elsewhere"
    refused(read_level, path, message)
    link.unlink()
    link.symlink_to(link)
    refused(read_level, path, "link.csv: is a symbolic link that leads to itself")
    # A link within the folder is what the user made of it.
    link.unlink()
    put(sub__y_csv=CABLE)
    link.symlink_to("y.csv")
    assert read_level(path)[1] == (path, link)


def test_files_that_are_missing_or_too_large(put, tmp_path, monkeypatch):
    refused(read_level, tmp_path / "none.toml", "none.toml: no such file: check its name and folder")
    path = put(x_csv=CABLE, level_toml=RECEIVER + step(table='"none.csv"'))
    refused(read_level, path, "none.csv: no such file: check its name")
    path = put(level_toml=RECEIVER + step(table='"x.csv"'))
    monkeypatch.setattr(level_toml, "MAX_TABLE", len(CABLE) - 1)
    refused(read_level, path, r"x.csv: \d+ bytes, the limit is \d+")
    monkeypatch.setattr(level_toml, "MAX_TOML", 50)
    refused(read_level, path, r"level.toml: \d+ bytes, the limit is 50")
    path.write_bytes(b"name = '\xff'")
    refused(read_level, path, r"level.toml: is not TOML \(.* invalid start byte\): correct it th")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "gain.toml: key name is missing: add it"),
        ("name = 'horn'", "gain.toml: has neither of gain_dbi and table: give one of them"),
        ("name = 'horn'\ngain_dbi = 91", "key gain_dbi: is 91, expected a number from -60 to 90"),
        ("name = 'horn'\ngain = 9", r"key 'gain' is unknown \(is it gain_dbi\?\)"),
        ("name = 'horn'\ngain_dbi = 9\ntable = 'x.csv'", "has both of gain_dbi and table"),
        ("name = 'horn'\ngain_dbi = 9\ntheta_deg = 3", "key phi_deg is missing: add it"),
        ("name = 'horn'\ngain_dbi = 9\nphi_deg = 3", "key theta_deg is missing: add it"),
        (
            "name = 'horn'\ngain_dbi = 9\nphi_deg = 3\ntheta_deg = 181",
            "key theta_deg: is 181, expected a number from 0 to 180",
        ),
        (
            "name = 'horn'\ngain_dbi = 9\nphi_deg = 361\ntheta_deg = 0",
            "key phi_deg: is 361, expected a number from -360 to 360",
        ),
        (
            "name = 'horn'\ngain_dbi = 9\ndevice_loss_db = 201",
            "key device_loss_db: is 201, expected a number from -200 to 200",
        ),
        (
            "name = 'horn'\ngain_dbi = 9\ndevice_loss_db = 1\ndevice_loss_table = 'x.csv'",
            "has both of device_loss_db and device_loss_table: give one of them",
        ),
        (
            "name = 'horn'\ngain_dbi = 9\nreference_loss_table = '/x.csv'",
            "key reference_loss_table: is '/x.csv', expected a file in its folder",
        ),
        ("name = 'horn'\ngain_dbi = 9\nreflection = [1, 0]", r"key reflection: is \[1, 0\], expect"),
        ("name = 'horn'\ngain_dbi = 9\ninterpolation = 'linear'", "interpolation needs a table"),
        (
            "name = 'horn'\ntable = 'x.csv'\nreflection = [0, 0]",
            "has table and key reflection: put it into the table",
        ),
        (
            "name = 'horn'\ntable = 'half.csv'",
            "half.csv: has one of reflection_real and reflection_imag: give both or none",
        ),
        (
            "name = 'horn'\ntable = 'full.csv'",
            "gain.toml: reflection of 'horn' has magnitude 1.13.*, expected below 1",
        ),
        ("name = 'horn'\ntable = 'cable.csv'", "line 1: column gain_dbi is missing"),
    ],
)
def test_bad_reference_antennas(put, text, message):
    path = put(
        half_csv="frequency_hz,gain_dbi,reflection_imag\n9e9,15,0\n",
        full_csv="frequency_hz,gain_dbi,reflection_real,reflection_imag\n9e9,15,0.8,0.8\n",
        cable_csv=CABLE,
        gain_toml=text,
    )
    refused(read_gain_transfer, path, message)
