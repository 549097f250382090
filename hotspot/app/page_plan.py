"""Plan: sliders within the limits, the safe region, and what will be seen."""

from __future__ import annotations

from dataclasses import replace

import altair as alt
import numpy as np
import streamlit as st

from hotspot.app import shared, shell
from hotspot.app.colours import to_rgb
from hotspot.board import Board
from hotspot.inject.limits import AMPS, VOLTS, WATTS, Limit, smallest
from hotspot.inject.plan import InjectionPlan
from hotspot.inject.report import plan_to_dict
from hotspot.jobs.confront_for_job import wishes_to_dict
from hotspot.jobs.plan_for_job import Wishes, find_measured_ohm, find_rail, plan_for_job
from hotspot.jobs.plan_picture import predict_picture
from hotspot.jobs.progress import Stage
from hotspot.store.entries import JobFile, PlanEntry

_UNITS = {VOLTS: "V", AMPS: "A", WATTS: "W"}
_FULL = 100


def show() -> None:
    """Show the page."""
    file = shell.need_file()
    shell.heading(file, Stage.PLAN)
    board = shared.board_of(file)
    left, right = st.columns([4, 5], gap="large")
    with left:
        wishes = _ask(file, board)
    if wishes is None:
        right.info("Name the rail to inject into.")
        return
    widest = plan_for_job(wishes, board=board)
    with left:
        if not widest.refused:
            wishes = _tighten(file, wishes, widest)
    plan = widest if widest.refused else plan_for_job(wishes, board=board)
    with right:
        _present(file, wishes, plan)


def _ask(file: JobFile, board: Board | None) -> Wishes | None:
    names = [r.name for r in board.rails] if board else []
    first = shell.kept(file, "rail") or find_rail(file, board)
    if names and first not in names:
        first = names[0]
    one, two = st.columns(2)
    if names:
        rail = one.selectbox("Rail", names, **shell.remember(file, "rail", first))
    else:
        rail = one.text_input("Rail", **shell.remember(file, "rail", first))
    if not rail:
        return None
    known = board.rail(rail) if board else None
    nominal = two.number_input(
        "Nominal voltage, V",
        min_value=0.0,
        max_value=60.0,
        step=0.1,
        value=float(known.nominal_v or 0.0) if known else 0.0,
        key=shell.key(file, f"nominal.{rail}"),
    )
    measured = find_measured_ohm(file, rail)
    one, two = st.columns(2)
    ohms = one.number_input(
        "Rail to ground, Ω",
        min_value=0.0,
        step=0.01,
        format="%.3f",
        value=None if measured is None or not np.isfinite(measured) else float(measured),
        key=shell.key(file, f"ohms.{rail}"),
        placeholder="as measured",
    )
    leads = two.number_input(
        "Probes touching, Ω",
        min_value=0.0,
        max_value=10.0,
        step=0.1,
        key=shell.key(file, "plan.leads"),
    )
    with st.expander("Supply, path, part, camera"):
        one, two = st.columns(2)
        max_v = one.number_input("Supply range, V", 0.5, 200.0, 30.0, key=shell.key(file, "max_v"))
        max_a = two.number_input("Supply range, A", 0.1, 100.0, 3.0, key=shell.key(file, "max_a"))
        series = one.number_input(
            "Inductors and beads on the way, Ω",
            0.0,
            10.0,
            0.0,
            0.01,
            format="%.3f",
            key=shell.key(file, "series"),
        )
        package = two.text_input(
            "Package of the likely part", placeholder="0402", key=shell.key(file, "package")
        )
        netd = one.number_input("Camera noise, mK", 1.0, 1000.0, 50.0, key=shell.key(file, "netd"))
        ambient = two.number_input("Room, °C", -20.0, 60.0, 23.0, key=shell.key(file, "ambient"))
    connected = st.checkbox(
        "A battery or another supply is still connected", key=shell.key(file, "battery")
    )
    return Wishes(
        rail=rail,
        nominal_v=nominal or None,
        measured_ohm=ohms,
        lead_ohm=leads,
        supply_max_v=max_v,
        supply_max_a=max_a,
        series_ohm=series,
        package=package.strip(),
        netd_mk=netd,
        ambient_c=ambient,
        battery_connected=connected,
    )


def _tighten(file: JobFile, wishes: Wishes, widest: InjectionPlan) -> Wishes:
    """Sliders end where the limits are: nobody can slide past them."""
    st.markdown("**Stay below the limits**")
    top_a, top_w = smallest(widest.limits, AMPS).value, smallest(widest.limits, WATTS).value
    share_a = st.slider(
        "Current, % of its limit", 5, _FULL, _FULL, 5, key=shell.key(file, "share_a")
    )
    share_w = st.slider("Power, % of its limit", 5, _FULL, _FULL, 5, key=shell.key(file, "share_w"))
    st.caption(f"At most {share_a / _FULL * top_a:.3g} A and {share_w / _FULL * top_w:.3g} W.")
    if share_a == _FULL and share_w == _FULL:
        return wishes
    return replace(wishes, max_a=share_a / _FULL * top_a, max_power_w=share_w / _FULL * top_w)


