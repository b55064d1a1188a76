"""Readers on damaged files, in a process of their own, as a hang of libhdf5 ends only with its process.

For a longer run by hand, over all readers or those that are named, one byte after the other or at random::

    python tests/damage.py --seconds 600
    python tests/damage.py --count 20000 --processes 16
    python tests/damage.py --flip-every 1 samples modes
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
import warnings
import zlib
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

#: Longest that a reader may take [s].
LIMIT = 10
#: What is put into files, here and there.
TOKENS = [
    b"nan", b"-inf", b"1e999", b"-1", b"0", b"1e-320", b"9" * 40, b"0x7f", b"true", b"", b"\0", b"\x1b[2J",
    b"\xff",
    b"\r", b"\n\n", b",,", b";", b'"', b'"""', b"'", b"[", b"]]", b"{", b"=", b"#", b".", b" ", b"\t",
    "\u202e°".encode(), b"\xef\xbb\xbf", b"\x89HDF\r\n\x1a\n",
]  # fmt: skip


def flipped(whole: bytes, at: int) -> bytes:
    """One bit of the byte at an index is wrong; which depends on the index."""
    data = bytearray(whole)
    data[at] ^= 1 << zlib.crc32(b"%d" % at) % 8
    return bytes(data)


def mutated(whole: bytes, name: str, index: int) -> bytes:
    """The file with some faults, always the same for a name and an index."""
    rng = np.random.default_rng([zlib.crc32(name.encode()), index])
    data = bytearray(whole)

    def place() -> tuple[int, int]:
        at = int(rng.integers(len(data) + 1))
        return at, min(len(data), at + int(rng.geometric(0.1)))

    for _ in range(int(rng.geometric(0.4))):
        (at, end), kind = place(), rng.integers(7)
        token = TOKENS[int(rng.integers(len(TOKENS)))]
        if kind == 0:
            data[at:at] = token
        elif kind == 1:
            data[at:end] = token
        elif kind == 2:
            del data[at:end]
        elif kind == 3:
            data[at:end] = rng.bytes(end - at)
        elif kind == 4:
            other, until = place()
            data[at:at] = data[other:until] * int(rng.integers(1, 4))
        elif kind == 5 and at < len(data):
            data[at] ^= 1 << int(rng.integers(8))
        elif kind == 6 and rng.random() < 0.2:
            del data[at:]
    return bytes(data)


# --- in the process that reads -------------------------------------------------------------------


def judged(seed: object, path: Path, right: object) -> str:
    """What a reader makes of a damaged file: "refused", "the same", "other", or what is wrong with that."""
    from corpus import content

    from nf2ff.messages.input_error import InputError

    signal.setitimer(signal.ITIMER_REAL, LIMIT)  # it ends the process
    try:
        found = content(seed.read(path))  # type: ignore[attr-defined]
    except InputError as error:
        return "several lines" if "\n" in str(error) else "refused"
    except Exception as error:
        return f"{type(error).__name__}: {error}"
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
    return "the same" if found == right else "other"


def read_some(folder: Path, jobs: Iterable[Sequence[object]], seconds: float) -> None:
    """Print what readers make of files: of each job its name, kind of damage, and indices from, to, step."""
    from corpus import SEEDS, content

    # As the commands have it: what else Python warns of would be seen on the terminal.
    warnings.simplefilter("error")
    warnings.simplefilter("ignore", RuntimeWarning)
    for name, kind, *steps in jobs:
        seed, start = SEEDS[str(name)], time.monotonic()
        path = folder / f"{name}{seed.suffix}"
        (folder / "at").write_text(json.dumps([name, None]))
        path.unlink(missing_ok=True)
        seed.write(path)
        whole, right = path.read_bytes(), content(seed.read(path))
        found: Counter[str] = Counter()
        first, last, step = (int(str(x)) for x in steps)
        for at in range(first, len(whole) if last < 0 else last, step):
            if time.monotonic() - start > seconds:
                break
            path.write_bytes(flipped(whole, at) if kind == "flip" else mutated(whole, str(name), at))
            (folder / "at").write_text(json.dumps([name, at]))
            verdict = judged(seed, path, right)
            found[verdict] += 1
            if verdict not in ("refused", "the same", "other") or (kind == "flip" and verdict == "other"):
                (folder / f"{name}-{kind}-{at}{seed.suffix}").write_bytes(path.read_bytes())
        print(json.dumps([name, kind, found]), flush=True)


