"""Run the command line by ``python -m analyzer``."""

from __future__ import annotations

import sys

from analyzer.cli import main

if __name__ == "__main__":
    sys.exit(main())
