"""Sounds of a run, as a page plays them."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from seqrun.quantity import render
from seqrun.report.shared.summary import Summary


@dataclass(frozen=True, slots=True)
class Played:
    """A sound: where it lies as seen from the page, what it is, and its gain in words."""

    link: str
    name: str
    gain: str


def played(trace: str, summary: Summary, beside: Path | None) -> list[Played]:
    """The sounds that were heard with a trace: its own, or one for each channel of it.

    Args:
        beside: folder of the page; None: it lies in the run's own.
    """
    found = []
    for path in summary.sounds:
        if trace and (path.stem == trace or path.stem.startswith(f"{trace}-")):
            from_ = path.parent.parent if beside is None else beside
            link = Path(os.path.relpath(path.resolve(), from_.resolve()))
            channel = path.stem.removeprefix(trace).strip("-")
            found.append(
                Played(
                    quote(link.as_posix()), channel or trace, gain_words(summary.facts, path.stem)
                )
            )
    return found


def gain_words(facts: Mapping[str, object], stem: str) -> str:
    """What full scale stands for: the same for every run of such a unit, so that ears compare."""
    told = facts.get("sounds")
    one = told.get(stem) if isinstance(told, Mapping) else None
    full = one.get("full_scale_v") if isinstance(one, Mapping) else None
    if not isinstance(full, int | float):
        return "gain not on record"
    return f"full scale is {render(full, 'V', digits=3)}, the same before and after a repair"
