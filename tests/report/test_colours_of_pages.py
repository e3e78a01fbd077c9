"""Colours of pages stand in one style sheet, by day and in the dark, and can be told from the
paper in both."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import seqrun.report
from seqrun.report.shared.assets import asset

FOLDER = Path(seqrun.report.__file__).parent
NAMES = re.compile(r"--([a-z0-9-]+): ([^;]+);")
DAY, NIGHT = (dict(NAMES.findall(part)) for part in asset("shared/page.css").split("@media")[:2])


def _luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb`` (WCAG 2.2)."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_what_is_drawn_has_its_colours_from_the_style_sheet() -> None:
    for path in [*FOLDER.rglob("*.py"), *FOLDER.rglob("*.j2"), *FOLDER.rglob("*.css")]:
        text = path.read_text(encoding="utf-8")
        used = set(re.findall(r"var\(--([a-z0-9-]+)\)", text))
        assert used <= DAY.keys(), path
        if path.suffix != ".css":
            assert not re.findall(r"[\"':]#[0-9a-fA-F]{3,6}\b", text), path


@pytest.mark.parametrize("colours", [DAY, NIGHT], ids=["day", "night"])
def test_letters_and_lines_stand_out_from_the_paper(colours: dict[str, str]) -> None:
    """Text 4.5 : 1, what is drawn 3 : 1 (WCAG 2.2, 1.4.3 and 1.4.11)."""
    for ground in ("paper", "desk", "decides"):
        for name in ("ink", "soft"):
            assert _contrast(colours[name], colours[ground]) >= 4.5, (name, ground)
    for name in ("accept", "hold", "reject", "aborted", "line-1", "line-2", "line-3", "line-4",
                 "edge"):  # fmt: skip
        assert _contrast(colours[name], colours["paper"]) >= 3.0, name
    for name in ("keeps", "guard", "beyond"):  # the reading upon a bar
        assert _contrast(colours["ink"], colours[name]) >= 4.5, name


def test_the_dark_has_a_colour_of_its_own_for_each() -> None:
    assert DAY.keys() - NIGHT.keys() == set()
