"""IPC-2581 (DPMX, IEC 61182-2) board data: components, package outlines, nets, board outline.

Read as a stream with a parser that refuses document type definitions, entities and outside
references; elements are dropped as soon as they end, so memory stays small however long the file.
Only attributes are used, of revisions A, B and C alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError

import numpy as np
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse

from hotspot.errors import BoardError
from hotspot.files.tokens import BoundedTokens

MAX_BYTES = 512 << 20
_MAX_DEPTH = 200
_MAX_COMPONENTS = 200_000
_MM = {"MILLIMETER": 1.0, "INCH": 25.4, "MICRON": 0.001, "MIL": 0.0254, "THOU": 0.0254}
_TRUE = ("true", "1", "yes")


@dataclass(slots=True)
class Component:
    """A placed component; lengths in the file's unit until it is read whole."""

    ref: str
    package: str
    layer: str
    part: str = ""
    x: float = 0.0
    y: float = 0.0
    rotation_deg: float = 0.0
    mirror: bool = False


@dataclass(slots=True)
class Ipc2581:
    """What one step (board) of the file holds.

    Attributes
    ----------
    components
        In the order of the file.
    outlines
        Package name to (x least, y least, x most, y most).
    layer_sides
        Layer name to "top" or "bottom".
    nets
        Net name to references on it.
    outline
        Corners of the board outline.
    mm_per_unit
        Scale of all lengths.
    """

    components: list[Component] = field(default_factory=list)
    outlines: dict[str, tuple[float, float, float, float]] = field(default_factory=dict)
    layer_sides: dict[str, str] = field(default_factory=dict)
    nets: dict[str, set[str]] = field(default_factory=dict)
    outline: list[tuple[float, float]] = field(default_factory=list)
    mm_per_unit: float = 1.0
    warnings: list[str] = field(default_factory=list)

    def side(self, component: Component) -> str:
        """Return the side a component sits on, by its layer or else by its mirror."""
        known = self.layer_sides.get(component.layer)
        if known is not None:
            return known
        name = component.layer.casefold()
        if "bot" in name or "b.cu" in name or "back" in name:
            return "bottom"
        return "bottom" if component.mirror and not name else "top"

    def body_mm(self, component: Component) -> tuple[float, float, float, float] | None:
        """Return (x, y, width, height) of the body in mm, None without a package outline."""
        box = self.outlines.get(component.package)
        if box is None:
            return None
        cx, cy = 0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3])
        if component.mirror:
            cx = -cx
        angle = math.radians(component.rotation_deg)
        x = component.x + cx * math.cos(angle) - cy * math.sin(angle)
        y = component.y + cx * math.sin(angle) + cy * math.cos(angle)
        mm = self.mm_per_unit
        return x * mm, y * mm, (box[2] - box[0]) * mm, (box[3] - box[1]) * mm


def load_ipc2581(path: Path) -> Ipc2581:
    """Return the first populated step of an IPC-2581 file.

    Raises
    ------
    BoardError
        Not IPC-2581, damaged, hostile, or without components.
    """
    path = Path(path)
    where = str(path)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise BoardError("is larger than 512 MB", where=where, cure="Export one board alone")
        with path.open("rb") as file:
            return _Reader(where).read(file)
    except OSError as err:
        raise BoardError(f"cannot be read ({err.strerror or err})", where=where) from err


def _arc(
    start: tuple[float, float],
    end: tuple[float, float],
    centre: tuple[float, float],
    clockwise: bool,
) -> list[tuple[float, float]]:
    """Return points along an arc, 15 degrees apart, its ends left out."""
    radius = math.dist(start, centre)
    first = math.atan2(start[1] - centre[1], start[0] - centre[0])
    last = math.atan2(end[1] - centre[1], end[0] - centre[0])
    sweep = (first - last if clockwise else last - first) % (2 * math.pi) or 2 * math.pi
    if radius == 0 or (sweep == 2 * math.pi and start != end):
        return []
    n = math.ceil(sweep / math.radians(15))
    step = (-sweep if clockwise else sweep) / n
    return [
        (
            centre[0] + radius * math.cos(first + i * step),
            centre[1] + radius * math.sin(first + i * step),
        )
        for i in range(1, n)
    ]


