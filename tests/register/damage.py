"""What spoils a cold picture or a photo on a bench; each is right or refused, never wrong."""

from __future__ import annotations

import cv2
import numpy as np

SKIN_C = 33.0  # of a hand held into the picture (common practice, no source)


def with_hand(thermal, rng):
    """Four fingers reach in from the right, out of focus."""
    rows, cols = thermal.shape
    mask = np.zeros((rows, cols), np.uint8)
    for k in range(4):
        y = int(rows * (0.25 + 0.15 * k))
        tip = (int(cols * rng.uniform(0.45, 0.6)), y)
        cv2.line(mask, (cols + 20, y + 10), tip, 255, 22)
    share = cv2.GaussianBlur(mask, (0, 0), 2) / 255.0
    return (thermal * (1 - share) + SKIN_C * share).astype(np.float32)


def with_dead_stripes(thermal, rng):
    """Six dead groups of columns and three of rows."""
    out = thermal.copy()
    for col in rng.integers(0, thermal.shape[1], 6):
        out[:, col : col + 3] = thermal.mean() + rng.normal(0, 8)
    for row in rng.integers(0, thermal.shape[0], 3):
        out[row : row + 2] = thermal.mean() + rng.normal(0, 8)
    return out


def with_little_contrast(thermal, rng):
    """The room is nearly as warm as the board mirrors it: 3 % of the contrast, plain noise."""
    mean = thermal.mean()
    return (mean + 0.03 * (thermal - mean) + rng.normal(0, 0.03, thermal.shape)).astype(np.float32)


def out_of_focus(thermal, rng):
    """Blurred by 3.5 px."""
    return cv2.GaussianBlur(thermal, (0, 0), 3.5)


def half_off(thermal, rng):
    """The right half of the picture shows the bench instead of the board."""
    out = thermal.copy()
    half = thermal.shape[1] // 2
    out[:, half:] = out[:, half:].min() + rng.normal(0, 0.03, out[:, half:].shape)
    return out


def of_a_revision(photo, rng):
    """Photo of a later revision: a third of the board is laid out anew."""
    out = photo.copy()
    rows, cols = photo.shape[:2]
    side = int(min(rows, cols) * 0.09)
    for _ in range(60):
        y, x, to_y, to_x = (int(rng.integers(0, n - side)) for n in (rows, cols, rows, cols))
        out[to_y : to_y + side, to_x : to_x + side] = photo[y : y + side, x : x + side]
    return out


def half_shifted(photo, rng):
    """Photo of a revision whose right half lies elsewhere: no one map is right."""
    out = photo.copy()
    half = photo.shape[1] // 2
    out[:, half:] = np.roll(out[:, half:], 25, axis=0)
    return out


OF_THERMAL = {"a hand in it": with_hand, "dead stripes": with_dead_stripes,
              "little contrast": with_little_contrast, "out of focus": out_of_focus,
              "half off the board": half_off}  # fmt: skip
OF_PHOTO = {"a later revision": of_a_revision, "half of it shifted": half_shifted}
