"""Antennas, scans and checks that several test files share."""

import dataclasses

import numpy as np
import pytest
from commands import eirp_of, run, simulated, succeed, transformed

from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.io import native, tables
from nf2ff.io.antenna_toml import read_antenna

FREQUENCY = np.array([3.0e9, 3.4e9])


#: The probe's own, those of the scan among and between them.
KNOWN = np.array([2.9e9, 3.0e9, 3.1e9, 3.2e9, 3.3e9, 3.4e9])


#: Degree 17; the antenna's waves above carry less than 1e-13.
STEPS = ("--theta-step-deg", 10, "--phi-step-deg", 10)


#: Above which the antenna's waves carry less than 2e-11; choosing it takes a second solution.
TAKEN = ("--degree", 16)


SWEEP = ("--frequency-ghz", 3.0, "--frequency-ghz", 3.4)


#: What the project promises of a far field corrected for its probe. The orders that are dropped
#: from a pattern in text are below 3e-9 each, and the least squares stops at 1e-9.
FIELD = 1e-8


#: Two dipole pairs within 17 mm (k r = 1.1) off the axis, with -20 dB or so in the orders other
#: than +-1 and 20 dB between the polarisations.
PORTS = {
    "x": """\
[[dipole]]
position_m = [0.012, 0.003, 0.010]
electric_a_m = [1e-3, 1e-4, 0]
magnetic_v_m = [0, 0.37, 0]

[[dipole]]
position_m = [-0.012, 0.006, 0]
electric_a_m = [1e-3, 0, [0, 2e-4]]
magnetic_v_m = [0, 0.37, 0]
""",
    "y": """\
[[dipole]]
position_m = [0.004, 0.012, 0.010]
electric_a_m = [-1e-4, 1e-3, 0]
magnetic_v_m = [-0.37, 0, 0]

[[dipole]]
position_m = [0.006, -0.012, 0]
electric_a_m = [0, 8e-4, 2e-4]
magnetic_v_m = [-0.37, 0, 0]
""",
}


@dataclasses.dataclass(frozen=True)
class Range:
    """Files of a range: the antenna, its scan with both ports of the probe, and the probe."""

    folder: object
    antenna: object
    ports: tuple

    def __getitem__(self, name):
        return self.folder / name

    def true_eirp(self, fact):
        top = fact["peak"]
        where = np.radians(top["theta_deg"]), np.radians(top["phi_deg"])
        return eirp_of(self.antenna, fact["frequency_hz"], *where)[0]


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    """All that the tests start from, made by the commands."""
    folder = tmp_path_factory.mktemp("range")
    for name, text in PORTS.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    ports = tuple(read_antenna(folder / f"{name}.toml") for name in PORTS)
    probes = [x for name in PORTS for x in ("--probe", folder / f"{name}.toml")]
    scan = simulated(folder / "scan.h5", *SWEEP, *STEPS, *probes)
    write_pattern(folder / "pattern.csv", ports)
    succeed("import", scan, "-o", folder / "copy.h5")
    done = run("import", folder / "pattern.csv", "-o", folder / "probe.h5")
    assert done.code == 0
    return Range(folder, read_antenna(folder / "scan.toml"), ports)


def write_pattern(path, ports, frequency=KNOWN, power=1.0, theta=None, numbers=(1, 2)):
    """Far fields of the ports at ``power`` watts, in closed form, as a table."""
    theta = np.radians(np.arange(0, 181, 10.0)) if theta is None else theta
    phi = np.radians(np.arange(0, 360, 10.0))
    t, p = (x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))
    e = []
    for port in ports:
        level = np.sqrt(power / radiated_power_of(port, frequency=frequency))
        field = np.array(far_field_of(port, frequency=frequency, theta=t, phi=p))
        e.append((field * level[:, None]).reshape(2, -1, theta.size, phi.size))
    e_theta, e_phi = np.array(e).transpose(1, 2, 0, 3, 4)
    tables.write_pattern(path, tables.Pattern(frequency, theta, phi, list(numbers), e_theta, e_phi))


def field_error(room, path, level=True):
    """Largest error of the far field in the file over its maximum, worst of the frequencies."""
    field = native.read_far_field(path)
    t, p = (x.ravel() for x in np.meshgrid(field.theta, field.phi, indexing="ij"))
    exact = np.array(far_field_of(room.antenna, frequency=field.frequency, theta=t, phi=p))
    found = np.array([field.e_theta, field.e_phi]).reshape(exact.shape)
    worst = 0.0
    for got, want in zip(found.swapaxes(0, 1), exact.swapaxes(0, 1), strict=True):
        factor = 1.0 if level else np.vdot(got, want) / np.vdot(got, got)
        worst = max(worst, np.abs(factor * got - want).max() / np.abs(want).max())
    return worst


def level_of(path):
    """What set the level of a result, line by line."""
    return native.read_provenance(path)["level"].splitlines()


def take_port(room, port, path):
    samples = native.read_samples(room["scan.h5"])
    rows = samples.port == port
    place = {name: getattr(samples, name)[rows] for name in ("theta", "phi", "chi", "radius")}
    part = dataclasses.replace(samples, **place, port=samples.port[rows], response=samples.response[:, rows])
    native.write_samples(path, part)
    return path


