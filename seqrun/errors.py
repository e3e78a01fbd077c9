"""The family of errors: each says what was found, what was expected, where, and what to do next.

Which child is raised tells the caller what can be done about it; ``exit_code`` is what the
command line ends with (0 accept, 1 reject, 2 wrong use or file, 3 hold, 4 aborted).
"""

from __future__ import annotations


class SeqrunError(Exception):
    """Base of every error that seqrun raises on purpose.

    Args:
        found: what is the matter, in words, with the offending value.
        expected: what would have been right.
        where: file, step and key, or instrument and resource.
        hint: what to do next.
    """

    exit_code = 2

    def __init__(
        self,
        found: str,
        *,
        expected: str | None = None,
        where: str | None = None,
        hint: str | None = None,
    ) -> None:
        super().__init__(found)
        self.found, self.expected, self.where, self.hint = found, expected, where, hint

    def __str__(self) -> str:
        """All of it, as it stands now: whoever hands an error on may add where it was."""
        lines = [f"{self.where}: {self.found}" if self.where else self.found]
        if self.expected:
            lines.append(f"  expected: {self.expected}")
        if self.hint:
            lines.append(f"  next: {self.hint}")
        return "\n".join(lines)


class FileError(SeqrunError):
    """A file that the user wrote is missing, unreadable or says something wrong."""


class UsageError(SeqrunError):
    """The command, or the combination of files, asks for something that cannot be done."""


class BenchLacks(UsageError):
    """The bench has no instrument, lead, command, range or memory for a step: the step can be left
    out."""


class TooFewProbes(BenchLacks):
    """A step looks at more places at once than the scope has probes."""


class RoleMissing(BenchLacks):
    """The bench has no instrument for a role at all."""


class UnitLacks(BenchLacks):
    """What a step needs cannot be reached on this unit, or its sheet does not tell it: the step is
    left out because of the unit, and on another bench it would be left out too."""


class InstrumentError(SeqrunError):
    """Something is the matter with an instrument or its link."""


class InstrumentSilent(InstrumentError):
    """No answer within the time-out, or the link is gone."""


class InstrumentRefused(InstrumentError):
    """The instrument put an error into its queue, or would not take a setting."""


class WrongInstrument(InstrumentError):
    """The instrument that answers is not the one that the bench file names."""


class NotMeasured(SeqrunError):
    """A quantity could not be measured; the reason goes on record, and it is never a pass."""


class NoResult(NotMeasured):
    """The instrument itself says that it has none: overload, no number, no edge to trigger on."""


class WaitedInVain(NotMeasured):
    """What was waited for did not come in the time given to it."""


class Tripped(SeqrunError):
    """A protective threshold was passed; the run ends in the safe state."""

    exit_code = 4


class Interrupted(SeqrunError):
    """The operator or the system asked the run to end."""

    exit_code = 4