class _Reader:
    """Walks the elements and keeps what matters."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.data = Ipc2581()
        self.stack: list[Any] = []
        self.tags: list[str] = []
        self.component: Component | None = None
        self.package = ""
        self.net = ""
        self.step_done = False
        self.points: dict[str, list[tuple[float, float]]] = {}

    def read(self, file: Any) -> Ipc2581:
        cure = "Export the board as IPC-2581 again"
        try:
            bounded = BoundedTokens(file, self.where)
            for event, element in iterparse(bounded, events=("start", "end"), forbid_dtd=True):
                if event == "start":
                    self._start(element)
                else:
                    self._end()
        except DefusedXmlException as err:
            raise BoardError(
                "holds a document type definition or entities, which IPC-2581 does not use",
                where=self.where,
                cure=cure,
            ) from err
        except (ParseError, ValueError, LookupError, RecursionError) as err:
            raise BoardError(f"is not valid XML: {err}", where=self.where, cure=cure) from err
        self._finish(cure)
        return self.data

    def _start(self, element: Any) -> None:
        tag = str(element.tag).rpartition("}")[2]
        if not self.tags and tag != "IPC-2581":
            raise BoardError(
                f"is not IPC-2581 (its root is <{tag[:30]}>)",
                where=self.where,
                cure="Check the file",
            )
        self.stack.append(element)
        self.tags.append(tag)
        if len(self.stack) > _MAX_DEPTH:
            raise BoardError("nests elements too deeply", where=self.where, cure="Check the file")
        if self.step_done:
            return
        handler = getattr(self, f"_on_{tag.casefold()}", None)
        if handler is not None:
            handler(element.attrib)

    def _end(self) -> None:
        self.stack.pop()
        tag = self.tags.pop()
        if self.stack:
            del self.stack[-1][:]  # nothing that has ended is needed again
        if tag == "Component":
            self.component = None
        elif tag == "Package":
            self._close_package()
        elif tag == "LogicalNet":
            self.net = ""
        elif tag == "Step" and self.data.components:
            self.step_done = True

    # One method an element; the names are the standard's, in lower case.
    def _on_cadheader(self, a: dict[str, str]) -> None:
        unit = a.get("units", "MILLIMETER").upper()
        if unit not in _MM:
            raise BoardError(
                f"units '{unit[:20]}' is not known", where=self.where, cure="Export in MILLIMETER"
            )
        self.data.mm_per_unit = _MM[unit]

    def _on_layer(self, a: dict[str, str]) -> None:
        side = a.get("side", "").upper()
        if side in ("TOP", "BOTTOM") and "name" in a:
            self.data.layer_sides[a["name"]] = side.lower()

    def _on_package(self, a: dict[str, str]) -> None:
        self.package = a.get("name", "")
        self.points = {"outline": [], "body": []}

    def _on_component(self, a: dict[str, str]) -> None:
        ref = a.get("refDes", "")
        if not ref:
            self.data.warnings.append("a component without refDes was left out")
            return
        if len(self.data.components) >= _MAX_COMPONENTS:
            raise BoardError("holds too many components", where=self.where, cure="Check the file")
        self.component = Component(
            ref, a.get("packageRef", ""), a.get("layerRef", ""), a.get("part", "")
        )
        self.data.components.append(self.component)

    def _on_xform(self, a: dict[str, str]) -> None:
        if self.component is not None and self.tags[-2:-1] == ["Component"]:
            self.component.rotation_deg = self._number(a, "rotation", default=0.0)
            self.component.mirror = a.get("mirror", "").casefold() in _TRUE

    def _on_location(self, a: dict[str, str]) -> None:
        if self.component is not None and self.tags[-2:-1] == ["Component"]:
            self.component.x = self._number(a, "x")
            self.component.y = self._number(a, "y")

    def _on_polybegin(self, a: dict[str, str]) -> None:
        self._point(a)

    def _on_polystepsegment(self, a: dict[str, str]) -> None:
        self._point(a)

    def _on_polystepcurve(self, a: dict[str, str]) -> None:
        target = self._target()
        if target is None:
            return
        end = self._number(a, "x"), self._number(a, "y")
        centre = (
            self._number(a, "centerX", default=end[0]),
            self._number(a, "centerY", default=end[1]),
        )
        if target:
            target.extend(_arc(target[-1], end, centre, a.get("clockwise", "").casefold() in _TRUE))
        target.append(end)

    def _on_logicalnet(self, a: dict[str, str]) -> None:
        self.net = a.get("name", "")
        if self.net:
            self.data.nets.setdefault(self.net, set())

    def _on_pinref(self, a: dict[str, str]) -> None:
        if self.net and a.get("componentRef"):
            self.data.nets[self.net].add(a["componentRef"])

    def _point(self, a: dict[str, str]) -> None:
        target = self._target()
        if target is not None:
            target.append((self._number(a, "x"), self._number(a, "y")))

    def _target(self) -> list[tuple[float, float]] | None:
        """Return the list that a polygon's points belong to here, None when they do not matter."""
        inside = self.tags
        if "Package" in inside:
            # Parts of the package that are not its body: lands, silk, the other side's view.
            if not {"Pin", "LandPattern", "SilkScreen", "OtherSideView"}.isdisjoint(inside):
                return None
            return self.points.get("outline" if "Outline" in inside else "body")
        if "Profile" in inside and "Cutout" not in inside:
            return self.data.outline
        return None

    def _close_package(self) -> None:
        points = self.points.get("outline") or self.points.get("body")
        if points and self.package:
            xy = np.array(points)
            (x0, y0), (x1, y1) = xy.min(axis=0), xy.max(axis=0)
            if x1 > x0 and y1 > y0:
                self.data.outlines[self.package] = (float(x0), float(y0), float(x1), float(y1))
        self.package, self.points = "", {}

    def _number(self, a: dict[str, str], key: str, *, default: float | None = None) -> float:
        text = a.get(key)
        if text is None and default is not None:
            return default
        try:
            value = float(text) if text is not None else math.nan
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or abs(value) > 1e7:
            ref = f" of {self.component.ref}" if self.component is not None else ""
            raise BoardError(
                f"{key}{ref} is not a number: {str(text)[:30]!r}",
                where=f"{self.where}, <{self.tags[-1]}>",
                cure="Export the board as IPC-2581 again",
            )
        return value

    def _finish(self, cure: str) -> None:
        if not self.data.components:
            raise BoardError("holds no component", where=self.where, cure=cure)
        seen: set[str] = set()
        for component in self.data.components:
            if component.ref.casefold() in seen:
                raise BoardError(
                    f"{component.ref} appears twice",
                    where=self.where,
                    cure="Export one board alone",
                )
            seen.add(component.ref.casefold())
