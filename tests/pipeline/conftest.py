"""Lets the tests of this folder make the small sites of the bring_in tests."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "bring_in"))
