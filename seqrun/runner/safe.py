"""The safe state: generator off, supply outputs off, rails confirmed discharged.

Every way out of a run passes through here. Each action is tried on every instrument even when
another fails, and what could not be confirmed is named: then nobody may be told that the unit is
safe to touch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Protocol, runtime_checkable

from seqrun.errors import NotMeasured, SeqrunError
from seqrun.instruments.roles import Clock, Generator, Instrument, Supply
from seqrun.plan.protection import DISCHARGED_V

DISCHARGE_TIME_S = 120.0


@dataclass(slots=True)
class SafeReport:
    """What the safe state reached: lines for people."""

    confirmed: list[str] = field(default_factory=list)
    unconfirmed: list[str] = field(default_factory=list)
    #: sent to a generator that does not tell its state; with the supply off it drives nothing
    sent: list[str] = field(default_factory=list)

    @property
    def complete(self) -> bool:
        return not self.unconfirmed

    def by_hand(self, *, own_mains: bool, unread: Iterable[str]) -> None:
        """What no instrument can do or see: the unit's own mains plug, rails off the supply."""
        if own_mains:
            self.unconfirmed.append(
                "the unit's own mains plug is in, or may be: pull it now, nothing here can switch "
                "it off"
            )
        for rail in unread:
            self.unconfirmed.append(
                f"{rail}: the bench supply is not on it; do not touch, confirm below "
                f"{DISCHARGED_V:g} V by meter"
            )


TRIES = 2  # with the link as it is, then with one opened anew


@runtime_checkable
class Reopening(Protocol):
    """An instrument whose link can be opened anew."""

    def reopen(self) -> None: ...


def make_safe(
    instruments: Mapping[str, Instrument],
    clock: Clock,
    rails: Iterable[int] = (),
    *,
    discharge_s: float = DISCHARGE_TIME_S,
) -> SafeReport:
    """Enter the safe state, best effort, and say what was confirmed.

    The generator goes off first, so that a power stage is not driven while its rails fall; then
    the supply. ``rails`` are the supply outputs whose terminals must be seen to fall below 2 V.
    Where an instrument fails, its link is opened anew and it is tried once more. "Off" is only
    said of an output that was asked, and said so. Never raises for an instrument that fails; it is
    reported instead.
    """
    report = SafeReport()
    order = sorted(instruments.items(), key=lambda item: isinstance(item[1], Supply))
    for key, instrument in order:
        try:
            _off(instrument)
        except Exception as error:  # best effort: whatever one instrument does, go on to the next
            report.unconfirmed.append(f"{key}: could not be made safe ({_first_line(error)})")
            continue
        if isinstance(instrument, Generator | Supply):
            _tell_outputs(key, instrument, report)
        if isinstance(instrument, Supply):
            _watch_rails(key, instrument, clock, list(rails), discharge_s, report)
    return report


def _off(instrument: Instrument) -> None:
    """Outputs off, and seen to be off where the instrument tells; once more, with a link opened
    anew, when that fails."""
    for turn in range(TRIES):
        last = turn + 1 == TRIES
        try:
            instrument.make_safe()
            if last or not isinstance(instrument, Generator | Supply) or not any_on(instrument):
                return
        except NotMeasured:  # it does not tell: what it was sent it has taken
            return
        except Exception:
            if last:
                raise
        if isinstance(instrument, Reopening):
            with suppress(Exception):  # then the old link is tried once more, and reported
                instrument.reopen()


def any_on(instrument: Generator | Supply) -> bool:
    """Whether any output is on; all of them are asked.

    Raises:
        NotMeasured: it does not tell.
        InstrumentError: it could not be asked.
    """
    return any(instrument.enabled(n) for n in range(1, instrument.outputs + 1))


def _tell_outputs(key: str, instrument: Generator | Supply, report: SafeReport) -> None:
    on: list[str] = []
    for output in range(1, instrument.outputs + 1):
        try:
            if _still_on(instrument, output):
                on.append(str(output))
        except NotMeasured as reason:
            _tell_on(key, on, report)
            told = f"{key}: sent off, not confirmed ({reason.found}); look at its panel"
            if instrument.by_hand:
                told = f"{key}: by hand; said, not confirmed: see that its outputs are off"
            where = report.unconfirmed if isinstance(instrument, Supply) else report.sent
            where.append(told)
            return
        except Exception as error:  # report, never raise on the way to safety
            _tell_on(key, on, report)
            report.unconfirmed.append(
                f"{key} output {output}: could not be read back ({_first_line(error)})"
            )
            return
    _tell_on(key, on, report)
    if not on:
        report.confirmed.append(f"{key}: outputs off, read back")


