"""A list of clicked points with undo, kept with the job."""

from __future__ import annotations

from typing import Any, TypeGuard

import streamlit as st

from hotspot.app import shell
from hotspot.app.picture_marks import Event
from hotspot.checks import finite_number
from hotspot.store.entries import JobFile

_MOST = 40


class ClickList:
    """Points clicked on one picture of a job.

    Parameters
    ----------
    file
        The job.
    name
        Of the draft that keeps them.
    """

    def __init__(self, file: JobFile, name: str) -> None:
        self._file = file
        self._name = name
        self._past = shell.key(file, f"past.{name}")

    @property
    def points(self) -> list[tuple[float, float]]:
        """The points, in the order clicked."""
        kept = shell.kept(self._file, self._name, [])
        good = [p for p in kept if isinstance(p, list) and len(p) == 2] if kept else []
        return [(float(x), float(y)) for x, y in good if _is_number(x) and _is_number(y)]

    def take(self, event: Event) -> None:
        """Do what was clicked."""
        points = self.points
        changed = change_points(points, event)
        past: list[Any] = st.session_state.setdefault(self._past, [])
        if event["op"] == "undo":
            if past:
                self.replace(past.pop())
        elif changed != points:
            past.append(points)
            self.replace(changed)

    def change(self, points: list[tuple[float, float]]) -> None:
        """Keep other points; undo brings the present ones back."""
        st.session_state.setdefault(self._past, []).append(self.points)
        self.replace(points)

    def replace(self, points: list[tuple[float, float]]) -> None:
        """Keep other points."""
        shell.keep(self._file, self._name, [[round(x, 2), round(y, 2)] for x, y in points])


def change_points(points: list[tuple[float, float]], event: Event) -> list[tuple[float, float]]:
    """Return the points after an event; an event that makes no sense changes nothing."""
    op = event.get("op")
    x, y = event.get("x"), event.get("y")
    index = event.get("index")
    if op == "add" and _is_number(x) and _is_number(y) and len(points) < _MOST:
        return [*points, (float(x), float(y))]
    if not isinstance(index, int) or not 0 <= index < len(points):
        return points
    if op == "remove":
        return [*points[:index], *points[index + 1 :]]
    if op == "move" and _is_number(x) and _is_number(y):
        return [*points[:index], (float(x), float(y)), *points[index + 1 :]]
    return points


def _is_number(value: Any) -> TypeGuard[float]:
    return finite_number(value) is not None
