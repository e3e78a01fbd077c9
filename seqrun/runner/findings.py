"""What the readings of a run point to, when it ends and whenever its record is read again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from seqrun.errors import FileError, UsageError
from seqrun.files.common import read_text
from seqrun.files.kinds import kind_of
from seqrun.files.unit.sheet import Unit
from seqrun.judge.findings import Findings
from seqrun.record import RunData
from seqrun.values import Judged

KEPT = 6  # causes that go on record; what lies behind them is no use to anybody


def findings_of(
    judged: Sequence[Judged], sequence: str, unit: Unit, reason: str = ""
) -> Findings | None:
    """The likely causes, by the findings files that ship for a sequence; None when none does.

    Args:
        judged: every reading of the run, in its order.
        sequence: its name, as in ``runs.csv``.
        reason: how the run ended, as in ``runs.csv``.

    Raises:
        FileError: a findings file is wrong, or does not fit the unit.
    """
    from seqrun.files.findings.load import patterns_of
    from seqrun.judge.findings import weigh

    patterns = patterns_of([sequence], unit)
    if patterns is None:
        return None
    found = weigh(patterns, judged, reason, sequence)
    return replace(found, causes=found.causes[:KEPT])


def findings_at_end(
    judged: Sequence[Judged], sequence: str, unit: Unit, reason: str
) -> tuple[Findings | None, str]:
    """The same at the end of a run, which nothing here may keep from ending.

    Returns:
        the findings and "", or None and why they cannot be weighed: then no accept may rest on
        there being none.
    """
    try:
        return findings_of(judged, sequence, unit, reason), ""
    except Exception as error:
        lines = str(error).splitlines()
        return None, lines[0] if lines else type(error).__name__


def findings_of_run(run: RunData) -> Findings | None:
    """The likely causes of a run on record, weighed anew by the findings files as they are now.

    Raises:
        UsageError: the record does not hold its unit sheet.
        FileError: a findings file or the unit sheet is wrong.
    """
    return findings_of(run.judged, run.run.sequence, unit_of_run(run), run.run.reason)


def unit_of_run(run: RunData) -> Unit:
    """The unit sheet as it was when the run was made.

    Raises:
        UsageError: the record does not hold it.
        FileError: it is wrong.
    """
    for path in run.files:
        if path.suffix != ".toml":
            continue
        try:
            if kind_of(path) == "unit":
                return Unit.from_text(read_text(path), path)
        except FileError:
            continue
    raise UsageError(
        f"the record of {run.run.run_id} holds no unit sheet that can be read",
        expected="the copy that a run keeps in its folder",
        where=str(run.folder),
    )
