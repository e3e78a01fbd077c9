"""Operations of a driver file by themselves: what goes out for which values, and what follows; and
the levels that a generator is told. The instrument is in memory (memory.py)."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest
from memory import link_to, table

from seqrun.errors import InstrumentRefused, InstrumentSilent, NotMeasured
from seqrun.files.driver.commands import Commands
from seqrun.files.driver.load import driver_from_text
from seqrun.files.shipped import find
from seqrun.instruments.generator import DrivenGenerator, told
from seqrun.instruments.interpreter import Call
from seqrun.values import budget_of

WORDS = {"on": {"true": "1", "false": "0"}, "range": {"auto": "AUTO", "0.1": "R1"}}


def call(link: Any, answer: str = "number", **commands: Any) -> Call:
    made = Commands.model_validate(commands)
    operation: Any = SimpleNamespace(answer=answer)
    return Call("it", made, operation, link, WORDS, {"volts": 1e3})


def quiet(**said: Any) -> Any:
    """Without an error queue, so that nothing but the operation's own messages is sent."""
    return link_to(table(**said), error_check="none")


# --- what goes out --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("template", "values", "sent"),
    [
        ("OUTP {on}", {"on": True}, "OUTP 1"),  # a word of the driver file
        ("OUTP {on}", {"on": False}, "OUTP 0"),
        ("BEEP {loud}", {"loud": True}, "BEEP ON"),  # none: SCPI's own
        ("BEEP {loud}", {"loud": False}, "BEEP OFF"),
        ("RANG {range}", {"range": "auto"}, "RANG AUTO"),
        ("RANG {range}", {"range": 0.1}, "RANG R1"),
        ("RANG {range:g}", {"range": 2.5}, "RANG 2.5"),
        ("VOLT {volts:g}", {"volts": 1.5}, "VOLT 1500"),  # in millivolts, as [scale] says
        ("VOLT {volts:g}", {"volts": 2}, "VOLT 2000"),
        ("CHAN {channel}", {"channel": 2}, "CHAN 2"),
        ("FREQ {hertz:.4g}", {"hertz": 1234.56}, "FREQ 1235"),
    ],
)
def test_values_go_out_as_words_or_as_numbers_in_the_instruments_unit(
    template: str, values: dict[str, Any], sent: str
) -> None:
    link = quiet()
    one = call(link, send=[template])
    one(**values)
    one(**values)
    assert link.wire.sent == [sent, sent]
    assert one.bare(**values) == [sent]
    assert one.names == values.keys()


def test_a_factor_of_one_operation_goes_before_that_of_all() -> None:
    link = quiet()
    call(link, send=["VOLT {volts:g}"], factor={"volts": 10.0})(volts=1.5)
    assert link.wire.sent == ["VOLT 15"]


def test_messages_are_kept_ready_for_whole_numbers_and_never_mixed_up() -> None:
    link = quiet()
    one = call(link, send=["A {channel} {volts:g}"])
    for channel, volts in ((1, 1.0), (2, 1.0), (1, 2.0), (1, 1.0)):
        one(channel=channel, volts=volts)
    assert link.wire.sent == ["A 1 1000", "A 2 1000", "A 1 2000", "A 1 1000"]
    many = call(link, send=["B {channel}"])
    link.wire.sent.clear()
    for channel in (*range(100), 3):
        many(channel=channel)
    assert link.wire.sent[99:] == ["B 99", "B 3"]
    assert len(many._ready) == 64


def test_raw_messages_are_bytes_with_or_without_values() -> None:
    link = quiet()
    call(link, send=["01 02 ff"], raw=True)()
    call(link, send=["01 {code}"], raw=True, words={"code": {"10": "0a"}})(code=10)
    assert link.wire.sent == [b"\x01\x02\xff", b"\x01\x0a"]


def test_only_plain_commands_may_go_out_together_with_others() -> None:
    link = quiet()
    assert call(link, send=["A"]).joinable
    for how in ({"send": ["A?"]}, {"send": ["A"], "after": ["B"]}, {"send": ["01"], "raw": True},
                {"send": ["A"], "pause": "1 s"}, {"send": ["A"], "acknowledge": ""}):  # fmt: skip
        assert not call(link, **how).joinable


