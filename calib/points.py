"""The table of reference points: which known temperature, and what the camera gave for it."""

from __future__ import annotations

from pathlib import Path

from calib.references import (
    Reference,
    boiling_point,
    gallium_point,
    ice_point,
    pt100_reading,
    thermometer,
)
from calib.response import ResponsePoint
from hotspot.errors import InputError
from hotspot.files.tables import Row, Table, load_table

KINDS = ("ice", "gallium", "boiling", "pt100", "thermometer")
THERMOMETER_SIGMA_K = 0.5  # a bench probe without papers; common practice, no source


def load_points(path: Path) -> tuple[ResponsePoint, ...]:
    """Return the points in a CSV file.

    Parameters
    ----------
    path
        Header ``point,counts`` and optionally ``value,unit,sigma_k,counts_sigma``. `point` is ice,
        gallium, boiling (value in hPa or, with unit m, the altitude), pt100 (value in ohm, unit AA,
        A or B for its class) or thermometer (value in °C). `counts` is what the camera gives.

    Raises
    ------
    InputError
        Names the file, the line and the cure.
    """
    table = load_table(Path(path), required=("point", "counts"), error=InputError)
    return tuple(_point(table, row) for row in table.rows)


def _point(table: Table, row: Row) -> ResponsePoint:
    kind = row.cells["point"].strip().casefold()
    if kind not in KINDS:
        raise InputError(
            f"no reference point '{kind[:30]}'",
            where=table.where(row),
            cure=f"One of {', '.join(KINDS)}",
        )
    sigma_counts = table.optional_number(row, "counts_sigma") or 0.0
    if sigma_counts < 0:
        raise InputError("counts_sigma is below 0", where=table.where(row), cure="Correct it")
    try:
        reference = to_reference(
            kind,
            value=table.optional_number(row, "value"),
            unit=row.cells.get("unit", "").strip(),
            sigma_k=table.optional_number(row, "sigma_k"),
        )
    except ValueError as err:
        raise InputError(str(err), where=table.where(row), cure="Correct the line") from err
    return ResponsePoint(reference, table.number(row, "counts"), sigma_counts)


def to_reference(
    kind: str, *, value: float | None = None, unit: str = "", sigma_k: float | None = None
) -> Reference:
    """Return the known temperature that a line of the table or an option names.

    Raises
    ------
    ValueError
        With what is missing or out of range.
    """
    if sigma_k is not None and sigma_k <= 0:
        raise ValueError(f"sigma_k must be > 0, got {sigma_k!r}")
    if kind == "ice":
        reference = ice_point()
    elif kind == "gallium":
        reference = gallium_point()
    elif value is None:
        raise ValueError(f"value is missing: {_WANTED[kind]}")
    elif kind == "boiling":
        if unit.casefold() not in ("", "hpa", "m"):
            raise ValueError(f"unit must be hPa or m for boiling water, got {unit!r}")
        reference = (
            boiling_point(altitude_m=value)
            if unit.casefold() == "m"
            else boiling_point(pressure_hpa=value)
        )
    elif kind == "pt100":
        reference = pt100_reading(value, klass=unit.upper() or "B")
    else:
        if unit.casefold() not in ("", "c", "°c"):
            raise ValueError(f"unit must be C for a thermometer, got {unit!r}")
        reference = thermometer(value, sigma_k=sigma_k or THERMOMETER_SIGMA_K)
    if sigma_k is None:
        return reference
    return Reference(reference.name, reference.temperature_c, sigma_k)


_WANTED = {
    "boiling": "the air pressure in hPa, or the altitude with unit m",
    "pt100": "the resistance in ohm",
    "thermometer": "the temperature in °C",
}
