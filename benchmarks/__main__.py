"""`tables`, run as ``python -m benchmarks``."""

import sys
from pathlib import Path

# The others are programs of their own, which find each other beside them.
sys.path.insert(0, str(Path(__file__).parent))

from tables import main

sys.exit(main())
