"""The kinds of recordings: what each is made of. Ranges are drawn from anew for every seed."""

from __future__ import annotations

from dataclasses import dataclass, field

Range = tuple[float, float]
SMALL = ((80, 60), (160, 120))
USUAL = ((160, 120), (256, 192), (256, 192), (384, 288))
ANY = (*SMALL, *USUAL)


@dataclass(frozen=True)
class Kind:
    """One kind.

    `logged` and `pulsed` are shares of the cases; `power_w` is that in the short; `snr` is where
    the ideal observer shall end up, by choice of power, None: at least 8; `levels` are ranges that
    replace the usual ones of `nuisances.Level`; `series` is the heat in the inductor or bead over
    that in the short.
    """

    sensors: tuple[tuple[int, int], ...] = ANY
    duration_s: Range = (40, 110)
    logged: float = 1.0
    pulsed: float = 0.15
    power_w: Range = (0.003, 0.3)
    snr: Range | None = None
    fault: str = "part"
    series: Range | None = None
    levels: dict[str, Range] = field(default_factory=dict)
    display: str | None = None
    landmarks: bool = True
    cold: bool = False
    switched: bool = True
    most_frames: int = 2000


SHUTTERS: Range = (15, 60)
KINDS: dict[str, Kind] = {
    "easy": Kind(power_w=(0.05, 1.0), pulsed=0.0),
    "ordinary_logged": Kind(),
    "ordinary_unlogged": Kind(logged=0.0),
    "weak_logged": Kind(sensors=SMALL, power_w=(4e-4, 6e-3), snr=(7, 30), pulsed=0.0,
                        duration_s=(60, 180)),
    "weak_unlogged": Kind(sensors=SMALL, power_w=(4e-4, 6e-3), snr=(10, 40), pulsed=0.0, logged=0.0,
                          duration_s=(60, 180)),
    "pulsed_below_noise": Kind(sensors=SMALL, power_w=(4e-5, 6e-4), snr=(6, 30), pulsed=1.0,
                               logged=0.5, duration_s=(90, 180)),
    "inductor_hotter": Kind(series=(1.3, 5.0), power_w=(0.01, 0.2)),
    "two_shorts": Kind(fault="two"),
    "ic_fault": Kind(fault="ic", power_w=(0.02, 0.4)),
    "shutter_many": Kind(levels={"shutter_every_s": (15, 22), "drift_k": (0.3, 1.2)},
                         power_w=(3e-3, 0.1), snr=(12, 150)),
    "bump": Kind(levels={"bump_px": (0.3, 3.0)}, power_w=(5e-3, 0.2)),
    "hand_with_fault": Kind(levels={"hand_k": (2, 9)}, power_w=(5e-3, 0.2), snr=(15, 200)),
    "grey_video": Kind(display="grey8", logged=0.5, snr=(20, 300)),
    "palette_video": Kind(display="palette8", logged=0.5, snr=(20, 300)),
    "strong_grey": Kind(display="grey8", logged=0.5, power_w=(0.02, 1.0)),
    "strong_palette": Kind(display="palette8", logged=0.5, power_w=(0.02, 1.0)),
    "cold_grey": Kind(cold=True, display="grey8", logged=0.5, levels={"hand_k": (2, 9)}),
    "cold_palette": Kind(cold=True, display="palette8", logged=0.5, levels={"hand_k": (2, 9)}),
    "big_sensor": Kind(sensors=((640, 512),), duration_s=(40, 50), power_w=(5e-3, 0.2)),
    "no_landmarks": Kind(sensors=USUAL, landmarks=False, power_w=(0.01, 0.3), snr=(40, 500)),
    "cold_nothing": Kind(cold=True, logged=0.7),
    "cold_hand": Kind(cold=True, levels={"hand_k": (2, 9)}),
    "cold_shutter": Kind(cold=True, logged=0.5,
                         levels={"shutter_every_s": SHUTTERS, "drift_k": (0.3, 1.2)}),
    "cold_unlogged": Kind(cold=True, logged=0.0, switched=False),
}  # fmt: skip
# Usual levels; a share of the cases has none of it.
USUAL_LEVELS: dict[str, tuple[Range, float]] = {
    "drift_k": ((0.05, 0.8), 1.0),
    "walk_k": ((0.02, 0.15), 1.0),
    "low_order_k": ((0.0, 0.08), 1.0),
    "ambient_k": ((0.0, 0.15), 1.0),
    "draught_k": ((0.01, 0.08), 0.25),
    "hand_k": ((1, 5), 0.0),
    "shutter_every_s": (SHUTTERS, 0.5),
    "bump_px": ((0.3, 3.0), 0.0),
    "repeat_share": ((0.05, 0.4), 0.3),
    "bad_share": ((0.0, 0.003), 1.0),
}
MOST_VALUES = 40e6  # frames times pixels; the largest sensor is let off
RATES_HZ = (9.0, 12.5, 15.0, 25.0, 30.0)
