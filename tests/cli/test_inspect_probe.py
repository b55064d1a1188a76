"""What `nf2ff inspect` says of a probe, against closed forms."""

import dataclasses
import json
import re

import numpy as np
import probe_oracle
import pytest
from cli_probe_cases import KNOWN, TAKEN, boresight, level_of
from commands import assert_refused, db, run, succeed, transformed

from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.antenna.modes import WAVE_IMPEDANCE, mode_numbers, wavenumber
from nf2ff.io import native, tables


def test_inspect_a_probe(room):
    about = json.loads(succeed("inspect", room["probe.h5"], "--json"))
    assert (about["holds"], about["ports"], about["response_unit"]) == ("probe", 2, "sqrt(W)")
    assert about["frequencies_ghz"] == (KNOWN / 1e9).tolist()
    assert about["minimum_radius_m"] is None
    for number, port in enumerate(room.ports, start=1):
        x, y = boresight(port, KNOWN).T
        gain = 4 * np.pi * (abs(x) ** 2 + abs(y) ** 2) / (2 * WAVE_IMPEDANCE)
        weak, strong = np.sort([abs(x), abs(y)], axis=0)
        # Major axis of the ellipse, and its ratio to the minor one, by the matrix of the two
        # quadratures: E(t) = Re(E) cos(wt) - Im(E) sin(wt).
        tilt, ratio = [], []
        for u, v in zip(x, y, strict=True):
            axes, size, _ = np.linalg.svd([[u.real, u.imag], [v.real, v.imag]])
            tilt.append(np.degrees(np.arctan(axes[1, 0] / axes[0, 0])))
            ratio.append(20 * np.log10(size[0] / size[1]))
        wanted = {
            "directivity_dbi": db(gain),  # lossless: at 1 W gain is directivity
            "gain_dbi": db(gain),
            "cross_polar_db": 20 * np.log10(weak / strong),
            "tilt_deg": tilt,
            "axial_ratio_db": ratio,
        }
        for name, values in wanted.items():
            # The weaker polarisation is a tenth of the other, the minor axis a thirtieth.
            np.testing.assert_allclose(
                about[f"port_{number}_{name}"], values, rtol=0, atol=1e-5, err_msg=name
            )


def test_inspect_tells_the_orders(room):
    about = json.loads(succeed("inspect", room["probe.h5"], "--json"))
    share = []
    for port in room.ports:
        q = np.array([probe_oracle.cluster_modes(port, k, 12) for k in wavenumber(KNOWN)])
        _, m, _ = mode_numbers(12)
        power = np.abs(q) ** 2
        share.append([power[:, abs(m) == mu].sum(axis=1) / power.sum(axis=1) for mu in range(13)])
    share = np.array(share)  # port, |mu|, frequency
    for number in (1, 2):
        # A coefficient is good to 1e-10 of the whole field, an order of -20 dB to 1e-9 of itself.
        others = db(1 - share[number - 1, 1])
        np.testing.assert_allclose(about[f"port_{number}_other_orders_db"], others, atol=1e-6)
    largest = db(share.max(axis=(0, 2)))
    levels = about["power_by_order_db"]
    top = len(levels) - 1
    assert about["azimuthal_orders"] == list(range(-top, top + 1))
    # Down to -120 dB, an amplitude of 1e-6 good to 1e-4 of itself.
    many = largest[: top + 1] > -120
    assert many.sum() >= 6
    np.testing.assert_allclose(np.array(levels)[many], largest[: top + 1][many], atol=1e-3)
    # What was dropped is below the digits of text.
    assert largest[top + 1] < -165


