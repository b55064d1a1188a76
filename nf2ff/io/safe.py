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
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version
from io import BufferedReader
from pathlib import Path

from nf2ff.messages.input_error import InputError

PathLike = str | os.PathLike[str]

HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"
#: Bytes at the start of a file by which its kind is told.
_START = 2**16
#: Largest text that is kept between looking at its start and reading it [bytes].
_MAX_KEPT = 4 * 2**30


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
    target = Path(path).resolve()

    def refuse() -> None:
        if target.exists() and not target.is_file():
            raise InputError(f"{path}: is a folder or a device", "give the name of a file")
        if target.exists() and not overwrite:
            raise InputError(f"{path}: exists", "choose another name or --overwrite")

    refuse()
    if not target.parent.is_dir():
        raise InputError(f"{path}: there is no folder {target.parent}", "make it first")
    temporary = target.with_name(f".nf2ff-{secrets.token_hex(6)}.tmp")
    try:
        yield temporary
        with temporary.open("rb+") as file:
            os.fsync(file.fileno())
        refuse()
        if target.exists():
            temporary.chmod(stat.S_IMODE(target.stat().st_mode))
        temporary.replace(target)
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or " ".join(str(error).split())
        raise InputError(
            f"{path}: cannot be written ({reason})", "free space or choose another folder"
        ) from error
    finally:
        temporary.unlink(missing_ok=True)


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
        return file.read(count)


def read_blocks(path: PathLike, *, size: int, limit: int) -> Iterator[bytes]:
    """A file of at most ``limit`` bytes, ``size`` of them at a time; errors in one line."""
    with _opened(path) as file:
        whole = os.fstat(file.fileno()).st_size
        if whole > limit:
            raise InputError(f"{path}: {whole} bytes, the limit is {limit}", "split the file")
        while block := file.read(size):
            yield block


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
                large = os.fstat(file.fileno()).st_size > _MAX_KEPT
                if not large and not self._start.startswith(HDF5_SIGNATURE):
                    file.seek(0)
                    self._text = file.read()
                    self._sha256 = hashlib.sha256(self._text).hexdigest()
        if 0 <= count <= _START:
            return self._start[:count]
        text, self._text = self._text, None
        if text is None or len(text) > limit:
            return read_bytes(self._path, limit=limit, count=count)
        return text

    def sha256(self) -> str:
        """SHA-256 of what was read, in hexadecimal."""
        return self._sha256 or sha256(self._path)


def first_line(path: PathLike) -> str:
    """The first line of a text that is neither blank nor a comment (``#``, ``!``); maybe none."""
    start = read_bytes(path, limit=0, count=_START).decode("utf-8", errors="replace")
    lines = (line.strip() for line in start.lstrip("\ufeff").splitlines())
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
        same = Path(output).resolve() == Path(path).resolve()
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


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed as a package"
