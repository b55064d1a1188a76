"""``nf2ff``, and ``python -m nf2ff``."""

import os
import sys


def main() -> None:
    """Run a command; Ctrl-C ends it in one line from the first import on."""
    try:
        _open_what_is_closed()
        from nf2ff.cli import main as command
        from nf2ff.cli import stop_by_signals

        stop_by_signals()
        command()
    except KeyboardInterrupt:
        sys.stderr.write("nf2ff: stopped\n")
        sys.exit(130)


def _open_what_is_closed() -> None:
    """What goes to a closed output goes nowhere, and not into the next file that is opened."""
    while (number := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass
    os.close(number)
    sys.stdout, sys.stderr = sys.stdout or os.fdopen(1, "w"), sys.stderr or os.fdopen(2, "w")


if __name__ == "__main__":
    main()
