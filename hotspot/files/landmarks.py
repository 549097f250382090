"""Points on photo and thermal picture, as CSV: clicks on a photo read, landmarks written."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from hotspot.checks import FloatArray
from hotspot.errors import InputError
from hotspot.files.recordings import LANDMARK_COLUMNS, MAX_LANDMARKS
from hotspot.files.tables import load_table, save_text, to_csv_line

CLICK_COLUMNS = ("photo_x_px", "photo_y_px")


def load_photo_clicks(path: Path) -> FloatArray:
    """Return the (n, 2) places on the photo in a CSV file, in the order of its lines.

    Raises
    ------
    InputError
        Naming the line.
    """
    table = load_table(path, required=CLICK_COLUMNS, error=InputError)
    if len(table.rows) > MAX_LANDMARKS:
        raise InputError(
            f"holds {len(table.rows)} places, at most {MAX_LANDMARKS} are used",
            where=str(path),
            cure="Keep four to eight",
        )
    rows = [[table.number(row, c) for c in CLICK_COLUMNS] for row in table.rows]
    return np.array(rows, dtype=np.float64).reshape(-1, 2)


def save_landmarks(landmarks: FloatArray, path: Path) -> None:
    """Write (n, 4) landmarks thermal x, y, photo x, y as a recording's ``landmarks.csv``.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    lines = [to_csv_line(LANDMARK_COLUMNS)]
    lines += [to_csv_line(round(float(v), 3) for v in row) for row in landmarks]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        save_text("".join(lines), path)
    except OSError as err:
        raise InputError(f"cannot be written ({err.strerror or err})", where=str(path)) from err
