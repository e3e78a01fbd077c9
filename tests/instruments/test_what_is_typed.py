"""What is typed at a desk, by value: which ranges hold it, what is refused and in which words."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from seqrun.errors import NotMeasured
from seqrun.instruments.desk import Desk, Impossible, Question, Setting, Typed

VOLTS = Question("meter", "DC volts", "V", (0.06, 6.0, 600.0))
NO_RANGES = Question("meter", "ohms", "Ω", signed=False)
SINK = Question("thermometer", "the sink", "°C")
LAMP = Question("", "does the lamp stay bright?", "")


@pytest.mark.parametrize(
    ("question", "text", "value", "scale"),
    [
        (VOLTS, " 31.2 mV ", 0.0312, None),
        (VOLTS, "-31.2 mV on 60 mV", -0.0312, 0.06),
        (VOLTS, "5 V @ 6 V", 5.0, 6.0),
        (VOLTS, "5 V ON 600 V", 5.0, 600.0),
        (VOLTS, "6 V on 6 V", 6.0, 6.0),  # as much as the range shows
        (VOLTS, "600 V", 600.0, None),
        (VOLTS, "-600 V", -600.0, None),
        (NO_RANGES, "1 MΩ", 1e6, None),  # without ranges there is no largest one
        (NO_RANGES, "0 Ω", 0.0, None),
        (SINK, "-273.15 °C", -273.15, None),
        (LAMP, "Y", 1.0, None),
        (LAMP, "no", 0.0, None),
    ],
)
def test_what_an_instrument_can_show_is_taken(
    question: Question, text: str, value: float, scale: float | None
) -> None:
    assert question.understand(text) == Typed(pytest.approx(value), scale)


@pytest.mark.parametrize(
    ("question", "text", "found", "wanted"),
    [
        (VOLTS, "6.01 V on 6 V", "6.01 V is more than that range shows", "at most 6 V, or OL"),
        (VOLTS, "-6.01 V on 6 V", "-6.01 V is more than that range shows", "at most 6 V, or OL"),
        (VOLTS, "601 V", "601 V is more than its largest range shows", "at most 600 V, or OL"),
        (VOLTS, "1 V on 10 V", "there is no range of 10 V", "one of 60 mV, 6 V, 600 V"),
        (VOLTS, "1 V on 6.001 V", "there is no range of 6.001 V", "one of 60 mV"),
        (NO_RANGES, "1 Ω on 6 Ω", "there is no range of 6 Ω", "one of none"),
        (VOLTS, "1 V on 6 V on 6 V", "names two ranges", '"1.234 mV" or "1.234 V on 600 V"'),
        (VOLTS, "1 A", "a current", '"1.234 V"'),
        (NO_RANGES, "-1 mΩ", "-1 mΩ is below zero", "this reading has no sign"),
        (SINK, "-273.2 °C", "is colder than anything", "a temperature"),
        (SINK, "31.5", "no unit", '"31.5 °C"'),
        (LAMP, "perhaps", "'perhaps' is neither yes nor no", "y or n"),
    ],
)
def test_what_it_cannot_show_is_refused_with_what_it_could(
    question: Question, text: str, found: str, wanted: str
) -> None:
    with pytest.raises(Impossible) as refused:
        question.understand(text)
    assert found in refused.value.found
    assert wanted in refused.value.wanted


def test_an_example_is_of_the_question() -> None:
    assert VOLTS.example == '"1.234 V", "1.234 mV" or "1.234 V on 600 V"'
    assert NO_RANGES.example == '"1.234 Ω", "1.234 mΩ"'
    assert (SINK.example, LAMP.example) == ('"31.5 °C"', "y or n")
    assert (VOLTS.shown(0.0312), LAMP.shown(1.0), LAMP.shown(0.0)) == ("31.2 mV", "yes", "no")


@pytest.mark.parametrize("text", ["OL", "0l", "-0.L", "+ O.L", "Overload", "over"])
def test_overload_is_no_number_and_of_no_question_that_wants_yes_or_no(text: str) -> None:
    with pytest.raises(NotMeasured, match="shows overload"):
        VOLTS.understand(text)
    with pytest.raises(Impossible):
        LAMP.understand(text)


def test_what_nothing_here_should_exceed_is_doubted_on_either_side() -> None:
    likely = Question("meter", "DC volts", "V", VOLTS.ranges, likely=60.0)
    for value, doubted in ((60.0, False), (60.1, True), (-60.1, True)):
        doubt = likely.doubt(Typed(value))
        assert (doubt == "more than 60 V, which nothing here should exceed") is doubted
        assert VOLTS.doubt(Typed(value)) == ""


@dataclass
class Someone:
    """Takes five seconds for whatever is asked."""

    now: float = 100.0
    did: list[str] = field(default_factory=list)

    def set_by_hand(self, setting: Setting) -> None:
        self.now += 5.0
        self.did.append(setting.words)

    def read_by_hand(self, question: Question) -> Typed:
        self.now += 5.0
        return Typed(1.0)

    def urge(self, setting: Setting) -> None:
        self.did.append(f"{setting.words}!")


def test_the_clock_of_a_desk_stands_still_while_somebody_sets_and_reads() -> None:
    someone, desk = Someone(), Desk()
    desk.staff(someone, lambda: someone.now)
    assert (desk.now(), desk.turns, desk.spent_s) == (100.0, 0, 0.0)
    desk.do(Setting("supply", "all off", "enable"))
    assert (desk.now(), desk.turns, desk.spent_s) == (100.0, 1, 5.0)
    desk.read(VOLTS)
    assert (desk.now(), desk.turns, desk.spent_s) == (100.0, 1, 10.0)
    someone.now += 3.0
    assert desk.now() == 103.0
    desk.urge(Setting("supply", "off now", "enable"))
    desk.moved()
    assert (someone.did, desk.turns) == (["all off", "off now!"], 3)


def test_where_nobody_is_nothing_is_set_or_read_and_calling_out_is_no_error() -> None:
    desk = Desk()
    with pytest.raises(NotMeasured, match="nobody is asked: all off"):
        desk.do(Setting("supply", "all off", "enable"))
    with pytest.raises(NotMeasured, match="nobody is asked: DC volts"):
        desk.read(VOLTS)
    desk.urge(Setting("supply", "off now", "enable"))
    assert (desk.turns, desk.now()) == (1, 0.0)
