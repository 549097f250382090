"""How well each place of a board shines: a map from two uniform board temperatures."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calib.planck import LWIR, Band, band_radiance, band_slope, to_temperature_c
from calib.radiometry import Uncertain
from hotspot.checks import FloatArray, check_at_least, freeze
from hotspot.errors import RecordingError

# Below this step the camera's own drift between the two recordings (some tenths of a kelvin) would
# be several per cent of it.
LEAST_STEP_K = 10.0


@dataclass(frozen=True, slots=True)
class Surface:
    """A known surface: range of its emissivity and where that is from."""

    name: str
    low: float
    high: float
    source: str


def known_surfaces() -> tuple[Surface, ...]:
    """Return the table of known emissivities (ranges, 8-14 µm)."""
    file = Path(__file__).resolve().parent / "emissivities.toml"
    table = tomllib.loads(file.read_text(encoding="utf-8"))
    return tuple(
        Surface(str(s["name"]), float(s["low"]), float(s["high"]), str(s["source"]))
        for s in table["surface"]
    )


@dataclass(frozen=True, slots=True, eq=False)
class EmissivityMap:
    """Emissivity of each pixel.

    Attributes
    ----------
    emissivity
        (rows, cols); as measured, so that noise may carry it past 0 or 1.
    sigma
        (rows, cols) from temporal noise and pattern.
    scale
        Relative uncertainty that all pixels share, from the two board temperatures.
    reflected_c
        Reflected apparent temperature that fits best, NaN where the board shines too well to
        mirror anything (mean emissivity above 0.98).
    impossible
        Share of pixels below 0 or above 1 by more than three standard uncertainties.
    warnings
        What to look at.
    """

    emissivity: FloatArray
    sigma: FloatArray
    scale: float
    reflected_c: float
    impossible: float
    warnings: tuple[str, ...]

    def describe(self, box: tuple[int, int, int, int]) -> Uncertain:
        """Return the median of a box (x, y, width, height), common scale included."""
        x, y, w, h = box
        part = self.emissivity[y : y + h, x : x + w]
        value = float(np.median(part))
        own = float(np.median(self.sigma[y : y + h, x : x + w])) / np.sqrt(part.size)
        return Uncertain(value, float(np.hypot(own, value * self.scale)))


def measure_emissivity(
    cool: FloatArray,
    warm: FloatArray,
    *,
    cool_board: Uncertain,
    warm_board: Uncertain,
    pixel_sigma_k: float = 0.0,
    good: NDArray[np.bool_] | None = None,
    band: Band = LWIR,
) -> EmissivityMap:
    """Return the emissivity of each pixel from two mean pictures of one board.

    Parameters
    ----------
    cool, warm
        (rows, cols) °C at emissivity 1, the board at rest, evenly warm and in the same place.
    cool_board, warm_board
        Its true temperatures in °C, by a contact thermometer.
    pixel_sigma_k
        Noise of a pixel of a mean, K.
    good
        (rows, cols) bool.
    band
        Spectral response.

    Raises
    ------
    RecordingError
        Temperatures too close, or pictures of different size.

    Notes
    -----
    ε = (L(Ta₂) - L(Ta₁)) / (L(T₂) - L(T₁)): what the board mirrors is the same in both pictures and
    drops out (ISO 18434-1, two-temperature form). What is left over fixes the mirrored
    temperature: L(Tr) = Σ (1-ε)(L(Ta₁) - ε L(T₁)) / Σ (1-ε)², over all pixels.
    """
    check_at_least(pixel_sigma_k, bound=0.0, name="pixel_sigma_k")
    if cool.shape != warm.shape:
        raise RecordingError("the two recordings differ in size", cure="Use one camera")
    if warm_board.value - cool_board.value < LEAST_STEP_K:
        raise RecordingError(
            f"the board temperatures differ by {warm_board.value - cool_board.value:.1f} K",
            cure=f"Warm the board {LEAST_STEP_K:.0f} K or more above the first recording",
        )
    mask = np.ones(cool.shape, bool) if good is None else good
    step = float(band_radiance(warm_board.value, band=band)) - float(
        band_radiance(cool_board.value, band=band)
    )
    low, high = band_radiance(cool, band=band), band_radiance(warm, band=band)
    emissivity: FloatArray = np.where(mask, (high - low) / step, np.nan)
    noise = np.hypot(band_slope(cool, band=band), band_slope(warm, band=band)) * pixel_sigma_k
    sigma: FloatArray = np.where(mask, noise / step, np.nan)
    scale = float(
        np.hypot(
            float(band_slope(warm_board.value, band=band)) * warm_board.sigma,
            float(band_slope(cool_board.value, band=band)) * cool_board.sigma,
        )
        / step
    )
    mirror = 1 - emissivity[mask]
    left = low[mask] - emissivity[mask] * float(band_radiance(cool_board.value, band=band))
    reflected = float("nan")
    if float(np.mean(mirror)) > 0.02:
        reflected = float(to_temperature_c(np.sum(mirror * left) / np.sum(mirror**2), band=band))
    slack = 3 * np.hypot(sigma[mask], emissivity[mask] * scale)
    off = (emissivity[mask] < -slack) | (emissivity[mask] > 1 + slack)
    impossible = float(np.mean(off))
    warnings = []
    if impossible > 0.01:
        warnings.append(
            f"{impossible:.0%} of the pixels are below 0 or above 1: the board moved, was not"
            " evenly warm, or its temperature is wrong"
        )
    if scale > 0.05:
        warnings.append(f"the board temperatures leave {scale:.0%} of uncertainty: warm it further")
    return EmissivityMap(
        emissivity=freeze(emissivity),
        sigma=freeze(sigma),
        scale=scale,
        reflected_c=reflected,
        impossible=impossible,
        warnings=tuple(warnings),
    )
