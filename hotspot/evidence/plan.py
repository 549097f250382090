"""The plot of a plan: power and temperature rise against current, with the limits marked."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from hotspot.errors import InputError
from hotspot.inject.circuit import solve_loop
from hotspot.inject.limits import AMPS, VOLTS, WATTS, smallest
from hotspot.inject.plan import InjectionPlan
from hotspot.inject.prediction import apparent_steady_k, part_steady_k
from hotspot.inject.visibility import THRESHOLD_SIGMA


def save_plan_plot(plan: InjectionPlan, path: Path) -> None:
    """Write the plot as PNG, SVG or PDF, by the ending of `path`.

    Raises
    ------
    InputError
        If the plan is refused, or the file cannot be written.
    """
    if plan.refused is not None:
        raise InputError(f"nothing to draw: {plan.refused}")
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 5.0), layout="constrained")
    FigureCanvasAgg(figure)
    power, rise = figure.subplots(2, 1, sharex=True)
    top_a, top_v = smallest(plan.limits, AMPS), smallest(plan.limits, VOLTS)
    amps = np.linspace(0.0, 1.25 * max(plan.limit_a, 1.2 * plan.point.amps), 200)[1:]
    fault = amps**2 * plan.fault_ohm
    loop_w = np.array(
        [
            solve_loop(
                plan.loop,
                plan.fault_ohm,
                set_v=1e9,
                limit_a=float(i),
                ambient_c=plan.scenery.ambient_c,
            ).total_w
            for i in amps
        ]
    )
    power.plot(amps, fault * 1e3, label="in the short")
    power.plot(amps, loop_w * 1e3, "--", label="out of the supply")
    bound_w = smallest(plan.limits, WATTS)
    power.axhline(bound_w.value * 1e3, color="firebrick", label=bound_w.name)
    worst_w = plan.supply.worst_v(plan.set_v) * plan.supply.worst_a(plan.limit_a)
    most = f"most at any far end, {worst_w * 1e3:.3g} mW"
    power.axhline(worst_w * 1e3, color="seagreen", linestyle="--", linewidth=1.0, label=most)
    power.set(ylabel="power in mW", yscale="log")
    rise.plot(amps, fault * part_steady_k(plan.scenery), label="part, steady")
    rise.plot(amps, fault * apparent_steady_k(plan.scenery), "--", label="as the camera sees it")
    seen_k = THRESHOLD_SIGMA * plan.scenery.view.netd_mk * 1e-3
    rise.axhline(seen_k, color="grey", label="visible in one frame")
    cut_c = plan.cut_out.max_pixel_c
    room_c = plan.scenery.ambient_c
    rise.axhline(cut_c - room_c, color="firebrick", label=f"cut-out, {cut_c:g} °C")
    rise.set(ylabel="rise in K", yscale="log", xlabel="current in A")
    for axes in (power, rise):
        for number, step in enumerate(plan.ladder[:-1]):
            label = "" if number else "steps of the ladder"
            axes.axvline(step.point.amps, color="0.6", linewidth=0.8, zorder=0, label=label)
        axes.axvline(plan.point.amps, color="seagreen", label=f"plan, {plan.point.amps:.3g} A")
        if top_a.value <= amps[-1]:
            axes.axvline(top_a.value, color="firebrick", linestyle=":", label=top_a.name)
        if plan.fault_ohm * amps[-1] >= top_v.value:
            at_a = top_v.value / plan.fault_ohm
            axes.axvline(at_a, color="firebrick", linestyle="-.", label=top_v.name)
        axes.set_xlim(0.0, amps[-1])
        axes.legend(fontsize="small", loc="center left", bbox_to_anchor=(1.0, 0.5))
        axes.grid(alpha=0.3)
    figure.suptitle(f"{plan.set_v:g} V, {plan.limit_a:g} A, limited by: {plan.limited_by}")
    try:
        figure.savefig(path, dpi=120)
    except (OSError, ValueError) as err:
        cure = "Name a file that ends in .png, .svg or .pdf in a folder you can write"
        raise InputError(f"cannot write the plot: {err}", where=str(path), cure=cure) from err
