"""The `calib` command line."""

from calib.cli.main import main

__all__ = ["main"]
