"""A curve of a run as a page shows it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart with its heading and what stands below it."""

    step: str
    title: str
    caption: str
    svg: str
    trace: str = ""  # its name; a sound of that name was heard with it
