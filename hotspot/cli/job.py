"""`hotspot job`: open a job, note what is done, close it, export it, keep the store safe."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hotspot.cli.bench_store import (
    AfterOption,
    JsonOption,
    StoreOption,
    opened,
    phase,
    print_json,
    progress,
    say,
)
from hotspot.errors import InputError

if TYPE_CHECKING:
    from hotspot.store.entries import Entry, Job, Outcome, Status

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, no_args_is_help=True)

JobNumber = Annotated[int, typer.Argument(help="Job number", min=1)]
Many = list[str] | None
EXIT_PROBLEMS = 1


@app.command()
def new(
    customer: Annotated[str, typer.Option("--customer", help="Your reference for the customer")],
    board: Annotated[
        str, typer.Option("--board", help="Board type, or its board pack (folder), which is kept")
    ] = "",
    complaint: Annotated[str, typer.Option("--complaint", help="What is wrong")] = "",
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Open a job and print its number."""
    from hotspot.jobs.intake import BOARD, keep_folder

    pack = Path(board) if board and Path(board).is_dir() else None
    name = board
    if pack is not None:
        from hotspot.files.boards import load_board

        name = load_board(pack).name
    if not customer.strip():
        raise InputError("is empty", where="--customer", cure="Give your reference, such as K-1041")
    with opened(store) as bench:
        job = bench.new_job(customer=customer, board_type=name, complaint=complaint)
        if pack is not None:
            bench.add(job.id, keep_folder(bench, pack, kind=BOARD, phase=phase(False)))
        seen = bench.fault_history(name).sentence if name else ""
    if as_json:
        print_json({"format": 1, "job": _plain(job), "history": seen})
        return
    say(f"job {job.id}")
    if seen:
        say(seen)