def test_inspect_in_words(room):
    lines = succeed("inspect", room["probe.h5"]).splitlines()
    text = dict(re.split(r" {2,}", line, maxsplit=1) for line in lines if line)
    assert (text["holds"], text["ports"]) == ("probe", "2")
    about = json.loads(succeed("inspect", room["probe.h5"], "--json"))
    for label, name in (
        ("port 1 gain [dBi]", "port_1_gain_dbi"),
        ("port 2 cross polar [dB]", "port_2_cross_polar_db"),
        ("power by order [dB]", "power_by_order_db"),
    ):
        found = [float(x) for x in re.split(r",? +", text[label])]
        np.testing.assert_allclose(found, about[name], rtol=0, atol=0.005001)  # two decimals
    # Sentences stand one below the other.
    at = next(i for i, line in enumerate(lines) if line.startswith("notes on the probe"))
    width = lines[at].index("level: that of 1 W into each port")
    assert lines[at + 1].startswith(" " * width + "port 1: expanded to degree")
    assert lines[at + 2].startswith(" " * width + "port 2: expanded to degree")


def test_inspect_a_relative_probe(room, tmp_path):
    run("import", room["pattern.csv"], "-o", tmp_path / "probe.h5", "--relative")
    about = json.loads(succeed("inspect", tmp_path / "probe.h5", "--json"))
    assert about["response_unit"] == "relative"
    assert "port_1_directivity_dbi" in about
    assert "port_1_gain_dbi" not in about
    assert about["notes_on_the_probe"][0] == "level: unknown, as asked"


