"""A registration in a file (JSON), with the baseline it was made on beside it (NPY)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from hotspot.checks import FloatArray
from hotspot.errors import InputError
from hotspot.files.containers import load_plane
from hotspot.files.tables import load_text, save_text
from hotspot.register.lens import MOST_K1, Lens
from hotspot.register.registration import PlaneMap, Registration

FORMAT = 1
_CURE = "Register again and save it anew"


def save_registration(
    path: Path, registration: Registration, *, cold: FloatArray | None = None
) -> None:
    """Save a registration; with `cold`, the baseline too, as `path` with the ending .npy.

    Parameters
    ----------
    path
        File to write (JSON).
    registration
        What to save.
    cold
        (rows, cols) baseline that later uses are checked against.
    """
    value = {
        "format": FORMAT,
        "method": registration.method,
        "rms_px": registration.rms_px,
        "photo_from_thermal": _to_plain(registration.photo_from_thermal),
        "board_from_thermal": _to_plain(registration.board_from_thermal),
        "warnings": list(registration.warnings),
        "support": registration.support,
    }
    save_text(json.dumps(value, indent=1) + "\n", path)
    if cold is not None:
        np.save(path.with_suffix(".npy"), np.asarray(cold, dtype=np.float32))


def load_registration(path: Path) -> tuple[Registration, FloatArray | None]:
    """Return a saved registration and its baseline (None when none was saved).

    Raises
    ------
    InputError
        If the file is missing, damaged or of another format.
    """
    text = load_text(path, error=InputError)
    where = str(path)
    try:
        value = json.loads(text)
        if not isinstance(value, dict) or value.get("format") != FORMAT:
            raise InputError("is no saved registration of format 1", where=where, cure=_CURE)
        registration = Registration(
            method=str(value["method"]),
            photo_from_thermal=_to_map(value["photo_from_thermal"]),
            board_from_thermal=_to_map(value["board_from_thermal"]),
            rms_px=None if value["rms_px"] is None else float(value["rms_px"]),
            warnings=tuple(str(w) for w in value["warnings"]),
            support=str(value.get("support", "")),
        )
    except (ValueError, KeyError, TypeError, RecursionError) as err:
        raise InputError(f"is damaged ({err})", where=where, cure=_CURE) from err
    beside = path.with_suffix(".npy")
    if not beside.exists():
        return registration, None
    return registration, load_plane(beside, cure=_CURE)


def _to_plain(plane: PlaneMap | None) -> dict[str, Any] | None:
    if plane is None:
        return None
    return {
        "matrix": plane.matrix.tolist(),
        "parameter_cov": plane.parameter_cov.tolist(),
        "model": plane.model,
        "rms_px": plane.rms_px,
        "outliers": list(plane.outliers),
        **({} if plane.lens is None else {"lens": _lens_to_plain(plane.lens, plane.lens_cov)}),
    }


def _lens_to_plain(lens: Lens, cov: FloatArray) -> dict[str, Any]:
    return {
        "k1": lens.k1,
        "k1_sigma": lens.k1_sigma,
        "centre_px": lens.centre_px.tolist(),
        "radius_px": lens.radius_px,
        "cov_with_matrix": cov.tolist(),
    }


def _to_lens(value: dict[str, Any] | None) -> tuple[Lens | None, FloatArray]:
    if value is None:
        return None, np.zeros(8)
    centre = np.array(value["centre_px"], dtype=np.float64)
    cov = np.array(value["cov_with_matrix"], dtype=np.float64)
    lens = Lens(float(value["k1"]), float(value["k1_sigma"]), centre, float(value["radius_px"]))
    numbers = np.array([lens.k1, lens.k1_sigma, lens.radius_px, *centre.ravel(), *cov.ravel()])
    if centre.shape != (2,) or cov.shape != (8,) or not np.isfinite(numbers).all():
        raise ValueError("the lens needs a centre of 2 and 8 covariances, finite")
    if abs(lens.k1) > MOST_K1 or lens.radius_px <= 0 or lens.k1_sigma < 0:
        raise ValueError("the lens is out of range")
    return lens, cov


def _to_map(value: dict[str, Any] | None) -> PlaneMap | None:
    if value is None:
        return None
    matrix = np.array(value["matrix"], dtype=np.float64)
    cov = np.array(value["parameter_cov"], dtype=np.float64)
    if matrix.shape != (3, 3) or cov.shape != (8, 8):
        raise ValueError("matrix must be 3 x 3 and parameter_cov 8 x 8")
    if not (np.isfinite(matrix).all() and np.isfinite(cov).all()):
        raise ValueError("matrix and parameter_cov must be finite")
    if abs(float(np.linalg.det(matrix))) < 1e-15:
        raise ValueError("matrix is singular")
    lens, lens_cov = _to_lens(value.get("lens"))
    return PlaneMap(
        matrix=matrix,
        parameter_cov=cov,
        model=str(value["model"]),
        rms_px=float(value["rms_px"]),
        outliers=tuple(int(i) for i in value["outliers"]),
        lens=lens,
        lens_cov=lens_cov,
    )