def _tell_on(key: str, on: list[str], report: SafeReport) -> None:
    if on:
        report.unconfirmed.append(f"{key}: still reports output {', '.join(on)} as on")


def _still_on(instrument: Generator | Supply, output: int) -> bool:
    """Whether an output is on; one answer that says so, or is none, is asked for again.

    Raises:
        NotMeasured: it does not tell.
        InstrumentError: it could not be asked.
    """
    for _ in range(TRIES):
        try:
            if not instrument.enabled(output):
                return False
        except NotMeasured:
            raise
        except Exception:
            if isinstance(instrument, Reopening):
                with suppress(Exception):  # the last try tells what is wrong
                    instrument.reopen()
    return instrument.enabled(output)


def _watch_rails(
    key: str,
    supply: Supply,
    clock: Clock,
    rails: list[int],
    discharge_s: float,
    report: SafeReport,
) -> None:
    if supply.by_hand:  # nobody is asked on the way to safety
        report.unconfirmed += [
            f"{key} output {n}: by hand, its volts are not read; do not touch, confirm below "
            f"{DISCHARGED_V:g} V by meter"
            for n in rails
        ]
        return
    try:
        start = clock.now()
        waiting = list(rails)
        while waiting:
            waiting = [n for n in waiting if not _seen_down(supply, n)]
            if not waiting or clock.now() - start > discharge_s:
                break
            clock.wait(0.5)
        for n in rails:
            if n in waiting:
                report.unconfirmed.append(
                    f"{key} output {n}: still above {DISCHARGED_V:g} V after {discharge_s:g} s; "
                    "do not touch, discharge by hand through a resistor and confirm by meter"
                )
            else:
                report.confirmed.append(f"{key} output {n}: below {DISCHARGED_V:g} V")
    except Exception as error:  # the same: report, never raise on the way to safety
        report.unconfirmed.append(f"{key}: could not be read back ({_first_line(error)})")


def _seen_down(supply: Supply, output: int) -> bool:
    """The same; one answer that is none, or a link that breaks, is asked for again."""
    for _ in range(TRIES):
        try:
            return is_discharged(supply, output)
        except Exception:
            if isinstance(supply, Reopening):
                with suppress(Exception):  # the last try tells what is wrong
                    supply.reopen()
    return is_discharged(supply, output)


def is_discharged(supply: Supply, output: int) -> bool:
    """Whether the terminals of an output read below 2 V."""
    # "below", so that an answer that is no number is never a discharged rail
    return abs(float(supply.voltage(output).nominal_value)) < DISCHARGED_V


def found_on(instruments: Mapping[str, Instrument]) -> list[str]:
    """What a bench has on, in words, without changing anything. An output that cannot be asked is
    named too: nobody knows that it is off."""
    found: list[str] = []
    for key, instrument in instruments.items():
        if not isinstance(instrument, Generator | Supply):
            continue
        if instrument.by_hand:
            continue
        for output in range(1, instrument.outputs + 1):
            try:
                told = _as_found(instrument, output)
            except Exception as error:  # it is told, and brought down with the others
                told = f"cannot be asked ({_first_line(error)})"
            if told:
                found.append(f"{key} output {output} {told}")
    return found


def _as_found(instrument: Generator | Supply, output: int) -> str:
    """What an output is found as; "" when it is off, and discharged where it feeds a rail. One that
    does not tell whether it is on goes by its volts."""
    word, on = "off", False
    try:
        if on := instrument.enabled(output):
            word = "on"
    except NotMeasured:
        word = "not known to be off"
    if not isinstance(instrument, Supply):
        return word if on else ""
    volts = float(instrument.voltage(output).nominal_value)
    return f"{word}, at {volts:.3g} V" if on or not abs(volts) < DISCHARGED_V else ""


def _first_line(error: BaseException) -> str:
    text = error.found if isinstance(error, SeqrunError) else str(error)
    return (text or type(error).__name__).splitlines()[0]