# --- in the process that asks --------------------------------------------------------------------


def run(
    folder: Path, jobs: Sequence[Sequence[object]], *, seconds: float = 1e9
) -> dict[tuple[str, str], Counter[str]]:
    """Verdicts by name and kind of damage; after a hang or a crash, one of them, it goes on behind it."""
    found: dict[tuple[str, str], Counter[str]] = {}
    left = list(jobs)
    while left:
        words = [sys.executable, __file__, "--child", str(folder), json.dumps(left), str(seconds)]
        done = subprocess.run(words, stdout=subprocess.PIPE, text=True, check=False)
        told = [json.loads(line) for line in done.stdout.splitlines()]
        for name, kind, verdicts in told:
            found[name, kind] = found.get((name, kind), Counter()) + Counter(verdicts)
        left = left[len(told) :]
        if not done.returncode:
            break
        name, at = json.loads((folder / "at").read_text())
        if at is None:
            raise SystemExit(f"{name}: the whole file cannot be read")
        fault = "hangs" if done.returncode == -signal.SIGALRM else f"ends with {done.returncode}"
        _, kind, _, last, step = left[0]
        found[name, kind] = found.get((name, kind), Counter()) + Counter({f"{fault} at {at}": 1})
        left[0] = [name, kind, at + step, last, step]
    return found


def main() -> int:
    """Read until the time is over, and say what was found."""
    if sys.argv[1:2] == ["--child"]:
        read_some(Path(sys.argv[2]), json.loads(sys.argv[3]), float(sys.argv[4]))
        return 0
    from corpus import NATIVE, SEEDS

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help=f"some of: {', '.join(SEEDS)}")
    parser.add_argument("--seconds", type=float, default=60.0, help="for all of them together")
    parser.add_argument(
        "--flip-every", type=int, help="one wrong bit in each byte, or each n-th, of native files"
    )
    parser.add_argument("--first", type=int, default=0, help="index of the first mutation")
    parser.add_argument("--count", type=int, help="mutations of each reader, in the place of seconds")
    parser.add_argument("--processes", type=int, default=1, help="among which the work is shared")
    asked = parser.parse_args()
    folder, share = Path(tempfile.mkdtemp(prefix="damage-")), asked.processes
    flips = asked.flip_every is not None
    names = asked.names or list(NATIVE if flips else SEEDS)
    each = 1e9 if flips or asked.count else asked.seconds / len(names)

    def shared(which: int) -> dict[tuple[str, str], Counter[str]]:
        own = folder / str(which)
        own.mkdir()
        if flips:
            how = ["flip", which * asked.flip_every, -1, share * asked.flip_every]
        else:
            last = asked.first + asked.count if asked.count else 10**9
            how = ["fuzz", asked.first + which, last, share]
        return run(own, [[name, *how] for name in names], seconds=each)

    with ThreadPoolExecutor(share) as pool:
        parts = list(pool.map(shared, range(share)))
    bad = 0
    for name, kind in parts[0]:
        verdicts = sum((part.get((name, kind), Counter()) for part in parts), Counter())
        print(f"{name}, {kind}, {verdicts.total()}: {dict(verdicts)}")
        good = {"refused", "the same"} | ({"other"} if kind == "fuzz" else set())
        bad += sum(count for verdict, count in verdicts.items() if verdict not in good)
    print(f"{bad} faults; files in {folder}")
    return min(bad, 1)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    sys.exit(main())
