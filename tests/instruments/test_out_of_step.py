"""A link that broke or is out of step, in every error-check mode; the manners of serial lines."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import pyvisa
from pytest_mock import MockerFixture

from seqrun.errors import InstrumentRefused, InstrumentSilent, NotMeasured
from seqrun.files.driver.load import driver_from_text
from seqrun.files.driver.manners import Identity, Manners
from seqrun.instruments import answers, discovery
from seqrun.instruments.failing import Broken
from seqrun.instruments.link import Link
from seqrun.instruments.preamble import plausible, scaling
from seqrun.instruments.wire import LATE_ANSWERS

Serve = Callable[[Callable[[bytes], bytes | None]], Any]
IDENTITY = b"ACME,METER,1,1.0\n"


@pytest.fixture
def connect(sockets: pyvisa.ResourceManager) -> Iterator[Callable[..., Link]]:
    links: list[Link] = []

    def open_link(server: Any, identity: Identity | None = None, **manners: Any) -> Link:
        told = Manners.model_validate({"time_out": "0.3 s", **manners})
        links.append(Link.open("meter", server.resource, sockets, lambda *_: None, told, identity))
        return links[-1]

    yield open_link
    for link in links:
        link.close()


def plain(line: bytes) -> bytes:
    """A meter: its identity, an empty queue, a voltage."""
    known = {b"*IDN?": IDENTITY, b"SYST:ERR?": b'0,"No error"\n', b"VOLT?": b"5.0\n"}
    return known.get(line, b"")


@pytest.mark.parametrize("mode", ["separate", "none"])
def test_an_answer_nobody_asked_for_is_not_taken_for_a_reading(
    serve: Serve, connect: Callable[..., Link], mode: str
) -> None:
    def once_twice(line: bytes) -> bytes:
        if line == b"VOLT?" and not said:
            said.append(1)
            return b"9.9\n5.0\n"  # a stale one before the right one
        return plain(line)

    said: list[int] = []
    link = connect(serve(once_twice), error_check=mode)
    link.identify()
    assert [link.query("VOLT?") for _ in range(3)][-2:] == ["5.0", "5.0"]


def test_what_nobody_asked_for_is_read_away_before_a_block(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    def talkative(line: bytes) -> bytes:
        answers = {b"BEEP": b"beeped\n", b"TRAC?": b"#15hello\n"}
        return answers.get(line) or plain(line)

    link = connect(serve(talkative), error_check="none")
    link.identify()
    link.write("BEEP")
    time.sleep(0.05)  # it has come by then
    assert bytes(link.block(("TRAC?",), 5)) == b"hello"


def test_a_wrong_error_check_mode_is_named(serve: Serve, connect: Callable[..., Link]) -> None:
    def only_first(line: bytes) -> bytes:
        return plain(line.split(b";")[0])

    link = connect(serve(only_first))
    link.identify()
    with pytest.raises(InstrumentRefused, match="does not take two commands in one message"):
        link.query("VOLT?")


def test_writes_are_acknowledged_and_anything_else_is_a_refusal(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    link = connect(
        serve(lambda line: b"OK\n" if line == b"VOLT 1" else plain(line) or b"NO\n"),
        error_check="none", acknowledge="^OK$",
    )  # fmt: skip
    link.write("VOLT 1")
    assert link.query("VOLT?") == "5.0"
    with pytest.raises(InstrumentRefused, match='answered "NO"'):
        link.write("VOLT 99")
    assert link.query("VOLT?") == "5.0"


@pytest.mark.parametrize("says_ok", [True, False])
def test_whether_a_firmware_acknowledges_is_found_out(
    serve: Serve, connect: Callable[..., Link], says_ok: bool
) -> None:
    def firmware(line: bytes) -> bytes:
        return plain(line) or (b"OK\n" if says_ok else b"")

    link = connect(serve(firmware), error_check="none", acknowledge="^OK$", acknowledged="try")
    link.write("CONF")
    link.write("CONF")
    assert link.query("VOLT?") == "5.0"


def test_a_line_without_its_end_is_told_from_silence(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    link = connect(serve(lambda line: b"5.0\r"), error_check="none")
    with pytest.raises(InstrumentSilent, match="the line did not end in"):
        link.query("VOLT?")


def test_an_answer_may_end_in_silence_or_have_a_known_length(
    serve: Serve, connect: Callable[..., Link]
) -> None:
    link = connect(
        serve(lambda line: b"12.34" if line == b"V?" else b""),
        error_check="none", read_termination="", answer_ends="silence", silence="30 ms",
    )  # fmt: skip
    assert link.query("V?") == "12.34"


def test_separate_writes_over_tcp_do_not_wait_for_each_other(
    serve: Serve, connect: Callable[..., Link], mocker: MockerFixture
) -> None:
    """Nagle's algorithm waits 40 ms for the other side's acknowledgement; seen in the same run."""

    def taken() -> float:
        link = connect(serve(plain), error_check="separate")
        link.identify()
        begin = time.perf_counter()
        for _ in range(20):
            link.write("VOLT 1")
        return time.perf_counter() - begin

    at_once = min(taken() for _ in range(3))
    mocker.patch("seqrun.instruments.wire.no_delay")
    assert at_once < 0.5 * taken()


@pytest.mark.parametrize(
    ("text", "value"),
    [("1.00MSa/s", 1e6), ("5.00E-01V", 0.5), ("500mV", 0.5), ("10kpts", 1e4), ("700pts", 700.0),
     ("2.5GSa/s", 2.5e9), ("-3.2uV", -3.2e-6)],
)  # fmt: skip
def test_a_number_may_have_a_prefix_and_a_unit(text: str, value: float) -> None:
    assert answers.with_suffix(text) == pytest.approx(value)


def test_a_preamble_that_cannot_be_is_no_measurement(bench: Any) -> None:
    settings = bench.scope.driver.scope
    good = {"xincrement": 1e-6, "yincrement": 1.0 / 2.0**settings.code_bits}
    middle = 2.0 ** (settings.code_bits - 1)
    plausible(scaling({**good, "yreference": middle}, settings), settings, 1.0, 1e6)
    for wrong in (
        {"xincrement": 9.91e37}, {"yincrement": 9.91e37}, {"xincrement": 2e-6},
        {"xincrement": -1.0}, {"yincrement": 0.0}, {"yorigin": 9.0},
        {"yincrement": good["yincrement"] * 10.0},
    ):  # fmt: skip
        with pytest.raises(ValueError):
            found = scaling({**good, "yreference": middle, **wrong}, settings)
            plausible(found, settings, 1.0, 1e6)


def test_a_sentinel_in_the_preamble_ends_at_the_scope(bench: Any, mocker: Any) -> None:
    scope = bench.scope
    scope.acquire({1: 1.0}, sample_rate_hz=1e6, points=1000)
    call = scope._ops["preamble"]
    truth = call(channel=1)
    separator = scope.driver.scope.preamble_separator or ","
    fields = truth.split(separator)
    fields[scope.driver.scope.preamble.index("xincrement")] = "9.91E+37"
    mocker.patch.object(type(call), "__call__", lambda *_a, **_k: separator.join(fields))
    with pytest.raises(NotMeasured, match="scaling of channel 1"):
        scope._scaling(1, scope._vertical(1, 1.0), 1e6, 1000)


def test_an_absent_protection_is_said_and_never_guessed() -> None:
    from seqrun.errors import FileError
    from seqrun.files.shipped import find

    text = find("driver", "generic-supply").read_text(encoding="utf-8")
    bare = "\n".join(line for line in text.splitlines() if "over_voltage_protection" not in line)
    with pytest.raises(FileError, match="over_voltage_protection' is missing"):
        driver_from_text(bare)
    said = bare.replace("[supply]\n", '[supply]\nabsent = ["over_voltage_protection"]\n')
    assert driver_from_text(said).supply is not None


def test_a_connection_that_broke_is_opened_again_on_the_way_to_the_safe_state(bench: Any) -> None:
    supply = bench.supply
    supply.enable(True)
    supply.link.wire.close()
    supply.make_safe()
    assert not supply.enabled()
    assert supply.identity


def test_an_instrument_is_reached_again_over_a_new_link_and_nothing_is_set(bench: Any) -> None:
    supply = bench.supply
    supply.set_voltage(1, 7.0)
    supply.link.wire.close()
    before = len(bench.sent("supply"))
    supply.reopen()
    assert supply.identity
    assert not any("VOLT 7" in text or "OUTP" in text for text in bench.sent("supply")[before:])
    assert float(supply.link.query("INST:NSEL 1;:VOLT?")) == 7.0


@pytest.mark.usefixtures("nothing_late")
def test_one_that_does_not_find_back_into_step_is_silent_or_answers_something_else(
    serve: Any, sockets: Any
) -> None:
    said: list[bytes] = [b"ACME,METER,1,1.0\n"]
    server = serve(lambda _: said[-1])
    manners = Manners.model_validate({"time_out": "0.1 s", "error_check": "none"})
    link = Link.open("meter", server.resource, sockets, lambda *_: None, manners)
    link.identify()
    others = b"1.5\n" * LATE_ANSWERS
    for answer, words in ((others, "answers, but not what it was asked"), (b"", "no answer")):
        said.append(answer)
        link.talk.owed = True
        with pytest.raises(InstrumentSilent, match=words):
            link.talk.into_step()
        assert link.talk.owed, "nobody knows what is still to come"
    link.close()


@pytest.mark.parametrize(("takes", "seconds"), [(None, 1.0), (0.4, 1.0), (3.0, 3.0)])
def test_late_answers_are_listened_for_a_second_or_as_long_as_an_identity_may_take(
    bench: Any, mocker: MockerFixture, takes: float | None, seconds: float
) -> None:
    talk = bench.meter.link.talk
    if takes is not None:
        talk.question = talk.question.model_copy(update={"time_out": takes})
    within = mocker.spy(talk.wire, "within")
    talk.into_step()
    assert [call.args for call in within.call_args_list] == [(seconds,)]


def test_what_is_left_of_a_question_before_is_listened_for_a_fifth_of_a_second(
    bench: Any, mocker: MockerFixture
) -> None:
    """Many speeds and parities are tried at a port, one after another."""
    link = bench.meter.link
    within, ended = mocker.spy(link.wire, "within"), mocker.spy(link.wire, "end_message")
    cleared = mocker.spy(link.wire, "clear")
    discovery._end_what_was_asked_before(link)
    assert [call.args for call in within.call_args_list] == [(0.2,)]
    assert (ended.call_count, cleared.call_count) == (1, 1)
    mocker.patch.object(link.wire, "end_message", side_effect=Broken("gone"))
    discovery._end_what_was_asked_before(link)  # the question that follows tells
