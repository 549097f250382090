"""Entry of the `calib` command: pick the command, load only its module, say errors in one line."""

from __future__ import annotations

import importlib
import io
import os
import sys
from collections.abc import Sequence

import typer

from hotspot import __version__
from hotspot.errors import HotspotError

# command: (module, its typer application, one line of help)
COMMANDS: dict[str, tuple[str, str, str]] = {
    "profiles": ("calib.cli.profiles", "profiles", "Kinds of cameras that come with the package"),
    "new": ("calib.cli.profiles", "new", "Make a camera profile: said, asked for, or measured"),
    "check": ("calib.cli.profiles", "check", "Check a camera profile and say what it means"),
    "correct": (
        "calib.cli.values",
        "correct",
        "Surface temperature from a reading, and its error",
    ),
    "reference": ("calib.cli.values", "reference", "Known temperatures: ice, boiling water, Pt100"),
    "counts": ("calib.cli.values", "counts", "What the camera gives for a region"),
    "points": ("calib.cli.values", "points", "Calibrate counts with reference points"),
    "noise": ("calib.cli.noise", "noise", "Noise of a recording: NETD, its parts, averaging"),
    "uniformity": ("calib.cli.uniformity", "uniformity", "Flat field, bad pixels, stripes"),
    "sharpness": ("calib.cli.optics", "sharpness", "Blur from an edge, scale from a strip"),
    "geometry": ("calib.cli.optics", "geometry", "Distortion and mm per pixel from a grid"),
    "emissivity": ("calib.cli.board", "emissivity", "How well each place of a board shines"),
    "report": ("calib.cli.report", "report", "One page: what this camera can see"),
}

EXIT_UNUSABLE_INPUT = 2
EXIT_STOPPED = 130  # 128 + SIGINT, as shells have it


def main(argv: Sequence[str] | None = None) -> None:
    """Run the command line and exit.

    Parameters
    ----------
    argv
        Arguments after the program's name; the process's own when None.
    """
    sys.exit(_run(list(sys.argv[1:] if argv is None else argv)))


def _run(arguments: list[str]) -> int:
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    if not arguments or arguments[0] in ("-h", "--help", "help"):
        sys.stdout.write(_help_text())
        return 0
    if arguments[0] == "--version":
        sys.stdout.write(f"calib {__version__}\n")
        return 0
    name, rest = arguments[0], arguments[1:]
    if name not in COMMANDS:
        return _say(f"calib: no command '{name}'. Type 'calib --help' for the list")
    module, app, _ = COMMANDS[name]
    command = getattr(importlib.import_module(module), app)
    try:
        code = command(args=rest, prog_name=f"calib {name}", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    except HotspotError as error:
        return _say(f"calib {name}: {error.sentence}")
    except OSError as error:
        if isinstance(error, BrokenPipeError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return 0
        where = f"{error.filename}: " if error.filename else ""
        return _say(f"calib {name}: {where}{error.strerror or error}. Choose another place")
    except (KeyboardInterrupt, typer.Abort):
        _say(f"calib {name}: stopped")
        return EXIT_STOPPED
    except Exception as error:
        # A wrong option or argument: typer's own family of errors has no public parent.
        usage = getattr(error, "format_message", None)
        if usage is None:
            raise
        text = usage().rstrip(".")
        return _say(f"calib {name}: {text}. 'calib {name} --help' lists its options")


def _help_text() -> str:
    width = max(len(name) for name in COMMANDS)
    lines = [
        "calib: what a thermal camera's numbers mean, and how well it sees.",
        "",
        "Usage: calib COMMAND [options]      calib COMMAND --help for its options",
        "",
        *(f"  {name.ljust(width)}  {text}" for name, (_, _, text) in COMMANDS.items()),
        "",
        "Boiling water and hot plates scald and burn: follow local codes.",
        "",
    ]
    return "\n".join(lines)


def _say(sentence: str) -> int:
    sys.stderr.write(" ".join(sentence.split()) + "\n")
    return EXIT_UNUSABLE_INPUT
