"""From complaint to owner's sheet by the printed next steps alone: nine faults on two units.

    python tests/benchmarks/bench_walks.py [FAULT …]

Prints a line for each walk: the steps, the cause that the tool had repaired, what repair was told
to cost on the way, whether compare said cured and whether the sheet says what was wrong. The world
adds to the first run which unit is on the bench and what is wrong with it, and takes the fault away
when the work is done; nothing else is added to what is printed. Exit 1 when a walk goes wrong.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

from seqrun.cli import main

#: fault, what its owner says, and what the cause that is found is called
FAULTS = (
    ("bias_high", "gets hot", "bias of the {channel} channel set too high"),
    ("dc_offset", "thumps, and the speaker cone stands out", "out of balance"),
    ("noisy_device", "crackles", "the {channel} channel crackles"),
    ("hum", "hums", "hum from a tired"),
    ("loss_of_treble", "sounds dull", "{channel} channel has lost its treble"),
    ("open_device", "distorts when it is loud", "output device of the {channel} channel is open"),
    ("stuck_relay", "one side stays silent", "output relay of the {channel} channel closes late"),
    ("resistive_relay", "is weak, and comes and goes", "output relay of the {channel} channel"),
    ("loss_of_gain", "one side is quieter", "the {channel} channel has lost gain"),
)
UNITS = {"demo-2x40": "left", "demo-mono": "mono"}  # and the channel that is at fault
MOST = 10  # steps
COST = re.compile(r"^ +repair +(-?[\d ]+\S*) \+- (-?[\d ]+)", re.MULTILINE)


@dataclass
class Walk:
    """One unit's stay."""

    serial: str
    fault: str
    unit: str
    steps: list[str] = field(default_factory=list)
    costs: list[str] = field(default_factory=list)
    settled: str = ""  # what repair was told to cost when the cause was known
    cause: str = ""
    wrong: list[str] = field(default_factory=list)

    def call(self, *words: str) -> tuple[int, str]:
        """Exit code and what was printed."""
        out, err = io.StringIO(), io.StringIO()
        sys.argv, code = ["seqrun", *words], 0
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                main()
            except SystemExit as end:
                code = end.code if isinstance(end.code, int) else 1
        if code == 2:
            self.wrong.append(f"'{' '.join(words)}' is wrong use: {err.getvalue().strip()}")
        return code, out.getvalue()

    def go(self, complaint: str, wanted: str) -> None:
        """From the complaint to the sheet."""
        _, out = self.call("unit", self.serial, "--complaint", complaint)
        while len(self.steps) < MOST and not self.wrong:
            step = _next(out)
            if not step:
                self.wrong.append("no next step is printed")
                return
            self.steps.append(step[1] if step[0] == "run" else step[0])
            if self.steps == [step[1]]:
                step += ["--fault", self.fault, "--unit", self.unit]
            if "--work-done" in step:
                self.settled = self.costs[-1] if self.costs else ""
                self.cause = step[step.index("--work-done") + 1].removeprefix("mended: ")
            self.call(*step)
            if step[0] == "release":
                self._end(wanted)
                return
            _, out = self.call("unit", self.serial)
            self.costs += [f"{m[1]} +- {m[2]}" for m in COST.finditer(out)]
        self.wrong.append(f"not at its end after {len(self.steps)} steps")

    def _end(self, wanted: str) -> None:
        if not re.search(wanted, self.cause, re.IGNORECASE):
            self.wrong.append(f"the cause is '{self.cause}', and {self.fault} it was")
        known = self.costs[self.costs.index(self.settled) :] if self.settled else ["no costs"]
        if len(set(known)) != 1:
            self.wrong.append(f"the cost changes once the cause is known: {', '.join(known)}")
        _, told = self.call("compare", self.serial)
        if "Cured: " not in told:
            self.wrong.append(f"compare does not say cured: {told[:400]}")
        sheets = list(Path("results").glob("*/release.html"))
        text = sheets[0].read_text(encoding="utf-8") if sheets else ""
        if self.cause not in text:
            self.wrong.append("the sheet does not say what was wrong")


def _next(out: str) -> list[str]:
    lines = [x for x in out.splitlines() if x.startswith("Next: seqrun ")]
    return shlex.split(lines[0].removeprefix("Next: seqrun ")) if len(lines) == 1 else []


def walk(fault: str, unit: str, complaint: str, wanted: str) -> Walk:
    """One walk in a folder of its own."""
    found = Walk(f"W-{fault.split('@')[0]}", fault, unit)
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        try:
            found.go(complaint, wanted)
        finally:
            os.chdir(before)
    return found


def run(names: list[str]) -> int:
    """All walks, or those of the faults that are named."""
    bad = 0
    for unit, channel in UNITS.items():
        for fault, complaint, wanted in FAULTS:
            if names and fault not in names:
                continue
            cause = wanted.replace("{channel}", channel)
            found = walk(f"{fault}@{channel}", unit, complaint, cause)
            bad += bool(found.wrong)
            print(f"{unit:<10} {fault:<18} {' > '.join(found.steps)}")
            print(f"{'':10} cause: {found.cause}; repair: {', '.join(found.costs)}")
            for line in found.wrong:
                print(f"{'':10} WRONG: {line}")
            sys.stdout.flush()
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
