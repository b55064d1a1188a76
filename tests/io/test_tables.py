"""Text tables: what is written is read, rows and columns in any order; bad input in one line."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nf2ff.antenna.far_field import FarField
from nf2ff.io import columns as io_columns
from nf2ff.io import rows as io_rows
from nf2ff.io import safe
from nf2ff.io.tables import (
    COLUMNS,
    PATTERN_COLUMNS,
    Pattern,
    read_pattern,
    read_table,
    write_pattern,
    write_table,
)
from nf2ff.measurement.samples import Samples

HEADER = ",".join(COLUMNS)
ROW = "10,20,0,1.5,1e9,1,0.25,-0.5"
FOLDER_IS_SHARED = [HealthCheck.function_scoped_fixture]


def scan(rng: np.random.Generator, count: int = 12, frequencies: int = 3, **change: Any) -> Samples:
    """Samples at positions that are whole thousandths of a degree, as positioners give them."""
    degrees = rng.choice(np.arange(-180_000, 180_001), (3, count)) / 1000
    given = {
        "frequency": 1e9 * np.arange(1, frequencies + 1),
        "theta": np.radians(degrees[0]),
        "phi": np.radians(degrees[1]),
        "chi": np.radians(degrees[2]),
        "radius": rng.uniform(0.5, 5, count),
        "port": rng.integers(1, 3, count),
        "response": rng.normal(size=(frequencies, count)) + 1j * rng.normal(size=(frequencies, count)),
    }
    return Samples(**(given | change))


def assert_same(a: Samples, b: Samples) -> None:
    for name in ("frequency", "theta", "phi", "chi", "radius", "port", "response"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name), err_msg=name)
    assert a.response_unit == b.response_unit


def in_order(samples: Samples) -> list[np.ndarray]:
    """All of the samples as columns, sorted, so that their order does not matter."""
    shape = samples.response.shape
    names = ("theta", "phi", "chi", "radius", "port")
    place = [np.broadcast_to(getattr(samples, name), shape) for name in names]
    rows = []
    for i, w in enumerate(samples.response):
        value = np.where(np.isnan(w), complex(np.nan, np.nan), w)
        rows.append(np.array([*(x[i] for x in place), value.real, value.imag]))
    return [row[:, np.lexsort(row[::-1])] for row in rows]


def put(path: Path, *lines: str, end: str = "\n") -> Path:
    path.write_bytes((end.join(lines) + end).encode())
    return path


@settings(max_examples=40, deadline=None, suppress_health_check=FOLDER_IS_SHARED)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.integers(1, 3), st.booleans())
def test_rows_and_columns_in_any_order(
    tmp_path: Path, seed: int, count: int, frequencies: int, holes: bool
) -> None:
    rng = np.random.default_rng(seed)
    samples = scan(rng, count, frequencies)
    if holes:
        response = samples.response.copy()
        response[rng.random(response.shape) < 0.2] = np.nan
        samples = scan(rng, count, frequencies, response=response)
    path = tmp_path / "table.csv"
    write_table(path, samples, overwrite=True)
    assert_same(read_table(path, response_unit="V/m"), samples)

    header, *rows = path.read_text().splitlines()
    columns = rng.permutation(len(COLUMNS))
    shuffled = [rows[i] for i in rng.permutation(len(rows))]
    lines = [",".join(line.split(",")[i] for i in columns) for line in (header, *shuffled)]
    again = read_table(put(path, "# a comment", *lines))
    assert not again.moving
    np.testing.assert_array_equal(again.frequency, samples.frequency)
    for a, b in zip(in_order(again), in_order(samples), strict=True):
        np.testing.assert_array_equal(a, b)


def test_moving_axes_keep_their_places_per_frequency(tmp_path: Path) -> None:
    # Azimuth runs on by 0.01 deg a frequency, within steps of 30 deg.
    theta, phi = (x.ravel() for x in np.meshgrid([10.0, 50, 90], np.arange(0, 360, 30.0)))
    moved = np.round(phi + 0.01 * np.arange(4)[:, None], 2)
    rng = np.random.default_rng(1)
    response = rng.normal(size=moved.shape) + 1j
    response[2, 5] = np.nan
    samples = scan(
        rng,
        phi.size,
        4,
        theta=np.radians(theta),
        phi=np.radians(moved),
        port=np.arange(phi.size) % 2 + 1,
        response=response,
    )
    write_table(tmp_path / "a.csv", samples)
    found = read_table(tmp_path / "a.csv", response_unit="V/m")
    assert found.phi.shape == (4, phi.size)
    assert found.theta.shape == (phi.size,)
    assert_same(found, samples)


def test_a_frequency_without_some_rows_misses_those_samples(tmp_path: Path) -> None:
    samples = scan(np.random.default_rng(2), 6, 3)
    write_table(tmp_path / "a.csv", samples)
    lines = (tmp_path / "a.csv").read_text().splitlines()
    # Line 0 is the header, line 1 + 6 f + k has sample k of frequency f.
    kept = [line for i, line in enumerate(lines) if i not in (1 + 6 * 0 + 4, 1 + 6 * 2 + 1)]
    found = read_table(put(tmp_path / "b.csv", *kept))
    order = [0, 1, 2, 3, 5, 4]  # sample 4 shows up for the first time at the second frequency
    expected = samples.response.copy()
    expected[0, 4] = expected[2, 1] = np.nan
    np.testing.assert_array_equal(found.response, expected[:, order])
    for name in ("theta", "phi", "chi", "radius", "port"):
        np.testing.assert_array_equal(getattr(found, name), getattr(samples, name)[order])


def test_a_position_measured_twice_is_two_samples(tmp_path: Path) -> None:
    rows = ["10,20,0,1,2e9,1,5,0", "10,20,0,1,1e9,1,1,0", "30,20,0,1,1e9,1,2,0"]
    rows += ["10,20,0,1,1e9,1,3,0", "10,20,0,1,2e9,1,7,0", "30,20,0,1,2e9,1,6,0"]
    found = read_table(put(tmp_path / "a.csv", HEADER, *rows))
    np.testing.assert_array_equal(np.degrees(found.theta).round(9), [10, 30, 10])
    np.testing.assert_array_equal(found.response, [[1, 2, 3], [5, 6, 7]])


@pytest.mark.parametrize("moving", [False, True])
def test_times_are_kept_where_there_are_any(tmp_path: Path, moving: bool) -> None:
    rng = np.random.default_rng(5)
    time = rng.uniform(0, 1e4, (3, 12) if moving else 12)
    samples = scan(rng, time=time)
    write_table(tmp_path / "a.csv", samples)
    assert (tmp_path / "a.csv").read_text().partition("\n")[0] == HEADER + ",time_s"
    found = read_table(tmp_path / "a.csv", response_unit="V/m")
    assert_same(found, samples)
    assert found.time is not None
    np.testing.assert_array_equal(found.time, time)
    write_table(tmp_path / "b.csv", scan(rng))
    assert read_table(tmp_path / "b.csv").time is None


def test_a_time_that_is_none_is_refused(tmp_path: Path) -> None:
    for cell, what in (("", "is empty"), ("nan", "is 'nan'"), ("10:30", "is '10:30'")):
        with pytest.raises(ValueError, match=f"line 2, column time_s.*{what}"):
            read_table(put(tmp_path / "a.csv", HEADER + ",time_s", f"{ROW},{cell}"))
    with pytest.raises(ValueError, match=r"column .time. is unknown \(rename it to time_s"):
        read_table(put(tmp_path / "a.csv", HEADER + ",time", f"{ROW},1"))


def test_rounding_does_not_make_another_position(tmp_path: Path) -> None:
    # 0.1 + 0.2 != 0.3 in binary; swapped rows rule out that pairing by order saves the day.
    rows = ["0.30000000000000004,0,0,1,1e9,1,1,0", "90,0,0,1,1e9,1,2,0"]
    rows += ["90,0,0,1,2e9,1,4,0", "0.3,0,0,1,2e9,1,3,0"]
    found = read_table(put(tmp_path / "a.csv", HEADER, *rows))
    np.testing.assert_array_equal(found.response, [[1, 2], [3, 4]])


def test_a_chain_of_values_within_rounding_is_no_single_position() -> None:
    x = np.array([0.0, 1, 2, 3, 9]) * 0.6 * io_rows.ROUNDING
    assert io_rows.labels([x]).tolist() == [0, 1, 2, 3, 4]
    assert io_rows.labels([x[[0, 1, 4]]]).tolist() == [0, 0, 1]


def test_conventions_and_units(tmp_path: Path) -> None:
    path = put(tmp_path / "a.csv", HEADER, ROW)
    plus = read_table(path)
    minus = read_table(path, time_convention="exp(-iwt)", response_unit="sqrt(W)")
    assert plus.response[0, 0] == 0.25 - 0.5j
    assert minus.response[0, 0] == 0.25 + 0.5j
    # What a table does not say is not guessed: no level without a unit.
    assert (plus.response_unit, minus.response_unit) == ("relative", "sqrt(W)")
    assert read_table(path, response_unit="V/m").response_unit == "V/m"
    assert plus.theta[0] == np.radians(10)
    assert plus.phi[0] == np.radians(20)
    write_table(tmp_path / "b.csv", plus, time_convention="exp(-iwt)")
    assert read_table(tmp_path / "b.csv").response[0, 0] == 0.25 + 0.5j
    with pytest.raises(ValueError, match=r"time convention is 'exp\(jwt\)', expected exp\(\+jwt\)"):
        read_table(path, time_convention="exp(jwt)")
    with pytest.raises(ValueError, match=r"response unit is 'V', expected one of V/m, sqrt\(W\)"):
        read_table(path, response_unit="V")


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_line_ends_marks_comments_and_blank_lines(tmp_path: Path, end: str, mark: str) -> None:
    plain = read_table(put(tmp_path / "a.csv", HEADER, ROW, ROW.replace("10", "30", 1)))
    first = f"{mark}# 20 °C, n° 7"
    lines = [first, "", HEADER, "# nan inf", "", ROW, "  # x", ROW.replace("10", " 30 ", 1), ""]
    assert_same(read_table(put(tmp_path / "b.csv", *lines, end=end)), plain)
    without = [",".join(c for i, c in enumerate(x.split(",")) if i != 5) for x in (HEADER, ROW)]
    assert read_table(put(tmp_path / "c.csv", mark + without[0], without[1], end=end)).port == [1]


@settings(max_examples=60, deadline=None, suppress_health_check=FOLDER_IS_SHARED)
@given(
    st.lists(
        st.tuples(
            st.floats(-1e300, 1e300).map(repr)
            | st.sampled_from(["+1.", ".5", "1E-3", " 7 ", "-0", "\t2", "0x1p3", "1_0", "1d3", "٣"]),
            st.sampled_from(["1", "", " ", "2.5e+1"]),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_fast_and_careful_parse_agree(tmp_path: Path, cells: list[tuple[str, str]]) -> None:
    path = put(tmp_path / "a.csv", HEADER, *(f"1,2,3,1,1e9,1,{a},{b}" for a, b in cells))

    def outcome() -> str:
        try:
            return str(read_table(path).response.tolist())
        except ValueError as error:
            return str(error)

    fast = outcome()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(io_columns, "_fast_parse", lambda *_: None)
        assert outcome() == fast


BAD_TABLES = [
    ("", r"is empty: expected a header"),
    (" \n\n", r"is empty: expected a header"),
    ("# only a comment\n", r"no header line: expected theta_deg,phi_deg,chi_deg"),
    (f"{HEADER}\n", r"no row below its header"),
    (f"{HEADER}\n# x\n\n", r"no row below its header"),
    (ROW, r"line 1: numbers where the header should be: expected columns theta_deg"),
    (HEADER.replace(",", ";"), r"line 1: columns are not separated by commas"),
    (f"#\n{HEADER.replace('theta_deg', 'Theta')}\n", r"line 2: column theta_deg is missing \(is it"),
    (f"{HEADER.replace('radius_m', 'radius_mm')}\n", r"radius_m is missing \(is it 'radius_mm'\?"),
    (f"{HEADER.replace('imag,', '')[:-5]}\n{ROW}", r"line 1: column imag is missing: expected"),
    (f"{HEADER.replace('port', 'Ports')}\n", r"column 'Ports' is unknown \(rename it to port\?\)"),
    (f"{HEADER},xyz\n{ROW},1", r"line 1: column 'xyz' is unknown: remove it, expected columns"),
    (f"{HEADER},real\n{ROW},1", r"line 1: column real occurs twice"),
    (f"{HEADER}\n{ROW}\n10,abc,0,1,1e9,1,1,0", r"line 3, column phi_deg: is 'abc': expected a num"),
    (f"{HEADER}\n#\n{ROW.replace('1.5', '1;5')}", r"line 3, column radius_m: is '1;5': expected a"),
    (
        f"{HEADER}\n{ROW.replace('0.25', 'NaN')}",
        r"line 2, column real: is 'NaN': expected a finite number; leave real and imag empty where",
    ),
    (
        f"{HEADER}\n{ROW.replace('1.5', 'nan')}",
        r"line 2, column radius_m: is 'nan': expected a finite number$",
    ),
    (f"{HEADER}\n{ROW.replace('-0.5', '-inf')}", r"line 2, column imag: is '-inf': expected a fin"),
    (f"{HEADER}\n{ROW.replace('-0.5', 'Infinity')}", r"column imag: is 'Infinity': expected a fin"),
    (f"{HEADER}\n{ROW.replace('0.25', '1e999')}", r"line 2, column real: is 1e999: too large"),
    (f"{HEADER}\n{ROW.replace('1.5', '1e999')}", r"line 2, column radius_m: is 1e999: too large"),
    (f"{HEADER}\n{ROW.replace('1.5', '')}", r"line 2, column radius_m: is empty: expected a numb"),
    (f"{HEADER}\n{ROW}\n\n{ROW.replace('1.5', '0')}", r"line 4, column radius_m: is 0: expected a po"),
    (f"{HEADER}\n{ROW.replace('1.5', '-2')}", r"line 2, column radius_m: is -2: expected a positiv"),
    (f"{HEADER}\n180.5{ROW[2:]}", r"line 2, column theta_deg: is 180.5: expected -180 to 180 \(add or"),
    (f"{HEADER}\n-181{ROW[2:]}", r"line 2, column theta_deg: is -181: expected -180 to 180"),
    (f"{HEADER}\n{ROW},7", r"line 2: has 9 fields, the header has 8"),
    (f"{HEADER}\n{ROW}\n{ROW[:-5]}", r"line 3: has 7 fields, the header has 8"),
    *(
        (
            f"{HEADER}\n{HEADER.replace('theta_deg', unit)}\n{ROW}",
            rf"is .{re.escape(unit)}.: leave out the row",
        )
        for unit in ("[deg]", "Degrees", "(°)", "rad", "mm", "GHz", "V", "sqrt(W)")
    ),
    (f"{HEADER}\n{ROW.replace('0.25', '0,25')}\n", r"line 2: has 9 fields, .* '\.' as decimal sign"),
    (f"{HEADER}\n{ROW} # no comment", r"line 2, column imag: is '-0.5 # no comment': expected a n"),
    (f"{HEADER}\n{ROW.replace('1e9,1', '1e9,0')}", r"column port: is 0: expected a whole number fr"),
    (f"{HEADER}\n{ROW.replace('1e9,1', '1e9,1.5')}", r"column port: is 1.5: expected a whole numb"),
    (f"{HEADER}\n{ROW.replace('1e9,1', '1e9,40000')}", r"column port: is 40000: expected a whole"),
    (f"{HEADER}\n{ROW.replace('1e9', '-1e9')}", r"column frequency_hz: is -1000000000: expected a "),
    (f"{HEADER}\n{ROW.replace('1e9', '0')}", r"line 2, column frequency_hz: is 0: expected a posit"),
    (f"{HEADER}\n{ROW}\n{ROW.replace('0.25', '')}", r"line 3, column real: is empty: .* imag empty too"),
    (f"{HEADER}\n{ROW.replace('-0.5', '')}", r"line 2, column imag: is empty: .*real empty too"),
]


@pytest.mark.parametrize(("content", "message"), BAD_TABLES)
def test_bad_tables_say_where_and_what(tmp_path: Path, content: str, message: str) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(content)
    with pytest.raises(ValueError, match=message) as caught:
        read_table(path)
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)


def test_a_long_cell_is_refused_in_no_time(tmp_path: Path) -> None:
    # In quadratic time these digits would take an hour.
    path = tmp_path / "long.csv"
    path.write_text(f"{','.join(COLUMNS)}\n0,0,0,1,1e9,1,{'1' * 300_000}x,0\n")
    with pytest.raises(ValueError, match=r"line 2, column real: is '1111"):
        read_table(path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\x89HDF\r\n\x1a\n" + bytes(600), "is an HDF5 file, expected a CSV table"),
        (HEADER.encode("utf-16"), "line 1: is not text in UTF-8"),
        (f"{HEADER}\n# 20 °C\n{ROW}".encode("latin-1"), "line 2: is not text in UTF-8"),
    ],
)
def test_what_is_no_text(tmp_path: Path, content: bytes, message: str) -> None:
    (tmp_path / "bad.csv").write_bytes(content)
    with pytest.raises(ValueError, match=message):
        read_table(tmp_path / "bad.csv")


def test_files_that_cannot_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ValueError, match=r"none\.csv: no such file: check its name"):
        read_table(tmp_path / "none.csv")
    with pytest.raises(ValueError, match="is a folder or a device"):
        read_table(tmp_path)
    with pytest.raises(ValueError, match=r"cannot be read .*name too long"):
        read_table(tmp_path / ("x" * 300))
    path = put(tmp_path / "a.csv", HEADER, ROW)
    monkeypatch.setattr(io_columns, "MAX_TEXT_BYTES", 50)
    with pytest.raises(ValueError, match=r"bytes, the limit is 50: split the file"):
        read_table(path)


def grid(theta: int = 6, phi: int = 8) -> list[str]:
    """Rows of a raster, frequency to be filled in."""
    angles = [(20.0 * i, 45.0 * k) for i in range(theta) for k in range(phi)]
    return [f"{a},{b},0,1,{{}},1,1,0" for a, b in angles]


def test_two_frequencies_mixed_in_one_grid(tmp_path: Path) -> None:
    rows = grid()
    random = np.random.default_rng(3).permutation(48) < 24
    for other in (
        lambda k: k == 17,  # a slip in one row
        lambda k: k >= 24,  # upper and lower half
        lambda k: k >= 30,
        lambda k: k % 8 >= 4,  # left and right half
        lambda k: random[k],
    ):
        lines = [row.format("2e9" if other(k) else "1e9") for k, row in enumerate(rows)]
        path = put(tmp_path / "a.csv", HEADER, *lines)
        with pytest.raises(ValueError, match=r"column frequency_hz: .* two frequencies mixed"):
            read_table(path)
    one_slip = [row.format("2e9" if k == 17 else "1e9") for k, row in enumerate(rows)]
    with pytest.raises(ValueError, match=r"line 19, .* 2000000000 Hz has rows at 1 of 48 positions"):
        read_table(put(path, HEADER, *one_slip))


def test_moving_axes_need_as_many_rows_at_each_frequency(tmp_path: Path) -> None:
    rows = [f"{t},{p + f},0,1,{f + 1}e9,1,1,0" for f in (0, 1) for t in (10, 90) for p in (0, 90)]
    assert read_table(put(tmp_path / "a.csv", HEADER, *rows)).moving
    with pytest.raises(ValueError, match="2000000000 Hz has rows at 3 of 7 positions"):
        read_table(put(tmp_path / "a.csv", HEADER, *rows[:-1]))
    other_port = [*rows[:-1], rows[-1].replace("e9,1", "e9,2")]
    with pytest.raises(ValueError, match="two frequencies mixed"):
        read_table(put(tmp_path / "a.csv", HEADER, *other_port))


def test_a_pole_recorded_once_does_not_hide_a_raster(tmp_path: Path) -> None:
    rows = ["0,0,0,1,{},1,1,0", *grid()[8:], "180,0,0,1,{},1,1,0"]
    lines = [row.format("2e9" if k >= 21 else "1e9") for k, row in enumerate(rows)]
    with pytest.raises(ValueError, match="has rows at 21 of 42 positions"):
        read_table(put(tmp_path / "a.csv", HEADER, *lines))


def test_only_poles_that_move_are_no_raster(tmp_path: Path) -> None:
    rows = [f"{t},{10 * f},0,1,{f + 1}e9,1,1,0" for f in (0, 1) for t in (0, 180)]
    assert read_table(put(tmp_path / "a.csv", HEADER, *rows)).moving


def test_samples_that_do_not_fit_name_the_file(tmp_path: Path, monkeypatch: Any) -> None:
    def refuse(*_: Any) -> None:
        msg = "no such samples"
        raise ValueError(msg)

    monkeypatch.setattr(io_rows, "Samples", refuse)
    with pytest.raises(ValueError, match=r"a\.csv: no such samples"):
        read_table(put(tmp_path / "a.csv", HEADER, ROW))


def test_degrees_come_back() -> None:
    tenths = np.arange(-3600, 3601) / 10
    thousandths = np.random.default_rng(4).integers(-360_000, 360_000, 20_000) / 1000
    for degrees in (tenths, thousandths):
        np.testing.assert_array_equal(io_columns.to_degrees(np.radians(degrees)), degrees)
    # Doubles in degrees lie up to twice as far apart, relative to their size, as those in
    # radians: the nearest of them converts back to a neighbour at the most.
    radians = np.random.default_rng(5).uniform(-np.pi, np.pi, 20_000)
    back = np.radians(io_columns.to_degrees(radians))
    assert np.max(np.abs(back - radians) / np.spacing(np.abs(radians))) <= 1


def test_zero_is_written_without_a_sign(tmp_path: Path) -> None:
    samples = scan(np.random.default_rng(3))
    samples = replace(
        samples, theta=-np.zeros(samples.theta.size), response=-np.zeros(samples.response.shape)
    )
    write_table(tmp_path / "a.csv", samples)
    assert "-0.0" not in (tmp_path / "a.csv").read_text().replace("\n", ",").split(",")


def test_a_large_table_is_not_read_cell_by_cell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # In Python a cell takes a hundred times as long as in C: only the block of lines with the
    # fault may be looked at so.
    walked = []
    walk = io_columns._walk

    def count(path: Any, lines: list[Any], *rest: Any) -> Any:
        walked.append(len(lines))
        return walk(path, lines, *rest)

    monkeypatch.setattr(io_columns, "_walk", count)
    samples = scan(np.random.default_rng(6), 3 * io_columns._BLOCK, 1)
    write_table(tmp_path / "a.csv", samples)
    assert_same(read_table(tmp_path / "a.csv", response_unit="V/m"), samples)
    assert walked == []
    lines = (tmp_path / "a.csv").read_text().splitlines()
    lines[-1] = lines[-1].replace(",", ",x", 1)
    with pytest.raises(ValueError, match=f"line {len(lines)}, column phi_deg: is 'x"):
        read_table(put(tmp_path / "b.csv", *lines))
    assert walked == [io_columns._BLOCK]


# ------------------------------------------------------------------------------------ patterns


def pattern(**change: Any) -> Pattern:
    rng = np.random.default_rng(7)
    shape = (2, 2, 4, 3)
    field = rng.normal(size=(2, *shape)) + 1j * rng.normal(size=(2, *shape))
    given = {
        "frequency": [1e9, 2e9],
        "theta": np.radians([0.0, 30, 90, 180]),
        "phi": np.radians([0.0, 10, 350]),
        "port": [1, 3],
        "e_theta": field[0],
        "e_phi": field[1],
    }
    return Pattern(**(given | change))


def test_patterns_come_back(tmp_path: Path) -> None:
    path = tmp_path / "p.csv"
    write_pattern(path, pattern())
    header, *rows = path.read_text().splitlines()
    rng = np.random.default_rng(8)
    put(path, header, *(rows[i] for i in rng.permutation(len(rows))))
    found = read_pattern(path)
    for name in ("frequency", "theta", "phi", "port", "e_theta", "e_phi"):
        np.testing.assert_array_equal(getattr(found, name), getattr(pattern(), name))
    assert found.reference == "absolute"
    minus = read_pattern(path, time_convention="exp(-iwt)", reference="relative")
    np.testing.assert_array_equal(minus.e_phi, pattern().e_phi.conj())
    assert minus.reference == "relative"


def test_a_far_field_is_the_pattern_of_port_1(tmp_path: Path) -> None:
    p = pattern()
    far = FarField(p.frequency, p.theta, p.phi, p.e_theta[:, 0], p.e_phi[:, 1], np.ones(2))
    write_pattern(tmp_path / "p.csv", far)
    found = read_pattern(tmp_path / "p.csv")
    assert found.port == [1]
    np.testing.assert_array_equal(found.e_theta[:, 0], far.e_theta)
    np.testing.assert_array_equal(found.e_phi[:, 0], far.e_phi)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (["0,0,1e9,1,1,0,1,0", "0,0,1e9,1,1,0,1,0"], "line 3, .*each direction once per port"),
        (
            ["0,0,1e9,1,1,0,1,0", "9,5,1e9,1,1,0,1,0"],
            "no row for frequency_hz 1e.09, port 1, theta_deg 0, phi_deg 5",
        ),
        (["-1,0,1e9,1,1,0,1,0"], "line 2, column theta_deg: is -1: expected 0 to 180 in a pattern"),
        (["0,0,1e9,1,1,,1,0"], "line 2, column e_theta_imag: is empty"),
        (["0,0,1e9,1,1,nan,1,0"], "column e_theta_imag: is 'nan': expected a finite number$"),
        ([f"{k / 99},{k},{k + 1},1,1,0,1,0" for k in range(99)], "99 rows, but distinct values of"),
    ],
)
def test_bad_patterns(tmp_path: Path, rows: list[str], message: str) -> None:
    path = put(tmp_path / "p.csv", ",".join(PATTERN_COLUMNS), *rows)
    with pytest.raises(ValueError, match=message):
        read_pattern(path)


def test_patterns_check_their_shapes() -> None:
    with pytest.raises(ValueError, match=r"e_phi has shape .*, expected \(F, L, T, P\)"):
        pattern(e_phi=np.ones((2, 2, 3, 4)))
    with pytest.raises(ValueError, match="reference is 'some', expected 'absolute' or 'relative'"):
        pattern(reference="some")


# --------------------------------------------------------------------------------------- files


def test_existing_files_stay_unless_told(tmp_path: Path) -> None:
    samples = scan(np.random.default_rng(9))
    path = put(tmp_path / "a.csv", "old")
    with pytest.raises(ValueError, match=r"a\.csv: exists: choose another name or --overwrite"):
        write_table(path, samples)
    assert path.read_text() == "old\n"
    write_table(path, samples, overwrite=True)
    assert_same(read_table(path, response_unit="V/m"), samples)
    with pytest.raises(ValueError, match="is a folder or a device"):
        write_table(tmp_path, samples, overwrite=True)
    with pytest.raises(ValueError, match=r"there is no folder .*: make it first"):
        write_table(tmp_path / "no" / "a.csv", samples)
    assert [x.name for x in tmp_path.iterdir()] == ["a.csv"]


def test_a_link_is_followed_not_replaced(tmp_path: Path) -> None:
    put(tmp_path / "a.csv", "old")
    (tmp_path / "b.csv").symlink_to(tmp_path / "a.csv")
    samples = scan(np.random.default_rng(9))
    write_table(tmp_path / "b.csv", samples, overwrite=True)
    assert (tmp_path / "b.csv").is_symlink()
    assert_same(read_table(tmp_path / "a.csv", response_unit="V/m"), samples)


@pytest.mark.parametrize("where", ["replace", "open"])
def test_a_failed_write_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    path = put(tmp_path / "a.csv", "old")
    monkeypatch.setattr(Path, where, full)
    with pytest.raises(ValueError, match=r"a\.csv: cannot be written \(No space left on device\)"):
        write_table(path, scan(np.random.default_rng(9)), overwrite=True)
    monkeypatch.undo()
    assert path.read_text() == "old\n"
    assert [x.name for x in tmp_path.iterdir()] == ["a.csv"]


def test_what_reads_back_differently_is_not_put_in_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(io_columns.zlib, "crc32", lambda _, check: check + 1)
    with pytest.raises(ValueError, match="what was read back differs from what was written"):
        write_table(tmp_path / "a.csv", scan(np.random.default_rng(9)))
    assert not list(tmp_path.iterdir())


def test_inputs_are_not_overwritten(tmp_path: Path) -> None:
    path = put(tmp_path / "a.csv", "x")
    (tmp_path / "link.csv").symlink_to(path)
    (tmp_path / "hard.csv").hardlink_to(path)
    for name in ("a.csv", "link.csv", "hard.csv", "../" + tmp_path.name + "/a.csv"):
        with pytest.raises(ValueError, match="is an input of this command: choose another name"):
            safe.refuse_overwrite(tmp_path / name, [tmp_path / "none.csv", path])
    safe.refuse_overwrite(tmp_path / "b.csv", [path])
    assert not (tmp_path / "b.csv").exists()
