"""How much one query to a virtual instrument costs, against a trivial echo through PyVISA.

The echo is the least that a VISA library can do: it takes the bytes and hands back a fixed
answer. What PyVISA itself needs is in both. Target: at most 2.5.

Run: ``python tests/benchmarks/bench_query.py``
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import pyvisa
from pyvisa import constants, highlevel
from pyvisa.constants import StatusCode
from pyvisa.util import LibraryPath

from demo_sim.links.visa import DemoVisaLibrary
from demo_sim.scpi import Call, Numeric, ScpiDevice, command, query

ANSWER = b"+1.234567890E+00\n"
TARGET = 2.5
QUERIES = 5_000
ROUNDS = 7


class EchoLibrary(highlevel.VisaLibraryBase):
    """A VISA library session that returns a fixed answer."""

    def _init(self) -> None:
        self.attributes: dict[int, Any] = {
            constants.ResourceAttribute.termchar: 10,
            constants.ResourceAttribute.termchar_enabled: False,
            constants.ResourceAttribute.timeout_value: 2000,
        }

    def open_default_resource_manager(self) -> tuple[Any, StatusCode]:
        return 1, StatusCode.success

    def open(self, *_: Any) -> tuple[Any, StatusCode]:
        return 2, StatusCode.success

    def close(self, session: Any) -> StatusCode:
        return StatusCode.success

    def write(self, session: Any, data: bytes) -> tuple[int, StatusCode]:
        return len(data), StatusCode.success

    def read(self, session: Any, count: int) -> tuple[bytes, StatusCode]:
        return ANSWER, StatusCode.success

    def get_attribute(self, session: Any, attribute: Any) -> tuple[Any, StatusCode]:
        return self.attributes.get(attribute, 0), StatusCode.success

    def set_attribute(self, session: Any, attribute: Any, attribute_state: Any) -> StatusCode:
        self.attributes[attribute] = attribute_state
        return StatusCode.success

    def disable_event(self, *_: Any) -> StatusCode:
        return StatusCode.success

    def discard_events(self, *_: Any) -> StatusCode:
        return StatusCode.success


class Voltmeter(ScpiDevice):
    """The least instrument that takes a setting and answers a query."""

    def __init__(self) -> None:
        super().__init__(serial="B1")
        self.volts = 1.23456789

    @command("[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", Numeric(unit="V", min=0, max=40))
    def set_volts(self, call: Call, volts: float) -> None:
        self.volts = volts

    @query("MEASure[:SCALar]:VOLTage[:DC]?")
    def measure(self, call: Call) -> float:
        return self.volts


def microseconds(ask: Callable[[int], object]) -> float:
    """Best of several rounds, per call."""
    best = float("inf")
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        for index in range(QUERIES):
            ask(index)
        best = min(best, (time.perf_counter() - begun) / QUERIES)
    return best * 1e6


def main() -> None:
    """Print the times and ratios."""
    echo = pyvisa.ResourceManager(EchoLibrary(LibraryPath("echo"))).open_resource(
        "TCPIP0::echo::INSTR", read_termination="\n", write_termination="\n"
    )
    library = DemoVisaLibrary({"meter.demo": Voltmeter()})
    meter: Any = pyvisa.ResourceManager(library).open_resource(
        "TCPIP0::meter.demo::INSTR", read_termination="\n", write_termination="\n"
    )
    base = microseconds(lambda _: echo.query("MEAS:VOLT?"))  # type: ignore[attr-defined]
    cases: dict[str, Callable[[int], object]] = {
        "MEAS:VOLT?": lambda _: meter.query("MEAS:VOLT?"),
        "MEASure:SCALar:VOLTage:DC?": lambda _: meter.query("MEASure:SCALar:VOLTage:DC?"),
        "VOLT <new value>;:MEAS:VOLT?": lambda n: meter.query(f"VOLT {n % 40}.{n};:MEAS:VOLT?"),
        "SYST:ERR?": lambda _: meter.query("SYST:ERR?"),
    }
    print(f"{'echo through PyVISA':<32}{base:8.1f} µs")
    for name, ask in cases.items():
        cost = microseconds(ask)
        print(f"{name:<32}{cost:8.1f} µs   ratio {cost / base:5.2f}")
    print(f"target: MEAS:VOLT? at most {TARGET}")


if __name__ == "__main__":
    main()
