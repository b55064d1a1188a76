"""Files, safely: readable or one clear line, replaced whole or not at all."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import re
import secrets
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from io import BufferedReader
from pathlib import Path

from nf2ff.messages.input_error import InputError

PathLike = str | os.PathLike[str]

HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"
#: First bytes of compressed files. Archives are left: NumPy's are among them.
_COMPRESSED = {b"\x1f\x8b\x08": "gzip", b"BZh91AY": "bzip2", b"\xfd7zXZ\0": "xz", b"\x28\xb5\x2f\xfd": "zstd"}
#: Bytes at the start of a file by which its kind is told.
_START = 2**16
#: Largest text that is kept between looking at its start and reading it, and read in one piece [bytes].
_MAX_KEPT = 2**24
#: Bytes of a piece of a larger one.
_PIECE = 2**20


@contextmanager
def replacing(path: PathLike, *, overwrite: bool = False) -> Iterator[Path]:
    """Give a temporary name beside ``path``; put that file in its place if nothing failed.

    Parameters
    ----------
    path : path
        File to be written in the end.
    overwrite : bool
        Whether an existing file may be replaced.

    Yields
    ------
    Path
        Name of a new file in the same folder. It is gone after a failure.

    Raises
    ------
    ValueError
        If the file exists, its folder does not, or writing failed.
    """
    target = real_path(path)

    def refuse() -> None:
        if target.exists() and not target.is_file():
            raise InputError(f"{path}: is a folder or a device", "give the name of a file")
        if target.exists() and not overwrite:
            raise InputError(f"{path}: exists", "choose another name or --overwrite")

    refuse()
    if not target.parent.is_dir():
        raise InputError(f"{path}: there is no folder {target.parent}", "make it first")
    # Of this machine: what processes run on another one is not known here.
    key = hashlib.sha256(f"{platform.node()}/{target.name}".encode(errors="replace")).hexdigest()[:12]
    _remove_left(target.parent, key)
    temporary = target.with_name(f".nf2ff-{key}-{os.getpid()}-{secrets.token_hex(4)}.tmp")
    try:
        yield temporary
        with temporary.open("rb+") as file:
            os.fsync(file.fileno())
        refuse()
        if target.exists():
            _like(temporary, target.stat())
        temporary.replace(target)
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or " ".join(str(error).split())
        raise InputError(
            f"{path}: cannot be written ({reason})", "free space or choose another folder"
        ) from error
    finally:
        temporary.unlink(missing_ok=True)


def _like(path: Path, old: os.stat_result) -> None:
    """Give a file the permissions of another, and its owner and group where that is allowed."""
    if hasattr(os, "chown"):
        for owner, group in ((-1, old.st_gid), (old.st_uid, -1)):
            with suppress(OSError):
                os.chown(path, owner, group)
    path.chmod(stat.S_IMODE(old.st_mode))


def real_path(path: PathLike) -> Path:
    """The file that a name stands for, symbolic links followed.

    Raises
    ------
    ValueError
        If they lead nowhere.
    """
    found = Path(os.path.realpath(path))
    if found.is_symlink():
        raise InputError(
            f"{path}: is a symbolic link that leads to itself", "remove it, or choose another name"
        )
    return found


def _remove_left(folder: Path, key: str) -> None:
    """Remove temporary files of a target whose process was killed while it wrote them."""
    for left in folder.glob(f".nf2ff-{key}-*.tmp"):
        pid = left.name.split("-")[2]
        if pid.isdecimal() and not _runs(int(pid)):
            left.unlink(missing_ok=True)


def _runs(pid: int) -> bool:
    """Whether there is a process of that number; where that cannot be told, yes."""
    if os.name != "posix":
        return True
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        pass
    return True


def _refuse_compressed(path: PathLike, start: bytes) -> None:
    for sign, name in _COMPRESSED.items():
        if start.startswith(sign):
            raise InputError(f"{path}: is compressed ({name})", "unpack it first")


@contextmanager
def _opened(path: PathLike) -> Iterator[BufferedReader]:
    """A file open for reading; errors in one line."""
    try:
        if Path(path).exists() and not Path(path).is_file():
            raise InputError(f"{path}: is a folder or a device", "give the name of a file")
        with Path(path).open("rb") as file:
            yield file
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file", "check its name and folder") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})", "check its permissions") from error


def read_bytes(path: PathLike, *, limit: int, count: int = -1) -> bytes:
    """The first ``count`` bytes of a file (all of at most ``limit``); errors in one line."""
    if isinstance(path, InputFile):
        return path.take(limit=limit, count=count)
    with _opened(path) as file:
        size = os.fstat(file.fileno()).st_size
        if size > limit and count < 0:
            raise InputError(f"{path}: {size} bytes, the limit is {limit}", "split the file")
        data = file.read(count)
    _refuse_compressed(path, data)
    return data


def read_blocks(path: PathLike, *, size: int, limit: int) -> Iterator[bytes]:
    """A file of at most ``limit`` bytes, ``size`` of them at a time; errors in one line."""
    with _opened(path) as file:
        whole = os.fstat(file.fileno()).st_size
        if whole > limit:
            raise InputError(f"{path}: {whole} bytes, the limit is {limit}", "split the file")
        first = True
        while block := file.read(size):
            if first:
                _refuse_compressed(path, block)
            first = False
            yield block


def read_lines(path: PathLike, *, limit: int) -> Iterator[bytes]:
    """A text of at most ``limit`` bytes in pieces of whole lines, a small one in one; errors in one line."""
    try:
        small = Path(path).stat().st_size <= _MAX_KEPT
    except OSError:  # what is wrong is said where it is opened
        small = True
    if small:
        yield read_bytes(path, limit=limit)
        return
    digest = hashlib.sha256()
    begun: list[bytes] = []
    for block in read_blocks(os.fspath(path), size=_PIECE, limit=limit):
        digest.update(block)
        end = block.rfind(b"\n") + 1
        if end:
            yield b"".join([*begun, block[:end]])
            begun = []
        begun.append(block[end:])
    if any(begun):
        yield b"".join(begun)
    if isinstance(path, InputFile):
        path.read(digest.hexdigest())


class InputFile(os.PathLike[str]):
    """A file to be read, which is opened once for all who look at its start, its text or checksum.

    Parameters
    ----------
    path : path
        Its name. HDF5 is not kept, only its start.
    """

    def __init__(self, path: PathLike) -> None:
        self._path = os.fspath(path)
        self._start: bytes | None = None
        self._text: bytes | None = None
        self._sha256: str | None = None

    def __fspath__(self) -> str:
        return self._path

    def __str__(self) -> str:
        return self._path

    def take(self, *, limit: int, count: int) -> bytes:
        """As `read_bytes`; the text is let go of when it is taken, as it may be large."""
        if self._start is None:
            with _opened(self._path) as file:
                self._start = file.read(_START)
                _refuse_compressed(self._path, self._start)
                large = os.fstat(file.fileno()).st_size > _MAX_KEPT
                if not large and not self._start.startswith(HDF5_SIGNATURE):
                    file.seek(0)
                    self._text = file.read()
                    self._sha256 = hashlib.sha256(self._text).hexdigest()
        if 0 <= count <= _START:
            return self._start[:count]
        text, self._text = self._text, None
        if text is None or len(text) > limit:
            text = read_bytes(self._path, limit=limit, count=count)
            if count < 0:
                self.read(hashlib.sha256(text).hexdigest())
        return text

    def read(self, checksum: str) -> None:
        """Keep the SHA-256 of what was read elsewhere."""
        self._sha256 = self._sha256 or checksum

    def sha256(self) -> str:
        """SHA-256 of what was read, in hexadecimal."""
        return self._sha256 or sha256(self._path)


def first_line(path: PathLike) -> str:
    """The first line of a text that is neither blank nor a comment (``#``, ``!``); maybe none."""
    start = read_bytes(path, limit=0, count=_START)
    if start.startswith(b"PK\x03\x04"):
        raise InputError(f"{path}: is a zip archive, or a spreadsheet", "unpack it, or save it as CSV")
    text = start.decode("utf-8", errors="replace")
    lines = (line.strip() for line in text.lstrip("\ufeff").splitlines())
    return next((line for line in lines if line and line[0] not in "#!"), "")


def refuse_toml(path: PathLike, line: str, expected: str) -> None:
    """Raise where ``line``, the first of a file, is one of TOML.

    Raises
    ------
    ValueError
        It says what is ``expected``, and how that comes of dipoles, such a file's likely content.
    """
    if re.match(r"""\[\[?[^\[\],]+\]\]?\s*(#|$)|[\w."'-]+\s*=""", line):
        raise InputError(f"{path}: is TOML, expected {expected}: nf2ff simulate makes a scan of dipoles")


def refuse_overwrite(output: PathLike, inputs: Iterable[PathLike]) -> None:
    """Raise where ``output`` is one of the ``inputs`` of the same command.

    Raises
    ------
    ValueError
        If they are the same file, under whatever names.
    """
    for path in inputs:
        same = real_path(output) == real_path(path)
        if same or (Path(output).exists() and Path(path).exists() and Path(output).samefile(path)):
            raise InputError(f"{output}: is an input of this command", "choose another name for the output")


def sha256(path: PathLike) -> str:
    """SHA-256 of a file, in hexadecimal."""
    if isinstance(path, InputFile):
        return path.sha256()
    with _opened(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def provenance(
    *, inputs: Iterable[PathLike] = (), command: str = "", seed: int | None = None
) -> dict[str, str]:
    """Where a file comes from, in words; no time, so that equal runs give equal files.

    Parameters
    ----------
    inputs : iterable of path
        Files that were read; their names and SHA-256 are kept.
    command : str
        Command line.
    seed : int, optional
        Seed of the random numbers.

    Returns
    -------
    dict of str to str
        program, libraries and inputs (JSON objects), command, rng_seed.

    Raises
    ------
    ValueError
        If an input cannot be read.
    """
    names = ("numpy", "scipy", "ducc0", "h5py")
    libraries = {"python": platform.python_version(), **{name: _version(name) for name in names}}
    found = {
        "program": f"nf2ff {_version('nf2ff')}",
        "libraries": json.dumps(libraries),
        "inputs": json.dumps({str(path): sha256(path) for path in inputs}),
        "command": command,
    }
    return found if seed is None else found | {"rng_seed": str(seed)}


@cache
def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed as a package"
