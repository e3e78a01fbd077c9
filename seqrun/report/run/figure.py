"""A curve of a run as a page shows it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart with its heading and what stands below it."""

    step: str
    title: str
    caption: str
    svg: str
    trace: str = ""  # its name; a sound of that name was heard with it


def channels_of(
    trace: Mapping[str, NDArray[np.float64]], prefix: str
) -> list[tuple[str, NDArray[np.float64]]]:
    """The columns of a trace that hold a channel each: ``volts_left`` is the channel ``left``.

    Raises:
        ValueError: there is none.
    """
    found = [(n.removeprefix(prefix), c) for n, c in trace.items() if n.startswith(prefix)]
    if not found:
        raise ValueError(f"no column begins with {prefix}")
    return found
