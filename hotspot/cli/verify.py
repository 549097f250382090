"""`hotspot verify`: is the board repaired."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from hotspot.cli.bench_store import JsonOption, StoreOption, opened, print_json, say
from hotspot.cli.readings import load_pack
from hotspot.cli.triage import read_signature
from hotspot.errors import InputError

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)

Many = list[str] | None
Text = str | None


@app.command()
def verify(
    job: Annotated[
        int | None, typer.Argument(help="Job: verify with all that is noted in it", min=1)
    ] = None,
    first: Annotated[
        Path | None, typer.Option("--first", help="Finding before: finding.json or its folder")
    ] = None,
    second: Annotated[
        Path | None, typer.Option("--second", help="Finding after: finding.json or its folder")
    ] = None,
    reading_before: Annotated[
        Many, typer.Option("--reading-before", help="VSYS=0.002; repeat")
    ] = None,
    reading_after: Annotated[
        Many, typer.Option("--reading-after", help="VSYS=0.34; repeat")
    ] = None,
    removed: Annotated[Many, typer.Option("--removed", help="Part taken off; repeat")] = None,
    board: Annotated[Path | None, typer.Option("--board", help="Board pack (folder)")] = None,
    before: Annotated[
        Text, typer.Option("--before", help="Power-up: current before the power button")
    ] = None,
    press: Annotated[Text, typer.Option("--press", help="Power-up: current on pressing it")] = None,
    later: Annotated[Text, typer.Option("--later", help="Power-up: currents after that")] = None,
    log: Annotated[Text, typer.Option("--log", help="Power-up: CSV of time and current")] = None,
    healthy_log: Annotated[
        Text, typer.Option("--healthy-log", help="The same log of a healthy board")
    ] = None,
    limit_a: Annotated[
        float | None, typer.Option("--limit-a", min=0, help="Current limit set at the supply")
    ] = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare before and after: "repaired", "another fault" or "not confirmed".

    With a job number everything noted in the job is compared and the verdict is noted in it;
    without one, what is given here.
    """
    from hotspot.jobs.intake import read_finding
    from hotspot.jobs.verify import job_board, verify_job
    from hotspot.rails.reading import parse_line
    from hotspot.rails.verdict import judge_readings
    from hotspot.rails.verification import (
        compare_findings,
        compare_power_up,
        compare_verdicts,
        verification_to_dict,
        verify_repair,
    )
    from hotspot.store.entries import VerificationEntry

    pack = load_pack(board)
    healthy = None
    if healthy_log is not None:
        healthy = read_signature(before=None, press=None, later=None, log=healthy_log)
    if job is not None:
        given = (first, second, reading_before, reading_after, removed, before, press, later, log)
        if any(g is not None for g in given):
            raise InputError(
                "a job and single values at once",
                where=f"job {job}",
                cure=f"Note them first: hotspot job add {job} --after …",
            )
        with opened(store) as bench:
            file = bench.job_file(job)
            result = verify_job(file, board=pack or job_board(bench, file), healthy=healthy)
            data = verification_to_dict(result)
            bench.add(job, [VerificationEntry(result.verdict, data)])
    else:
        now = None
        if any(t is not None for t in (before, press, later, log)):
            now = read_signature(before=before, press=press, later=later, log=log, limit_a=limit_a)
        was, now_reads = (
            judge_readings([parse_line(r) for r in values or ()], board=pack)
            for values in (reading_before, reading_after)
        )
        evidence = (
            *compare_verdicts(was, now_reads),
            *compare_findings(
                None if first is None else read_finding(first),
                None if second is None else read_finding(second),
                removed=removed or (),
            ),
            *compare_power_up(now, healthy),
        )
        if not evidence:
            raise InputError(
                "nothing to compare", cure="Give a job number, or readings, findings, currents"
            )
        result = verify_repair(evidence)
        data = verification_to_dict(result)
    if as_json:
        print_json(data)
        return
    say(result.verdict)
    for piece in result.evidence:
        say(f"  {piece.kind} ({piece.speaks}): {piece.says}")
    say(f"Next: {result.next}")
