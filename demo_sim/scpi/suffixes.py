"""Units and multipliers behind a number (IEEE 488.2, 7.7.3, tables 7-1 and 7-2)."""

from __future__ import annotations

from functools import lru_cache

from demo_sim.scpi.errors import ScpiError

# Powers of ten, table 7-2.
MULTIPLIERS: dict[str, int] = {
    "EX": 18,
    "PE": 15,
    "T": 12,
    "G": 9,
    "MA": 6,
    "K": 3,
    "": 0,
    "M": -3,
    "U": -6,
    "N": -9,
    "P": -12,
    "F": -15,
    "A": -18,
}

# 7.7.3.3: with hertz and ohms a single M is mega, because that is what people mean by it.
_M_IS_MEGA = ("HZ", "OHM")

# Units that measure the same thing without a decimal multiplier.
_RELATED: dict[str, dict[str, float]] = {
    "S": {"MIN": 60.0, "HR": 3600.0},
    "RAD": {"DEG": 0.017453292519943295},
    "DEG": {"RAD": 57.29577951308232},
}


@lru_cache(maxsize=256)
def _power(suffix: str, unit: str) -> int | None:
    if not suffix.endswith(unit):
        return None
    prefix = suffix[: len(suffix) - len(unit)]
    if prefix == "M" and unit in _M_IS_MEGA:
        return 6
    return MULTIPLIERS.get(prefix)


def scale(value: float, suffix: str, unit: str) -> float:
    """The value in ``unit``; the suffix is upper case as sent, e.g. 30 and "MV" in "V" → 0.03.

    Raises:
        ScpiError: −138 when no suffix is allowed, −131 when it is not one of this unit's.
    """
    if not unit:
        raise ScpiError(-138, suffix)
    related = _RELATED.get(unit, {}).get(suffix)
    if related is not None:
        return value * related
    power = _power(suffix, unit)
    if power is None:
        raise ScpiError(-131, f"{suffix} where {unit} belongs")
    # Powers of ten up to 22 are exact; dividing by one rounds once, so that 30 MV is 0.03 V.
    return value * 10.0**power if power >= 0 else value / 10.0**-power
