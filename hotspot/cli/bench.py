"""`hotspot bench`: the whole job on one screen beside the microscope."""

from __future__ import annotations

import socket
from typing import Annotated

import typer

from hotspot.errors import InputError

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)


@app.command()
def bench(
    port: Annotated[int, typer.Option("--port", min=1024, max=65535, help="Port")] = 8501,
    listen: Annotated[
        str,
        typer.Option(
            "--listen", help="Address to listen on; other than 127.0.0.1 asks for a token"
        ),
    ] = "127.0.0.1",
    name: Annotated[
        list[str] | None,
        typer.Option("--name", help="Name under which browsers reach this machine; repeat"),
    ] = None,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the page in a browser")
    ] = True,
) -> None:
    """Open the bench app in a browser.

    It serves this machine only. With --listen it serves the network: every browser then needs the
    token that is printed with the address (or set it in HOTSPOT_BENCH_TOKEN). Traffic is not
    encrypted: use it in a network you trust, or behind a proxy with TLS.
    """
    from hotspot.app.server import serve, to_rules

    _check_free(listen, port)
    rules = to_rules(listen, names=name or ())
    if rules.token is not None:
        host = next(iter(name or ()), listen if listen != "0.0.0.0" else socket.gethostname())
        typer.echo(f"Open to the network: http://{host}:{port}/?token={rules.token}")
    else:
        typer.echo(f"http://{listen}:{port}/  (this machine only; Ctrl+C ends it)")
    serve(address=listen, port=port, browser=browser, rules=rules)


def _check_free(address: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except (OSError, UnicodeError) as err:
            raise InputError(
                f"cannot listen there ({getattr(err, 'strerror', None) or err})",
                where=f"{address}:{port}",
                cure="Choose another --port, or close the other program",
            ) from err
