"""`hotspot supply`: check a programmable supply, run a plan on it, practise on a simulated one."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotspot.errors import InputError

if TYPE_CHECKING:
    from hotspot.devices.dialect import Dialect

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, no_args_is_help=True)

Address = Annotated[str, typer.Argument(help="VISA address, such as TCPIP::HOST::5025::SOCKET")]
Words = Annotated[Path | None, typer.Option("--dialect", help="TOML file of its words")]


@app.command("list")
def list_addresses() -> None:
    """List the serial, USB and network instruments that can be seen (sockets are not listed)."""
    from hotspot.devices.link import find_addresses

    found = find_addresses()
    print_line("\n".join(found) if found else "No instrument is seen. A socket has to be named.")


@app.command()
def check(address: Address, dialect: Words = None) -> None:
    """Talk to a supply with its output off: identity, read-back, refusal, protections, speed."""
    from hotspot.bench.check import check_supply

    report = check_supply(address, dialect=_dialect(dialect))
    for line in report.lines:
        print_line(line)
    if not report.usable:
        raise typer.Exit(1)


@app.command()
def run(
    address: Address,
    plan: Annotated[Path, typer.Option("--plan", help="Made by: hotspot plan … --json")],
    log: Annotated[Path, typer.Option("--log", help="injection.csv to write")],
    dialect: Words = None,
    pulse_minutes: Annotated[
        float | None, typer.Option("--pulse-minutes", help="A pulse train instead of the ladder")
    ] = None,
    no_camera: Annotated[
        bool, typer.Option("--no-camera", help="Run although no camera guards the temperature")
    ] = False,
    by_hand: Annotated[
        bool, typer.Option("--by-hand", help="Address is ignored; the cues are for you")
    ] = False,
) -> None:
    """Run a plan: set, read back, switch on, watch, log, and off on every way out.

    The live view of the app runs the same with the camera as a guard; here there is none, so
    --no-camera has to be said. Ctrl-C switches off.
    """
    from hotspot.bench.log import InjectionLog
    from hotspot.bench.run import COMPLETE, Interrupted, run_schedule
    from hotspot.bench.schedule import load_schedule
    from hotspot.bench.session import open_supply
    from hotspot.devices.supply import ManualSupply

    if not no_camera:
        cure = "Use the app's live view, or say --no-camera and watch the board yourself"
        raise InputError("no camera guards the temperature here", cure=cure)
    if pulse_minutes is not None and not 0.0 < pulse_minutes <= 60.0:
        raise InputError(f"{pulse_minutes:g} is outside 0 to 60", where="--pulse-minutes")
    schedule = load_schedule(plan, pulse_minutes=pulse_minutes)
    print_line(f"{len(schedule.segments)} segments, {schedule.length_s:.0f} s")
    words = _dialect(dialect)
    try:
        with InjectionLog(log) as book:
            if by_hand:
                hand = ManualSupply(_cue, bounds=schedule.bounds)
                report = run_schedule(hand, schedule, log=book, tell=print_line)
            else:
                with open_supply(address, words, schedule=schedule) as supply:
                    print_line(f"{supply.name}: output is off")
                    report = run_schedule(supply, schedule, log=book, tell=print_line)
    except Interrupted as signal:
        print_line(f"stopped. {signal}: output off, confirmed before this program ended")
        raise typer.Exit(130) from signal
    print_line(f"{report.outcome}. {report.reason}".strip())
    sure = "confirmed by the supply" if report.off_confirmed else "as you said"
    print_line(f"Output off, {sure}, {report.off_s * 1e3:.0f} ms after it was asked for.")
    if words.set_over_volts and not by_hand:
        trip = schedule.bounds
        print_line(f"Its own protections stay armed at {trip.trip_v:g} V, {trip.trip_a:g} A.")
    if report.in_voltage_mode is not None:
        print_line(
            f"Segment {report.in_voltage_mode + 1} stayed in constant voltage: the short is not "
            "dead, the rail is wrong, or a contact is poor. Measure the rail again."
        )
    if report.outcome != COMPLETE:
        raise typer.Exit(1)


@app.command()
def practice(
    port: Annotated[int, typer.Option("--port", help="TCP port")] = 5025,
    short_ohm: Annotated[float, typer.Option("--short-ohm", help="Short on the board")] = 0.05,
    lead_ohm: Annotated[float, typer.Option("--lead-ohm", help="Leads and clips")] = 0.06,
) -> None:
    """Run a simulated supply with a shorted board on it, to practise on; Ctrl-C ends it."""
    import threading

    from hotspot.practice.supply_server import LoadedSupply, SupplyServer

    if not (short_ohm >= 0 and lead_ohm >= 0):
        raise InputError("a resistance below 0 Ω", cure="Give 0 or more")
    try:
        server = SupplyServer(LoadedSupply(short_ohm=short_ohm, lead_ohm=lead_ohm), port=port)
    except (OSError, OverflowError) as err:
        cure = "Give another with --port"
        raise InputError(f"port {port} cannot be used: {err}", cure=cure) from err
    with server:
        print_line(f"Practice supply at {server.address}")
        try:
            threading.Event().wait()
        except KeyboardInterrupt:
            print_line("ended")


def print_line(text: str) -> None:
    """Write one line to standard output at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _dialect(path: Path | None) -> Dialect:
    from hotspot.devices.dialect import Dialect, load_dialect

    return Dialect() if path is None else load_dialect(path)


def _cue(what: str) -> bool:
    return typer.confirm(f"{what}. Done?", default=False)
