"""A small whole file for every reader, from which damaged ones are made."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import Any, NamedTuple

import h5py
import numpy as np
import scipy.io
import scipy.sparse

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import Modes
from nf2ff.io import native, tables
from nf2ff.io.alignment_toml import alignment_template, read_alignment_file
from nf2ff.io.antenna_toml import read_antenna
from nf2ff.io.box_tables import read_places
from nf2ff.io.design_toml import design_template, read_design
from nf2ff.io.growth import read_growth, write_growth
from nf2ff.io.growth_toml import read_study_file, study_template
from nf2ff.io.kept_draws import read_kept_draws
from nf2ff.io.layout import Layout, layout_template
from nf2ff.io.level_toml import read_gain_transfer, read_level
from nf2ff.io.mapping import read_mapped
from nf2ff.io.nsma_reader import read_nsma
from nf2ff.io.plan_toml import plan_template, read_plan, read_tolerances
from nf2ff.io.power_tables import read_power_table, read_sensitivity_table
from nf2ff.io.proposal import propose
from nf2ff.io.report_toml import read_report_meta, report_template
from nf2ff.io.toml import read_toml, template
from nf2ff.io.uncertainty import read_uncertainty, write_uncertainty
from nf2ff.io.uncertainty_toml import read_uncertainty_file, uncertainty_template
from nf2ff.io.zone_table import read_probed_fields
from nf2ff.measurement.probe import Probe, field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.metrics.result import Quantity, Result
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.assess import assess
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.budget_term import Term
from nf2ff.uncertainty.budget.metric import METRICS
from nf2ff.uncertainty.draws import Draws, monte_carlo
from nf2ff.uncertainty.errors.catalogue import make_term
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.growth import Growth
from nf2ff.uncertainty.request import Assessment, Cut, ModelledError

FREQUENCY = [1e9, 2.5e9]
#: Figures of the uncertainty.
FIGURES = (Figure("trp"), Figure("eirp-towards", theta=0.5, phi=1.0))
TOUCHSTONE = """! two ports\n# MHz S RI R 50
2400 0.1 0 0.01 -0.2 0.3 0.4 0 0\n2450 0.1 0 0.02 -0.1 0.3 0.4 0 0\n"""
NSMA = """REVNUM:,NSMA WG16.99.050\nREVDAT:,19990520\nANTMAN:,Example Antennas\nMODNUM:,P-24\nLOWFRQ:,23500
HGHFRQ:,24500\nGUNITS:,DBI/DBR\nMDGAIN:,22.1\nELTILT:,8,0.5\nPATTYP:,typical\nNOFREQ:,1\nPATFRE:,23500\nNUMCUT:,1
PATCUT:,H\nPOLARI:,V/V\nNUPOIN:,4\nFSTLST:,-180,90\n-180,-30.25,\n-90,-20,\n0,0,\n90,-21.125,\nENDFIL:,EOF\n"""
MAP = """frequency = { value = 1, unit = "GHz" }\nradius = { value = 2, unit = "m" }
theta = { column = "T", unit = "deg" }\nphi = { column = "P", unit = "deg" }
chi = { column = "C", unit = "deg" }
[[response]]\namplitude = { column = "A", unit = "dB" }\nphase = { column = "F", unit = "deg" }\n"""
TOUCHSTONE_MAP = """frequency = { column = "frequency", unit = "Hz" }\nradius = { value = 2, unit = "m" }
theta = { value = 1, unit = "deg" }\nphi = { value = 2, unit = "deg" }\nchi = { value = 0, unit = "deg" }
[[response]]\ncomplex = { column = "S21" }\n"""


class Seed(NamedTuple):
    """Writes a whole file, and what reads it; ``suffix`` is the ending of its name."""

    write: Callable[[Path], Any]
    read: Callable[[Path], Any]
    suffix: str = ""


def _rng() -> np.random.Generator:
    return np.random.default_rng(0)


def _modes() -> Modes:
    return Modes(FREQUENCY, _rng().normal(size=(2, 16)) + 1j, "absolute")


def _field() -> FarField:
    return FarField(
        FREQUENCY, [0, 1.5], [0, 1, 2.0], *_rng().normal(size=(2, 2, 2, 3)), [0.5, 0.25], "relative"
    )


def _samples() -> Samples:
    response = _rng().normal(size=(2, 3)) + 1j
    return Samples(FREQUENCY, [0.1, -2, 3], 0.5, 0, 1.5, [1, 2, 1], response, "sqrt(W)")


def _write_result(path: Path) -> None:
    some = {"peak": Quantity([10.5, np.nan], "dBi", "peak directivity")}
    told = [["short of samples", "θ"], []]
    native.write_result(path, Result(_modes(), _field(), some, told, {"method": "a"}))


def _write_growth(path: Path) -> None:
    """Whose draws at the last value were stopped."""
    count = {"degree": [4, 5], "samples": [90, 91], "draws": [20, 7]}
    errors = {x: _rng().normal(size=(2, 1, 1)) for x in ("reference", "mean", "spread", "low", "high")}
    level = {x: _rng().normal(size=(2, 1)) for x in ("level_db", "level_low_db", "level_high_db")}
    arrays: Any = {x: np.array(y) for x, y in count.items()} | errors | level
    figure = Figure("beamwidth", plane=0.5, drop_db=10.0)
    values, frequency = np.array([0.5, 1.0]), np.full((2, 1), 1e9)
    nowhere, fields = np.zeros((3, 1, 0)), np.zeros((7, 1, 0, 4))
    some: Any = np.ones((1, 1)), _rng().normal(size=(7, 1, 1)), np.ones((7, 1)), 20, np.zeros((2, 0))
    kept = Draws((figure,), *some, nowhere, nowhere[0], fields, nowhere)
    write_growth(path, Growth("size", values, (figure,), frequency, **arrays, confidence=0.9, kept=kept))


def _write_uncertainty(path: Path) -> None:
    """With draws that were stopped, and the pattern that they follow."""
    antenna = DipoleCluster([[0.03, -0.01, 0.02]], electric=[[1e-3, 2e-4, 5e-4]])
    scan = simulate_grid(antenna, frequency=[1e9], grid=equiangular_grid(7, 12), radius=1.0)
    solution = solve(scan, field_probe(), degree=3)
    error = make_term("probe-gain", {"amplitude": 0.01})
    names = ("trp", "pattern")
    budget = Budget((Term("gain"),), tuple(METRICS[x] for x in names))
    question = Assessment(
        budget, (ModelledError("gain", error),), {"trp": FIGURES[:1], "pattern": FIGURES[1:]}, ()
    )
    cut = Cut(0.1, 0.2, np.array([0.0]), np.linspace(-math.pi, math.pi, 5), ("E",))
    found = assess(solution, question, draws=2, rng=1, jobs=1, cut=cut)
    kept = monte_carlo(
        solution, [error], FIGURES, draws=4, most=2, rng=1, jobs=1, directions=cut.directions()
    )
    write_uncertainty(path, replace(found, asked=4, kept=(kept,)))


def _read_uncertainty(path: Path) -> Any:
    return read_uncertainty(path), read_kept_draws(path, FIGURES)


def _text(text: str) -> Callable[[Path], Any]:
    return lambda path: path.write_text(text, encoding="utf-8")


def _archive(save: Callable[..., Any], **more: Any) -> Callable[[Path], Any]:
    values = dict(zip("TPCAF", np.arange(15.0).reshape(5, 3), strict=True))

    def write(path: Path) -> None:
        with BytesIO() as data:
            save(data, values | more)
            path.write_bytes(data.getvalue())

    return write


def _write_hdf5(path: Path) -> None:
    """As another program writes it."""
    with h5py.File(path, "w") as file:
        for name, values in zip("TPCAF", np.arange(15.0).reshape(5, 3), strict=True):
            file[name] = values
        file.attrs["title"] = "of a laboratory"


#: Of each class of a MAT file one that is not a plain array.
_OTHERS: dict[str, Any] = {
    "z": np.array([1 + 2j, 3]),
    "name": "a text",
    "s": {"a": np.arange(3, dtype=np.int16), "b": {"c": True}},
    "cell": np.array([np.zeros(2), "b", np.zeros((0, 0))], dtype=object),
    "sparse": scipy.sparse.csc_array(np.eye(3)),
}


def _mapped(path: Path, text: str = MAP) -> Any:
    layout = path.with_name("layout.toml")
    if not layout.exists() or layout.read_text() != text:
        layout.write_text(text)
    return read_mapped([path], read_toml(layout, Layout))


_PLACE = "theta_deg,phi_deg,frequency_hz"
TABLE = f"""{_PLACE},chi_deg,radius_m,port,real,imag
10,20,1e9,0,2,1,0.5,-0.25\n30,20,1e9,90,2,1,,\n40,-20,1e9,90,2,2,1e-3,7\n"""
PATTERN = f"{_PLACE},port,e_theta_real,e_theta_imag,e_phi_real,e_phi_imag\n" + "".join(
    f"{t},{p},1e9,1,{t / 90},1,0.5,{p / 360}\n" for t in range(0, 181, 30) for p in range(0, 360, 60)
)
POWER = f"{_PLACE},eirp_theta_dbm,eirp_phi_dbm\n" + "".join(
    f"{t},{p},2e9,{t / 10},-3\n" for t in (0, 90, 180) for p in (0, 90, 180, 270)
)
MAPPED = "T;P;C;A;F\n" + "".join(f"{t},5;10;0;-3,25;1e1\n" for t in range(5))
ZONE = "x_m,y_m,z_m,frequency_ghz,amplitude_db,phase_deg\n" + "".join(
    f"{x / 10},0,0,3,-1.5,{x}\n" for x in range(9)
)
NATIVE = {
    "samples": Seed(lambda path: native.write_samples(path, _samples()), native.read_samples, ".h5"),
    "modes": Seed(lambda path: native.write_modes(path, _modes()), native.read_modes, ".h5"),
    "far field": Seed(lambda path: native.write_far_field(path, _field()), native.read_far_field, ".h5"),
    "probe": Seed(
        lambda path: native.write_probe(path, Probe(None, np.eye(2, 6)[None])), native.read_probe, ".h5"
    ),
    "result": Seed(_write_result, native.read_result, ".h5"),
    "growth": Seed(_write_growth, read_growth, ".h5"),
    "uncertainty": Seed(_write_uncertainty, _read_uncertainty, ".h5"),
}
TEXT = {
    "table": Seed(_text(TABLE), tables.read_table, ".csv"),
    "kind": Seed(_text(TABLE), native.file_kind, ".csv"),
    "pattern": Seed(_text(PATTERN), tables.read_pattern, ".csv"),
    "power": Seed(_text(POWER), read_power_table, ".csv"),
    "sensitivity": Seed(_text(POWER.replace("eirp", "eis")), read_sensitivity_table, ".csv"),
    "places": Seed(_text("x_m,y_m,z_m\n0,1e-2,3\n4,5,-6\n"), read_places, ".csv"),
    "zone": Seed(_text(ZONE), read_probed_fields, ".csv"),
    "mapped": Seed(_text(MAPPED), partial(_mapped, text='separator = ";"\ndecimal = ","\n' + MAP), ".txt"),
    "proposal": Seed(_text(MAPPED), propose, ".txt"),
    "archive": Seed(_archive(lambda data, values: np.savez(data, **values)), _mapped, ".npz"),
    "packed mat": Seed(_archive(partial(scipy.io.savemat, do_compression=True), **_OTHERS), _mapped, ".mat"),
    "mat": Seed(_archive(scipy.io.savemat, **_OTHERS), _mapped, ".mat"),
    "hdf5": Seed(_write_hdf5, _mapped, ".h5"),
    "touchstone": Seed(_text(TOUCHSTONE), partial(_mapped, text=TOUCHSTONE_MAP), ".s2p"),
    "nsma": Seed(_text(NSMA), read_nsma, ".nsma"),
    "antenna": Seed(_text(template("antenna")), read_antenna, ".toml"),
    "level": Seed(_text(template("level")), read_level, ".toml"),
    "gain transfer": Seed(_text(template("gain-transfer")), read_gain_transfer, ".toml"),
    "budget": Seed(_text(uncertainty_template()), read_uncertainty_file, ".toml"),
    "study": Seed(_text(study_template()), read_study_file, ".toml"),
    "alignment": Seed(_text(alignment_template()), read_alignment_file, ".toml"),
    "array design": Seed(_text(design_template("plane-wave-array")), read_design, ".toml"),
    "reflector design": Seed(_text(design_template("reflector")), read_design, ".toml"),
    "tolerances": Seed(_text(plan_template()), read_tolerances, ".toml"),
    "plan": Seed(_text(plan_template()), read_plan, ".toml"),
    "report": Seed(_text(report_template()), read_report_meta, ".toml"),
    "layout": Seed(_text(layout_template()), lambda path: read_toml(path, Layout), ".toml"),
}
SEEDS: Mapping[str, Seed] = {**NATIVE, **TEXT}


def content(found: Any) -> Any:
    """What was read, as bytes and plain values that can be compared."""
    if isinstance(found, np.ndarray):
        return str(found.dtype), found.shape, found.tobytes()
    if dataclasses.is_dataclass(found):
        return type(found).__name__, [content(getattr(found, x.name)) for x in dataclasses.fields(found)]
    if isinstance(found, Mapping):
        return [(str(key), content(value)) for key, value in found.items()]
    if isinstance(found, list | tuple):
        return [content(x) for x in found]
    return repr(found)
