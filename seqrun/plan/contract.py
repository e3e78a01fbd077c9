"""The contract of a step: what the plan, the runner and the report may ask of every kind of it.

A kind of step is a pydantic model of its entry in a sequence file. It declares every quantity that
it yields in ``yields``, once; its unit, its limit, its forecast, its explanation and its readings
all come from there. What is forgotten is said when the class is made, as a ``TypeError``; a
quantity that is not declared cannot be yielded.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from pydantic import Field
from uncertainties import UFloat

from seqrun.files.sequence.fields import StepFields
from seqrun.plan.context import Context
from seqrun.plan.measurand import Measurand, Yields
from seqrun.plan.needs import Forecast, Needs, Unforecast
from seqrun.plan.view import BenchView
from seqrun.values import Bound, Reading, reading

#: what is on record for a step that reads nothing and could not be done
STEP_DONE = Measurand(
    "step_done",
    "",
    what="Whether a step that reads nothing was done; on record only when it could not be.",
    how="Nobody could turn the control, move the lead or do what else the step asks for.",
    fooled_by="The note tells the reason; what it was for was not tested.",
)

#: on record before a reading that was made once more
READ_AGAIN = Measurand(
    "read_again",
    "",
    what="That a step was read again: how many of its readings before this row no longer count.",
    how="The operator said so, or what was read looked like a lead on a wrong place.",
    fooled_by="The note tells why, and what had been read.",
)


@dataclass(frozen=True, slots=True)
class Yielded:
    """A reading as a step yields it, still attached to its variables.

    ``value`` is None when there is nothing to carry on: not measured, or a number without a stated
    uncertainty. ``judged``: it is held against the limit of the entry.
    """

    reading: Reading
    value: UFloat | None
    judged: bool


class Step(StepFields):
    """Base of all kinds of step."""

    kind: ClassVar[str]
    #: whether it counts from what was read of a cold unit: after a run that went on with warm metal
    #: it is not measured
    from_cold: ClassVar[bool] = False
    #: every quantity that it yields, the judged ones first; () for one that reads nothing
    yields: ClassVar[tuple[Yields, ...]]

    stop_if_failed: bool = Field(
        False, description="true: a fail here ends the measuring; the unit is powered down"
    )
    stop_if_not_measured: bool = Field(
        False, description="true: no reading here ends the measuring; the unit is powered down"
    )

    accept_undecided: bool = Field(
        False, description="true: run even if this bench cannot decide the limit; it ends in a hold"
    )

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        super().__pydantic_init_subclass__(**kwargs)
        if "kind" in vars(cls):
            _check(cls)
            limited = [y for y in cls.yields if y.judged]
            cls.unit = limited[0].of.unit if limited else ""
            cls.makes = limited[0].makes if limited else "one"
            cls.limit_words = " or ".join(f"{y.of.title}: {y.of.what}" for y in limited)

    # --- asked by the plan, before anything is powered -----------------------------------------

    def needs(self, view: BenchView) -> Needs:
        """What the step needs, from the files alone."""
        raise NotImplementedError

    def forecast(self, view: BenchView, of: Measurand) -> Forecast | Unforecast:
        """What this bench can say of a quantity that the step judges, from the files alone."""
        raise NotImplementedError

    def leans_on(self, view: BenchView, others: Mapping[str, Step]) -> None:
        """See that this bench can say what the entry asks of what other entries do.

        Args:
            others: all entries of the sequence, by id.

        Raises:
            BenchLacks: it cannot, and the step is left out.
        """

    @property
    def judges(self) -> tuple[Measurand, ...]:
        """What the limit of this entry is about: all that its kind judges, unless its fields
        choose one of them."""
        return tuple(y.of for y in self.yields if y.judged)

    @property
    def quantities(self) -> tuple[Measurand, ...]:
        """All that this entry may put on record."""
        judges = self.judges
        return (*judges, *(y.of for y in self.yields if not y.judged))

    # --- asked by the runner -------------------------------------------------------------------

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        """Do it, yielding readings as they are made."""
        raise NotImplementedError

    def reading(
        self,
        of: Measurand,
        value: UFloat,
        *,
        channel: str = "",
        bound: Bound = Bound.EXACT,
        instruments: Iterable[str] = (),
        note: str = "",
        judged: bool | None = None,
    ) -> Yielded:
        """A reading with its uncertainty.

        Args:
            judged: False for a further reading of a judged quantity that is only shown.

        Raises:
            TypeError: the step has not declared the quantity.
        """
        held = self._declared(of) if judged is None else self._declared(of) and judged
        made = reading(
            of.name,
            of.unit,
            value,
            channel=channel,
            bound=bound,
            instruments=instruments,
            note=note,
        )
        return Yielded(made, value, held)

    def plain(
        self,
        of: Measurand,
        value: float,
        *,
        channel: str = "",
        instruments: Iterable[str] = (),
        note: str = "",
    ) -> Yielded:
        """A number that states no uncertainty: it goes on record and is held against nothing.

        Raises:
            TypeError: the step has not declared the quantity.
        """
        self._declared(of)
        made = Reading(
            of.name, of.unit, value, channel=channel, instruments=tuple(instruments), note=note
        )
        return Yielded(made, None, False)

    def not_measured(self, of: Measurand, reason: str, *, channel: str = "") -> Yielded:
        """That a quantity could not be measured, and why.

        Raises:
            TypeError: the step has not declared the quantity.
        """
        if of is not STEP_DONE:
            self._declared(of)
        made = Reading(of.name, of.unit, None, channel=channel, note=reason)
        return Yielded(made, None, True)

    def nothing(self, reason: str) -> list[Yielded]:
        """That nothing of what the entry is for could be measured: one for each quantity that it
        judges; for one that judges none, the first that it would have shown."""
        wanted = self.judges or self.quantities[:1] or (STEP_DONE,)
        return [self.not_measured(of, reason, channel=self.channel) for of in wanted]

    def _declared(self, of: Measurand) -> bool:
        """Whether a quantity that it yields is judged."""
        for one in self.yields:
            if one.of == of:
                return one.judged
        raise TypeError(
            f"'{self.kind}' yields '{of.name}', which it has not declared; it has declared "
            + (", ".join(y.of.name for y in self.yields) or "nothing")
        )

    # --- what entries have in common -----------------------------------------------------------

    @property
    def channel(self) -> str:
        """The channel that the entry was expanded for, or ""."""
        return self.bindings.get("channel", "")

    def channels(self, view: BenchView) -> tuple[str, ...]:
        """The channels that it is about: the one that it was expanded for, or all of the unit."""
        return (self.channel,) if self.channel else tuple(view.unit.channels)


def _check(kind: type[Step]) -> None:
    """See that a kind of step declares all that is asked of it.

    Raises:
        TypeError: what was forgotten.
    """
    where = f"the step '{kind.kind}' ({kind.__module__}.{kind.__name__})"
    stripped = sys.flags.optimize > 1  # python -OO takes all docstrings out
    if not stripped and len((vars(kind).get("__doc__") or "").split()) < 4:
        raise TypeError(f"{where} does not say in its docstring what it does")
    declared: object = next((vars(c)["yields"] for c in kind.__mro__ if "yields" in vars(c)), None)
    if not isinstance(declared, tuple) or not all(isinstance(y, Yields) for y in declared):
        raise TypeError(
            f"{where} does not declare what it yields: yields = (judged(OFFSET), shown(PEAK)), or "
            "yields = () when it reads nothing"
        )
    names = [y.of.name for y in kind.yields]
    if len(set(names)) < len(names):
        raise TypeError(f"{where} declares a quantity twice: {', '.join(names)}")
    limited = [y for y in kind.yields if y.judged]
    if len({y.of.unit for y in limited}) > 1 or len({y.makes for y in limited}) > 1:
        told = ", ".join(f"{y.of.name} in {y.of.unit or '1'}, {y.words}" for y in limited)
        raise TypeError(f"{where} judges {told}: one limit is about one unit, so many of each")
    if limited and kind.forecast is Step.forecast:
        raise TypeError(
            f"{where} judges {limited[0].of.name} and does not forecast it: define "
            "forecast(view, of), which tells from the files what this bench can say of it"
        )
    for name in ("needs", "perform"):
        if getattr(kind, name) is getattr(Step, name):
            raise TypeError(f"{where} does not define {name}")
