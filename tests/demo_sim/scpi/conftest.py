"""The reference instrument of the outside checks serves here too."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "outside"))
