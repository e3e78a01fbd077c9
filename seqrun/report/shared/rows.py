"""One reading as a report shows it: in words, with its margin to the limit."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from seqrun.quantity import render
from seqrun.values import Bound, Contribution, Judged, Verdict

_FAILING = frozenset({Verdict.FAIL, Verdict.CONDITIONAL_FAIL})


@dataclass(frozen=True, slots=True)
class Row(Judged):
    """A judged reading with the words that the pages use for it; it holds nothing more."""

    @classmethod
    def of(cls, judged: Judged) -> Row:
        """The same reading, to be shown."""
        return cls(**{f.name: getattr(judged, f.name) for f in fields(Judged)})

    @property
    def budget(self) -> tuple[Contribution, ...]:
        """What the uncertainty is made of, in ``unit``."""
        return self.reading.budget

    @property
    def has_limit(self) -> bool:
        return self.limit_low is not None or self.limit_high is not None

    @property
    def name(self) -> str:
        """Quantity and channel in words: ``"DC offset, left"``."""
        return f"{self.quantity_words}, {self.channel}" if self.channel else self.quantity_words

    @property
    def quantity_words(self) -> str:
        from seqrun.steps.base import title_of  # not before it is asked for: it knows all steps

        text = title_of(self.quantity) or "reading"
        return text[0].upper() + text[1:]

    @property
    def shown(self) -> str:
        """Value with its expanded uncertainty: ``"3.12 ± 0.08 mV"``, ``"at most 0.02 %"``."""
        if self.value is None:
            return "not measured"
        if self.bound is Bound.AT_MOST:
            return f"at most {render(self.value, self.unit, digits=2)}"
        if self.bound is Bound.AT_LEAST:
            return f"at least {render(self.value, self.unit, digits=2)}"
        return render(self.value, self.unit, uncertainty=self.expanded_uncertainty)

    @property
    def limit_words(self) -> str:
        """``"between -50 mV and 50 mV"``, ``"at most 40 K"``, or nothing."""
        low, high = self.limit_low, self.limit_high
        if low is not None and high is not None:
            if math.isclose(low, -high):
                return f"within ±{render(high, self.unit)}"
            return f"between {render(low, self.unit)} and {render(high, self.unit)}"
        if high is not None:
            return f"at most {render(high, self.unit)}"
        return f"at least {render(low, self.unit)}" if low is not None else ""

    @property
    def limit_short(self) -> str:
        """The same in few characters: ``"≤ 40 K"``, ``"15 mA to 35 mA"``, ``"±50 mV"``."""
        words = self.limit_words.replace("at most", "≤").replace("at least", "≥")
        return words.replace("within ", "").replace("between ", "").replace(" and ", " to ")

    @property
    def margin(self) -> float | None:
        """Distance from the value to the limit that is nearer to being broken; negative beyond."""
        if self.value is None or not self.has_limit:
            return None
        sides = []
        if self.limit_low is not None:
            sides.append(self.value - self.limit_low)
        if self.limit_high is not None:
            sides.append(self.limit_high - self.value)
        return min(sides)

    @property
    def nearer(self) -> float | None:
        """The limit that :attr:`margin` is measured from."""
        if self.value is None or not self.has_limit:
            return None
        if self.limit_low is None:
            return self.limit_high
        if self.limit_high is None or self.value - self.limit_low < self.limit_high - self.value:
            return self.limit_low
        return self.limit_high

    @property
    def margin_in_u(self) -> float | None:
        """The margin as a multiple of the expanded uncertainty; infinite without one."""
        if self.margin is None:
            return None
        if not self.expanded_uncertainty:
            return math.copysign(math.inf, self.margin)
        return self.margin / self.expanded_uncertainty

    @property
    def margin_shown(self) -> str:
        """Short, for a column: ``"46.9 mV inside"``, ``"162 mV beyond"``."""
        if self.margin is None:
            return ""
        side = "inside" if self.margin >= 0.0 else "beyond"
        return f"{render(abs(self.margin), self.unit, digits=3)} {side}"

    @property
    def times_u_shown(self) -> str:
        """``"8.1 × U"``, or nothing when there is no uncertainty to compare with."""
        times = self.margin_in_u
        if times is None or math.isinf(times):
            return ""
        return f"{_rounded(abs(times))} × U"

    @property
    def probability_shown(self) -> str:
        """Conformance probability in percent, never rounded up to certainty."""
        p = self.conformance_probability
        if p is None:
            return ""
        if p > 0.9999:
            return "> 99.99 %"
        return "< 0.01 %" if p < 0.0001 else f"{100.0 * p:.2f} %"

    def in_unit(self, value: float) -> str:
        """A number in this reading's unit, three digits."""
        return render(value, self.unit, digits=3)

    def share_shown(self, line: Contribution) -> str:
        """A contribution's share of the combined variance."""
        total = math.hypot(*(x.standard_uncertainty for x in self.budget))
        return f"{100.0 * (line.standard_uncertainty / total) ** 2:.1f} %" if total > 0.0 else ""

    def freedom_shown(self, line: Contribution) -> str:
        """A contribution's degrees of freedom: ``"∞"``, ``"4"``."""
        nu = line.source.degrees_of_freedom
        return "∞" if math.isinf(nu) else f"{nu:.3g}"

    @property
    def failing(self) -> bool:
        return self.verdict in _FAILING

    @property
    def sentence(self) -> str:
        """What this reading says about its limit, as one would say it across the bench."""
        # offset and offset_hot read the same quantity at the same place: the step tells them apart
        who = f"{self.name} ({self.step})"
        if self.value is None:
            return f"{who}: not measured{': ' if self.note else ''}{_stop(self.note)}"
        if self.verdict is Verdict.NOT_MEASURED:
            return f"{who} is {self.shown}, which decides nothing. {_stop(self.note)}".strip()
        margin, times = self.margin, self.margin_in_u
        if margin is None or times is None or self.nearer is None:
            return f"{who} is {self.shown}."
        distance = render(abs(margin), self.unit, digits=3)
        limit = render(self.nearer, self.unit)
        upper = self.nearer == self.limit_high
        if margin < 0.0:
            where = f"{distance} {'above' if upper else 'below'} the limit of {limit}"
        else:
            where = f"{distance} inside the limit of {limit}"
        close = _compared(margin, times, self.expanded_uncertainty)
        said = f"{who} is {self.shown}: {where}{close}."
        # a note beside a reading that speaks against the unit says how it came about
        return f"{said} {_stop(self.note)}".strip() if self.verdict is not Verdict.PASS else said


def _compared(margin: float, times: float, expanded: float | None) -> str:
    if not expanded or math.isinf(times):
        return ""
    if abs(times) >= 1.0:
        return f", {_rounded(abs(times))} times its uncertainty U"
    if margin < 0.0:
        return ", but by less than its uncertainty U"
    return ", which is less than its uncertainty U"


def _rounded(times: float) -> str:
    if times >= 1000.0:
        return "over 1000"
    return f"{times:.0f}" if times >= 9.95 else f"{times:.1f}"


def _stop(text: str) -> str:
    """A note as the end of a sentence."""
    text = text.strip()
    if not text or text.endswith((".", "!", "?")):
        return text
    return text + "."
