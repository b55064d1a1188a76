"""``python -m nf2ff``."""

from nf2ff.cli import main

if __name__ == "__main__":
    main()
