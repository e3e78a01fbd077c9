"""Findings files: which pattern of readings speaks for or against which cause, and how strongly.

A file has five kinds of entry. Each may be repeated with ``each`` over channels, halves, devices
and so on, exactly as a step of a sequence is (:mod:`seqrun.files.repeat`); ``{channel}`` is then
filled into every text.

``[[value]]`` is a number made from the readings of a run. It is taken from them::

    id = "idle_most.{channel}"     each = "channel"    unit = "A"
    quantity = "idle_current"      # or a list; as in the record
    steps = "cold.*"               # pattern(s) of step ids; all when left out
    on = "{channel}.*"             # pattern(s) of the readings' channels; all when left out
    take = "largest"               # first (when left out), last, largest, smallest, mean,
                                   # sum, spread (largest less smallest) or count
    at_least = 2                   # readings that it needs, else it is unknown (1)
    channels = 2                   # channels that it needs readings of, else it is unknown (1)
    first_of_each = true           # of each channel its first reading alone (false)

or it is arithmetic over other values and the names of the unit sheet (``of = "idle_most.{channel}
/ idle_current"``, see :mod:`seqrun.files.expression`), or a number in the reason that the run
ended with (``reason = "*, stage * of * ({value})*"``). A value whose readings are not there is
unknown, and so is a sum, a count or a spread when one of its readings was not made; a reading that
is only a bound ("at most x") stands for its bound. ``positive = true`` makes a value of zero or
less, which cannot be, unknown too: nothing rests on it.

Readings are taken by what they are of and by what the unit had gone through, never by what an
author called a step: ``when`` is ``cold``, ``warm`` (power held for minutes), ``rested`` (soaked at
idle) or ``driven`` (soaked while delivering power), or a list of these; ``beside`` is the quantity
that the reading's step is about (the current drawn ``beside = "output_power"``). See
:mod:`seqrun.judge.condition`. ``steps`` still takes patterns of step ids, for an author's own file.

``[[sign]]`` is something that is seen in a run or not. Either a value passes a threshold (``value =
"…"`` with ``above``, ``below`` or both, each an expression), or a reading has a verdict (``verdict
= "not measured"`` or a list, with ``quantity``, ``steps``, ``on`` as above and ``note``, a pattern,
which "not measured" asks for: for any other reason it tells nothing), or the run ended so (``reason
= "tripped: bring_up*"``; with a value, both must hold, and a run that ended otherwise does not show
it; with ``quantity`` or ``steps``, a run without such readings never came so far and tells
nothing). A value with a verdict shows it either way: past the threshold, or where such a reading
failed its own limit. ``unless`` names signs that explain it anyway: when one of them is seen, this
one tells nothing. A value that is less than its U from the threshold shows the sign only as surely
as it lies beyond (:mod:`seqrun.judge.chance`). ``sequences`` are patterns of the sequences that it
is told by (all when left out; ``"!intake*"`` is all but those): what is read a minute after
switch-on and an hour after are two things. ``words`` say what is seen, with ``{value}`` for the
value. A sign may also be a question to the owner (``ask``): the answer, yes or no, that is on
record with the unit's case.
``not_words`` say that it is not. ``otherwise`` is how often it is seen in a unit without any cause
that names it.

``[[cause]]`` is a likely cause: ``title``, the ``section`` it sits in, ``kind`` ("unit" or "bench":
a mistake on the bench), ``weight`` (how common it is beside the others, before anything is read),
``topology`` and ``if_unit_has`` (of the units that can have it), ``next`` (what to look at first),
``work`` (whether that is done to a unit that is ``off`` or ``powered``, for the caution; both
cautions when left out) and ``seen``: sign -> how often it is seen when this is the cause. A sign
that a cause does not name is as frequent with it as without. ``then`` names the sequences that
settle it; ``holds`` the causes that may sit in a place which is itself no more than a place. A sign
with a placeholder that the cause is not repeated over stands for all of them:
``"power_low.{channel}"`` of a weak supply is what every channel shows. How often is a number from
0.001 to 0.999 or one of the words

    always 0.98   mostly 0.9   usually 0.75   often 0.5   sometimes 0.25   seldom 0.08   never 0.01

``[[section]]`` is a part of the unit that can be kept: it measured good when each of its ``good``
quantities (with the heat that it must have been read at, when given: ``"idle_current cold"``) has
readings (of the channels that ``on`` is a pattern of, when given) and every verdict among them is a
pass.

``[[apart]]`` says what to ``do`` to tell two causes apart: ``causes`` are patterns of their ids.

``uses`` names other findings files that ship: their entries belong to this file as if they stood
in it.

How the odds come of it is told in :mod:`seqrun.judge.findings`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self, TypeVar

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema, model_validator

from seqrun.files.common import FileModel, Strict
from seqrun.files.expression import Expression
from seqrun.files.unit.features import Feature
from seqrun.files.unit.ratings import Topology
from seqrun.files.work import Work, contradiction
from seqrun.quantity import DIMENSIONS, custom_error
from seqrun.values import Heat, Verdict

E = TypeVar("E", bound=Strict)
Take = Literal["first", "last", "largest", "smallest", "mean", "sum", "spread", "count"]
Text = Annotated[str, StringConstraints(min_length=1, max_length=400)]

#: words for how often a sign is seen
FREQUENCIES: dict[str, float] = {
    "always": 0.98,
    "mostly": 0.9,
    "usually": 0.75,
    "often": 0.5,
    "sometimes": 0.25,
    "seldom": 0.08,
    "never": 0.01,
}
_LEAST = 0.001  # nothing is so sure that one reading could not speak against it


def _listed(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


def _frequency(value: Any) -> float:
    if isinstance(value, str) and value in FREQUENCIES:
        return FREQUENCIES[value]
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    if plain and _LEAST <= value <= 1.0 - _LEAST:
        return float(value)
    words = ", ".join(FREQUENCIES)
    raise custom_error(f"{value!r}", f"one of {words}, or a number from 0.001 to 0.999")


_LIST = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}
Globs = Annotated[tuple[Text, ...], BeforeValidator(_listed), WithJsonSchema(_LIST)]
Frequency = Annotated[
    float,
    BeforeValidator(_frequency),
    WithJsonSchema({"anyOf": [{"enum": list(FREQUENCIES)}, {"type": "number"}]}),
]
Heats = Annotated[tuple[Heat, ...], BeforeValidator(_listed), WithJsonSchema(_LIST)]
Verdicts = Annotated[tuple[Verdict, ...], BeforeValidator(_listed), WithJsonSchema(_LIST)]


def _held(entry: E, text: str, work: Work | None) -> E:
    """See that a text sends nobody to a powered unit that is declared to be off."""
    if words := contradiction(text, work):
        raise custom_error(f"work = \"off\", and the text says '{words}'", 'work = "powered"')
    return entry


class Which(Strict):
    """Which readings an entry is about."""

    id: str = Field(description='a name such as "idle_most.{channel}"')
    each: Any = Field((), description='what it is repeated over, such as "channel"')
    quantity: Globs = Field((), description="the quantity as in the record, or a list")
    steps: Globs = Field(("*",), description='patterns of step ids, such as "cold.*"')
    on: Globs = Field(("*",), description='patterns of channels, such as "{channel}.*"')
    when: Heats = Field(
        (), description="what the unit had gone through: cold, warm, rested, driven; any if empty"
    )
    beside: str = Field(
        "", description="the quantity that the reading's step is about, when it is another"
    )


class Value(Which):
    """A number made from the readings of a run."""

    unit: str = Field("", description="base unit of the readings, such as V")
    take: Take = "first"
    at_least: int = Field(1, ge=1, le=1000, description="readings that it needs, else unknown")
    channels: int = Field(1, ge=1, le=64, description="channels that it needs, else unknown")
    first_of_each: bool = Field(
        False, description="of each channel its first reading alone, to compare like with like"
    )
    of: Expression | None = Field(None, description="arithmetic over values and the unit sheet")
    reason: str = Field("", description='how the run ended, with {value}: "*, stage * ({value})*"')
    positive: bool = Field(
        False, description="zero or less is impossible: such a value is unknown, and no evidence"
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        ways = [bool(self.quantity), self.of is not None, bool(self.reason)]
        if sum(ways) != 1:
            raise custom_error(f"{sum(ways)} of quantity, of and reason", "exactly one of them")
        if self.reason.count("{value}") != (1 if self.reason else 0):
            raise custom_error(f'"{self.reason}"', "{value} once, where the number stands")
        if self.unit not in DIMENSIONS:
            raise custom_error(
                f"unit '{self.unit}'", f"one of {' '.join(filter(None, DIMENSIONS))}"
            )
        return self


class Sign(Which):
    """Something that is seen in a run or not."""

    words: Text = Field(description="what is seen, in words; {value} stands for the value")
    not_words: str = Field("", description="the same when it is not seen")
    otherwise: Frequency = Field(0.02, description="how often it is seen without any such cause")
    value: Expression | None = None
    above: Expression | None = None
    below: Expression | None = None
    verdict: Verdicts = ()
    note: str = Field("*", description="pattern of the reading's note")
    reason: str = Field("", description='pattern of how the run ended, as "tripped: bring_up*"')
    unless: Globs = Field((), description="ids of signs that explain it anyway")
    sequences: Globs = Field(("*",), description="patterns of the sequences that tell it")
    ask: str = Field("", description="a question that the owner answers with yes or no")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        read = self.value is not None or bool(self.verdict) or bool(self.reason)
        if read is bool(self.ask):
            raise custom_error(
                "a question beside what is read" if read else "no value, verdict or reason",
                "one of value, verdict and reason, or ask alone",
            )
        if self.verdict and self.reason:
            raise custom_error("a verdict and a reason", "one of them")
        sides = self.above is not None or self.below is not None
        if sides != (self.value is not None):
            raise custom_error("a value without above or below, or the reverse", "both together")
        if self.verdict and not self.quantity:
            raise custom_error("a verdict on no quantity", "the quantity that it is about")
        if Verdict.NOT_MEASURED in self.verdict and not self.note.strip("*"):
            # Otherwise a bench without the instrument would be a sign of the unit's.
            raise custom_error(
                "'not measured' for any reason", 'the reason in note, such as "no tone at*"'
            )
        return self


class Cause(Strict):
    """A likely cause and what it shows."""

    id: str = Field(description='a name such as "bias_low.{channel}"')
    each: Any = Field((), description='what it is repeated over, such as "channel"')
    title: Text = Field(description="the cause in words")
    section: str = Field("", description="id of the section it sits in")
    topology: Annotated[tuple[Topology, ...], BeforeValidator(_listed), WithJsonSchema(_LIST)] = (
        Field((), description="units that can have it; all when left out")
    )
    if_unit_has: Feature = Field("", description="only units that have this can have it")
    kind: Literal["unit", "bench"] = "unit"
    weight: float = Field(1.0, gt=0.0, le=1000.0, description="how common it is beside the others")
    next: Text = Field(description="what to look at first")
    work: Work | None = Field(
        None, description="where 'next' sends somebody: a unit that is off, or one that is powered"
    )
    then: Globs = Field((), description="sequences that settle it, the best first")
    holds: Globs = Field(
        (),
        description="patterns of causes that may sit in this place; it does not compete with them",
    )
    seen: Annotated[dict[str, Frequency], Field(min_length=1)] = Field(
        description="sign -> how often it is seen when this is the cause"
    )

    @model_validator(mode="after")
    def _as_declared(self) -> Self:
        return _held(self, self.next, self.work)


class Section(Strict):
    """A part of the unit that can be kept."""

    id: str = Field(description='a name such as "output_stage.{channel}"')
    each: Any = ()
    title: Text = Field(description="the section in words")
    good: Annotated[Globs, Field(min_length=1)] = Field(
        description='quantities whose verdicts must all be a pass, such as "idle_current cold"'
    )
    on: Globs = Field(("*",), description="patterns of the readings' channels that count")


class TellApart(Strict):
    """What to do next to tell two causes apart."""

    causes: Annotated[tuple[Text, ...], Field(min_length=2, max_length=2)]
    do: Text = Field(description="what to do, and what it will show")
    work: Work | None = Field(
        None, description="where 'do' sends somebody: a unit that is off, or one that is powered"
    )

    @model_validator(mode="after")
    def _as_declared(self) -> Self:
        return _held(self, self.do, self.work)


class FindingsFile(FileModel):
    """A findings file. Its entries are kept as written and repeated over a unit by
    :func:`seqrun.files.findings.patterns.patterns_for`."""

    title: Text = Field(description="what it is about")
    revision: Annotated[str, StringConstraints(min_length=1, max_length=20)] = Field(
        description='such as "A"'
    )
    sequences: Globs = Field(("*",), description="patterns of the sequences that it is for")
    uses: Globs = Field((), description="shipped files whose entries belong to it")
    no_fault: float = Field(
        0.5, gt=0.0, lt=1.0, description="probability of none of them, before anything is read"
    )
    trust: float = Field(
        0.7,
        gt=0.0,
        le=1.0,
        description="what a sign counts, since signs of one cause are not independent",
    )
    value: tuple[dict[str, Any], ...] = ()
    sign: Annotated[tuple[dict[str, Any], ...], Field(min_length=1)] = Field(
        description="the signs, each as [[sign]]"
    )
    cause: Annotated[tuple[dict[str, Any], ...], Field(min_length=1)] = Field(
        description="the causes, each as [[cause]]"
    )
    section: tuple[dict[str, Any], ...] = ()
    apart: tuple[TellApart, ...] = ()


#: the model of each repeated kind of entry
ENTRIES: Mapping[str, type[Strict]] = {
    "value": Value,
    "sign": Sign,
    "cause": Cause,
    "section": Section,
}
