"""`calib correct`, `calib reference`, `calib points`: what counts and readings mean."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calib.cli.common import (
    AsJson,
    ProfileFile,
    RecordingFolder,
    check_free,
    load,
    new_app,
    say,
    say_json,
    say_warnings,
    to_box,
)
from hotspot.errors import InputError

correct, reference, points, counts = new_app(), new_app(), new_app(), new_app()

Emissivity = Annotated[float, typer.Option("--emissivity", help="Of the surface, 8-14 µm")]
EmissivitySigma = Annotated[float, typer.Option("--emissivity-sigma", help="Its uncertainty")]
Reflected = Annotated[
    float, typer.Option("--reflected-c", help="What crumpled foil in its place shows, °C")
]
ReflectedSigma = Annotated[float, typer.Option("--reflected-sigma-k", help="Its uncertainty")]


@correct.command()
def correct_reading(
    apparent_c: Annotated[float, typer.Argument(help="Reading at emissivity 1, °C")],
    apparent_sigma_k: Annotated[float, typer.Option("--sigma-k", help="Of the reading")] = 0.0,
    emissivity: Emissivity = 0.95,
    emissivity_sigma: EmissivitySigma = 0.0,
    reflected_c: Reflected = 23.0,
    reflected_sigma_k: ReflectedSigma = 0.0,
    transmission: Annotated[
        float, typer.Option("--transmission", help="Of a window or macro lens")
    ] = 1.0,
    transmission_sigma: Annotated[float, typer.Option("--transmission-sigma")] = 0.0,
    window_c: Annotated[float | None, typer.Option("--window-c", help="Its temperature")] = None,
    window_sigma_k: Annotated[float, typer.Option("--window-sigma-k")] = 0.0,
    as_json: AsJson = False,
) -> None:
    """Surface temperature from what a camera set to emissivity 1 shows, with its uncertainty."""
    from calib.radiometry import Target, air_error_k, measure_true_c

    try:
        target = Target(
            emissivity=emissivity, emissivity_sigma=emissivity_sigma,
            reflected_c=reflected_c, reflected_sigma_k=reflected_sigma_k,
            transmission=transmission, transmission_sigma=transmission_sigma,
            window_c=window_c, window_sigma_k=window_sigma_k,
        )  # fmt: skip
        found = measure_true_c(apparent_c, target, apparent_sigma_k=apparent_sigma_k)
    except ValueError as err:
        raise InputError(str(err), cure="Correct it") from err
    if as_json:
        say_json({"format": 1, "true_c": found.value, "sigma_k": found.sigma,
                  "parts_k": dict(found.parts)})  # fmt: skip
        return
    say(f"Surface: {found.value:.2f} °C ± {found.sigma:.2f} K (1 standard uncertainty)")
    for name, sigma in found.parts:
        say(f"  from {name:12} {sigma:.3f} K")
    weak, strong = air_error_k(found.value, air_c=reflected_c, distance_m=0.3)
    say(f"The air over 0.3 m is left out: {min(abs(weak), 99):.2f} to {abs(strong):.2f} K.")
    if emissivity < 0.5:
        say("Note: below an emissivity of 0.5 reflections rule. Tape or paint the surface.")


@reference.command()
def known_temperature(
    kind: Annotated[str, typer.Argument(help="ice, gallium, boiling, pt100 or thermometer")],
    value: Annotated[
        float | None, typer.Argument(help="hPa (boiling), ohm (pt100), °C (thermometer)")
    ] = None,
    altitude_m: Annotated[float | None, typer.Option("--altitude-m", help="For boiling")] = None,
    klass: Annotated[str, typer.Option("--class", help="Of a Pt100: AA, A or B")] = "B",
    as_json: AsJson = False,
) -> None:
    """Print a known temperature and its uncertainty. Boiling water scalds: lid, mitts, goggles."""
    from calib.points import KINDS, to_reference

    if kind not in KINDS:
        raise InputError(f"no reference point '{kind[:30]}'", cure=f"One of {', '.join(KINDS)}")
    unit = klass if kind == "pt100" else ""
    if altitude_m is not None:
        if kind != "boiling" or value is not None:
            raise InputError("--altitude-m goes with boiling alone", cure="Leave one out")
        value, unit = altitude_m, "m"
    try:
        point = to_reference(kind, value=value, unit=unit)
    except ValueError as err:
        raise InputError(str(err), where=kind, cure="Correct it") from err
    if as_json:
        say_json({"format": 1, "name": point.name, "temperature_c": point.temperature_c,
                  "sigma_k": point.sigma_k})  # fmt: skip
        return
    say(f"{point.name}: {point.temperature_c:.3f} °C ± {point.sigma_k:.3f} K")


@counts.command()
def read_counts(
    recording: RecordingFolder,
    region: Annotated[str, typer.Option("--region", help="x,y,width,height in pixels")],
    profile: ProfileFile = None,
    as_json: AsJson = False,
) -> None:
    """Print what the camera gives for a region: the counts of a reference point."""
    from calib.counts import measure_counts
    from calib.words import with_error

    source = load(recording, profile=profile)
    found = measure_counts(source, to_box(region, source.profile.shape, option="--region"))
    if as_json:
        say_json({"format": 1, "counts": found.counts.value, "counts_sigma": found.counts.sigma,
                  "unevenness": found.unevenness, "frames": found.frames,
                  "celsius": found.celsius})  # fmt: skip
        return
    say(f"Counts: {with_error(found.counts, unit='')} over {found.frames} frames")
    say(f"Unevenness within the region: {found.unevenness:.3g}")
    if found.celsius is not None:
        say(f"By the profile: {found.celsius:.2f} °C")


@points.command()
def calibrate(
    table: Annotated[
        Path, typer.Argument(help="CSV: point,counts and optional value,unit,sigma_k,counts_sigma")
    ],
    out: Annotated[Path | None, typer.Option("--out", help="Profile to write")] = None,
    base: Annotated[
        Path | None, typer.Option("--profile", help="Profile to put the response into")
    ] = None,
    kind: Annotated[str, typer.Option("--kind", help="radiance or linear")] = "radiance",
    emissivity: Emissivity = 0.97,
    emissivity_sigma: EmissivitySigma = 0.01,
    reflected_c: Reflected = 23.0,
    reflected_sigma_k: ReflectedSigma = 2.0,
    force: Annotated[bool, typer.Option("--force", help="Write over an existing file")] = False,
    as_json: AsJson = False,
) -> None:
    """Calibrate counts with two or more reference points: response, residuals, uncertainty.

    The default emissivity is that of water, ice or vinyl tape. Boiling water scalds; keep steam
    off the lens.
    """
    from calib.points import load_points
    from calib.radiometry import Target
    from calib.response import fit_response
    from hotspot.files.profiles import load_profile, save_profile

    if kind not in ("radiance", "linear"):
        raise InputError(f"no kind '{kind[:20]}'", where="--kind", cure="radiance or linear")
    if out is not None:
        if base is None:
            raise InputError(
                "--profile is missing", cure="Give the profile to start from: calib new makes one"
            )
        check_free(out, force=force)
    profile = None if base is None else load_profile(base)
    try:
        target = Target(
            emissivity=emissivity, emissivity_sigma=emissivity_sigma,
            reflected_c=reflected_c, reflected_sigma_k=reflected_sigma_k,
        )  # fmt: skip
    except ValueError as err:
        raise InputError(str(err), cure="Correct it") from err
    fit = fit_response(load_points(table), kind=kind, target=target)
    if out is not None and profile is not None:
        save_profile(fit.to_profile(profile), out)
    if as_json:
        curve = fit.curve
        say_json({
            "format": 1, "kind": fit.kind, "slope": fit.slope, "intercept": fit.intercept,
            "radiance_curve": None if curve is None else
            {"r": curve.r, "b": curve.b, "f": curve.f, "offset": curve.offset},
            "residual_k": [float(r) for r in fit.residual_k], "chi_square": fit.chi_square,
            "dof": fit.dof, "warnings": list(fit.warnings),
        })  # fmt: skip
        return
    say(f"{'point':32} {'known °C':>9} {'± K':>6} {'counts':>10} {'reads K off':>11}")
    for point, sigma, residual in zip(fit.points, fit.point_sigma_k, fit.residual_k, strict=True):
        known = point.reference.temperature_c
        say(f"{point.reference.name[:32]:32} {known:9.2f} {sigma:6.2f} {point.counts:10.1f}"
            f" {residual:+11.3f}")  # fmt: skip
    unit = "count per K" if kind == "linear" else "counts per W m⁻² sr⁻¹"
    say(f"Slope {fit.slope:.6g} {unit}.")
    if fit.dof:
        say(f"Chi-square {fit.chi_square:.2f} for {fit.dof} degrees of freedom.")
    low, high = float(fit.apparent_c[0]), float(fit.apparent_c[-1])
    for celsius in (low, 0.5 * (low + high), high):
        say(f"Uncertainty at {celsius:6.1f} °C: {fit.sigma_k(celsius):.2f} K")
    if fit.curve is not None:
        say(f"The profile's curve follows Planck's integral within {fit.curve_error_k:.3f} K.")
    say_warnings(fit.warnings)
    if out is not None:
        say(f"{out}: written.")
