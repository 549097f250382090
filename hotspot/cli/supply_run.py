"""`hotspot supply run`: a plan on a supply, guarded and recorded by a camera."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from hotspot.errors import InputError

if TYPE_CHECKING:
    from hotspot.bench.cutout import Sight
    from hotspot.bench.guarded_run import GuardedReport, Keeping, Protocol
    from hotspot.bench.run import RunReport
    from hotspot.bench.schedule import Schedule
    from hotspot.devices.camera import Camera
    from hotspot.devices.dialect import Dialect
    from hotspot.devices.supply import Readback

PRACTICE = "practice"
LONGEST_S = 600.0


def run(
    address: Annotated[
        str,
        typer.Argument(help="VISA address, such as TCPIP::HOST::5025::SOCKET; or: practice"),
    ],
    plan: Annotated[Path, typer.Option("--plan", help="Made by: hotspot plan … --json")],
    camera: Annotated[
        str | None,
        typer.Option(help="Camera that guards: USB number, /dev/video0, rtsp://… ; or: practice"),
    ] = None,
    profile: Annotated[
        Path | None, typer.Option(help="Camera profile made by calib (its temperature scale)")
    ] = None,
    record: Annotated[
        Path | None, typer.Option(help="New folder: frames and injection.csv, for hotspot find")
    ] = None,
    log: Annotated[
        Path | None, typer.Option("--log", help="injection.csv to write when nothing is recorded")
    ] = None,
    board: Annotated[Path | None, typer.Option(help="Board pack, noted in the recording")] = None,
    rail: Annotated[str | None, typer.Option(help="Rail under injection, noted as well")] = None,
    cold_s: Annotated[float, typer.Option(help="Cold baseline before the output goes on")] = 8.0,
    after_s: Annotated[float, typer.Option(help="Recorded after the output went off")] = 10.0,
    dialect: Annotated[Path | None, typer.Option(help="TOML file of its words")] = None,
    pulse_minutes: Annotated[
        float | None, typer.Option("--pulse-minutes", help="A pulse train instead of the ladder")
    ] = None,
    no_camera: Annotated[
        bool, typer.Option("--no-camera", help="Run although no camera guards the temperature")
    ] = False,
    no_temperature: Annotated[
        bool, typer.Option("--no-temperature", help="Run although the camera knows no °C")
    ] = False,
    by_hand: Annotated[
        bool, typer.Option("--by-hand", help="Address is ignored; the cues are for you")
    ] = False,
    seed: Annotated[int, typer.Option(min=0, help="Practice: another seed, another part")] = 1,
) -> None:
    """Run a plan: cold baseline, ladder or pulse train, off; watch, log, off on every way out.

    The camera guards: the output goes off at once when a pixel is hotter than the plan allows, the
    rise is much faster than predicted, or frames stop for a second. Ctrl-C switches off. With
    "practice" for the address, supply, board and camera are simulated.
    """
    from hotspot.bench.run import COMPLETE, Interrupted
    from hotspot.bench.schedule import load_schedule

    if pulse_minutes is not None and not 0.0 < pulse_minutes <= 60.0:
        raise InputError(f"{pulse_minutes:g} is outside 0 to 60", where="--pulse-minutes")
    practice = address == PRACTICE and not by_hand
    _check_options(practice, camera, no_camera, record, log, cold_s, after_s)
    schedule = load_schedule(plan, pulse_minutes=pulse_minutes)
    words = _dialect(dialect)
    guarded = practice or camera is not None
    seconds = schedule.length_s + (cold_s + after_s if guarded else 0.0)
    print_line(f"{len(schedule.segments)} segments, {seconds:.0f} s")
    meter = _Meter()
    try:
        if practice:
            protocol = _protocol(cold_s, after_s, meter)
            kept = _practise(schedule, plan, board, rail, seed, record, log, protocol)
        elif camera is not None:
            from hotspot.bench.guarded_run import Keeping

            keep = Keeping(record, log, board, rail)
            guard = _open_camera(camera, profile, no_temperature)
            protocol = _protocol(cold_s, after_s, meter)
            kept = _run(address, schedule, words, by_hand, keep, guard, protocol)
        else:
            kept = _run_unguarded(address, schedule, words, by_hand, log)
    except Interrupted as signal:
        meter.end()
        print_line(f"stopped. {signal}: output off, confirmed before this program ended")
        raise typer.Exit(130) from signal
    meter.end()
    _say_end(kept.run, schedule, by_hand=by_hand, armed=bool(words.set_over_volts) and not practice)
    if record is not None:
        print_line(f"{record}: {kept.frames} frames. Next: hotspot find {record}")
        if kept.lost:
            print_line(f"{kept.lost} frames lost: the disk was too slow.")
        if kept.problem:
            print_line(f"The recording is not whole: {kept.problem}.")
    if kept.run.outcome != COMPLETE:
        raise typer.Exit(1)


def _check_options(
    practice: bool,
    camera: str | None,
    no_camera: bool,
    record: Path | None,
    log: Path | None,
    cold_s: float,
    after_s: float,
) -> None:
    from hotspot.bench.guarded_run import LEAST_COLD_S

    if camera == PRACTICE and not practice:
        cure = "Give 'practice' for the address as well: supply and camera share one bench"
        raise InputError("the practice camera does not see your board", where="--camera", cure=cure)
    if practice and camera not in (None, PRACTICE):
        cure = "Leave --camera out: the practice bench has its own"
        raise InputError("no camera sees the practice bench", where="--camera", cure=cure)
    if not practice and camera is None and not no_camera:
        cure = "Give --camera, or say --no-camera and watch the board yourself"
        raise InputError("no camera guards the temperature", where="--camera", cure=cure)
    if camera is not None and no_camera:
        raise InputError("--camera and --no-camera exclude each other", cure="Give one of them")
    if record is None and log is None:
        cure = "Give --record DIR (frames and log), or --log FILE"
        raise InputError("nothing would be written down", cure=cure)
    if record is not None and log is not None:
        cure = "Leave --log out"
        raise InputError("a recording has its own injection.csv", where="--log", cure=cure)
    if record is not None and camera is None and not practice:
        raise InputError("without a camera there is nothing to record", where="--record",
                         cure="Give --camera, or --log FILE instead")  # fmt: skip
    for name, value, low in (("--cold-s", cold_s, LEAST_COLD_S), ("--after-s", after_s, 0.0)):
        if not (math.isfinite(value) and low <= value <= LONGEST_S):
            raise InputError(f"{value:g} is outside {low:g} to {LONGEST_S:g}", where=name)


def _protocol(cold_s: float, after_s: float, meter: _Meter) -> Protocol:
    from hotspot.bench.guarded_run import Protocol

    return Protocol(cold_s, after_s, meter.tell, meter.show)


def _open_camera(source: str, profile: Path | None, no_temperature: bool) -> Camera:
    from hotspot.bench.cameras import open_named_camera
    from hotspot.files.profiles import load_profile
    from hotspot.radiometry import has_celsius

    camera = open_named_camera(source, profile=load_profile(profile) if profile else None)
    if not has_celsius(camera.profile) and not no_temperature:
        camera.close()
        raise InputError(
            "knows no °C, so no pixel can be called too hot",
            where=f"--camera {source}",
            cure="Give its --profile, or say --no-temperature: then only missing frames switch off",
        )
    return camera


def _practise(
    schedule: Schedule,
    plan: Path,
    board: Path | None,
    rail: str | None,
    seed: int,
    record: Path | None,
    log: Path | None,
    protocol: Protocol,
) -> GuardedReport:
    from hotspot.bench.guarded_run import Keeping
    from hotspot.bench.practice_run import build_rail_scene, run_practice
    from hotspot.bench.schedule import load_fault_ohm
    from hotspot.files.boards import load_board
    from hotspot.jobs.practice_job import sample_board

    folder = board or sample_board()
    pack = load_board(folder)
    name = rail or (pack.rails[0].name if pack.rails else "")
    scene = build_rail_scene(pack, rail=name, short_ohm=load_fault_ohm(plan), seed=seed)
    print_line(f"Practice: a capacitor on {name} of {pack.name} is shorted; time runs fast")
    return run_practice(
        scene, schedule, seed=seed, keep=Keeping(record, log, folder, name), protocol=protocol
    )


def _run(
    address: str,
    schedule: Schedule,
    words: Dialect,
    by_hand: bool,
    keep: Keeping,
    camera: Camera,
    protocol: Protocol,
) -> GuardedReport:
    from hotspot.bench.guarded_run import run_guarded
    from hotspot.bench.session import open_supply
    from hotspot.devices.supply import ManualSupply

    try:
        if by_hand:
            hand = ManualSupply(_cue, bounds=schedule.bounds)
            return run_guarded(hand, schedule, camera=camera, keep=keep, protocol=protocol)
        with open_supply(address, words, schedule=schedule) as supply:
            print_line(f"{supply.name}: output is off")
            return run_guarded(supply, schedule, camera=camera, keep=keep, protocol=protocol)
    finally:
        camera.close()


def _run_unguarded(
    address: str, schedule: Schedule, words: Dialect, by_hand: bool, log: Path | None
) -> GuardedReport:
    from hotspot.bench.guarded_run import GuardedReport
    from hotspot.bench.log import InjectionLog
    from hotspot.bench.run import run_schedule
    from hotspot.bench.session import open_supply
    from hotspot.devices.supply import ManualSupply

    if log is None:
        raise InputError("nothing would be written down", cure="Give --log FILE")
    with InjectionLog(log) as book:
        if by_hand:
            hand = ManualSupply(_cue, bounds=schedule.bounds)
            return GuardedReport(run_schedule(hand, schedule, log=book, tell=print_line))
        with open_supply(address, words, schedule=schedule) as supply:
            print_line(f"{supply.name}: output is off")
            return GuardedReport(run_schedule(supply, schedule, log=book, tell=print_line))


def _say_end(report: RunReport, schedule: Schedule, *, by_hand: bool, armed: bool) -> None:
    print_line(f"{report.outcome}. {report.reason}".strip())
    sure = "as you said" if by_hand else "but the supply cannot confirm it: look at it"
    sure = "confirmed by the supply" if report.off_confirmed else sure
    print_line(f"Output off, {sure}, {report.off_s * 1e3:.0f} ms after it was asked for.")
    if armed and not by_hand:
        trip = schedule.bounds
        print_line(f"Its own protections stay armed at {trip.trip_v:g} V, {trip.trip_a:g} A.")
    if report.in_voltage_mode is not None:
        print_line(
            f"Segment {report.in_voltage_mode + 1} stayed in constant voltage: the short is not "
            "dead, the rail is wrong, or a contact is poor. Measure the rail again."
        )


class _Meter:
    """One line on the terminal that shows the run as it goes."""

    def __init__(self) -> None:
        self._shown_s = -1.0
        self._dirty = False

    def tell(self, line: str) -> None:
        """Print a line of its own."""
        self.end()
        print_line(line)

    def show(self, t_s: float, read: Readback | None, sight: Sight | None) -> None:
        """Show a reading in place, twice a second at most, on a terminal only."""
        if not sys.stderr.isatty() or t_s - self._shown_s < 0.5:
            return
        self._shown_s, self._dirty = t_s, True
        parts = [f"{t_s:6.1f} s"]
        if read is not None and read.volts is not None and read.amps is not None:
            parts.append(f"{read.volts:.3f} V {read.amps:.3f} A")
        if sight is not None and sight.hottest_c is not None:
            parts.append(f"hottest {sight.hottest_c:.1f} °C")
        if sight is not None and sight.hottest_k is not None:
            parts.append(f"rise {sight.hottest_k:.2f} K")
        sys.stderr.write("\r" + "  ".join(parts).ljust(70))
        sys.stderr.flush()

    def end(self) -> None:
        """Leave the line."""
        if self._dirty:
            sys.stderr.write("\r" + " " * 70 + "\r")
            sys.stderr.flush()
            self._dirty = False


def print_line(text: str) -> None:
    """Write one line to standard output at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _dialect(path: Path | None) -> Dialect:
    from hotspot.devices.dialect import Dialect, load_dialect

    return Dialect() if path is None else load_dialect(path)


def _cue(what: str) -> bool:
    return typer.confirm(f"{what}. Done?", default=False)