# --- how long, and what follows -------------------------------------------------------------------


def test_a_time_out_is_the_callers_else_the_operations() -> None:
    link = quiet(A_=["1"])
    one = call(link, send=["A?"], time_out="20 s")
    assert one() == "1"
    assert one(30.0) == "1"
    assert link.wire.times == [20.0, 30.0]


def test_what_has_to_follow_follows_also_when_no_answer_came() -> None:
    held: list[float] = []
    link = quiet(A_=["1.5"])
    link.wire.hold = held.append
    one = call(link, send=["A?"], after=["LOCAL {channel}"], pause="0.25 s")
    assert one.number(channel=2) == 1.5
    assert (link.wire.sent, held) == (["A?", "LOCAL 2"], [0.25])
    silent = call(link, send=["B?"], after=["LOCAL {channel}"], pause="0.25 s")
    with pytest.raises(InstrumentSilent):
        silent.number(channel=3)
    assert "LOCAL 3" in link.wire.sent and held == [0.25, 0.25]
    plain = call(link, send=["C"])
    plain()
    assert held == [0.25, 0.25]


def test_an_operation_without_messages_listens_or_does_nothing() -> None:
    link = quiet()
    link.overheard = lambda seconds: f"1.25 within {seconds}"
    assert call(link, send=[], asks=True, time_out="3 s")() == "1.25 within 3.0"
    assert call(link, send=[], asks=False)() == ""
    assert link.wire.sent == []
    call(link, send=[]).urgently()
    assert link.wire.sent == []
    call(link, send=["OFF"]).urgently()
    assert link.wire.sent == ["OFF"]


@pytest.mark.parametrize(
    ("combine", "answers", "value"),
    [("or", "01", True), ("or", "00", False), ("and", "01", False), ("and", "11", True)],
)
def test_of_several_questions_all_are_asked_and_taken_together(
    combine: str, answers: str, value: bool
) -> None:
    link = quiet(A_=[answers[0]], B_=[answers[1]])
    one = call(link, "boolean", send=["A?"], combine=combine, also=[{"send": ["B?"]}])
    assert one.boolean() is value
    assert link.wire.sent == ["A?", "B?"]
    assert call(link, "boolean", send=["A?"]).boolean() is (answers[0] == "1")


@pytest.mark.parametrize(("output", "on"), [(1, True), (2, False), (3, True)])
def test_a_bit_of_each_output_is_its_own(output: int, on: bool) -> None:
    link = quiet(STAT=["5"])
    one = call(link, "boolean", send=["STAT?"], bit=[0, 1, 2])
    assert one.boolean(output=output) is on
    assert "output" in one.names


# --- the levels of a generator --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("into", "crest", "levels"),
    [  # 1 V rms into an open circuit, from 50 Ω: 0.5 V into 50 Ω, 5 mW
        ("open", math.sqrt(2.0), (1.0, math.sqrt(2.0), 2.0 * math.sqrt(2.0))),
        ("50 Ω", math.sqrt(2.0), (0.5, 0.5 * math.sqrt(2.0), math.sqrt(2.0))),
        ("open", 1.0, (1.0, 1.0, 2.0)),
    ],
)
def test_a_level_is_told_in_every_unit_that_generators_take(
    into: str, crest: float, levels: tuple[float, float, float]
) -> None:
    its = driver().generator
    assert its is not None
    levels_into = its.levels_into if into == "open" else into
    found = told(its.model_copy(update={"levels_into": levels_into}), 1.0, crest)
    assert (found["volts_rms"], found["volts_peak"], found["volts_pp"]) == pytest.approx(levels)
    assert found["dbm"] == pytest.approx(10.0 * math.log10(5.0))
    assert told(its, 0.0, crest)["dbm"] == -100.0


