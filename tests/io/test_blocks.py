"""Large files are read and written in blocks: the same to the last bit, and refused as whole ones are."""

from __future__ import annotations

import itertools
import resource
import signal
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import h5py
import numpy as np
import pytest

from nf2ff.antenna import far_field as far_fields
from nf2ff.antenna.far_field import FarField, far_field, far_field_blocks
from nf2ff.antenna.modes import Modes
from nf2ff.io import hdf5, native, rows, safe, tables
from nf2ff.io.levels import write_levels
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.result import Result

FREQUENCY = np.linspace(1e9, 2e9, 7)
RNG = np.random.default_rng(0)
MODES = Modes(FREQUENCY, RNG.normal(size=(7, 30)) + 1j * RNG.normal(size=(7, 30)))
GRID = {"theta": np.radians([0, 45, 90, 180]), "phi": np.radians(np.arange(0, 360, 30))}
MARK = RNG.random((7, 4, 12)) < 0.9
NAMES = ("frequency", "theta", "phi", "e_theta", "e_phi", "radiated_power", "trusted")
#: Bytes of one frequency on that grid.
ONE = 32 * 4 * 12


def blocks() -> far_fields.FarFieldBlocks:
    return far_fields.replace(far_field_blocks(MODES, **GRID), trusted=MARK)


def whole() -> FarField:
    return far_fields.replace(far_field(MODES, **GRID), trusted=MARK)


def assert_same(one: object, other: object, *names: str) -> None:
    for name in names:
        a, b = (np.asarray(getattr(x, name)) for x in (one, other))
        assert (a.dtype, a.shape, a.tobytes()) == (b.dtype, b.shape, b.tobytes()), name


def contents(path: Path) -> dict[str, bytes]:
    found: dict[str, bytes] = {}
    with h5py.File(path) as file:
        file.visititems(
            lambda name, x: found.update({name: x[()].tobytes()}) if hasattr(x, "shape") else None
        )
    return found


# --- far fields ----------------------------------------------------------------------------------


def test_a_far_field_in_blocks_is_the_whole_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(far_fields, "_BLOCK", 3 * ONE)
    assert_same(blocks(), whole(), *NAMES)
    assert_same(blocks().at([5, 0]), whole().at([5, 0]), *NAMES)
    assert_same(blocks().only(np.array([1, 4, 5])).at(1), whole().at(4), *NAMES)
    np.testing.assert_array_equal(blocks().trusted_fraction(), whole().trusted_fraction())
    for field in (blocks(), whole()):
        parts = list(field.blocks())
        assert [x.frequency.size for x in parts] == [3, 3, 1]
        assert_same(parts[1], whole().at([3, 4, 5]), *NAMES)
        # Of a multiple, and no less than that.
        assert [x.frequency.size for x in field.blocks(2)] == [2, 2, 2, 1]
        assert [x.frequency.size for x in field.blocks(5)] == [5, 2]


@pytest.mark.parametrize(("block", "chunk"), [(1, ONE), (3 * ONE, 16 * 4 * 12 * 2), (2**24, 2**20)])
def test_a_file_is_the_same_whatever_the_block(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, block: int, chunk: int
) -> None:
    native.write_result(tmp_path / "whole.h5", Result(MODES, whole()))
    monkeypatch.setattr(far_fields, "_BLOCK", block)
    monkeypatch.setattr(hdf5, "_CHUNK", chunk)
    native.write_result(tmp_path / "blocks.h5", Result(MODES, blocks()))
    assert contents(tmp_path / "blocks.h5") == contents(tmp_path / "whole.h5")
    native.write_far_field(tmp_path / "again.h5", native.read_far_field_blocks(tmp_path / "blocks.h5"))
    for path in (tmp_path / "blocks.h5", tmp_path / "again.h5"):
        found = native.read_far_field_blocks(path)
        assert_same(found, whole(), *NAMES)
        assert_same(found.at([0, 2, 3, 6]), whole().at([0, 2, 3, 6]), *NAMES)
        assert_same(native.read_far_field(path), whole(), *NAMES)
    field = native.read_result(tmp_path / "blocks.h5", blocks=True).far_field
    assert_same(field, whole(), *NAMES)


def test_tables_are_the_same_whatever_the_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(far_fields, "_BLOCK", 2 * ONE)
    for write, name in ((tables.write_pattern, "pattern"), (write_levels, "levels")):
        for field in (whole(), blocks()):
            write(tmp_path / f"{name}-{type(field).__name__}.csv", field)
        one, other = sorted(tmp_path.glob(f"{name}-*.csv"))
        assert one.read_bytes() == other.read_bytes()


