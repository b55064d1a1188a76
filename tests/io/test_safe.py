"""Inputs that are opened once for all who look at them."""

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from nf2ff.io import safe
from nf2ff.io.safe import InputFile, first_line, read_bytes, replacing, sha256

TEXT = b"# of ours\ntheta_deg,phi_deg\n" + b"1,2\n" * 50_000


@pytest.fixture
def opened(monkeypatch):
    """Names of the files that are opened."""
    names = []
    genuine = Path.open

    def counted(path, *args, **kwargs):
        names.append(path.name)
        return genuine(path, *args, **kwargs)

    monkeypatch.setattr(Path, "open", counted)
    return names


def test_a_text_is_opened_once_for_start_text_and_checksum(tmp_path, opened):
    (tmp_path / "a.csv").write_bytes(TEXT)
    opened.clear()
    file = InputFile(tmp_path / "a.csv")
    assert first_line(file) == "theta_deg,phi_deg"
    assert read_bytes(file, limit=0, count=8) == TEXT[:8]
    assert read_bytes(file, limit=len(TEXT)) == TEXT
    assert sha256(file) == hashlib.sha256(TEXT).hexdigest()
    assert opened == ["a.csv"]
    # The text was let go of: who wants it again reads it again.
    assert read_bytes(file, limit=len(TEXT)) == TEXT
    assert opened == ["a.csv"] * 2
    assert str(file) == str(tmp_path / "a.csv")


def test_the_checksum_is_that_of_what_was_read(tmp_path):
    (tmp_path / "a.csv").write_bytes(TEXT)
    file = InputFile(tmp_path / "a.csv")
    first_line(file)
    (tmp_path / "a.csv").write_bytes(b"other")
    assert sha256(file) == hashlib.sha256(TEXT).hexdigest()


@pytest.mark.parametrize("large", [False, True])
def test_hdf5_and_large_files_are_not_kept(tmp_path, monkeypatch, large):
    data = TEXT if large else safe.HDF5_SIGNATURE + bytes(100_000)
    monkeypatch.setattr(safe, "_MAX_KEPT", 1000 if large else 10**6)
    (tmp_path / "a").write_bytes(data)
    file = InputFile(tmp_path / "a")
    assert read_bytes(file, limit=0, count=8) == data[:8]
    assert file._text is None
    assert sha256(file) == hashlib.sha256(data).hexdigest()
    assert read_bytes(file, limit=len(data)) == data


@pytest.mark.parametrize("kept", [str, InputFile])
def test_what_cannot_be_read(tmp_path, kept):
    (tmp_path / "a.csv").write_bytes(TEXT)
    with pytest.raises(ValueError, match=rf"a\.csv: {len(TEXT)} bytes, the limit is 10: split the file"):
        read_bytes(kept(tmp_path / "a.csv"), limit=10)
    with pytest.raises(ValueError, match=r"none\.csv: no such file: check its name and folder"):
        sha256(kept(tmp_path / "none.csv"))
    with pytest.raises(ValueError, match="is a folder or a device: give the name of a file"):
        first_line(kept(tmp_path))


# --- what a kill leaves --------------------------------------------------------------------------

#: Writes half of a file and is killed.
KILLED = """
import os, signal, sys
from nf2ff.io.safe import replacing

with replacing(sys.argv[1]) as temporary:
    temporary.write_text("half")
    os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(not hasattr(os, "chown") or os.geteuid() != 0, reason="only root gives files away")
def test_a_file_that_is_replaced_keeps_its_owner(tmp_path):
    (tmp_path / "a").touch(mode=0o640)
    os.chown(tmp_path / "a", 1234, 2345)
    with replacing(tmp_path / "a", overwrite=True) as temporary:
        temporary.touch()
    about = (tmp_path / "a").stat()
    assert (about.st_uid, about.st_gid, about.st_mode & 0o777) == (1234, 2345, 0o640)


@pytest.mark.skipif(not hasattr(os, "chown"), reason="files have no owner here")
def test_owners_that_may_not_be_given_stop_nothing(tmp_path, monkeypatch):
    asked = []

    def chown(_, *owners):
        asked.append(owners)
        raise PermissionError

    monkeypatch.setattr(os, "chown", chown)
    (tmp_path / "a").touch(mode=0o604)
    with replacing(tmp_path / "a", overwrite=True) as temporary:
        temporary.write_text("new")
    assert len(asked) == 2
    assert (tmp_path / "a").read_text() == "new"
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o604


def test_what_a_killed_process_left_goes_with_the_next_write(tmp_path):
    for name in ("a.csv", "b.csv"):
        subprocess.run([sys.executable, "-c", KILLED, tmp_path / name], check=False)
    left = {x.name for x in tmp_path.iterdir()}
    assert len(left) == 2
    with replacing(tmp_path / "a.csv") as temporary:
        # That of a process which runs stays, be it another write to the same file.
        temporary.write_text("first")
        with replacing(tmp_path / "a.csv", overwrite=True) as second:
            second.write_text("second")
            assert temporary.read_text() == "first"
            assert str(os.getpid()) in second.name
        (tmp_path / "a.csv").unlink()
    assert (tmp_path / "a.csv").read_text() == "first"
    # Nor is that of another target removed.
    (other,) = {x.name for x in tmp_path.iterdir()} - {"a.csv"}
    assert other in left
    with replacing(tmp_path / "b.csv") as temporary:
        temporary.write_text("whole")
    assert {x.name for x in tmp_path.iterdir()} == {"a.csv", "b.csv"}


def test_what_may_be_of_a_process_that_runs_stays(tmp_path, monkeypatch):
    with replacing(tmp_path / "a") as temporary:
        temporary.touch()
        names = [temporary.name.replace(f"-{os.getpid()}-", f"-{pid}-") for pid in (77, "x")]
    other, strange = (tmp_path / name for name in names)
    other.touch()
    strange.touch()

    def answer(error):
        def kill(*_):
            raise error

        monkeypatch.setattr(os, "kill", kill)
        with replacing(tmp_path / "a", overwrite=True) as temporary:
            temporary.touch()

    answer(PermissionError)
    assert other.exists()
    answer(ProcessLookupError)
    assert {x.name for x in tmp_path.iterdir()} == {"a", strange.name}
