"""Units and multipliers behind a number (IEEE 488.2, 7.7.3, tables 7-1 and 7-2)."""

from __future__ import annotations

from functools import lru_cache

from demo_sim.scpi.errors import ScpiError

MULTIPLIERS: dict[str, float] = {
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "": 1.0,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
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
def _factor(suffix: str, unit: str) -> float | None:
    related = _RELATED.get(unit, {}).get(suffix)
    if related is not None:
        return related
    if not suffix.endswith(unit):
        return None
    prefix = suffix[: len(suffix) - len(unit)]
    if prefix == "M" and unit in _M_IS_MEGA:
        return 1e6
    return MULTIPLIERS.get(prefix)


def scale(value: float, suffix: str, unit: str) -> float:
    """The value in ``unit``; the suffix is upper case as sent, e.g. 30 and "MV" in "V" → 0.03.

    Raises:
        ScpiError: −138 when no suffix is allowed, −131 when it is not one of this unit's.
    """
    if not unit:
        raise ScpiError(-138, suffix)
    factor = _factor(suffix, unit)
    if factor is None:
        raise ScpiError(-131, f"{suffix} where {unit} belongs")
    # Dividing by an exact power of ten rounds correctly: 30 MV is 0.03 V and not 0.029999….
    return value / round(1.0 / factor) if factor < 1e-2 and _is_decade(factor) else value * factor


def _is_decade(factor: float) -> bool:
    return factor in MULTIPLIERS.values()
