"""`hotspot triage`: what the current at the bench supply says."""

from __future__ import annotations

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
    from hotspot.rails.signature import SupplySignature

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)

Text = str | None
Number = float | None


@app.command()
def triage(
    before: Annotated[
        Text, typer.Option("--before", help="Current before the power button: 0.001, 1mA")
    ] = None,
    press: Annotated[
        Text, typer.Option("--press", help="Highest current on pressing the power button")
    ] = None,
    later: Annotated[
        Text, typer.Option("--later", help="Currents after that, about a second apart: 0.1 0.4 0.3")
    ] = None,
    log: Annotated[
        Text, typer.Option("--log", help="CSV of time and current instead; - for standard input")
    ] = None,
    press_at: Annotated[
        Number, typer.Option("--press-at", help="Time of the press in the log, s")
    ] = None,
    limit_a: Annotated[
        Number, typer.Option("--limit-a", min=0, help="Current limit set at the supply")
    ] = None,
    supply_v: Annotated[
        Number, typer.Option("--supply-v", min=0, help="Voltage set at the supply")
    ] = None,
    rules: Annotated[Text, typer.Option("--rules", help="Your own rules (TOML)")] = None,
    job: JobOption = None,
    after: AfterOption = False,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say which rail the current at the supply points at, why, and what to measure next.

    Set the supply to about battery voltage with a low current limit. Battery out, nothing else
    connected.
    """
    from hotspot.rails.triage import load_rules, triage_to_dict
    from hotspot.rails.triage import triage as judge
    from hotspot.store.entries import TriageEntry

    signature = read_signature(
        before=before,
        press=press,
        later=later,
        log=log,
        press_at=press_at,
        limit_a=limit_a,
        supply_v=supply_v,
    )
    book = None if rules is None else load_rules(read_text(rules), name=rules)
    result = judge(signature, book)
    data = triage_to_dict(result)
    if job is not None:
        with opened(store) as bench:
            bench.add(job, [TriageEntry(result.verdict, data, phase(after))])
    if as_json:
        print_json(data)
        return
    confidence = f", confidence {result.confidence:.0%}" if result.reasons else ""
    say(f"{result.verdict}{confidence}")
    for n, reason in enumerate(result.reasons):
        lead = "" if n == 0 else f"or {reason.verdict} ({reason.confidence:.0%}): "
        say(f"  {lead}{reason.says} [{reason.source}]")
    for note in signature.notes:
        say(f"Note: {note}")
    say(f"Next: {result.next}")


def read_signature(
    *,
    before: Text,
    press: Text,
    later: Text,
    log: Text,
    press_at: Number = None,
    limit_a: Number = None,
    supply_v: Number = None,
) -> SupplySignature:
    """Return the signature typed in or logged.

    Raises
    ------
    hotspot.errors.InputError
        If both or neither are given, or something cannot be read.
    """
    from hotspot.rails.current_log import parse_amps, parse_current_log
    from hotspot.rails.signature import build_signature, measure_signature

    typed = [before, press, later]
    if log is not None and any(t is not None for t in typed):
        raise InputError(
            "a log and typed currents at once", where="--log", cure="Give one or the other"
        )
    if log is not None:
        curve = parse_current_log(read_text(log), name=log)
        return measure_signature(
            curve.t_s,
            curve.amps,
            press_s=press_at,
            volts=curve.volts,
            limit_a=limit_a,
            supply_v=supply_v,
        )
    if not any(t is not None for t in typed):
        raise InputError(
            "no current given", cure="Give --before and --press as the supply shows them, or --log"
        )
    words = (later or "").replace(";", " ").split()
    return build_signature(
        before_a=None if before is None else parse_amps(before, name="--before"),
        press_a=None if press is None else parse_amps(press, name="--press"),
        later_a=[parse_amps(w.strip(","), name="--later") for w in words],
        limit_a=limit_a,
        supply_v=supply_v,
    )
