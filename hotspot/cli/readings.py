"""`hotspot readings`: what the meter says of each rail, and where to inject first."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotspot.cli.bench_store import (
    AfterOption,
    JobOption,
    JsonOption,
    StoreOption,
    opened,
    phase,
    print_json,
    read_text,
    say,
)
from hotspot.errors import InputError

if TYPE_CHECKING:
    from hotspot.board import Board
    from hotspot.rails.reading import Reading

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


@app.command()
def readings(
    values: Annotated[
        list[str] | None, typer.Argument(help="RAIL=VALUE, as read: VSYS=.002 V1V8=OL VDD=2.1k")
    ] = None,
    file: Annotated[
        str | None, typer.Option("--file", help="Readings, one a line or CSV; - for standard input")
    ] = None,
    ohm: Annotated[bool, typer.Option("--ohm", help="Meter set to ohms, not diode mode")] = False,
    black_on_ground: Annotated[
        bool, typer.Option("--black-on-ground", help="Black probe on ground, red on the rail")
    ] = False,
    red_on_ground: Annotated[
        bool, typer.Option("--red-on-ground", help="Red probe on ground, black on the rail")
    ] = False,
    lead_ohms: Annotated[
        float, typer.Option("--lead-ohms", min=0, help="What the meter shows, probes touching")
    ] = 0.0,
    board: Annotated[
        Path | None, typer.Option("--board", help="Board pack (folder) with healthy values")
    ] = None,
    good: Annotated[
        list[str] | None,
        typer.Option("--good", help="Readings of a known-good board; repeat for more boards"),
    ] = None,
    triage: Annotated[
        str, typer.Option("--triage", help="What triage said: main rail short …")
    ] = "",
    job: JobOption = None,
    after: AfterOption = False,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Judge each rail by its readings to ground, and say into which rail to inject first.

    Measure with the board unpowered, the battery out and large capacitors discharged.
    """
    from hotspot.jobs.intake import reading_entries
    from hotspot.rails.order import inject_order
    from hotspot.rails.reading import Mode, Polarity, parse_line
    from hotspot.rails.sheet import parse_readings, verdicts_to_dict
    from hotspot.rails.verdict import judge_readings

    if black_on_ground and red_on_ground:
        raise InputError("one probe on ground, please", where="--red-on-ground")
    polarity = Polarity.UNKNOWN
    if black_on_ground or red_on_ground:
        polarity = Polarity.BLACK_ON_GROUND if black_on_ground else Polarity.RED_ON_GROUND
    mode = Mode.OHM if ohm else Mode.DIODE

    def sheet(name: str) -> tuple[Reading, ...]:
        return parse_readings(
            read_text(name), name=name, mode=mode, polarity=polarity, lead_ohm=lead_ohms
        )

    found = [parse_line(v, mode=mode, polarity=polarity, lead_ohm=lead_ohms) for v in values or ()]
    found += sheet(file) if file else ()
    if not found:
        raise InputError("no readings given", cure="Write for example: hotspot readings VSYS=.002")
    pack = load_pack(board)
    verdicts = judge_readings(found, board=pack, good_boards=[sheet(name) for name in good or ()])
    order = inject_order(verdicts, board=pack, triage_verdict=triage)
    if job is not None:
        with opened(store) as bench:
            bench.add(job, reading_entries(found, phase(after)))
    if as_json:
        print_json(verdicts_to_dict(verdicts, order))
        return
    width = max(len(v.target) for v in verdicts)
    for v in verdicts:
        doubt = "" if v.sure or v.verdict == "unknown" else "?"
        say(f"{v.target.ljust(width)}  {(v.verdict + doubt).ljust(8)}  {'; '.join(v.reasons)}")
    if order:
        first = order[0]
        say(f"Inject first: {first.target}, {first.where} ({'; '.join(first.reasons)})")
        say(f"Next: hotspot plan for {first.target}; battery out, low voltage first.")
    else:
        say("No rail reads short or low: nothing to inject into.")


def load_pack(board: Path | None) -> Board | None:
    """Return the board pack in a folder, None for no folder."""
    if board is None:
        return None
    from hotspot.files.boards import load_board

    return load_board(board)
