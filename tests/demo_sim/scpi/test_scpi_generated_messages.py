"""Messages that nobody thought of: no crash, no hang, never an empty answer without a reason.

``SEQRUN_SCPI_MESSAGES`` sets how many are generated per test (100000 for a long run by hand, a
few minutes); the default keeps the suite quick.
"""

from __future__ import annotations

import os

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from ieee488_2_reference import Reference
from scpi_messages import asks, messages

from demo_sim.links.stream import ScpiStream

COUNT = int(os.environ.get("SEQRUN_SCPI_MESSAGES", "300"))
RUN = settings(max_examples=COUNT, database=None, suppress_health_check=list(HealthCheck))
MESSAGES = messages(Reference())


def _fresh() -> Reference:
    device = Reference()
    device.execute("*CLS")
    return device


@RUN
@given(MESSAGES)
def test_no_message_goes_without_answer_or_error(message: bytes) -> None:
    device = _fresh()
    response = device.execute(message)
    if asks(message) and not response:
        assert len(device.errors) or b"SYST:ERR" in message.upper()
    assert b"System error" not in device.execute("SYST:ERR:ALL?").replace(b"on purpose", b"") or (
        b"DEF" in message.upper()
    )


@RUN
@given(MESSAGES)
def test_the_device_answers_as_ever_after_any_message(message: bytes) -> None:
    device = _fresh()
    device.receive(message)
    device.clear()
    assert device.execute("*RST;*CLS;VOLT 3;VOLT?") == b"+3.000000000E+00\n"


@RUN
@given(MESSAGES)
def test_a_response_is_one_line_that_ends_with_nl_unless_it_holds_a_block(message: bytes) -> None:
    response = _fresh().execute(message.replace(b"\n", b" "))
    if response and b"DATA" not in message.upper():
        assert response.endswith(b"\n")
        assert response.count(b"\n") == 1
        assert response.isascii()


@RUN
@given(st.lists(MESSAGES, min_size=1, max_size=3), st.lists(st.integers(1, 9), min_size=1))
def test_fragments_of_a_stream_answer_as_the_whole_does(
    several: list[bytes], cuts: list[int]
) -> None:
    data = b"".join(message + b"\n" for message in several)
    whole, pieces = Reference(), Reference()
    expected = [part for response in ScpiStream(whole).feed(data) for part in response]
    stream, got, at, turn = ScpiStream(pieces), [], 0, 0
    while at < len(data):
        step = cuts[turn % len(cuts)]
        got += [p for r in stream.feed(data[at : at + step]) for p in r]
        at, turn = at + step, turn + 1
    assert b"".join(got) == b"".join(expected)
    assert pieces.execute("*ESR?;:SYST:ERR:ALL?") == whole.execute("*ESR?;:SYST:ERR:ALL?")
