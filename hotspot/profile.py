"""All that calibration knows of one camera: what its numbers mean and how well it sees."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Values(StrEnum):
    """What a pixel value is."""

    COUNTS = "counts"
    CELSIUS = "celsius"
    GREY8 = "grey8"
    PALETTE8 = "palette8"


@dataclass(frozen=True, slots=True)
class RadianceCurve:
    """Counts linear in radiance: T_K = b / ln(r / (counts - offset) + f).

    The usual three-parameter fit of Planck's law in a band (Planck 1901 with an effective
    wavelength; b in kelvin, r in counts, f without unit, offset in counts).
    """

    r: float
    b: float
    f: float
    offset: float


@dataclass(frozen=True, slots=True)
class RawPlane:
    """Where the raw values lie in a frame that carries picture and raw plane in one image.

    Attributes
    ----------
    crop_px
        (x, y, width, height) of the raw plane in the delivered image, in delivered pixels.
    view
        numpy dtype string the bytes are viewed as, byte order included ("<u2", ">u2").
    """

    crop_px: tuple[int, int, int, int]
    view: str = "<u2"


@dataclass(frozen=True, slots=True)
class CameraProfile:
    """One camera.

    Attributes
    ----------
    name
        The bench's own name for it.
    width, height
        Pixels of a frame.
    values
        What a pixel value is.
    scale, offset
        °C = counts * scale + offset, for counts that are linear in temperature; None otherwise.
    radiance_curve
        For counts that are linear in radiance; None otherwise.
    netd_mk
        Noise-equivalent temperature difference in mK, if known.
    frame_rate_hz
        Nominal frame rate, if known.
    psf_sigma_px
        Standard deviation of the optics' blur in pixels, if known.
    bad_pixels
        (x, y) of known bad pixels.
    raw_plane
        Layout of a stacked frame; None when the frame is the raw plane.
    """

    name: str
    width: int
    height: int
    values: Values = Values.COUNTS
    scale: float | None = None
    offset: float | None = None
    radiance_curve: RadianceCurve | None = None
    netd_mk: float | None = None
    frame_rate_hz: float | None = None
    psf_sigma_px: float | None = None
    bad_pixels: tuple[tuple[int, int], ...] = field(default=())
    raw_plane: RawPlane | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns) of a frame."""
        return self.height, self.width

    @property
    def is_radiometric(self) -> bool:
        """Whether values can be turned into °C."""
        return self.values in (Values.COUNTS, Values.CELSIUS)
