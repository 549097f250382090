"""Tables of a plan for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    from hotspot.inject.plan import InjectionPlan


def print_plan(plan: InjectionPlan, console: Console, *, notes: list[str]) -> None:
    """Print a plan, or why there is none, and the cautions."""
    from hotspot.inject.words import build_stop_rules

    if plan.refused is not None:
        console.print(f"No injection is proposed: {plan.refused}.", highlight=False)
    else:
        console.print(
            f"Set {plan.set_v:g} V, current limit {plan.limit_a:g} A "
            f"(limited by: {plan.limited_by})",
            highlight=False,
        )
        console.print(_expected(plan))
        console.print(_ladder(plan))
        console.print(_limits(plan))
        _list(console, "Steps", build_stop_rules(plan.point.mode))
        _list(console, "Notes", notes)
    _list(console, "Cautions", plan.cautions)


def _list(console: Console, heading: str, lines: tuple[str, ...] | list[str]) -> None:
    if lines:
        console.print(heading)
        table = Table.grid(padding=(0, 1, 0, 0))
        for line in lines:
            table.add_row("  -", Text(line))
        console.print(table, highlight=False)


def _seconds(value: float | None) -> str:
    return "not" if value is None else f"after {value:.2g} s"


def _expected(plan: InjectionPlan) -> Table:
    point, view = plan.point, plan.visibility
    table = Table(title="Expected", show_header=False)
    table.add_row("current, mode", f"{point.amps:.3g} A, constant {point.mode}")
    table.add_row("voltage at the short", f"{point.rail_v:.3g} V")
    parts = (
        ("short", point.fault_w),
        ("series", point.series_w),
        ("trace", point.trace_w),
        ("leads", point.leads_w),
    )
    table.add_row("power", ", ".join(f"{name} {watts * 1e3:.3g} mW" for name, watts in parts))
    low, high = plan.fault_range_ohm
    if high > low:
        least, most = plan.fault_range_w
        text = f"{low:.3g} to {high:.3g} Ω: {least * 1e3:.3g} to {most * 1e3:.3g} mW in it"
        table.add_row("the reading leaves open", text)
    rises = zip(("1 s", "5 s", "steady"), plan.part_k, plan.apparent_k, strict=True)
    table.add_row(
        "rise of the part (as seen)",
        ", ".join(f"{when}: {part:.2g} K ({seen:.2g} K)" for when, part, seen in rises),
    )
    table.add_row("visible in one frame", _seconds(view.one_frame_s))
    table.add_row("visible by averaging", _seconds(view.averaged_s))
    table.add_row(f"visible pulsed, {plan.pulse_period_s:g} s", _seconds(view.pulsed_s))
    table.add_row("power needed within 10 s", f"{view.needed_w * 1e3:.2g} mW in the part")
    return table


def _ladder(plan: InjectionPlan) -> Table:
    table = Table(title="Ladder: go up only while nothing warm is seen")
    for heading in ("set V", "limit A", "hold s", "expect A", "mode", "short mW", "seen K"):
        table.add_column(heading, justify="right")
    for step in plan.ladder:
        table.add_row(
            f"{step.set_v:g}",
            f"{step.limit_a:g}",
            f"{step.hold_s:g}",
            f"{step.point.amps:.3g}",
            step.point.mode,
            f"{step.point.fault_w * 1e3:.3g}",
            f"{step.apparent_k:.2g}",
        )
    return table


def _limits(plan: InjectionPlan) -> Table:
    table = Table(title="Limits: held at any far end, open or shorted")
    for heading in ("limit", "value", "source"):
        table.add_column(heading)
    units = {"volts": "V", "amps": "A", "watts": "W"}
    for limit in plan.limits:
        mark = "► " if limit.name == plan.limited_by else ""
        value = f"{limit.value:.3g} {units[limit.quantity]}"
        table.add_row(mark + limit.name, value, limit.source)
    return table