def test_a_number_that_is_none_is_named_by_its_place(tmp_path: Path) -> None:
    native.write_far_field(tmp_path / "f.h5", whole())
    with h5py.File(tmp_path / "f.h5", "r+") as file:
        file["far_field/e_phi"][5, 2, 3] = np.nan
    found = native.read_far_field_blocks(tmp_path / "f.h5")
    found.at([0, 1])
    for some in ([4, 5], [1, 3, 5]):
        with pytest.raises(InputError, match=r"f\.h5: /far_field/e_phi is not finite at index \(5, 2, 3\)"):
            found.at(some)


def test_components_of_other_shapes_are_refused(tmp_path: Path) -> None:
    native.write_far_field(tmp_path / "f.h5", whole())
    with h5py.File(tmp_path / "f.h5", "r+") as file:
        del file["far_field/e_phi"]
        data = file.create_dataset("far_field/e_phi", data=whole().e_phi[:, :3])
        data.attrs["units"] = np.bytes_("V")
    with pytest.raises(InputError, match=r"e_phi has shape \(7, 3, 12\), but 4 of theta by theta"):
        native.read_far_field_blocks(tmp_path / "f.h5")


def test_a_block_that_is_not_read_back_is_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # What the file holds is read by the library, which has checksums of its own: here ours differ each time.
    count = itertools.count()
    monkeypatch.setattr(hdf5.zlib, "crc32", lambda _: next(count))
    with pytest.raises(InputError, match=r"f\.h5: cannot be written \(read back fails, .*/far_field/e_theta"):
        native.write_far_field(tmp_path / "f.h5", blocks())
    assert not [*tmp_path.iterdir()]


def test_a_full_disk_ends_the_evaluation(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "r.h5"
    path.write_text("old")
    modes = Modes(1e9 + np.arange(12), np.tile(MODES.coefficients[:1], (12, 1)))
    field = far_field_blocks(modes, theta=np.radians(np.arange(181)), phi=np.radians(np.arange(360)))
    asked: list[int] = []

    def counted(pick: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        asked.extend(pick.tolist())
        return field.fields(pick)

    monkeypatch.setattr(far_fields, "_BLOCK", 1)
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (3 * 2**20, limits[1]))  # each frequency takes 2 MiB
    try:
        with pytest.raises(InputError, match=r"^[^\n]*r\.h5: cannot be written \(File too large\): free"):
            native.write_result(
                path, Result(modes, far_fields.replace(field, fields=counted)), overwrite=True
            )
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert path.read_text() == "old"
    assert [x.name for x in tmp_path.iterdir()] == ["r.h5"]
    assert asked[:2] == [0, 1]
    assert len(asked) < 6  # the library keeps one chunk of each component to itself


@pytest.mark.parametrize("ends", [True, False])
def test_ctrl_c_waits_for_the_library_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ends: bool
) -> None:
    monkeypatch.setattr(far_fields, "_BLOCK", 1)
    monkeypatch.setattr(hdf5, "_CHUNK", ONE)
    asked: list[int] = []
    genuine = hdf5.Target.write

    def stopped(pick: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        asked.append(int(pick[0]))
        if ends and pick[0] == 2:
            signal.raise_signal(signal.SIGINT)
        return blocks().fields(pick)

    def last(self: hdf5.Target, data: memoryview) -> int:
        signal.raise_signal(signal.SIGINT)
        return genuine(self, data)

    if not ends:
        monkeypatch.setattr(hdf5.Target, "write", last)
    # Programs started in the background of a shell ignore it.
    original = signal.signal(signal.SIGINT, signal.default_int_handler)
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt):
        native.write_result(tmp_path / "r.h5", Result(MODES, far_fields.replace(blocks(), fields=stopped)))
    assert asked[-1] == (2 if ends else 0)
    assert not [*tmp_path.iterdir()]
    assert signal.getsignal(signal.SIGINT) is before
    signal.signal(signal.SIGINT, original)


def test_a_thread_of_its_own_may_write(tmp_path: Path) -> None:
    # Only the main thread may say what Ctrl-C does.
    with ThreadPoolExecutor() as pool:
        pool.submit(native.write_modes, tmp_path / "m.h5", MODES).result()
    assert_same(native.read_modes(tmp_path / "m.h5"), MODES, "coefficients")


