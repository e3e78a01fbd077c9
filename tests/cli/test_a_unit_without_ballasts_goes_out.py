"""Integrated power stages, in parallel and in bridge, with no ballast that a lead can be put on:
such a unit goes from the complaint to its owner's sheet."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

Seqrun = Callable[..., Any]
SEQUENCES = Path(__file__).parents[2] / "sequences"
UNIT = ("--bench", "demo", "--unit", "demo-integrated", "--serial", "P-1", "--operator", "A. Bench")
#: of the shipped sequences: nothing that soaks or listens for long
KEPT = {
    "intake": "protection loads_off ambient bring_up pull_in relays.{channel} offset.{channel} "
    "idle_supply cold.{ballast} share.{bank} gain.{channel} discharge",
    "acceptance": "protection ambient load.{channel} bring_up relays polarity offset.{channel} "
    "idle_supply cold.{ballast} share_cold.{bank} gain stages.{channel} discharge",
}


def shortened(sequence: str) -> str:
    """The shipped sequence with few of its steps, in this folder."""
    text = (SEQUENCES / f"{sequence}.toml").read_text(encoding="utf-8")
    head, *steps = text.split("[[step]]\n")
    kept = [s for s in steps if s.split('"')[1] in KEPT[sequence].split()]
    assert len(kept) == len(KEPT[sequence].split())
    Path(f"short-{sequence}.toml").write_text("[[step]]\n".join([head, *kept]), encoding="utf-8")
    return f"short-{sequence}.toml"


def test_from_the_complaint_to_the_owners_sheet(seqrun: Seqrun) -> None:
    assert seqrun("unit", "P-1", "--complaint", "hums when cold").code == 0
    for sequence in KEPT:
        done = seqrun("run", shortened(sequence), *UNIT)
        assert done.code == 0, done.out[-2000:]
    with Path("results/readings.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    idle = [row for row in rows if row["quantity"] == "idle_current"]
    assert idle and all(row["verdict"] == "not measured" for row in idle)
    stands_in = [row for row in rows if row["quantity"] == "idle_supply_current"]
    assert "pass" in {row["verdict"] for row in stands_in}
    told = seqrun("release", "last", "--fault-found", "none", "--work-done", "tested")
    assert told.code == 0, told.err
    page = next(Path("results").rglob("release.html")).read_text(encoding="utf-8")
    untested = page[page.index("Not part of this test") :]
    assert "sharing between the output transistors" in untested
    assert "still gives its heat to the heatsink" in untested
