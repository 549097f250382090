"""`hotspot rerun`: analyse the recordings of many jobs again, after an upgrade."""

from __future__ import annotations

import os
import sys
from typing import Annotated, Any

import typer

from hotspot.cli.bench_store import JsonOption, StoreOption, opened, print_json, progress, say

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
EXIT_PROBLEMS = 1


@app.command()
def rerun(
    jobs: Annotated[str, typer.Option("--jobs", help="all, 12 or 1-20,25")],
    workers: Annotated[
        int, typer.Option("--workers", min=0, help="Processes on this machine; 0: one a core")
    ] = 0,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", help="Address of a Dask scheduler: tcp://…")
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Also recordings that this version has analysed")
    ] = False,
    store: StoreOption = None,
    as_json: JsonOption = False,
) -> None:
    """Analyse recordings again and note the new findings; interrupted, it goes on where it was.

    A recording that cannot be analysed is named and left; the others go on. Exit 1 if there were
    any.
    """
    from hotspot.jobs.rerun import parse_jobs, plan_rerun, short_answer
    from hotspot.jobs.rerun import rerun as run

    analysed: list[dict[str, Any]] = []
    problems: list[str] = []
    done = 0
    with opened(store) as bench:
        numbers = parse_jobs(jobs, bench)
        tasks = plan_rerun(bench, numbers, again=again)
        with progress("analysing") as report:
            for answer in run(
                bench, tasks, workers=workers or os.cpu_count() or 1, scheduler=scheduler
            ):
                done += 1
                report(done, len(tasks))
                where = f"job {answer.task.job_id}, recording {answer.task.name}"
                if answer.finding is None:
                    problems.append(f"{where}: {answer.problem}")
                else:
                    analysed.append(
                        {
                            "job": answer.task.job_id,
                            "recording": answer.task.name,
                            "was": answer.task.previous,
                            "now": short_answer(answer.finding),
                        }
                    )
    if as_json:
        print_json(
            {
                "format": 1,
                "recordings": len(tasks),
                "analysed": len(analysed),
                "answers": analysed,
                "problems": problems,
            }
        )
    else:
        for a in analysed:
            was = f" (was {a['was']})" if a["was"] not in ("", a["now"]) else ""
            say(f"job {a['job']}, recording {a['recording']}: {a['now']}{was}")
        for problem in problems:
            sys.stderr.write(problem + "\n")
        say(f"{len(tasks)} recording(s): {len(analysed)} analysed, {len(problems)} could not be")
    if problems:
        sys.exit(EXIT_PROBLEMS)
