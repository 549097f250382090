"""The plan of a job: what the board pack and the readings say, with the technician's own limits."""

from __future__ import annotations

import math
from dataclasses import dataclass

from hotspot.board import Board
from hotspot.inject.case import BoardCase, to_board_case
from hotspot.inject.circuit import Leads, Loop, SeriesPart, SupplySpec
from hotspot.inject.limits import RailCase, UserLimits
from hotspot.inject.packages import find_package
from hotspot.inject.plan import InjectionPlan, plan_injection
from hotspot.inject.prediction import Plate, Scenery, Viewing
from hotspot.jobs.intake import job_readings
from hotspot.rails.order import inject_order
from hotspot.rails.reading import Mode
from hotspot.rails.verdict import judge_readings
from hotspot.store.entries import JobFile, Phase


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the technician says about the injection.

    Attributes
    ----------
    rail
        Name of the rail.
    nominal_v
        Nominal voltage, if the board pack does not know it.
    measured_ohm
        Rail to ground; None when not measured.
    lead_ohm
        Probes held together.
    supply_max_v, supply_max_a
        Range of the supply.
    series_ohm
        Inductors and beads on the way, together.
    package
        Of the likely part; "" for the board's commonest.
    max_a, max_power_w
        Own limits; None for none.
    netd_mk, ambient_c
        Camera noise and room.
    battery_connected
        Refuses the plan.
    """

    rail: str
    nominal_v: float | None = None
    measured_ohm: float | None = None
    lead_ohm: float = 0.0
    supply_max_v: float = 30.0
    supply_max_a: float = 3.0
    series_ohm: float = 0.0
    package: str = ""
    max_a: float | None = None
    max_power_w: float | None = None
    netd_mk: float = 50.0
    ambient_c: float = 23.0
    battery_connected: bool = False


def find_measured_ohm(file: JobFile, rail: str) -> float | None:
    """Return the newest resistance noted for a rail before the repair; None without one."""
    found = [
        r.value
        for r in job_readings(file, Phase.BEFORE)
        if r.mode is Mode.OHM and r.target.casefold() == rail.casefold()
    ]
    return found[-1] if found else None


def find_rail(file: JobFile, board: Board | None) -> str:
    """Return the rail that the readings say to inject first; else the board's first, or ""."""
    verdicts = judge_readings(job_readings(file, Phase.BEFORE), board=board)
    triaged = [t.verdict for t in file.triages if t.phase is Phase.BEFORE]
    order = inject_order(verdicts, board=board, triage_verdict=triaged[-1] if triaged else "")
    if order:
        return order[0].target
    return board.rails[0].name if board is not None and board.rails else ""


def plan_for_job(wishes: Wishes, *, board: Board | None) -> InjectionPlan:
    """Return the plan.

    Raises
    ------
    hotspot.errors.BoardError
        If the board has no such rail.
    """
    known: BoardCase | None = None
    if board is not None and board.rail(wishes.rail) is not None:
        known = to_board_case(board, rail_name=wishes.rail)
    name = wishes.package or (known.package if known else "")
    measured = wishes.measured_ohm
    series = (SeriesPart(wishes.series_ohm),) if wishes.series_ohm > 0 else ()
    return plan_injection(
        RailCase(
            nominal_v=wishes.nominal_v or (known.rail.nominal_v if known else None),
            measured_ohm=measured if measured is None or not math.isnan(measured) else None,
            max_v=known.rail.max_v if known else None,
            meter_lead_ohm=wishes.lead_ohm,
            healthy_ohm=known.rail.healthy_ohm if known else None,
            battery_connected=wishes.battery_connected,
        ),
        loop=Loop(Leads(), series, ()),
        supply=SupplySpec(max_v=wishes.supply_max_v, max_a=wishes.supply_max_a),
        scenery=Scenery(
            known.plate if known else Plate(),
            find_package(name) if name else None,
            Viewing(netd_mk=wishes.netd_mk),
            wishes.ambient_c,
        ),
        user=UserLimits(max_a=wishes.max_a, max_power_w=wishes.max_power_w),
    )