def boresight(port, frequency):
    """E along x and y in closed form at 1 W, (F, 2), and the modes of the oracle."""
    level = np.sqrt(1 / radiated_power_of(port, frequency=frequency))
    e = far_field_of(port, frequency=frequency, theta=[0.0], phi=[0.0])
    return level[:, None] * np.array([x[:, 0] for x in e]).T


#: Loss of the cable at either end of the band; amplifier, receiver and the second channel [dB].
CABLE, AMPLIFIER, RECEIVER, CHANNEL = (3.1, 3.5), 20.5, -30.0, (0.5, 5.0)


CHAIN = f"""\
[[step]]
kind = "loss"
name = "cable"
table = "cable.csv"

[[step]]
kind = "amplifier"
name = "low-noise amplifier"
value_db = {AMPLIFIER}

[[step]]
kind = "channel"
name = "second channel"
value_db = {CHANNEL[0]}
phase_deg = {CHANNEL[1]}
port = 2

[[step]]
kind = "receiver-power"
name = "receiver"
value_dbm = {RECEIVER}
"""


@pytest.fixture(scope="module")
def readings(room):
    """Readings of a receiver behind a lossy chain, as a table, and the chain's description.

    By hand: w loses the cable's dB and gains the amplifier's, the second channel is 0.5 dB and
    5 deg ahead, and the receiver shows 1 at -30 dBm, 1/2 |w|^2 = 1e-6 W.
    """
    folder = room.folder
    lines = "".join(f"{f:.0f},{x}\n" for f, x in zip((2.8e9, 3.6e9), CABLE, strict=True))
    (folder / "cable.csv").write_text("frequency_hz,loss_db\n" + lines, encoding="utf-8")
    (folder / "chain.toml").write_text(CHAIN, encoding="utf-8")
    samples = native.read_samples(room["scan.h5"])
    loss = CABLE[0] + (CABLE[1] - CABLE[0]) * (FREQUENCY - 2.8e9) / 0.8e9
    level = 10 ** ((AMPLIFIER - loss) / 20) / np.sqrt(2 * 10 ** (RECEIVER / 10) * 1e-3)
    second = 10 ** (CHANNEL[0] / 20) * np.exp(1j * np.radians(CHANNEL[1]))
    shown = samples.response * level[:, None] * np.where(samples.port == 2, second, 1)
    tables.write_table(
        folder / "readings.csv", dataclasses.replace(samples, response=shown, response_unit="relative")
    )
    return folder / "readings.csv"


#: A Huygens source of 0.4 dB loss, off the axes: gain 10 log10(3) - 0.4 dBi (closed form).
REFERENCE = """\
[[dipole]]
position_m = [0, 0, 0.01]
electric_a_m = [2e-3, 0, 0]
magnetic_v_m = [0, 0.753460627336, 0]
"""


REFERENCE_LOSS, REFLECTION, WAYS, INPUT = 0.4, (0.2, -0.1), (1.3, 0.6), 0.05


TRANSFER = f"""\
name = "small horn"
gain_dbi = {10 * np.log10(3) - REFERENCE_LOSS}
reflection = {list(REFLECTION)}
reference_loss_db = {WAYS[0]}
device_loss_db = {WAYS[1]}
"""


@pytest.fixture(scope="module")
def substitution(room):
    """Relative scans of device and reference in a range of unknown level, result of the latter.

    Both take 50 mW from the same source: the reference less its way's loss, its reflection and its
    own loss, the device less its way's loss and what it does not radiate of the rest, so that its
    total efficiency is 0.6 and 0.7 at the two frequencies.
    """
    folder = room.folder
    (folder / "transfer.toml").write_text(TRANSFER, encoding="utf-8")
    probes = [x for name in PORTS for x in ("--probe", folder / f"{name}.toml")]
    reference = simulated(folder / "ref.h5", *SWEEP, *STEPS, *probes, antenna=REFERENCE)
    horn = read_antenna(folder / "ref.toml")
    unknown = np.array([3e4 - 1e4j, -2e4 + 7e3j])
    gamma = abs(complex(*REFLECTION)) ** 2
    radiated = {
        "ref": INPUT * 10 ** (-(WAYS[0] + REFERENCE_LOSS) / 10) * (1 - gamma) * np.ones(2),
        "scan": INPUT * 10 ** (-WAYS[1] / 10) * np.array([0.6, 0.7]),
    }
    for name, antenna, scan in (("ref", horn, reference), ("scan", room.antenna, room["scan.h5"])):
        samples = native.read_samples(scan)
        level = np.sqrt(radiated[name] / radiated_power_of(antenna, frequency=FREQUENCY)) * unknown
        response = samples.response * level[:, None]
        native.write_samples(
            folder / f"relative_{name}.h5",
            dataclasses.replace(samples, response=response, response_unit="relative"),
        )
    words = ("--probe", folder / "probe.h5", *TAKEN)
    transformed(folder / "relative_ref.h5", folder / "reference.h5", *words)
    return ("--gain-transfer", folder / "transfer.toml", "--reference-result", folder / "reference.h5")
