"""Quantities as people write them, ``"50 mV"``, and back: parsing, rendering, pydantic types.

Every number inside the program is a float in the base unit of its kind; the unit is in the type
or the name. A temperature is held in °C and a rise in K; the two are different kinds, so that a
limit on a rise cannot be given as a temperature. ``%`` is a kind of bare number: read as ``""``
it is a fraction (0.1 % = 0.001), read as ``"%"`` it stays in percent.

quantiphy takes the numbers and scale factors apart. ``min``, ``m`` and ``mol`` are declared to it
as units and ``K`` is left out of its scale factors; without that ``10 min`` is ten milli-inch and
``40 K`` forty thousand.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction as Ratio
from functools import partial
from typing import Annotated, Any, NamedTuple

import quantiphy
from pydantic import BeforeValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from seqrun.errors import FileError

LONGEST = 64  # characters; nobody writes a longer quantity on purpose


class Dimension(NamedTuple):
    """Exponents of the dimensions that the trade's units are made of."""

    volt: Ratio = Ratio(0)
    ampere: Ratio = Ratio(0)
    second: Ratio = Ratio(0)
    kelvin: Ratio = Ratio(0)
    decibel: Ratio = Ratio(0)

    def times(self, other: Dimension) -> Dimension:
        return Dimension(*(a + b for a, b in zip(self, other, strict=True)))

    def power(self, exponent: Ratio) -> Dimension:
        return Dimension(*(a * exponent for a in self))


def _dim(**exponents: int) -> Dimension:
    return Dimension(**{name: Ratio(n) for name, n in exponents.items()})


PLAIN = Dimension()

#: base units and what they are made of. °C has the dimension of K; expressions tell them apart.
DIMENSIONS: dict[str, Dimension] = {
    "": PLAIN,
    "%": PLAIN,
    "V": _dim(volt=1),
    "A": _dim(ampere=1),
    "W": _dim(volt=1, ampere=1),
    "Ω": _dim(volt=1, ampere=-1),
    "Hz": _dim(second=-1),
    "s": _dim(second=1),
    "K": _dim(kelvin=1),
    "°C": _dim(kelvin=1),
    "dB": _dim(decibel=1),
    "J": _dim(volt=1, ampere=1, second=1),
    "F": _dim(ampere=1, second=1, volt=-1),
    "K/W": _dim(kelvin=1, volt=-1, ampere=-1),
    "K/s": _dim(kelvin=1, second=-1),
    "A/K": _dim(ampere=1, kelvin=-1),
    "V/s": _dim(volt=1, second=-1),
}

#: units as written -> base unit and factor
SPELLINGS: dict[str, tuple[str, float]] = {
    **{unit: (unit, 1.0) for unit in DIMENSIONS},
    "\u2126": ("Ω", 1.0),  # the ohm sign beside the Greek letter
    "ohm": ("Ω", 1.0),
    "Ohm": ("Ω", 1.0),
    "ohms": ("Ω", 1.0),
    "min": ("s", 60.0),
    "h": ("s", 3600.0),
    "K/min": ("K/s", 1.0 / 60.0),
}

KINDS = {
    "": "a bare number",
    "%": "a percentage",
    "V": "a voltage",
    "A": "a current",
    "W": "a power",
    "Ω": "a resistance",
    "Hz": "a frequency",
    "s": "a time",
    "K": "a temperature difference",
    "°C": "a temperature",
    "dB": "a level in dB",
    "J": "an energy",
    "F": "a capacitance",
    "K/W": "a thermal resistance",
}

EXAMPLES = {
    "": "0.5",
    "%": "0.1 %",
    "V": "50 mV",
    "A": "25 mA",
    "W": "40 W",
    "Ω": "8 Ω",
    "Hz": "1 kHz",
    "s": "10 min",
    "K": "40 K",
    "°C": "85 °C",
    "dB": "-80 dB",
    "F": "100 nF",
}

_SCALED = frozenset({"V", "A", "W", "Ω", "Hz", "s", "J", "F", "V/s"})  # units that take prefixes
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")