@app.command("list")
def list_jobs(
    text: Annotated[str, typer.Argument(help="Part of customer, board type or complaint")] = "",
    status: Annotated[str | None, typer.Option("--status", help="open, waiting or closed")] = None,
    board: Annotated[str | None, typer.Option("--board", help="Only this board type")] = None,
    limit: Annotated[int, typer.Option("--limit", min=1, max=1000, help="At most so many")] = 50,
    before: Annotated[int | None, typer.Option("--before", help="Older than this job")] = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """List jobs, newest first."""
    from hotspot.store.entries import Status

    wanted = None if status is None else _word(Status, status, "--status")
    with opened(store) as bench:
        jobs = bench.find_jobs(text, status=wanted, board_type=board, limit=limit, before_id=before)
    if as_json:
        print_json({"format": 1, "jobs": [_plain(j) for j in jobs]})
        return
    for j in jobs:
        state = f"{j.status}" + (f", {j.outcome}" if j.outcome else "")
        say(f"{j.id:>6}  {j.opened_at:%Y-%m-%d}  {state:<22} {j.customer:<12} "
            f"{j.board_type:<20} {j.complaint}".rstrip())  # fmt: skip
    if not jobs:
        say("no jobs")
    elif len(jobs) == limit:
        say(f"older ones: --before {jobs[-1].id}")


@app.command()
def show(job: JobNumber, store: StoreOption = None, as_json: JsonOption = False) -> None:
    """Show everything noted in a job."""
    from hotspot.jobs.export import job_to_dict
    from hotspot.jobs.story import job_lines

    with opened(store) as bench:
        file = bench.job_file(job)
        seen = bench.fault_history(file.job.board_type, without_job=job).sentence
    if as_json:
        print_json({**job_to_dict(file), "history": seen})
        return
    for line in job_lines(file, seen):
        say(line)


@app.command()
def add(
    job: JobNumber,
    reading: Annotated[Many, typer.Option("--reading", help="VSYS=0.34; repeat")] = None,
    action: Annotated[Many, typer.Option("--action", help="removed C17; repeat")] = None,
    note: Annotated[Many, typer.Option("--note", help="Free text; repeat")] = None,
    recording: Annotated[
        list[Path] | None, typer.Option("--recording", help="Recording (folder), copied; repeat")
    ] = None,
    in_place: Annotated[
        bool, typer.Option("--in-place", help="Leave recordings where they are, note only the path")
    ] = False,
    finding: Annotated[
        list[Path] | None, typer.Option("--finding", help="Folder of 'find --out', or finding.json")
    ] = None,
    plan: Annotated[
        list[Path] | None, typer.Option("--plan", help="Output of 'plan --json'; repeat")
    ] = None,
    rail: Annotated[str, typer.Option("--rail", help="Rail of the plan")] = "",
    picture: Annotated[
        list[Path] | None, typer.Option("--picture", help="Photo for the report; repeat")
    ] = None,
    file: Annotated[
        list[Path] | None, typer.Option("--file", help="Any other file; repeat")
    ] = None,
    after: AfterOption = False,
    store: StoreOption = None,
) -> None:
    """Note readings, actions, recordings, findings, plans, pictures and files in a job.

    All of one call goes in, or nothing.
    """
    from hotspot.jobs import intake
    from hotspot.rails.reading import parse_line
    from hotspot.store.entries import PlanEntry

    when = phase(after)
    entries: list[Entry] = []
    entries += intake.reading_entries([parse_line(r) for r in reading or ()], when)
    entries += [intake.parse_action(a) for a in action or ()]
    entries += [intake.parse_action(f"note {n}") for n in note or ()]
    for path in plan or ():
        data = intake.read_json(path, what="the output of 'hotspot plan --json'")
        if "ladder" not in data:
            raise InputError("holds no plan", where=str(path), cure="Save 'hotspot plan --json'")
        entries.append(PlanEntry(rail, data))
    with opened(store) as bench:
        bench.job(job)  # a wrong number is said before anything is copied
        for path in recording or ():
            entries.append(intake.keep_recording(bench, path, phase=when, in_place=in_place))
        for kind, paths in ((intake.PICTURE, picture), (intake.FILE, file)):
            entries += [intake.keep_file(bench, p, kind=kind, phase=when) for p in paths or ()]
        entries += [intake.keep_finding(bench, p, phase=when) for p in finding or ()]
        if not entries:
            raise InputError("nothing to add", cure="See 'hotspot job add --help'")
        bench.add(job, entries)
    say(f"job {job}: {len(entries)} noted")


@app.command()
def close(
    job: JobNumber,
    outcome: Annotated[
        str, typer.Option("--outcome", help="repaired, not-repaired or no-fault-found")
    ],
    version: Annotated[
        int | None, typer.Option("--version", help="Refuse if it is not this version any more")
    ] = None,
    store: StoreOption = None,
) -> None:
    """Close a job."""
    from hotspot.store.entries import Outcome, Status

    how = _word(Outcome, outcome.replace("-", " "), "--outcome")
    changed = _change(store, job, version, status=Status.CLOSED, outcome=how)
    say(f"job {changed.id} closed: {changed.outcome}")


@app.command()
def reopen(job: JobNumber, store: StoreOption = None) -> None:
    """Open a closed or waiting job again."""
    from hotspot.store.entries import Status

    say(f"job {_change(store, job, None, status=Status.OPEN).id} open")


@app.command()
def wait(job: JobNumber, store: StoreOption = None) -> None:
    """Set a job aside: it waits for a part or for the customer."""
    from hotspot.store.entries import Status

    say(f"job {_change(store, job, None, status=Status.WAITING).id} waiting")


@app.command()
def export(
    job: JobNumber,
    out: Annotated[Path | None, typer.Option("--out", help="Zip to write; else job-N.zip")] = None,
    store: StoreOption = None,
) -> None:
    """Write one job with everything in it to a zip, with a list of hashes."""
    from hotspot.jobs.export import export_job

    path = out or Path(f"job-{job}.zip")
    with opened(store) as bench:
        export_job(bench, job, path)
    say(str(path))


@app.command()
def check(
    job: Annotated[int | None, typer.Argument(help="Job number; all when left out")] = None,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check that nothing in the store is missing or altered; exit 1 if something is."""
    from hotspot.store.check import check_store

    with opened(store) as bench, progress("checking") as report:
        found = check_store(bench, job_id=job, progress=report)
    if as_json:
        print_json({"format": 1, "jobs": found.jobs, "files": found.files,
                    "problems": list(found.problems)})  # fmt: skip
    else:
        for problem in found.problems:
            say(problem)
        state = f"{len(found.problems)} problem(s)" if found.problems else "all in order"
        say(f"{found.jobs} job(s), {found.files} file(s): {state}")
    if found.problems:
        sys.exit(EXIT_PROBLEMS)


@app.command()
def backup(
    out: Annotated[Path, typer.Argument(help="Zip to write")], store: StoreOption = None
) -> None:
    """Write the whole store to one zip."""
    from hotspot.store.archive import backup as write

    with opened(store) as bench, progress("writing") as report:
        write(bench, out, progress=report)
        say(f"{bench.count_jobs()} job(s) in {out}")


@app.command()
def restore(
    source: Annotated[Path, typer.Argument(help="Zip of 'hotspot job backup'")],
    store: StoreOption = None,
) -> None:
    """Fill an empty store from a backup."""
    from hotspot.store.archive import restore as read

    with opened(store) as bench, progress("reading") as report:
        say(f"{read(bench, source, progress=report)} job(s) restored")


@app.command()
def benchmark(
    jobs: Annotated[int, typer.Option("--jobs", min=100, help="Jobs to make")] = 100_000,
    store: Annotated[
        str | None, typer.Option("--store", help="An empty store; else a temporary SQLite file")
    ] = None,
) -> None:
    """Measure list, search and history in a store full of made-up jobs."""
    from hotspot.jobs.benchmark import LIMIT_MS, measure_store

    for name, median_ms in measure_store(jobs, url=store):
        say(f"{name:<24} {median_ms:8.2f} ms   {median_ms / LIMIT_MS:6.3f} of {LIMIT_MS:g} ms")


def _change(
    url: str | None,
    job: int,
    version: int | None,
    *,
    status: Status,
    outcome: Outcome | None = None,
) -> Job:
    with opened(url) as bench:
        seen = bench.job(job).version if version is None else version
        return bench.update_job(job, version=seen, status=status, outcome=outcome)


def _word(kind: Any, text: str, where: str) -> Any:
    try:
        return kind(text.casefold())
    except ValueError as err:
        words = ", ".join(str(k) for k in kind)
        raise InputError(f"unknown word {text!r}", where=where, cure=f"One of {words}") from err


def _plain(job: Job) -> dict[str, Any]:
    return {
        name: value.isoformat() if isinstance(value, datetime) else value
        for name in job.__dataclass_fields__
        for value in [getattr(job, name)]
    }
