"""``nf2ff``, and ``python -m nf2ff``."""

import sys


def main() -> None:
    """Run a command; Ctrl-C ends it in one line from the first import on."""
    try:
        from nf2ff.cli import main as command

        command()
    except KeyboardInterrupt:
        sys.stderr.write("nf2ff: stopped\n")
        sys.exit(130)


if __name__ == "__main__":
    main()