# --- tables of samples ---------------------------------------------------------------------------

SAMPLES = ("frequency", "theta", "phi", "chi", "radius", "port", "response", "time", "coherence")


def some_samples(**change: object) -> Samples:
    response = RNG.normal(size=(7, 40)) + 1j * RNG.normal(size=(7, 40))
    response[2, 3] = np.nan
    theta, phi = RNG.uniform(0, np.pi, 40), RNG.uniform(0, 6, 40)
    given = {
        "frequency": FREQUENCY,
        "theta": theta,
        "phi": phi,
        "chi": np.repeat([0, 1.5], 20),
        "radius": 2.0,
    }
    given |= {"port": np.tile([1, 2], 20), "response": response}
    return Samples(**(given | change))


def in_pieces(monkeypatch: pytest.MonkeyPatch, *, many: int = 2**18) -> None:
    monkeypatch.setattr(safe, "_MAX_KEPT", 500)
    monkeypatch.setattr(safe, "_PIECE", 300)
    monkeypatch.setattr(rows, "_MANY", many)
    monkeypatch.setattr(rows, "_BLOCK", 100)


@pytest.mark.parametrize("many", [2**18, 7, 0])
@pytest.mark.parametrize(
    "change", [{}, {"time": RNG.uniform(0, 9, (7, 40)), "phi": RNG.uniform(0, 6, (7, 40))}]
)
def test_samples_are_the_same_whatever_the_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, many: int, change: dict[str, object]
) -> None:
    path = tmp_path / "s.csv"
    tables.write_table(path, some_samples(coherence=np.arange(40) // 8, **change))
    lines = path.read_text().splitlines(keepends=True)
    order = [0, *(1 + RNG.permutation(len(lines) - 1))] if not change else range(len(lines))
    shuffled = b"# first\n\n" * 100 + "".join(lines[i] for i in order).encode()
    for text in (shuffled, shuffled.rstrip(b"\n"), b"\xef\xbb\xbf" + shuffled.replace(b"\n", b"\r\n")):
        path.write_bytes(text)
        with monkeypatch.context() as small:
            in_pieces(small, many=many)
            source = safe.InputFile(path)
            found = tables.read_table(source)
            assert source._text is None
            assert source._sha256 == safe.sha256(path)
        assert_same(found, tables.read_table(path), *SAMPLES)


def refusal(path: Path) -> str:
    with pytest.raises(InputError) as error:
        tables.read_table(path)
    return str(error.value)


@pytest.mark.parametrize(
    ("line", "old", "new", "says"),
    [
        (0, "theta_deg", "theta", "line 1: column theta_deg is missing"),
        (150, ",", ",x", "line 151, column phi_deg: is 'x"),
        (150, ",", ",1,", "line 151: has 9 fields"),
        (200, ",", "é,", "line 201, column theta_deg: is"),
        (200, ",", "\0,", "line 201: is not text in UTF-8"),
        (130, ",1,", ",0,", "line 131, column port: is 0"),
        (
            260,
            "000000000.0",
            "000000001.0",
            "line 261, column frequency_hz: 2000000001 Hz has rows at 1 of 40",
        ),
    ],
)
def test_faults_are_named_alike_in_pieces(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, line: int, old: str, new: str, says: str
) -> None:
    path = tmp_path / "s.csv"
    tables.write_table(path, some_samples(port=np.ones(40, int)))
    lines = path.read_text().splitlines(keepends=True)
    assert old in lines[line]
    lines[line] = lines[line].replace(old, new, 1)
    path.write_text("".join(lines))
    told = refusal(path)
    assert says in told
    in_pieces(monkeypatch)
    assert refusal(path) == told


@pytest.mark.parametrize(
    "text", ["", " \n" * 9, "# a\n" * 300, "# a\n" * 300 + ",".join(tables.COLUMNS) + "\n" * 9]
)
def test_what_holds_no_row_is_refused_alike(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    path = tmp_path / "s.csv"
    path.write_text(text)
    told = refusal(path)
    in_pieces(monkeypatch)
    assert refusal(path) == told


def test_a_text_of_one_line_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "s.csv").write_bytes(b"1" * 5000)
    in_pieces(monkeypatch)
    assert [*safe.read_lines(tmp_path / "s.csv", limit=10**6)] == [b"1" * 5000]
    with pytest.raises(InputError, match="5000 bytes, the limit is 600"):
        [*safe.read_lines(tmp_path / "s.csv", limit=600)]
