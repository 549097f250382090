"""The answer on the terminal: short, in the order in which one acts on it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console
from rich.padding import Padding
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from hotspot.evidence import words
from hotspot.finding import CANNOT_TELL
from hotspot.jobs.analysis import Analysis
from hotspot.jobs.analysis import Progress as Report


@contextmanager
def progress_on_stderr() -> Iterator[Report]:
    """Yield a callback that draws a bar on standard error, when a person looks at it."""
    if not sys.stderr.isatty():
        yield lambda share, what: None
        return
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("reading", total=1.0)
        yield lambda share, what: bar.update(task, completed=share, description=what)


class _Paper(Console):
    def on_broken_pipe(self) -> None:
        # rich would leave with exit code 1; the entry of the program knows better.
        raise BrokenPipeError


def print_answer(analysis: Analysis, *, saved: tuple[Path, ...] = ()) -> None:
    """Print verdict, suspects, place, how it was measured, next steps, cautions and warnings."""
    finding, recording = analysis.finding, analysis.recording
    console = _Paper(highlight=False)
    console.print()
    console.print(Text(words.headline(finding), style="bold"))
    console.print(
        Text(" ".join((words.verdict_sentence(finding), *words.limit_sentences(finding))))
    )
    if finding.verdict == CANNOT_TELL and finding.warnings:
        console.print(Text("Why: " + "; ".join(w.rstrip(".") for w in finding.warnings)))
    console.print()
    if finding.suspects:
        console.print(Padding(_suspect_table(analysis), (0, 0, 1, 2), expand=False))
    facts = Table.grid(padding=(0, 3, 0, 0))
    facts.add_column(style="dim", no_wrap=True)
    facts.add_column()
    for spot in finding.spots[:4]:
        name = "Current path" if spot.role == "path" else "Spot"
        facts.add_row(
            name,
            Text(
                f"{words.rise(spot.peak_k, unit=finding.heat.unit)} at"
                f" {words.place_words(spot, board=analysis.board)}"
            ),
        )
    if analysis.rail:
        facts.add_row("Rail", Text(analysis.rail))
    facts.add_row("Current", Text(words.injection_words(finding, recording)))
    facts.add_row("Frames", Text(words.frame_words(finding)))
    facts.add_row("Position", Text(words.registration_words(finding)))
    console.print(Padding(facts, (0, 0, 1, 2), expand=False))
    _print_list(console, "What to do next", words.next_steps(finding, rail=analysis.rail))
    _print_list(console, "Take care", words.CAUTIONS)
    if finding.warnings and finding.verdict != CANNOT_TELL:
        _print_list(console, "Warnings", finding.warnings)
    if saved:
        console.print(Text("Evidence", style="dim"))
        for path in saved:
            console.print(Text(f"  {path}"), soft_wrap=True)  # a path must stay in one piece
        console.print()


def _suspect_table(analysis: Analysis) -> Table:
    finding = analysis.finding
    table = Table(box=None, padding=(0, 3, 0, 0), header_style="dim")
    table.add_column("Part", no_wrap=True)
    table.add_column("Probability", justify="right", no_wrap=True)
    table.add_column("Why")
    named = words.named_suspect(finding)
    shown = [s for s in finding.suspects if s.probability >= 0.005][:8]
    for suspect in shown:
        style = "bold" if suspect is named else ""
        table.add_row(
            Text(suspect.ref, style=style),
            Text(words.percent(suspect.probability), style=style),
            Text(suspect.why),
        )
    rest = 1.0 - sum(s.probability for s in shown)
    table.add_row(Text("something else", style="dim"), Text(words.percent(rest)), "")
    return table


def _print_list(console: Console, title: str, lines: tuple[str, ...]) -> None:
    console.print(Text(title, style="dim"))
    for line in lines:
        console.print(Padding(Text(line), (0, 0, 0, 2), expand=False))
    console.print()
