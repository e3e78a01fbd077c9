"""Response message elements (IEEE 488.2, chapter 8): precise talking."""

from __future__ import annotations

import math
import operator
from typing import Any

from demo_sim.scpi.parameters import NOT_A_NUMBER, OVERLOAD

_LARGEST = math.inf

Buffer = bytes | memoryview


class Quoted(str):
    """A string response: sent between double quotes, inner ones doubled (8.7.8)."""

    __slots__ = ()


class Ascii(bytes):
    """Bytes that go out as they are, not as a block."""

    __slots__ = ()


class IndefiniteBlock:
    """A block response of indefinite length (8.7.10): ends with the message, so comes last in it.

    Only a link with END shows where it ends; over a raw socket it is safe only for data that
    hold no NL.
    """

    __slots__ = ("data",)

    def __init__(self, data: bytes | bytearray | memoryview) -> None:
        self.data = data


def nr3(value: float) -> str:
    """A float as NR3 with ten digits; ±inf and nan as SCPI's 9.9E37 and 9.91E37."""
    if -_LARGEST < value < _LARGEST:
        return f"{value:+.9E}"
    if math.isnan(value):
        return f"{NOT_A_NUMBER:+.9E}"
    return f"{math.copysign(OVERLOAD, value):+.9E}"


def encode(value: Any) -> Buffer | list[Buffer]:
    """One response message unit.

    * ``bool`` → 1 or 0; ``int`` → NR1; ``float`` → NR3, ten digits, ``inf`` → +9.9E+37,
      ``nan`` → +9.91E+37
    * ``str`` → as it is (a mnemonic, or text already formatted); ``Quoted`` → string data
    * tuple or list → the elements, comma separated
    * ``bytes``, ``bytearray``, ``memoryview``, NumPy array → definite-length block of its bytes,
      in the array's own byte order, without a copy: the caller must not change it afterwards;
      ``IndefiniteBlock`` → the same without a length

    Raises:
        TypeError: anything else, ``None`` included.
    """
    kind = type(value)
    if kind is str:
        return _ascii(value)
    if kind is float:
        return (b"%+.9E" % value) if -_LARGEST < value < _LARGEST else nr3(value).encode("ascii")
    if kind is bool:
        return b"1" if value else b"0"
    if kind is int:
        return b"%d" % value
    if isinstance(value, Quoted):
        return b'"' + _ascii(value).replace(b'"', b'""') + b'"'
    if isinstance(value, Ascii):
        return bytes(value)
    if isinstance(value, tuple | list):
        return _listed(value)
    if isinstance(value, bytes | bytearray | memoryview):
        return _block(memoryview(value).cast("B"))
    if isinstance(value, IndefiniteBlock):
        return [b"#0", memoryview(value.data).cast("B")]
    if hasattr(value, "dtype"):  # NumPy, without importing it here
        if value.ndim == 0:
            return encode(value.item())
        return _block(memoryview(value.reshape(-1).view("u1")))
    if isinstance(value, str):
        return _ascii(value)
    if isinstance(value, float):
        return nr3(value).encode("ascii")
    return b"%d" % operator.index(value)


def _ascii(text: str) -> bytes:
    return text.encode("ascii", "replace")


def _listed(values: tuple[Any, ...] | list[Any]) -> Buffer | list[Buffer]:
    if not values:
        raise TypeError("an empty list is no response")
    pieces: list[Buffer] = []
    for index, value in enumerate(values):
        if index:
            pieces.append(b",")
        piece = encode(value)
        pieces.extend(piece if isinstance(piece, list) else [piece])
    if all(type(piece) is bytes for piece in pieces):
        return b"".join(pieces)
    return pieces


def _block(data: memoryview) -> list[Buffer]:
    """Definite-length arbitrary block response data (8.7.9)."""
    length = b"%d" % len(data)
    if len(length) > 9:
        raise TypeError("a block holds at most 999 999 999 bytes")
    return [b"#%d" % len(length) + length, data]