@pytest.mark.slow
def test_relative_pattern_gets_its_level_from_a_stated_gain(room, tmp_path):
    # Receiver of unknown gain: the same patterns, in another unit.
    quiet = tables.read_pattern(room["pattern.csv"])
    scaled = dataclasses.replace(quiet, e_theta=0.03j * quiet.e_theta, e_phi=0.03j * quiet.e_phi)
    tables.write_pattern(tmp_path / "pattern.csv", scaled)
    # The certificate, in closed form: 4 pi U / P of port 1 along its axis, which is not its peak;
    # a third of the power is lost, and a tenth is reflected.
    x = room.ports[0]
    e = np.array(far_field_of(x, frequency=KNOWN, theta=[0.0], phi=[0.0]))[..., 0]
    intensity = (np.abs(e) ** 2).sum(axis=0) / (2 * WAVE_IMPEDANCE)
    directivity = 4 * np.pi * intensity / radiated_power_of(x, frequency=KNOWN)
    gain_dbi = 10 * np.log10(directivity * 2 / 3)
    rows = [f"{f:.17g},{g:.17g},{0.1**0.5:.17g},0" for f, g in zip(KNOWN, gain_dbi, strict=True)]
    head = "frequency_hz,gain_dbi,reflection_real,reflection_imag"
    (tmp_path / "gain.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    gain = tmp_path / "gain.toml"
    gain.write_text('name = "probe 7"\ntable = "gain.csv"\ntheta_deg = 0\nphi_deg = 0\n')
    words = ("import", tmp_path / "pattern.csv", "-o", tmp_path / "probe.h5", "--gain", gain)
    done = run(*words)
    assert done.code == 0
    assert done.err.startswith("level: by the gain stated of port 1, that of 1 W incident on it\n")
    assert "unknown" not in done.err
    about = json.loads(succeed("inspect", tmp_path / "probe.h5", "--json"))
    assert about["response_unit"] == "sqrt(W)"
    # What an antenna of no loss receives, times the wave that the lossy one delivers.
    factor = 2 / 3 * 0.9
    samples = native.read_samples(room["scan.h5"])
    scan = dataclasses.replace(samples, response=samples.response * np.sqrt(factor))
    native.write_samples(tmp_path / "scan.h5", scan)
    probe = ("--probe", tmp_path / "probe.h5")
    facts = transformed(tmp_path / "scan.h5", tmp_path / "result.h5", *probe, *TAKEN)
    for fact in facts:
        true = db(room.true_eirp(fact) / 1e-3)
        assert fact["peak"]["eirp_dbm"] == pytest.approx(true, abs=1e-6)
    # Neither power nor no level beside it, and no gain of a scan.
    for other in (("--relative",), ("--input-power-w", 1)):
        refused = run(*words, *other, "--overwrite")
        assert refused.code == 2
        assert "--gain gives the probe its level: leave --relative and" in refused.err
    assert_refused(
        tmp_path,
        "import",
        room["scan.h5"],
        "-o",
        tmp_path / "x.h5",
        "--gain",
        gain,
        says="scan.h5: holds samples: leave the options of a probe out",
    )
    assert_refused(
        tmp_path,
        "import",
        room["probe.h5"],
        "-o",
        tmp_path / "x.h5",
        "--gain",
        gain,
        says="gain.toml: the probe answers in sqrt.W., its level is known: leave the gain out",
    )


def test_a_finished_probe_gets_its_level_too(room, tmp_path):
    run("import", room["pattern.csv"], "-o", tmp_path / "relative.h5", "--relative")
    (tmp_path / "gain.toml").write_text('name = "probe 7"\ngain_dbi = 3.0\n')
    words = ("-o", tmp_path / "probe.h5", "--gain", tmp_path / "gain.toml")
    succeed("import", tmp_path / "relative.h5", *words)
    about = json.loads(succeed("inspect", tmp_path / "probe.h5", "--json"))
    assert about["response_unit"] == "sqrt(W)"
    notes = about["notes_on_the_probe"]
    assert notes[0] == "level: by the gain stated of port 1, that of 1 W incident on it"
    # What its file says of an unknown level holds no longer; the rest does.
    assert not any("unknown" in note for note in notes)
    assert sum("expanded to degree" in note for note in notes) == 2


@pytest.mark.slow
def test_steps_of_ports_without_samples_are_told(room, tmp_path):
    step = '[[step]]\nkind = "amplifier"\nname = "low noise"\nvalue_db = 20\nport = 7\n'
    (tmp_path / "level.toml").write_text('starts_from = "sqrt(W)"\n' + step, encoding="utf-8")
    words = (room["scan.h5"], "--level", tmp_path / "level.toml", "--probe", room["probe.h5"])
    done = run("transform", *words, "-o", tmp_path / "x.h5", *TAKEN)
    assert done.code == 0
    assert "level.toml: without effect, since no sample belongs to their ports: low noise" in done.err


def test_an_antenna_factor_and_a_probe_exclude_each_other(room, tmp_path):
    step = '[[step]]\nkind = "antenna-factor"\nname = "probe"\nvalue_db_per_m = 59.2\n'
    level = tmp_path / "level.toml"
    level.write_text('starts_from = "sqrt(W)"\n' + step, encoding="utf-8")
    words = (room["scan.h5"], "--level", level, "--probe", room["probe.h5"])
    assert_refused(
        tmp_path,
        "transform",
        *words,
        "-o",
        tmp_path / "x.h5",
        says="level.toml: has an antenna factor, which stands for the probe: leave it or --probe",
    )


@pytest.mark.slow
def test_inspect_a_result_of_known_gain(room, tmp_path):
    words = ("--probe", room["probe.h5"], "--input-power-w", 1.0, "--accepted-power-w", 0.9, *TAKEN)
    facts = transformed(room["scan.h5"], tmp_path / "result.h5", *words)
    about = json.loads(succeed("inspect", tmp_path / "result.h5", "--json"))
    for name in ("gain_dbi", "realised_gain_dbi", "eirp_dbm"):
        values = [fact["peak"][name] for fact in facts]
        assert about[f"peak_{name}"] == pytest.approx(values, rel=1e-14)
    for name in ("radiation_efficiency", "total_efficiency"):
        assert about[name] == [fact[name] for fact in facts]
    assert about["level_from"] == level_of(tmp_path / "result.h5")
    assert about["notes_on_the_probe"][0].startswith("level: that of 1 W into each port")
