"""`hotspot supply`: check a programmable supply, run a plan on it, practise on a simulated one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotspot.cli.supply_run import print_line, run
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


app.command()(run)


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


def _dialect(path: Path | None) -> Dialect:
    from hotspot.devices.dialect import Dialect, load_dialect

    return Dialect() if path is None else load_dialect(path)
