"""The command line: one module a topic, loaded only when its command is called."""

from hotspot.cli.main import main

__all__ = ["main"]
