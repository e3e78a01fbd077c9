"""The in-process library, as PyVISA users see it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
import pyvisa
from ieee488_2_reference import Reference
from pyvisa.constants import StatusCode
from pyvisa.resources import MessageBasedResource

from demo_sim.links.visa import DemoVisaLibrary
from demo_sim.scpi import Call, query


class Scope(Reference):
    """Takes time, and has a block to give."""

    seconds_now = 0.0

    @query("WAVeform?")
    def waveform(self, call: Call) -> object:
        return np.arange(100_000).astype("<u2")

    @query("SLOW?")
    def slow(self, call: Call) -> int:
        type(self).seconds_now += 5.0
        return 1


@pytest.fixture
def manager() -> Iterator[pyvisa.ResourceManager]:
    library = DemoVisaLibrary({"meter.demo": Reference(), "scope.demo": Scope()})
    opened = pyvisa.ResourceManager(library)
    yield opened
    opened.close()


def _open(manager: pyvisa.ResourceManager, name: str = "TCPIP0::meter.demo::INSTR",
          **settings: object) -> MessageBasedResource:  # fmt: skip
    resource = manager.open_resource(name, **settings)
    assert isinstance(resource, MessageBasedResource)
    return resource


def test_the_library_lists_its_instruments(manager: pyvisa.ResourceManager) -> None:
    assert manager.list_resources() == ("TCPIP0::meter.demo::INSTR", "TCPIP0::scope.demo::INSTR")
    assert "TCPIP0::scope.demo::5025::SOCKET" in manager.list_resources("?*")
    assert manager.list_resources("?*meter?*SOCKET") == ("TCPIP0::meter.demo::5025::SOCKET",)


@pytest.mark.parametrize(
    "name",
    ["TCPIP0::nobody.demo::INSTR", "TCPIP0::meter.demo::99::SOCKET", "GPIB0::5::INSTR"],
)
def test_an_unknown_instrument_is_not_found(manager: pyvisa.ResourceManager, name: str) -> None:
    with pytest.raises(pyvisa.VisaIOError) as caught:
        manager.open_resource(name)
    assert caught.value.error_code == StatusCode.error_resource_not_found


def test_two_benches_do_not_see_each_other() -> None:
    one = pyvisa.ResourceManager(DemoVisaLibrary({"meter.demo": Reference()}))
    other = pyvisa.ResourceManager(DemoVisaLibrary({"meter.demo": Reference()}))
    _open(one).write("VOLT 5")
    assert float(_open(other).query("VOLT?")) == 0.0
    one.close()
    other.close()


def test_terminations_are_stripped_as_set(manager: pyvisa.ResourceManager) -> None:
    meter = _open(manager, read_termination="\n", write_termination="\r\n")
    assert meter.query("FUNC?") == "SIN"
    meter.read_termination = None
    assert meter.query("FUNC?") == "SIN\n"


def test_a_message_needs_no_terminator_where_the_link_marks_its_end(
    manager: pyvisa.ResourceManager,
) -> None:
    meter = _open(manager, write_termination="", read_termination="\n")
    assert meter.query("FUNC?") == "SIN"


def test_a_read_without_a_query_times_out_and_leaves_minus_420(
    manager: pyvisa.ResourceManager,
) -> None:
    meter = _open(manager, read_termination="\n")
    with pytest.raises(pyvisa.VisaIOError) as caught:
        meter.read()
    assert caught.value.error_code == StatusCode.error_timeout
    assert meter.query("SYST:ERR?") == '-420,"Query UNTERMINATED"'


def test_an_unread_response_is_lost_and_leaves_minus_410(manager: pyvisa.ResourceManager) -> None:
    meter = _open(manager, read_termination="\n")
    meter.write("VOLT?")
    assert meter.query("FUNC?") == "SIN"
    assert meter.query("SYST:ERR?") == '-410,"Query INTERRUPTED"'


def test_a_socket_resource_queues_responses_as_a_raw_socket_does(
    manager: pyvisa.ResourceManager,
) -> None:
    meter = _open(manager, "TCPIP0::meter.demo::5025::SOCKET",
                  read_termination="\n", write_termination="\n")  # fmt: skip
    meter.write("VOLT?")
    meter.write("FUNC?")
    assert [meter.read(), meter.read()] == ["+0.000000000E+00", "SIN"]
    assert meter.query("SYST:ERR?") == '0,"No error"'


def test_a_socket_resource_needs_the_terminator(manager: pyvisa.ResourceManager) -> None:
    meter = _open(manager, "TCPIP0::meter.demo::5025::SOCKET",
                  read_termination="\n", write_termination="")  # fmt: skip
    meter.write("FUNC?")
    with pytest.raises(pyvisa.VisaIOError):
        meter.read()
    assert meter.query("\n") == "SIN"


def test_clear_frees_an_instrument_in_the_middle_of_a_message(
    manager: pyvisa.ResourceManager,
) -> None:
    meter = _open(manager, read_termination="\n")
    meter.set_visa_attribute(pyvisa.constants.ResourceAttribute.send_end_enabled, False)
    meter.write_raw(b"DISP:TEXT 'ab")
    meter.clear()
    assert meter.query("FUNC?") == "SIN"


def test_serial_poll_shows_message_available(manager: pyvisa.ResourceManager) -> None:
    meter = _open(manager, read_termination="\n")
    meter.write("FUNC?")
    assert meter.read_stb() == 16
    meter.read()
    assert meter.stb == 0


@pytest.mark.parametrize("name", ["INSTR", "5025::SOCKET"])
@pytest.mark.parametrize("termination", ["\n", None])
@pytest.mark.parametrize("chunk", [1 << 10, 1 << 20])
def test_a_block_reaches_numpy_whole_though_it_holds_terminators(
    manager: pyvisa.ResourceManager, name: str, termination: str | None, chunk: int
) -> None:
    scope = _open(manager, f"TCPIP0::scope.demo::{name}",
                  read_termination=termination, write_termination="\n")  # fmt: skip
    for _ in range(2):  # the second shows that nothing of the first was left behind
        got = scope.query_binary_values(
            "WAV?", datatype="H", container=np.ndarray, chunk_size=chunk,
            expect_termination=termination is not None,
        )  # fmt: skip
        assert np.array_equal(got, np.arange(100_000).astype("<u2"))


def test_bytes_can_be_read_in_pieces(manager: pyvisa.ResourceManager) -> None:
    meter = _open(manager)
    meter.write("*IDN?")
    assert meter.read_bytes(6) == b"SEQRUN"
    assert meter.read_raw() == b" DEMO,REFERENCE,R1,1.0\n"


def test_an_instrument_that_is_busy_for_longer_than_the_time_out_times_out() -> None:
    library = DemoVisaLibrary({"scope.demo": Scope()}, now=lambda: Scope.seconds_now)
    manager = pyvisa.ResourceManager(library)
    scope = _open(manager, "TCPIP0::scope.demo::INSTR", read_termination="\n", timeout=3000)
    scope.write("SLOW?")
    with pytest.raises(pyvisa.VisaIOError):
        scope.read()
    assert scope.read() == "1"  # three of its five seconds have passed meanwhile
    scope.timeout = 6000
    assert scope.query("SLOW?") == "1"
    manager.close()


def test_what_was_waited_for_elsewhere_need_not_be_waited_for_again() -> None:
    library = DemoVisaLibrary({"scope.demo": Scope()}, now=lambda: Scope.seconds_now)
    manager = pyvisa.ResourceManager(library)
    scope = _open(manager, "TCPIP0::scope.demo::INSTR", read_termination="\n", timeout=3000)
    scope.write("SLOW?")
    Scope.seconds_now += 60.0
    assert scope.read() == "1"
    manager.close()


def test_sitting_out_a_time_out_takes_virtual_time() -> None:
    waited: list[float] = []
    manager = pyvisa.ResourceManager(
        DemoVisaLibrary({"meter.demo": Reference()}, wait=waited.append)
    )
    with pytest.raises(pyvisa.VisaIOError):
        _open(manager, timeout=1500).read()
    assert waited == [1.5]
    manager.close()


def test_a_closed_session_is_no_session(manager: pyvisa.ResourceManager) -> None:
    meter = _open(manager)
    session = meter.session
    meter.close()
    with pytest.raises(pyvisa.VisaIOError):
        manager.visalib.write(session, b"*IDN?")


def test_the_bus_trigger_is_a_trigger(manager: pyvisa.ResourceManager) -> None:
    meter = _open(manager, read_termination="\n")
    meter.query("*ESR?")
    meter.assert_trigger()
    assert meter.query("*OPC;*ESR?") == "0"  # the triggered operation still runs
    assert meter.query("*OPC?;*ESR?") == "1;1"
