"""Cautions, stop rules and plain data of a plan, in a technician's words."""

from __future__ import annotations

BASIC_CAUTIONS = (
    "Disconnect the battery, the charger and every other source first; wait until the rail reads "
    "0 V and discharge large capacitors through a resistor.",
    "Lithium cells burn: never inject with a cell connected, swollen or damaged; keep it away from "
    "the heat.",
    "Use a bench supply whose output is isolated from the mains, earthed as its manual says; "
    "nothing else on the board may be fed from the mains.",
    "The part and the path to it can get hot: do not touch them during the injection and for a "
    "minute after it.",
    "A shorted part can burst or burn open: wear eye protection and keep your face away.",
    "Overheated parts give off fumes: ventilate; stop at the first smell or smoke.",
    "Ground yourself: static discharge kills parts that are still good.",
    "Connect with the output off, then switch it on; switch off before moving a probe.",
    "Follow the local electrical code and leave to licensed people what it reserves for them.",
)

_FIRST_RULES = (
    "Go up one step only if the step before showed no clear warm spot; stop at the first one.",
    "Stop at smell, smoke, a noise, or when anything but the suspected part gets hot.",
    "Stop when the current jumps or falls by itself: the short has changed; measure again.",
)
_STAYS_IN_VOLTAGE = (
    "If the supply stays in constant voltage (current below its limit) the short is not dead: the "
    "rail may be the wrong one, a clip may have poor contact, or the fault is ohms instead of "
    "milliohms. Off, clean and press the contact, measure the rail again, and plan again with "
    "that reading; do not raise the voltage beyond the plan."
)
_GOES_INTO_CURRENT = (
    "The supply should stay in constant voltage, its current below the limit: the fault is no dead "
    "short. If it goes into current limit the resistance has fallen: off, measure the rail again, "
    "and plan again with that reading. If hardly any current flows, a clip has poor contact or the "
    "rail is the wrong one."
)
_LAST_RULE = (
    "If the last step shows nothing, use the pulse train and let it run for the time stated."
)


def power_words(power_w: float) -> str:
    """Return a power as people write it, in mW below a watt, to two digits."""
    if power_w >= 1.0:
        return f"{power_w:.2g} W"
    return f"{power_w * 1e3:.0f} mW" if power_w >= 0.01 else f"{power_w * 1e3:.2g} mW"


def build_stop_rules(mode: str) -> tuple[str, ...]:
    """Return when to stop, for a plan whose supply should hold "current" or "voltage"."""
    middle = _GOES_INTO_CURRENT if mode == "voltage" else _STAYS_IN_VOLTAGE
    return (*_FIRST_RULES, middle, _LAST_RULE)


def build_cautions(*, set_v: float, above_drop: bool, surge_j: float) -> tuple[str, ...]:
    """Return the cautions that go with a set point."""
    extra = []
    if above_drop:
        extra.append(
            f"{set_v:g} V is above a diode drop: unpowered neighbours may be fed through their "
            "protection diodes. Stop if another part warms up (common practice, no source)."
        )
    if surge_j > 1e-3:
        extra.append(
            f"The supply's output capacitor holds about {surge_j * 1e3:.2g} mJ that the current "
            "limit does not hold back: touch the rail only with the output off."
        )
    return BASIC_CAUTIONS + tuple(extra)
