"""`python -m fencemap` is the same as `fencemap`."""

from __future__ import annotations

import sys

from fencemap.cli import main

if __name__ == "__main__":
    sys.exit(main())
