"""Small findings files and readings for the tests of findings."""

from __future__ import annotations

from seqrun.files.findings.load import findings_from_text
from seqrun.files.findings.patterns import Patterns, patterns_for
from seqrun.files.unit.sheet import load_unit
from seqrun.values import Bound, Judged, Limit, Reading, Verdict

HEAD = 'title = "Two causes"\nrevision = "A"\nno_fault = 0.25\ntrust = 1.0\n'
TWO = (
    HEAD
    + """
[[value]]
id = "offset.{channel}"
each = "channel"
unit = "V"
quantity = "dc_offset"
on = "{channel}"

[[sign]]
id = "dc.{channel}"
each = "channel"
value = "abs(offset.{channel})"
above = "50 mV"
otherwise = 0.1
words = "{value} of DC at the {channel} output"

[[sign]]
id = "unsettled.{channel}"
each = "channel"
verdict = "not measured"
quantity = "dc_offset"
on = "{channel}"
note = "*to settle*"
otherwise = 0.1
words = "the {channel} output does not settle"

[[sign]]
id = "tripped_low"
reason = "tripped: bring_up*"
otherwise = 0.1
words = "the bring-up tripped"

[[cause]]
id = "offset.{channel}"
each = "channel"
title = "offset in the {channel} channel"
section = "stage.{channel}"
next = "look at the input pair"
[cause.seen]
"dc.{channel}" = 0.9

[[cause]]
id = "short"
title = "a short"
next = "measure the devices"
[cause.seen]
"tripped_low" = 0.9

[[section]]
id = "stage.{channel}"
each = "channel"
title = "stage, {channel}"
good = ["dc_offset", "noise"]
on = "{channel}"

[[apart]]
causes = ["offset.*", "short"]
do = "measure collector to emitter"
"""
)


def patterns(text: str = TWO, unit: str = "demo-2x40") -> Patterns:
    """A findings file for a shipped unit sheet."""
    return patterns_for(findings_from_text(text), load_unit(unit))


def read(
    step: str,
    quantity: str,
    value: float | None,
    unit: str,
    channel: str = "",
    verdict: Verdict = Verdict.PASS,
    note: str = "",
    bound: Bound = Bound.EXACT,
) -> Judged:
    """A judged reading; its limit plays no part."""
    reading = Reading(quantity, unit, value, (), channel, bound, ("meter",), note)
    return Judged(reading, step, Limit(None, 1.0), "guarded", verdict, None)


def offset(value: float | None, channel: str = "left", note: str = "") -> Judged:
    """A DC offset; not measured when there is no value."""
    verdict = Verdict.NOT_MEASURED if value is None else Verdict.PASS
    return read(f"offset.{channel}", "dc_offset", value, "V", channel, verdict, note)
