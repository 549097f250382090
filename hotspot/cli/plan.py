"""`hotspot plan`: what voltage and current are safe, and what will be seen."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from hotspot.errors import InputError

if TYPE_CHECKING:
    from hotspot.inject.case import BoardCase
    from hotspot.inject.confront import Confrontation
    from hotspot.inject.plan import InjectionPlan

app = typer.Typer(add_completion=False, pretty_exceptions_enable=False)

Number = float | None


def option(*names: str, text: str) -> Any:
    """Return a typer option with its help text."""
    return typer.Option(*names, help=text)


@app.command()
def plan(
    board: Annotated[Path | None, option("--board", text="Board pack (folder)")] = None,
    rail: Annotated[str | None, option("--rail", text="Rail of the board pack")] = None,
    nominal_v: Annotated[Number, option("--nominal-v", text="Rail's nominal voltage")] = None,
    max_v: Annotated[Number, option("--max-v", text="Most the rail's parts may see")] = None,
    ohms: Annotated[str | None, option("--ohms", text="Rail to ground as measured; OL")] = None,
    lead_ohms: Annotated[float, option("--lead-ohms", text="Meter leads held together")] = 0.0,
    ohms_at_inject: Annotated[
        bool, option("--ohms-at-inject", text="Reading holds series parts and trace: take off")
    ] = False,
    meter_digit_ohm: Annotated[
        float, option("--meter-digit-ohm", text="Last digit of the meter")
    ] = 0.1,
    healthy_ohm: Annotated[Number, option("--healthy-ohm", text="Good board's reading")] = None,
    battery_connected: Annotated[
        bool, option("--battery-connected", text="A battery is still connected (refused)")
    ] = False,
    supply_max_v: Annotated[float, option("--supply-max-v", text="Supply's range")] = 30.0,
    supply_max_a: Annotated[float, option("--supply-max-a", text="Supply's range")] = 3.0,
    supply_step_v: Annotated[
        float, option("--supply-step-v", text="Smallest step of its voltage")
    ] = 0.01,
    supply_step_a: Annotated[
        float, option("--supply-step-a", text="Smallest step of its current limit")
    ] = 0.001,
    supply_error_v: Annotated[
        float, option("--supply-error-v", text="Worst setting error, V (+ 0.5 %)")
    ] = 0.01,
    supply_error_a: Annotated[
        float, option("--supply-error-a", text="Worst setting error, A (+ 0.5 %)")
    ] = 0.005,
    lead_awg: Annotated[float, option("--lead-awg", text="Gauge of the supply leads")] = 18.0,
    lead_m: Annotated[float, option("--lead-m", text="Length of one supply lead")] = 1.0,
    supply_lead_ohm: Annotated[
        Number, option("--supply-lead-ohm", text="Both supply leads, measured")
    ] = None,
    clip_ohm: Annotated[float, option("--clip-ohm", text="Both clips together")] = 0.0,
    series_ohm: Annotated[
        list[float] | None, option("--series-ohm", text="Inductor or bead in the path; repeat")
    ] = None,
    series_max_a: Annotated[
        list[float] | None, option("--series-max-a", text="Its rated current; same order")
    ] = None,
    trace_width_mm: Annotated[Number, option("--trace-width-mm", text="Narrowest trace")] = None,
    trace_um: Annotated[Number, option("--trace-um", text="Copper thickness [35]")] = None,
    trace_mm: Annotated[Number, option("--trace-mm", text="Length of the trace [10]")] = None,
    trace_inner: Annotated[bool, option("--trace-inner", text="On an inner layer")] = False,
    package: Annotated[str | None, option("--package", text="Of the likely part: 0402 …")] = None,
    dielectric: Annotated[str, option("--dielectric", text="X5R, X6S or X7R")] = "X5R",
    max_power_w: Annotated[Number, option("--max-power-w", text="Own power limit")] = None,
    max_a: Annotated[Number, option("--max-a", text="Own current limit")] = None,
    netd_mk: Annotated[float, option("--netd-mk", text="Camera noise")] = 50.0,
    mm_per_px: Annotated[float, option("--mm-per-px", text="Pixel size on the board")] = 0.3,
    frame_rate_hz: Annotated[float, option("--frame-rate-hz", text="Camera frame rate")] = 25.0,
    emissivity: Annotated[float, option("--emissivity", text="Of the part")] = 0.9,
    ambient_c: Annotated[float, option("--ambient-c", text="Room temperature")] = 23.0,
    thickness_mm: Annotated[Number, option("--thickness-mm", text="Board thickness")] = None,
    pulse_period_s: Annotated[float, option("--pulse-period-s", text="Of a pulse train")] = 10.0,
    finding: Annotated[
        Path | None, option("--finding", text="finding.json: confront it with the plan")
    ] = None,
    recording: Annotated[
        Path | None, option("--recording", text="Its recording, for the injection log")
    ] = None,
    plot: Annotated[Path | None, option("--plot", text="Write the plot (.png .svg .pdf)")] = None,
    as_json: Annotated[bool, option("--json", text="One JSON object and nothing else")] = False,
) -> None:
    """Say what voltage and current are safe for a shorted rail, and what the camera will see.

    The plan holds for any resistance from 0 Ω to open circuit at the far end and for the supply's
    worst setting error. Own limits can only tighten. A refusal says why.
    """
    from dataclasses import replace

    from hotspot.inject.circuit import Leads, Loop, SupplySpec
    from hotspot.inject.limits import RailCase, UserLimits
    from hotspot.inject.packages import find_package
    from hotspot.inject.plan import plan_injection
    from hotspot.inject.prediction import Plate, Scenery, Viewing

    known = _board_case(board, rail)
    plate = known.plate if known else Plate()
    if thickness_mm is not None:
        plate = replace(plate, thickness_mm=thickness_mm)
    name = package if package is not None else (known.package if known else "")
    body = find_package(name) if name else None
    result = plan_injection(
        RailCase(
            nominal_v=_tighter(nominal_v, known.rail.nominal_v if known else None),
            measured_ohm=_ohms(ohms),
            max_v=_tighter(max_v, known.rail.max_v if known else None),
            meter_lead_ohm=lead_ohms,
            meter_resolution_ohm=meter_digit_ohm,
            healthy_ohm=(
                healthy_ohm if healthy_ohm is not None or known is None else known.rail.healthy_ohm
            ),
            battery_connected=battery_connected,
            reading_has_path=ohms_at_inject,
        ),
        loop=Loop(
            Leads(lead_awg, lead_m, supply_lead_ohm, clip_ohm),
            _series(series_ohm or [], series_max_a or []),
            _traces(trace_width_mm, trace_mm, trace_um, trace_inner),
        ),
        supply=SupplySpec(
            max_v=supply_max_v,
            max_a=supply_max_a,
            resolution_v=supply_step_v,
            resolution_a=supply_step_a,
            error_v=supply_error_v,
            error_a=supply_error_a,
        ),
        scenery=Scenery(
            plate,
            body,
            Viewing(netd_mk, mm_per_px, frame_rate_hz, emissivity=emissivity),
            ambient_c,
        ),
        user=UserLimits(max_a=max_a, max_power_w=max_power_w),
        dielectric=dielectric.upper(),
        pulse_period_s=pulse_period_s,
    )
    if plot is not None:
        from hotspot.evidence.plan import save_plan_plot

        save_plan_plot(result, plot)
    compared = _confront(result, finding, recording)
    if as_json:
        from hotspot.inject.confront import confrontation_to_dict
        from hotspot.inject.report import plan_to_dict

        data = plan_to_dict(result)
        if compared is not None:
            data["confrontation"] = confrontation_to_dict(compared)
        sys.stdout.write(json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
        return
    notes = _notes(name, known, series_ohm or [], body is None)
    if compared is not None:
        notes.append(compared.sentence)
    _print(result, notes)


def _board_case(board: Path | None, rail: str | None) -> BoardCase | None:
    if board is None:
        if rail is not None:
            raise InputError("--rail needs a board pack", cure="Give --board DIR as well")
        return None
    from hotspot.files.boards import load_board
    from hotspot.inject.case import to_board_case

    return to_board_case(load_board(board), rail_name=rail)


def _confront(
    result: InjectionPlan, finding: Path | None, recording: Path | None
) -> Confrontation | None:
    if finding is None or result.refused is not None:
        return None
    from hotspot.inject.confront import confront_finding

    try:
        data = json.loads(finding.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as err:
        cure = "Make it with: hotspot find … --json"
        raise InputError(f"not a finding: {err}", where=str(finding), cure=cure) from err
    log, unit = None, "K"
    if recording is not None:
        from hotspot.files.recordings import load_recording

        loaded = load_recording(recording)
        log = loaded.injection
        unit = "K" if loaded.profile.is_radiometric else "relative"
    return confront_finding(result, data, log=log, unit=unit)


def _ohms(text: str | None) -> float | None:
    if text is None:
        return None
    from hotspot.rails.reading import Mode, parse_reading

    try:
        return float(text)
    except ValueError:
        cure = "Write it in ohms, for example 0.3, 340m or 4k7, or OL for over-range"
    try:
        reading = parse_reading(text, mode=Mode.OHM)
    except InputError as err:
        raise InputError(f"'{text}' is not a resistance", where="--ohms", cure=cure) from err
    if reading.mode is not Mode.OHM:
        what = f"'{text}' is a diode-test reading in volts, not a resistance"
        raise InputError(what, where="--ohms", cure="Measure again in the ohms range")
    return reading.value


def _tighter(one: float | None, other: float | None) -> float | None:
    # Not min(): a value that is not a number must reach the refusal, not be passed over.
    if one is None or other is None:
        return other if one is None else one
    return other if other < one else one


def _series(ohms: list[float], ratings: list[float]) -> Any:
    from hotspot.inject.circuit import SeriesPart

    if len(ratings) > len(ohms):
        cure = "Give one --series-ohm for each --series-max-a, in the same order"
        raise InputError("more ratings than series parts", where="--series-max-a", cure=cure)
    padded = [*ratings, *[None] * (len(ohms) - len(ratings))]
    return tuple(SeriesPart(ohm, rating) for ohm, rating in zip(ohms, padded, strict=True))


def _traces(width_mm: Number, length_mm: Number, thick_um: Number, inner: bool) -> Any:
    from hotspot.inject.circuit import Trace

    if width_mm is None:
        if length_mm is not None or thick_um is not None or inner:
            cure = "Give --trace-width-mm as well"
            raise InputError("a trace without its width", where="--trace-mm, --trace-um", cure=cure)
        return ()
    length_mm = 10.0 if length_mm is None else length_mm
    return (Trace(width_mm, length_mm, 35.0 if thick_um is None else thick_um, inner),)


def _notes(name: str, known: BoardCase | None, series: list[float], unknown: bool) -> list[str]:
    notes = []
    if unknown:
        what = f"package '{name}' is not in the table" if name else "the package is not known"
        notes.append(f"{what}: limits are those of an 0201, the prediction that of an 0402")
    if known and known.series_refs and not series:
        refs = ", ".join(known.series_refs[:5])
        notes.append(f"series parts on the rail ({refs}): give --series-ohm and --series-max-a")
    return notes


def _print(plan: InjectionPlan, notes: list[str]) -> None:
    from rich.console import Console

    from hotspot.cli.plan_tables import print_plan

    print_plan(plan, Console(soft_wrap=False), notes=notes)