def driver(**settings: Any) -> Any:
    """A generator whose every wave tells its levels by name."""
    text = find("driver", "generic-generator").read_text(encoding="utf-8")
    head, _, rest = text.partition("[operation]\n")
    levels = "{volts_rms:.5g} {volts_peak:.5g} {volts_pp:.5g}"
    operations = (
        f'sine = "SIN{{output}} {{frequency:.5g}} {levels}"\n'
        f'level = "LEV{{output}} {levels}"\n'
        f'square = "SQU{{output}} {{frequency:.5g}} {levels}"\n'
        'two_tone = "TWO{output} {frequency:.5g} {frequency_2:.5g} {volts_pp:.5g} '
        '{volts_pp_2:.5g}"\n'
        f'burst = "BUR{{output}} {{frequency:.5g}} {{cycles}} {{period:.5g}} {levels}"\n'
        'enable = "OUT{output} {on} {on_1} {on_2}"\nenabled = "OUT{output}?"\n'
        'make_safe = "OFF"\n'
    )
    accuracy = rest[rest.index("[[accuracy]]") :]
    head = head.replace("[link]\n", '[link]\nerror_check = "none"\n')
    return driver_from_text(f"{head}[operation]\n{operations}\n{accuracy}")


@pytest.fixture
def generator() -> Any:
    states = {"OUT1?": ["1"], "OUT2?": ["0"]}
    link = link_to(lambda message: states.get(message, []), error_check="none")
    made: Any = DrivenGenerator("generator", driver(), link)
    link.wire.sent.clear()
    return made


def test_each_wave_is_told_its_frequency_and_its_levels(generator: Any) -> None:
    sent = generator.link.wire.sent
    generator.sine(1, 1000.0, 1.0)
    generator.sine(1, 1000.0, 0.5)  # the level alone
    generator.sine(1, 1000.0, 0.5)  # nothing
    generator.sine(1, 2000.0, 0.5)
    generator.square(2, 100.0, 0.5)
    generator.two_tone(1, 60.0, 0.4, 7000.0, 0.1)
    generator.burst(2, 1000.0, 0.5, 20, 0.5)
    assert sent == [
        "SIN1 1000 1 1.4142 2.8284", "LEV1 0.5 0.70711 1.4142", "SIN1 2000 0.5 0.70711 1.4142",
        "SQU2 100 0.5 0.5 1", "TWO1 60 7000 1.1314 0.28284",
        "BUR2 1000 20 0.5 0.5 0.70711 1.4142",
    ]  # fmt: skip
    assert generator.amplitude(1).nominal_value == pytest.approx(math.hypot(0.4, 0.1))
    assert generator.amplitude(2).nominal_value == 0.5


def test_outputs_are_told_each_and_all_and_begin_off(generator: Any) -> None:
    sent = generator.link.wire.sent
    generator.enable(2, True)
    generator.enable(1, True)
    generator.enable(2, False)
    generator.make_safe()
    generator.enable(1, True)
    assert sent == ["OUT2 ON OFF ON", "OUT1 ON ON ON", "OUT2 OFF ON OFF", "OFF", "OUT1 ON ON OFF"]
    for output in (0, 3):
        with pytest.raises(InstrumentRefused, match=f"no output {output}"):
            generator.enable(output, True)
    assert [generator.enabled(1), generator.enabled(2), generator.enabled()] == [True, False, True]


def test_made_safe_or_refused_a_generator_is_set_in_full_again(generator: Any) -> None:
    sent = generator.link.wire.sent
    generator.sine(1, 1000.0, 1.0)
    generator.make_safe()
    generator.sine(1, 1000.0, 0.5)
    assert sent[-1].startswith("SIN1")
    taken = generator.link.wire._answers
    generator.link.exchange = refuse
    with pytest.raises(InstrumentRefused):
        generator.sine(1, 1000.0, 0.7)
    del generator.link.exchange
    generator.link.wire._answers = taken
    generator.sine(1, 1000.0, 0.7)
    assert sent[-1].startswith("SIN1")


def refuse(*_: Any, **__: Any) -> str:
    raise InstrumentRefused("error -222")


def test_a_generator_that_does_not_tell_is_not_measured(generator: Any) -> None:
    generator._ops._calls.pop("enabled")
    with pytest.raises(NotMeasured, match="does not tell whether its outputs are on"):
        generator.enabled(1)
    assert generator.link.wire.sent == []


def test_beside_its_reference_a_level_holds_the_flatness_however_near(generator: Any) -> None:
    for hertz, lines in ((1000.0, 2), (1000.001, 3), (999.0, 3)):
        generator.sine(1, hertz, 1.0)
        assert len(budget_of(generator.amplitude(1))) == lines