class QuantityError(FileError):
    """A text is not the quantity that is wanted. Whoever reads the file adds step and key."""

    def __init__(self, found: str, expected: str) -> None:
        super().__init__(found, expected=expected)
        self.wanted = expected


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number and its base unit."""

    value: float
    unit: str

    def in_unit(self, unit: str) -> float:
        """The value in another unit of the same kind (``%`` and bare numbers convert).

        Raises:
            QuantityError: when the kinds differ.
        """
        if unit == self.unit:
            return self.value
        if {unit, self.unit} == {"", "%"}:
            return self.value * 100.0 if unit == "%" else self.value / 100.0
        raise QuantityError(f"{self} is {kind(self.unit)}", f"{kind(unit)} {example(unit)}".strip())

    def __str__(self) -> str:
        return render(self.value, self.unit, digits=6)


class _Parsed(quantiphy.Quantity):
    """quantiphy with our preferences, without touching those of other users of the library."""


_Parsed.set_prefs(known_units="min m mol", input_sf="TGMkmuµμnp", map_sf={"u": "µ"}, spacer=" ")


def kind(unit: str) -> str:
    """What a unit measures, in words: ``"a voltage"``."""
    return KINDS.get(unit, f"a quantity in {unit}")


def example(unit: str) -> str:
    """How a quantity of that unit is written: ``'such as "50 mV"'``."""
    return f'such as "{EXAMPLES[unit]}"' if unit in EXAMPLES else f"in {unit}"


def read(text: str) -> Quantity:
    """Any quantity: number, optional scale factor, optional unit.

    Raises:
        QuantityError: not a number, an unknown unit, not finite.
    """
    if len(text) > LONGEST:
        raise QuantityError(f"{len(text)} characters", f"a quantity of at most {LONGEST}")
    plain = text.strip().replace("−", "-")  # a typographic minus means minus
    number = _NUMBER.match(plain)
    shown = f'"{text}"'
    if number is None:
        raise QuantityError(f"{shown} does not begin with a number", 'a quantity such as "50 mV"')
    rest = plain[number.end() :]
    if rest.startswith(","):
        raise QuantityError(
            f"{shown} has a comma", "a decimal point, and nothing between thousands"
        )
    rest = rest.strip()
    if not rest:
        value, unit = float(number.group()), ""
    elif rest in SPELLINGS:
        value, unit = float(number.group()), rest
    else:
        try:
            parsed = _Parsed(f"{number.group()} {rest}")
        except (quantiphy.QuantiPhyError, OverflowError) as problem:
            raise QuantityError(
                f"{shown} cannot be read", 'a quantity such as "50 mV"'
            ) from problem
        value, unit = float(parsed), str(parsed.units)
        if SPELLINGS.get(unit, ("", 0.0))[0] not in _SCALED | {"K", "K/W"} or unit in {"min", "h"}:
            raise QuantityError(f"{shown} has no known unit" + _metre(unit), _known_units())
    base, factor = SPELLINGS[unit]
    value *= factor
    if not math.isfinite(value):
        raise QuantityError(f"{shown} is not a finite number", 'a quantity such as "50 mV"')
    return Quantity(value, base)


def _metre(unit: str) -> str:
    return " (m is the metre; minutes are min)" if unit == "m" else ""


def _known_units() -> str:
    return "one of V A W Ω (ohm) Hz s min h K °C dB %, with k M m µ n p before it where usual"


def parse(text: str, unit: str) -> float:
    """A quantity in base units: ``parse("50 mV", "V")`` is 0.05.

    Raises:
        QuantityError: when the text is no quantity or is of another kind, e.g. ``"50 mA"`` where
            a voltage belongs.
    """
    found = read(text)
    wanted = f"{kind(unit)}, {example(unit)}"
    try:
        return found.in_unit(unit)
    except QuantityError:
        if not found.unit:
            raise QuantityError(f'"{text}" has no unit', wanted) from None
        hint = ""
        if {found.unit, unit} == {"K", "°C"}:
            hint = " (rises are in K, temperatures in °C)"
        raise QuantityError(f'"{text}" is {kind(found.unit)}', wanted + hint) from None


def render(value: float, unit: str, *, uncertainty: float | None = None, digits: int = 4) -> str:
    """For people: ``"49.8 mV"``, or ``"49.82 ± 0.13 mV"`` with an (expanded) uncertainty.

    Args:
        value, uncertainty: in base unit ``unit``.
        digits: significant digits when there is no uncertainty; with one, its first two digits
            decide (JCGM 100:2008, 7.2.6).
    """
    if not math.isfinite(value):
        return "not a number" if math.isnan(value) else ("-∞ " if value < 0 else "∞ ") + unit
    if unit == "s" and abs(value) >= 120.0 and uncertainty is None:
        return f"{_significant(value / 60.0, digits)} min"
    prefix, scale = _prefix(max(abs(value), uncertainty or 0.0), unit)
    tail = f" {prefix}{unit}" if prefix or unit else ""
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty <= 0.0:
        return f"{_significant(value / scale, digits)}{tail}"
    shown = uncertainty / scale
    places = max(0, 1 - math.floor(math.log10(shown)))
    return f"{value / scale:.{min(places, 9)}f} ± {shown:.{min(places, 9)}f}{tail}"


def _prefix(size: float, unit: str) -> tuple[str, float]:
    # Less than one a second is a rate of events; nobody counts bursts in millihertz.
    if unit not in _SCALED or size == 0.0 or (unit == "Hz" and size < 1.0):
        return "", 1.0
    for prefix, scale in (("M", 1e6), ("k", 1e3), ("", 1.0), ("m", 1e-3), ("µ", 1e-6), ("n", 1e-9)):
        if size >= scale * 0.99995:
            return prefix, scale
    return "p", 1e-12


def _significant(value: float, digits: int) -> str:
    text = f"{value:.{digits}g}"
    if "e" in text:
        _, exponent = text.split("e")
        return text if abs(int(exponent)) > 6 else format(Decimal(text), "f")
    return "0" if text == "-0" else text


def _validate(value: Any, *, unit: str) -> float:
    if isinstance(value, str):
        try:
            found = parse(value, unit)
        except QuantityError as problem:
            raise custom_error(problem.found, problem.wanted) from problem
        if unit == "s" and found < 0.0:
            raise custom_error(f'"{value}" is negative', "a time that is not")
        return found
    if isinstance(value, int | float) and not isinstance(value, bool):
        if unit == "" and math.isfinite(value):
            return float(value)
        raise custom_error(f"{value} has no unit", f"{kind(unit)} as text, {example(unit)}")
    raise custom_error(f"{value!r} is not a quantity", f"{kind(unit)} as text, {example(unit)}")


def custom_error(found: str, expected: str) -> PydanticCustomError:
    """For validators: an error that keeps found and expected apart."""
    return PydanticCustomError(
        "seqrun", "{found}; expected {expected}", {"found": found, "expected": expected}
    )


def _schema(unit: str) -> WithJsonSchema:
    return WithJsonSchema(
        {
            "type": ["string", "number"] if unit == "" else "string",
            "description": f"{kind(unit)}, {example(unit)}",
            "examples": [EXAMPLES[unit]],
        }
    )


Volts = Annotated[float, BeforeValidator(partial(_validate, unit="V")), _schema("V")]
Amperes = Annotated[float, BeforeValidator(partial(_validate, unit="A")), _schema("A")]
Watts = Annotated[float, BeforeValidator(partial(_validate, unit="W")), _schema("W")]
Farads = Annotated[float, BeforeValidator(partial(_validate, unit="F")), _schema("F")]
Ohms = Annotated[float, BeforeValidator(partial(_validate, unit="Ω")), _schema("Ω")]
Hertz = Annotated[float, BeforeValidator(partial(_validate, unit="Hz")), _schema("Hz")]
Seconds = Annotated[float, BeforeValidator(partial(_validate, unit="s")), _schema("s")]
Kelvins = Annotated[float, BeforeValidator(partial(_validate, unit="K")), _schema("K")]
Celsius = Annotated[float, BeforeValidator(partial(_validate, unit="°C")), _schema("°C")]
Decibels = Annotated[float, BeforeValidator(partial(_validate, unit="dB")), _schema("dB")]
Percent = Annotated[float, BeforeValidator(partial(_validate, unit="%")), _schema("%")]
#: a share of one, written "40 %" (0.4) or as a bare number
Fraction = Annotated[float, BeforeValidator(partial(_validate, unit="")), _schema("%")]