def _present(file: JobFile, wishes: Wishes, plan: InjectionPlan) -> None:
    if plan.refused:
        st.error(f"No injection: {plan.refused}", icon=":material/block:")
        return
    with st.container(horizontal=True, horizontal_alignment="distribute"):
        for name, value in (
            ("Set voltage", f"{plan.set_v:g} V"),
            ("Current limit", f"{plan.limit_a:g} A"),
            ("Into the short", f"{1e3 * plan.point.fault_w:.3g} mW"),
            ("Seen after", _seen(plan)),
        ):
            st.metric(name, value, width="content")
    # Beside what it notes, not below the pictures: on a small screen it would be out of sight.
    with st.container(horizontal=True, vertical_alignment="center"):
        if st.button("Note this plan", type="primary", icon=":material/check:"):
            _note(file, wishes, plan)
        st.caption(
            f"Limited by: {plan.limited_by}. Thermal numbers are good to a factor of two.",
            width="stretch",
        )
    left, right = st.columns([3, 2])
    with left:
        st.altair_chart(_region(plan), width="stretch")
    with right:
        _expected(plan)
    with st.expander("Steps, limits and cautions", expanded=False):
        shell.table(
            [
                {
                    "Step": n,
                    "V": f"{s.set_v:g}",
                    "A": f"{s.limit_a:g}",
                    "held, s": f"{s.hold_s:g}",
                    "part warms by, K": f"{s.part_k:.2g}",
                }
                for n, s in enumerate(plan.ladder, 1)
            ]
        )
        shell.table([_limit(x) for x in plan.limits])
        for caution in plan.cautions:
            st.markdown(f"- {shell.plain(caution)}")


def _note(file: JobFile, wishes: Wishes, plan: InjectionPlan) -> None:
    shared.store().add(file.job.id, [PlanEntry(wishes.rail, plan_to_dict(plan))])
    shell.keep(file, "wishes", wishes_to_dict(wishes))
    shell.keep(file, "rail", wishes.rail)  # what is planned for is what Live injects into
    shell.go(Stage.LIVE)


def _seen(plan: InjectionPlan) -> str:
    seen = plan.visibility
    if seen.averaged_s is not None:
        return f"{seen.averaged_s:.2g} s"
    return "no" if seen.pulsed_s is None else f"{seen.pulsed_s:.0f} s, pulsed"


def _limit(limit: Limit) -> dict[str, str]:
    value = f"{limit.value:.4g} {_UNITS[limit.quantity]}"
    return {"Limit": limit.name, "Value": value, "Source": limit.source}


def _region(plan: InjectionPlan) -> alt.LayerChart:
    """Return current against voltage at the rail: what all limits leave, and the set point."""
    volts, amps, watts = (smallest(plan.limits, q).value for q in (VOLTS, AMPS, WATTS))
    v = np.linspace(0.0, volts, 60)
    edge = np.minimum(amps, watts / np.maximum(v, 1e-9))
    rows = [{"V": float(a), "A": float(b)} for a, b in zip(v, edge, strict=True)]
    scale_a = alt.Scale(domain=[0, float(1.15 * edge.max())])
    x = alt.X("V:Q", title="voltage at the rail, V", scale=alt.Scale(domain=[0, 1.15 * volts]))
    y = alt.Y("A:Q", title="current, A", scale=scale_a)
    area = (
        alt.Chart(alt.InlineData(values=rows)).mark_area(opacity=0.25, line=True).encode(x=x, y=y)
    )
    marked = [
        ("set point", plan.set_v, plan.limit_a, "square", "#d55e00", -14),
        # Below its mark, in the region: beside it, the axis or the other mark would be written on.
        ("expected", plan.point.rail_v, plan.point.amps, "circle", "#3ba3e0", 18),
    ]
    layers: list[alt.Chart] = [area]
    for text, volt, ampere, shape, colour, dy in marked:
        spot = alt.Chart(alt.InlineData(values=[{"V": volt, "A": ampere}])).encode(x=x, y=y)
        layers.append(spot.mark_point(size=140, filled=True, opacity=1, shape=shape, color=colour))
        layers.append(
            spot.mark_text(
                text=text, align="left", dx=8, dy=dy, fontSize=15, fontWeight="bold", color=colour
            )
        )
    return alt.LayerChart(layer=layers).properties(height=270, title="Safe region")


def _expected(plan: InjectionPlan) -> None:
    t_s = st.select_slider("Seconds after switching on", [0.5, 1, 2, 5, 10, 30], 5)
    frames = max(1, int(min(t_s, 2.0) * plan.scenery.view.frame_rate_hz))
    picture = predict_picture(plan, t_s=float(t_s), frames=frames, rng=np.random.default_rng(1))
    top = max(float(picture.max()), 8e-3 * plan.scenery.view.netd_mk)
    st.image(to_rgb(picture, low=0.0, high=top, name="inferno"), width="stretch")
    st.caption(f"Expected picture, +{float(picture.max()):.2g} K at the brightest pixel.")
