"""Camera profiles: the ``[camera]`` table of a recording, or a file of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hotspot.checks import finite_number
from hotspot.errors import InputError, ProfileError
from hotspot.files.tables import (
    load_table,
    load_toml,
    save_text,
    to_csv_line,
    to_toml_value,
)
from hotspot.profile import CameraProfile, RadianceCurve, RawPlane, Values

MAX_SIDE_PX = 16384  # four times the largest thermal array on sale; guards against absurd sizes
MAX_PIXELS = 1 << 25  # an 8K display; some twenty planes of a picture's size are held at once
_BAD_PIXELS_FILE = "bad_pixels.csv"


def load_profile(path: Path) -> CameraProfile:
    """Return the profile in a TOML file: a ``[camera]`` table, or its keys at the top level.

    Raises
    ------
    ProfileError
        Names the file, the key and the cure.
    """
    path = Path(path)
    table = load_toml(path, error=ProfileError)
    camera = table.get("camera", table)
    return profile_from_table(camera, folder=path.parent, where=str(path))


def profile_from_table(
    table: Any, *, folder: Path, where: str, error: type[InputError] = ProfileError
) -> CameraProfile:
    """Return the profile written in a ``[camera]`` table.

    Parameters
    ----------
    table
        The table as read; unknown keys are ignored.
    folder
        The folder that the path of ``bad_pixels`` is relative to.
    where
        The file, for messages.
    error
        The kind of error to raise.

    Raises
    ------
    InputError
        The given child: a key missing, of the wrong type or out of range.
    """
    if not isinstance(table, dict):
        raise error("has no [camera] table", where=where, cure="Add [camera] with width and height")
    keys = _Keys(table, where=f"{where}, [camera]", error=error)
    width, height = keys.side("width"), keys.side("height")
    if width * height > MAX_PIXELS:
        raise error(
            f"frames of {width} x {height} px are too large",
            where=keys.where,
            cure=f"At most {MAX_PIXELS} pixels; give the frame's size in pixels",
        )
    curve = keys.curve()
    scale, offset = keys.optional("scale"), keys.optional("offset")
    if scale == 0:
        raise error("scale is 0", where=keys.where, cure="Give °C per count")
    if (scale is None) != (offset is None) and curve is None:
        missing = "scale" if scale is None else "offset"
        raise error(f"{missing} is missing", where=keys.where, cure="scale and offset go together")
    return CameraProfile(
        name=str(table.get("name", "camera")),
        width=width,
        height=height,
        values=keys.values(),
        scale=scale,
        offset=offset,
        radiance_curve=curve,
        netd_mk=keys.optional("netd_mk", positive=True),
        frame_rate_hz=keys.optional("frame_rate_hz", positive=True),
        psf_sigma_px=keys.optional("psf_sigma_px", at_least_zero=True),
        bad_pixels=_bad_pixels(
            table.get("bad_pixels"), folder=folder, shape=(height, width), keys=keys
        ),
        raw_plane=keys.raw_plane(),
    )


class _Keys:
    """The keys of one table, with errors that name them."""

    def __init__(self, table: dict[str, Any], *, where: str, error: type[InputError]) -> None:
        self.table = table
        self.where = where
        self.error = error

    def side(self, key: str) -> int:
        value = self.table.get(key)
        if value is None:
            raise self.error(f"{key} is missing", where=self.where, cure=f"Add {key} in pixels")
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= MAX_SIDE_PX:
            raise self.error(
                f"{key} must be a whole number from 1 to {MAX_SIDE_PX}, got {value!r}",
                where=self.where,
                cure="Give the frame's size in pixels",
            )
        return value

    def optional(
        self, key: str, *, positive: bool = False, at_least_zero: bool = False
    ) -> float | None:
        value = self.table.get(key)
        if value is None:
            return None
        number = finite_number(value)
        if number is None:
            raise self.error(
                f"{key} must be a number, got {str(value)[:40]!r}",
                where=self.where,
                cure="Correct or delete it",
            )
        if (positive and number <= 0) or (at_least_zero and number < 0):
            raise self.error(
                f"{key} must be {'> 0' if positive else '>= 0'}, got {value!r}",
                where=self.where,
                cure="Correct or delete it",
            )
        return number

    def values(self) -> Values:
        value = self.table.get("values")
        allowed = ", ".join(Values)
        if value is None:
            raise self.error("values is missing", where=self.where, cure=f"One of {allowed}")
        try:
            return Values(value)
        except ValueError as err:
            raise self.error(
                f"values '{str(value)[:40]}' is not known",
                where=self.where,
                cure=f"One of {allowed}",
            ) from err

    def curve(self) -> RadianceCurve | None:
        table = self.table.get("radiance_curve")
        if table is None:
            return None
        inner = _Keys(
            table if isinstance(table, dict) else {},
            where=f"{self.where} radiance_curve",
            error=self.error,
        )
        numbers = {}
        for key in ("r", "b", "f", "offset"):
            value = inner.optional(key)
            if value is None:
                raise self.error(
                    f"{key} is missing", where=inner.where, cure="It needs {r, b, f, offset}"
                )
            numbers[key] = value
        if numbers["r"] <= 0 or numbers["b"] <= 0:
            raise self.error("r and b must be > 0", where=inner.where, cure="Calibrate again")
        return RadianceCurve(**numbers)

    def raw_plane(self) -> RawPlane | None:
        table = self.table.get("raw_plane")
        if table is None:
            return None
        where = f"{self.where} raw_plane"
        crop = table.get("crop_px") if isinstance(table, dict) else None
        good = (
            isinstance(crop, list)
            and len(crop) == 4
            and all(isinstance(n, int) and not isinstance(n, bool) for n in crop)
            and all(0 <= n <= 2 * MAX_SIDE_PX for n in crop)
        )
        if not good or not isinstance(crop, list) or crop[2] < 1 or crop[3] < 1:
            raise self.error(
                "crop_px must be [x, y, width, height] in pixels of the delivered image",
                where=where,
                cure="Correct it",
            )
        view = str(table.get("view", "<u2"))
        if view not in ("<u2", ">u2", "|u1", "<f4", ">f4"):
            raise self.error(f"view '{view[:20]}' is not known", where=where, cure="<u2 or >u2")
        return RawPlane((crop[0], crop[1], crop[2], crop[3]), view)


def _bad_pixels(
    name: Any, *, folder: Path, shape: tuple[int, int], keys: _Keys
) -> tuple[tuple[int, int], ...]:
    if name is None or name == "":
        return ()
    if not isinstance(name, str):
        raise keys.error("bad_pixels must be the path of a CSV", where=keys.where)
    table = load_table(folder / name, required=("x", "y"), error=keys.error)
    out = []
    for row in table.rows:
        x, y = table.number(row, "x"), table.number(row, "y")
        inside = 0 <= x < shape[1] and 0 <= y < shape[0]
        if not inside or not float(x).is_integer() or not float(y).is_integer():
            raise keys.error(
                f"pixel ({x:g}, {y:g}) is not in the {shape[1]} x {shape[0]} frame",
                where=table.where(row),
                cure="Correct or delete the line",
            )
        out.append((int(x), int(y)))
    return tuple(out)


def profile_to_toml(profile: CameraProfile, *, bad_pixels: str | None = None) -> str:
    """Return the ``[camera]`` table as TOML text; `bad_pixels` is the path of their CSV."""
    entries: dict[str, object] = {
        "name": profile.name,
        "width": profile.width,
        "height": profile.height,
        "values": str(profile.values),
        "scale": profile.scale,
        "offset": profile.offset,
        "radiance_curve": _curve_table(profile.radiance_curve),
        "netd_mk": profile.netd_mk,
        "frame_rate_hz": profile.frame_rate_hz,
        "psf_sigma_px": profile.psf_sigma_px,
        "bad_pixels": bad_pixels,
    }
    if profile.raw_plane is not None:
        entries["raw_plane"] = {
            "crop_px": list(profile.raw_plane.crop_px),
            "view": profile.raw_plane.view,
        }
    lines = [f"{k} = {to_toml_value(v)}\n" for k, v in entries.items() if v is not None]
    return "[camera]\n" + "".join(lines)


def _curve_table(curve: RadianceCurve | None) -> dict[str, float] | None:
    if curve is None:
        return None
    return {"r": curve.r, "b": curve.b, "f": curve.f, "offset": curve.offset}


def save_bad_pixels(
    profile: CameraProfile, folder: Path, *, name: str = _BAD_PIXELS_FILE
) -> str | None:
    """Write the bad pixels into `folder` as `name` and return that name; None without any."""
    if not profile.bad_pixels:
        return None
    lines = ["x,y\n", *(to_csv_line((int(x), int(y))) for x, y in profile.bad_pixels)]
    save_text("".join(lines), folder / name)
    return name


def save_profile(profile: CameraProfile, path: Path) -> None:
    """Write a profile to a TOML file; bad pixels go to ``NAME.bad_pixels.csv`` beside it.

    Named after the profile: a folder holds the profiles of several cameras.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    name = save_bad_pixels(profile, path.parent, name=f"{path.stem}.{_BAD_PIXELS_FILE}")
    save_text(profile_to_toml(profile, bad_pixels=name), path)
