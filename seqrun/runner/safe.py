"""The safe state: generator off, supply outputs off, rails confirmed discharged.

Every way out of a run passes through here. Each action is tried on every instrument even when
another fails, and what could not be confirmed is named: then nobody may be told that the unit is
safe to touch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from seqrun.errors import SeqrunError
from seqrun.instruments.roles import Clock, Generator, Instrument, Supply

DISCHARGED_V = 2.0  # below 2 V, confirmed by meter, before touching (common practice)
DISCHARGE_TIME_S = 120.0


@dataclass(slots=True)
class SafeReport:
    """What the safe state reached: lines for people."""

    confirmed: list[str] = field(default_factory=list)
    unconfirmed: list[str] = field(default_factory=list)

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
    Never raises for an instrument that fails; it is reported instead.
    """
    report = SafeReport()
    order = sorted(instruments.items(), key=lambda item: isinstance(item[1], Supply))
    for key, instrument in order:
        try:
            instrument.make_safe()
        except Exception as error:  # best effort: whatever one instrument does, go on to the next
            report.unconfirmed.append(f"{key}: could not be made safe ({_first_line(error)})")
            continue
        if isinstance(instrument, Generator):
            report.confirmed.append(f"{key}: outputs off")
        if isinstance(instrument, Supply):
            _confirm_supply(key, instrument, clock, list(rails), discharge_s, report)
    return report


def _confirm_supply(
    key: str,
    supply: Supply,
    clock: Clock,
    rails: list[int],
    discharge_s: float,
    report: SafeReport,
) -> None:
    try:
        if supply.enabled():
            report.unconfirmed.append(f"{key}: still reports its outputs as on")
            return
        report.confirmed.append(f"{key}: outputs off, read back")
        start = clock.now()
        waiting = list(rails)
        while waiting:
            waiting = [
                n
                for n in waiting
                # "not below", so that an answer that is no number is never a discharged rail
                if not abs(float(supply.voltage(n).nominal_value)) < DISCHARGED_V
            ]
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


def _first_line(error: BaseException) -> str:
    text = error.found if isinstance(error, SeqrunError) else str(error)
    return (text or type(error).__name__).splitlines()[0]
