"""The scaling of a waveform, in whichever way a scope tells it, checked before it is used."""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Mapping

from seqrun.files.driver.equipment import ScopeSettings
from seqrun.files.driver.operations import SCALING
from seqrun.instruments.answers import with_suffix, without_header
from seqrun.instruments.vertical import Scaling
from seqrun.values import SCPI_INFINITY

_FORMATS = {"float32": "f", "float64": "d", "int8": "b", "int16": "h", "int32": "i",
            "uint8": "B", "uint16": "H", "uint32": "I"}  # fmt: skip

_BEFORE = r"(?:[:*]?[A-Za-z][\w:*?]*[:\s]\s*)?:?"  # a header, or the path of the keyword
_BETWEEN = r"(?:\s*[=,]\s*|\s+|:\s*)(.+)$"

#: how far the converter's whole span may be from the full scale that was set (screens show eight
#: divisions of ten or so that are converted)
SPAN = (0.4, 3.0)
#: how far the sample rate may be from the one asked for, where the rate is what was set
RATE = 0.2
#: the same as a ratio, where it follows from time per division and what the scope makes of it
RATIO = 20.0


def in_order(answer: str, settings: ScopeSettings, headers: bool) -> dict[str, float]:
    """Fields by their places.

    Raises:
        ValueError: fewer than named, or one that is used is no number.
    """
    text = without_header(answer) if headers else answer
    parts = text.split(settings.preamble_separator or ",")
    if len(parts) < len(settings.preamble):
        raise ValueError(f"{len(parts)} fields")
    pairs = zip(settings.preamble, parts, strict=False)
    return {name: _number(name, part) for name, part in pairs if name in SCALING}


def by_keyword(answer: str, settings: ScopeSettings) -> dict[str, float]:
    """Fields by their keywords, in any order; a header before the first one is left.

    Between keyword and value stand blanks, ``=``, ``:`` or a comma; a separator within a quoted
    text separates nothing.

    Raises:
        ValueError: a keyword is missing, or its value is no number.
    """
    pairs = _pairs(answer, settings.preamble_separator or ";")
    fields: dict[str, float] = {}
    for name, keyword in settings.keys.items():
        its = re.compile(_BEFORE + re.escape(keyword) + _BETWEEN, re.IGNORECASE | re.DOTALL)
        value = next((found[1] for found in map(its.match, pairs) if found), None)
        if value is None:
            raise ValueError(f"no {keyword}")
        if name in SCALING:
            fields[name] = _number(name, value.strip().strip('"'))
    return fields


def _pairs(answer: str, separator: str) -> list[str]:
    """The parts of an answer between separators that stand in no quoted text."""
    parts = re.findall(rf"(?:\"[^\"]*\"|(?!{re.escape(separator)}).)+", answer, re.DOTALL)
    return [part.strip() for part in parts if part.strip()]


def from_descriptor(data: bytes | memoryview, settings: ScopeSettings) -> dict[str, float]:
    """Fields by their places in a binary block.

    Raises:
        ValueError: the block is too short for one.
    """
    fields: dict[str, float] = {}
    order = "<" if settings.byte_order == "little" else ">"
    for name, field in settings.descriptor.items():
        try:
            (value,) = struct.unpack_from(order + _FORMATS[field.kind], data, field.at)
        except struct.error:
            raise ValueError(f"{len(data)} bytes, and {name} at {field.at}") from None
        fields[name] = float(value) * field.scale
    return {name: value for name, value in fields.items() if name in SCALING}


def _number(name: str, text: str) -> float:
    try:
        return with_suffix(text)
    except ValueError:
        raise ValueError(f"{name} is '{text.strip()[:30]}'") from None


def scaling(
    fields: Mapping[str, float], settings: ScopeSettings, probe: float = 1.0, points: int = 0
) -> Scaling:
    """The scaling that the fields make.

    Args:
        points: of the record, where ``xorigin`` is the time of its middle.
        probe: factor on all volts, for a scope that does not know of its probes.

    Raises:
        ValueError: a number that is none, or an increment that cannot be.
    """
    for name, value in fields.items():
        if not abs(value) < SCPI_INFINITY:
            raise ValueError(f"{name} is {value:g}")
    xincrement = fields.get("xincrement", 0.0)
    if "xincrement" not in fields and fields.get("sample_rate", 0.0) > 0.0:
        xincrement = 1.0 / fields["sample_rate"]
    yincrement = fields.get("yincrement", 0.0)
    if "yincrement" not in fields and "volts_per_division" in fields:
        codes = fields.get("codes_per_division", settings.codes_per_division or 0.0)
        yincrement = fields["volts_per_division"] / codes if codes else 0.0
    if settings.in_volts:
        yincrement = 1.0
    if not xincrement > 0.0 or yincrement == 0.0:
        raise ValueError("an increment of zero")
    yorigin = fields.get("yorigin", -fields.get("yoffset", 0.0))
    yreference = fields.get("yreference", 0.0)
    if settings.yorigin_in == "codes":
        yreference, yorigin = yreference + yorigin, 0.0
    factor = probe * fields.get("probe_factor", 1.0)
    before = points / 2.0 * xincrement if settings.xorigin_of == "middle" else 0.0
    return Scaling(
        xincrement=xincrement,
        yincrement=yincrement * factor,
        xorigin=fields.get("xorigin", 0.0) - before,
        xreference=fields.get("xreference", 0.0),
        yorigin=yorigin * factor,
        yreference=yreference,
    )


def plausible(found: Scaling, settings: ScopeSettings, full_scale: float, rate: float) -> None:
    """See that a scaling can be that of what was set.

    Args:
        full_scale: what was set, V peak to peak at the probe tip.
        rate: the sample rate that was asked for, Hz.

    Raises:
        ValueError: says what cannot be.
    """
    ratio = found.xincrement * rate
    near = abs(ratio - 1.0) <= RATE if settings.sets == "rate" else 1.0 / RATIO <= ratio <= RATIO
    if not near:
        raise ValueError(f"a sample every {found.xincrement:g} s where {1.0 / rate:g} s was set")
    if settings.in_volts:
        return
    span = abs(found.yincrement) * 2.0**settings.code_bits
    if not SPAN[0] <= span / full_scale <= SPAN[1]:
        raise ValueError(f"codes that span {span:g} V where {full_scale:g} V was set")
    signed = settings.sample.startswith("int")
    middle = 0.0 if signed else 2.0 ** (settings.code_bits - 1)
    at_middle = (middle - found.yreference) * found.yincrement + found.yorigin
    if not abs(at_middle) <= full_scale or not math.isfinite(found.xorigin):
        raise ValueError(f"{at_middle:g} V at the middle of the converter, {full_scale:g} V wide")
