"""How much one query to a virtual instrument costs, against a trivial echo through PyVISA.

The echo is the least that a VISA library can do: it takes the bytes and hands back a fixed
answer. What PyVISA itself needs is in both. Target: at most 2.5, else exit
code 1. The queries of the bench's own
instruments are shown too; what the world needs to answer them is then in the time.

Run: ``python tests/benchmarks/bench_query.py``
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import Any

import pyvisa
from pyvisa import constants, highlevel
from pyvisa.constants import StatusCode
from pyvisa.util import LibraryPath

import demo_sim
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


def cpu_seconds(ask: Callable[[int], object]) -> float:
    """CPU time of one round: other people's load on the machine does not count."""
    begun = time.process_time()
    for index in range(QUERIES):
        ask(index)
    return time.process_time() - begun


def compare(base: Callable[[int], object], ask: Callable[[int], object]) -> tuple[float, float]:
    """Microseconds per call of both, best of rounds taken in turn."""
    rounds = [(cpu_seconds(base), cpu_seconds(ask)) for _ in range(ROUNDS)]
    return tuple(min(column) / QUERIES * 1e6 for column in zip(*rounds, strict=True))  # type: ignore[return-value]


def main() -> int:
    """Print the times and ratios."""
    ends = {"read_termination": "\n", "write_termination": "\n"}
    manager = pyvisa.ResourceManager(EchoLibrary(LibraryPath("echo")))
    echo: Any = manager.open_resource("TCPIP0::echo::INSTR", **ends)
    bench = demo_sim.open_bench()
    devices = {"meter.least": Voltmeter(), **{f"{k}.demo": d for k, d in bench.devices.items()}}
    opened: dict[str, Any] = {}
    for library in (DemoVisaLibrary({"meter.least": devices["meter.least"]}), bench.visa_library):
        manager = pyvisa.ResourceManager(library)
        for name in manager.list_resources():
            opened[name.split("::")[1]] = manager.open_resource(name, **ends)
    cases = (
        ("meter.least", "MEAS:VOLT?"),
        ("meter.least", "MEASure:SCALar:VOLTage:DC?"),
        ("meter.least", "VOLT {};:MEAS:VOLT?"),
        ("meter.least", "SYST:ERR?"),
        ("supply.demo", "*IDN?"),
        ("supply.demo", "VOLT?"),
        ("meter.demo", "VOLT:RANG?"),
        ("scope.demo", "SWE:TINT?"),
        ("generator.demo", "FREQ?"),
        ("switch.demo", "ROUT:ROW:COUN?"),
        ("control.demo", "CLOC:NOW?"),
        ("supply.demo", "MEAS:CURR?"),
        ("meter.demo", "READ?"),
    )
    worst = 0.0
    for name, message in cases:
        resource = opened[name]
        if "{}" in message:  # never the same twice: parsed each time
            fast, slow = compare(
                lambda _: echo.query("MEAS:VOLT?"),
                lambda n, r=resource, m=message: r.query(m.format(n / 1000)),
            )
        else:
            fast, slow = compare(
                lambda _, m=message: echo.query(m), lambda _, r=resource, m=message: r.query(m)
            )
        ratio = slow / fast
        if name == "meter.least":
            worst = max(worst, ratio)
        print(f"{name:<16}{message:<28}{slow:8.1f} µs, echo {fast:5.1f} µs, ratio {ratio:5.2f}")
    print(f"target: a query that asks nothing of the world, at most {TARGET}")
    return int(worst > TARGET)


if __name__ == "__main__":
    sys.exit(main())
