"""Entry of the `hotspot` command: pick the command, load only its module, say errors in one line.

The table below is the whole list of commands. A command's module holds a typer application called
``app``; it is imported only when the command is called, so that ``hotspot --help`` stays fast.
"""

from __future__ import annotations

import importlib
import io
import os
import sys
from collections.abc import Sequence

import typer

from hotspot import __version__
from hotspot.errors import HotspotError

# command: (module with a typer `app`, one line of help)
COMMANDS: dict[str, tuple[str, str]] = {
    "find": ("hotspot.cli.find", "Name the heated part in a recording"),
    "demo": ("hotspot.cli.demo", "Run the main job on the sample recording"),
    "board": ("hotspot.cli.board", "Make, check and draw the part map of a board"),
    "register": ("hotspot.cli.register", "Lay a recording on the board's photo; name wrong clicks"),
    "evidence": ("hotspot.cli.evidence", "Check that a saved picture is unaltered"),
    "plan": ("hotspot.cli.plan", "Safe voltage and current for a shorted rail, what will be seen"),
    "supply": ("hotspot.cli.supply", "Check a bench supply, run a plan on it, practise"),
    "practice": ("hotspot.cli.practice", "Make practice recordings with known truth"),
    "triage": ("hotspot.cli.triage", "What the current at the bench supply says"),
    "readings": ("hotspot.cli.readings", "Judge rails by meter readings; which to inject first"),
    "verify": ("hotspot.cli.verify", "Is the board repaired: readings, recordings, power-up"),
    "job": ("hotspot.cli.job", "Repair jobs: new, list, show, add, close, export, backup"),
    "report": ("hotspot.cli.report", "Hand-over report of a job as PDF"),
    "bench": ("hotspot.cli.bench", "The whole job on one screen, with the live picture"),
    "rerun": ("hotspot.cli.rerun", "Analyse the recordings of many jobs again"),
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
    arguments = list(sys.argv[1:] if argv is None else argv)
    sys.exit(_run(arguments))


def _run(arguments: list[str]) -> int:
    for stream in (sys.stdout, sys.stderr):
        # A terminal that has no Ω shows a question mark; it is no reason to stop.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    if not arguments or arguments[0] in ("-h", "--help", "help"):
        _write(_help_text())
        return 0
    if arguments[0] == "--version":
        _write(f"hotspot {__version__}\n")
        return 0
    name, rest = arguments[0], arguments[1:]
    if name not in COMMANDS:
        _say(f"hotspot: no command '{name}'. Type 'hotspot --help' for the list")
        return EXIT_UNUSABLE_INPUT
    module = importlib.import_module(COMMANDS[name][0])
    if not rest and module.app.info.no_args_is_help is True:
        rest = ["--help"]  # a group of commands by itself: what there is, and no complaint
    try:
        code = module.app(args=rest, prog_name=f"hotspot {name}", standalone_mode=False)
        sys.stdout.flush()  # a reader that has gone is noticed here, not while shutting down
        return code if isinstance(code, int) else 0
    except SystemExit as stop:
        return stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    except HotspotError as error:
        _say(f"hotspot {name}: {error.sentence}")
        return EXIT_UNUSABLE_INPUT
    except (KeyboardInterrupt, typer.Abort):
        _say(f"hotspot {name}: stopped")
        return EXIT_STOPPED
    except BrokenPipeError:
        # The reader of our output (head, a pager) has gone; that is no fault.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        # A wrong option or argument: typer's own family of errors has no public parent.
        usage = getattr(error, "format_message", None)
        if usage is None:
            raise
        _say(f"hotspot {name}: {usage().rstrip('.')}. 'hotspot {name} --help' lists its options")
        return EXIT_UNUSABLE_INPUT


def _help_text() -> str:
    width = max(len(name) for name in COMMANDS)
    lines = [
        "hotspot: find the shorted part on a board from a thermal recording.",
        "",
        "Usage: hotspot COMMAND [options]      hotspot COMMAND --help for its options",
        "",
        *(f"  {name.ljust(width)}  {text}" for name, (_, text) in COMMANDS.items()),
        "",
        "Disconnect the battery and every other source before injecting current. Hot parts,",
        "lithium cells, bursting parts and fumes can hurt: follow local codes.",
        "",
    ]
    return "\n".join(lines)


def _write(text: str) -> None:
    sys.stdout.write(text)


def _say(sentence: str) -> None:
    sys.stderr.write(" ".join(sentence.split()) + "\n")
