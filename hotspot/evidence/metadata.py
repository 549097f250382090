"""Facts inside the pictures: the finding as JSON, XMP for picture managers, and a seal over both.

The seal is a SHA-256 over the pixels and the facts. It shows a slip (another finding's picture, an
edited pixel, a re-save that dropped the facts); it is no signature, since anybody can seal anew.
Proof against intent is the hash of the whole file kept elsewhere, in the job store.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape as escape_markup

import numpy as np
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin

from hotspot import __version__
from hotspot.board import Board
from hotspot.errors import InputError
from hotspot.evidence import words
from hotspot.evidence.photos import DAMAGE
from hotspot.finding import Finding, finding_to_dict
from hotspot.frame import Recording

# Keywords of the PNG's iTXt chunks; the XMP one is fixed by the XMP specification, part 3.
_FACTS, _SEAL, _XMP = "Finding", "Seal", "XML:com.adobe.xmp"
_NAMESPACE = "urn:hotspot:finding:1#"
# A picture of the largest sheet has about 4 Mpx; more is not one of ours.
_MOST_PIXELS = 50_000_000
# A finding with a hundred suspects takes 50 kB.
_MOST_BYTES = 16 << 20


@dataclass(frozen=True, slots=True)
class PictureCheck:
    """What a saved picture says of itself.

    Attributes
    ----------
    facts
        The finding and its context, as embedded.
    unaltered
        Whether pixels and facts still match the seal.
    belongs
        Whether the facts equal those of the finding it was held against; None without one.
    """

    facts: dict[str, Any]
    unaltered: bool
    belongs: bool | None


def build_facts(
    finding: Finding, recording: Recording, *, board: Board | None = None, rail: str | None = None
) -> dict[str, Any]:
    """Return the finding (format 1 of ``hotspot find --json``) and where it comes from."""
    facts = finding_to_dict(finding)
    facts["recording"] = {
        "name": recording.name,
        "started": recording.started,
        "camera": recording.profile.name,
        "board": board.name if board is not None else None,
        "rail": rail or recording.rail,
        "ambient_c": recording.ambient_c,
    }
    facts["steps"] = [
        {"name": step.name, "settings": dict(step.settings)}
        for step in (*finding.heat.steps, *finding.steps)
    ]
    named = words.named_suspect(finding)
    facts["named"] = "" if named is None else named.ref
    facts["headline"] = words.headline(finding)
    facts["limit"] = " ".join(words.limit_sentences(finding))
    facts["next_steps"] = list(words.next_steps(finding, rail=rail or recording.rail))
    facts["made_by"] = f"hotspot {__version__}"
    plain: dict[str, Any] = json.loads(to_json(facts))
    return plain


def to_json(value: dict[str, Any], *, indent: int | None = None, ascii_only: bool = False) -> str:
    """Return strict JSON: NaN and infinity, which JSON does not know, become null."""
    return json.dumps(_finite(value), ensure_ascii=ascii_only, indent=indent, allow_nan=False)


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def to_png(pixels: NDArray[np.uint8], *, facts: dict[str, Any], title: str) -> bytes:
    """Return a PNG of `pixels` (rows, cols, 3) that carries `facts`; same input, same bytes."""
    info = PngImagePlugin.PngInfo()
    info.add_itxt("Title", title)
    info.add_itxt("Software", str(facts.get("made_by", "hotspot")))
    info.add_itxt(_FACTS, to_json(facts))
    info.add_itxt(_SEAL, _seal(pixels, facts))
    info.add_itxt(_XMP, to_xmp(facts, title=title))
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "PNG", pnginfo=info, optimize=True, dpi=(150, 150))
    return buffer.getvalue()


def to_xmp(facts: dict[str, Any], *, title: str) -> str:
    """Return the XMP packet (ISO 16684-1): title, date, maker, and the answer in plain words."""
    recording = facts.get("recording") or {}
    suspects = facts.get("suspects") or []
    named = ", ".join(f"{s['ref']} {words.percent(s['probability'])}" for s in suspects[:5])
    date = _valid_date(recording.get("started"))
    created = f"<xmp:CreateDate>{escape(date)}</xmp:CreateDate>" if date else ""
    fields = {
        "verdict": facts.get("verdict"),
        "suspects": named or None,
        "board": recording.get("board"),
        "rail": recording.get("rail"),
        "recording": recording.get("name"),
    }
    own = "".join(
        f"<hotspot:{key}>{escape(str(value))}</hotspot:{key}>"
        for key, value in fields.items()
        if value is not None
    )
    language = '<rdf:li xml:lang="x-default">'
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about=""'
        ' xmlns:dc="http://purl.org/dc/elements/1.1/"'
        ' xmlns:xmp="http://ns.adobe.com/xap/1.0/"'
        f' xmlns:hotspot="{_NAMESPACE}">'
        f"<dc:title><rdf:Alt>{language}{escape(title)}</rdf:li></rdf:Alt></dc:title>"
        f"<xmp:CreatorTool>{escape(str(facts.get('made_by', 'hotspot')))}</xmp:CreatorTool>"
        f"{created}{own}"
        "</rdf:Description></rdf:RDF></x:xmpmeta>"
        '<?xpacket end="r"?>'
    )


def check_picture(path: Path, *, finding: dict[str, Any] | None = None) -> PictureCheck:
    """Return what a saved picture says of itself, and whether it goes with `finding`.

    Raises
    ------
    InputError
        If the file is no PNG, is damaged, or carries no facts.
    """
    try:
        with Image.open(path, formats=["PNG"]) as picture:
            if picture.width * picture.height > _MOST_PIXELS:
                raise InputError("too large to be an evidence picture", where=str(path))
            pixels = np.asarray(picture.convert("RGB"))
            text = dict(getattr(picture, "text", {}))
    except DAMAGE as err:
        raise InputError(
            "cannot be read as a PNG picture",
            where=str(path),
            cure="Give an evidence.png or heat.png as it was saved",
        ) from err
    if _FACTS not in text or _SEAL not in text:
        raise InputError(
            "carries no finding",
            where=str(path),
            cure="Saving it again in another program drops the facts: use the first file",
        )
    try:
        facts = json.loads(text[_FACTS])
    except (ValueError, RecursionError):
        facts = None
    if not isinstance(facts, dict):
        return PictureCheck(facts={}, unaltered=False, belongs=None if finding is None else False)
    return PictureCheck(
        facts=facts,
        unaltered=text[_SEAL] == _seal(pixels, facts),
        belongs=None if finding is None else _canonical(finding) == _canonical(facts),
    )


def load_facts(path: Path) -> dict[str, Any]:
    """Return the facts of a saved ``finding.json``.

    Raises
    ------
    InputError
        If the file cannot be read or is no JSON object.
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ValueError("too large")
        facts = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as err:
        raise InputError(
            "cannot be read as JSON", where=str(path), cure="Give a finding.json as it was saved"
        ) from err
    if not isinstance(facts, dict):
        raise InputError("is no finding", where=str(path), cure="Give a finding.json as saved")
    return facts


def escape(text: str) -> str:
    """Return `text` for XML 1.0, which knows no control characters and no lone surrogates."""
    allowed = (c if c in "\t\n" or " " <= c <= "\ud7ff" or c > "\udfff" else "\ufffd" for c in text)
    return escape_markup("".join(c if c not in "\ufffe\uffff" else "\ufffd" for c in allowed))


def _seal(pixels: NDArray[np.uint8], facts: dict[str, Any]) -> str:
    digest = hashlib.sha256()
    digest.update(f"{pixels.shape[1]}x{pixels.shape[0]}\n".encode())
    digest.update(np.ascontiguousarray(pixels).tobytes())
    digest.update(_canonical(facts).encode())
    return digest.hexdigest()


def _canonical(facts: dict[str, Any]) -> str:
    return json.dumps(_finite(facts), sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def _valid_date(text: Any) -> str | None:
    try:
        return datetime.fromisoformat(str(text)).isoformat() if text else None
    except ValueError:
        return None
