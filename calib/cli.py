"""The `calib` command line."""

from __future__ import annotations

import sys


def main() -> None:
    """Run the command line and exit."""
    sys.stderr.write("calib: no command yet\n")
    sys.exit(2)
