"""Many generated messages to every virtual instrument: no crash, no hang, no unexplained silence.

Run: ``python tests/benchmarks/many_messages.py [MESSAGES=100000]``, divided among the reference
instrument of the outside checks and the instruments of a simulated bench. Prints what came of
them; ends with 1 when something was wrong. A quick version is in tests/demo_sim/scpi/.
"""

from __future__ import annotations

import contextlib
import gc
import logging
import signal
import sys
import time
from collections import Counter
from pathlib import Path

from hypothesis import HealthCheck, Phase, assume, given, settings

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS / "outside"), str(TESTS / "demo_sim" / "scpi")]

from ieee488_2_reference import Reference
from scpi_messages import asks, messages

import demo_sim
from demo_sim.scpi import ScpiDevice

SLOW_S = 1.0  # CPU time of one message that is worth a look
SHOWN = 8
HANG_S = 30.0  # and of one that is given up


# Under power, driven, and the meter on an output: what is measured has to be worked out.
LIVE = (
    ("supply", "VOLT 30;CURR 3;:INST:NSEL 2;:VOLT 30;CURR 3;:OUTP ON"),
    ("control", 'CLOC:WAIT 10;:HAND:CONN "meter.hi","out.left";CONN "meter.lo","ground"'),
    ("generator", "VOLT 0.2;:OUTP1 ON"),
)


class Hang(BaseException):
    """A message was given up."""


def give_up(*_: object) -> None:
    raise Hang


def run(name: str, device: ScpiDevice, count: int) -> int:
    """Send ``count`` messages; print what came of them; how many kinds of complaint there were."""
    complaints: dict[str, str] = {}
    tally: Counter[str] = Counter()
    slow: list[tuple[float, bytes]] = [(0.0, b"")]

    @settings(
        max_examples=count,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(messages(device))
    def send(message: bytes) -> None:
        assume(b"WAIT" not in message.upper())  # days of bench time are no hang, but take a while
        device.execute("*CLS")
        gc.disable()  # collecting the generator's own litter is not the device's time
        begun = time.process_time()
        signal.setitimer(signal.ITIMER_VIRTUAL, HANG_S)
        try:
            response = device.execute(message)
        except Hang:
            complaints.setdefault("hang", repr(message))
            raise
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
        gc.enable()
        slow.append((time.process_time() - begun, message))
        slow[:] = sorted(slow, reverse=True)[:SHOWN]
        queue = device.execute("SYST:ERR:ALL?").decode("ascii")
        tally["messages"] += 1
        tally["answers"] += bool(response)
        tally["with errors"] += not queue.startswith("0,")
        if asks(message) and not response and queue.startswith("0,"):
            upper = message.upper()
            if b"ERR" not in upper and b"*CLS" not in upper:  # these take the reason away
                complaints.setdefault("unexplained silence", repr(message))
        if not queue:
            complaints.setdefault("does not even tell its errors", repr(message))
        if "System error" in queue and "on purpose" not in queue:
            kind = queue[queue.index("System error") :].split('"')[0][:80]
            complaints.setdefault(kind, repr(message))

    with contextlib.suppress(Hang):
        send()
    print(
        f"{name:<12}{tally['messages']:>8} messages {tally['answers']:>8} answers "
        f"{tally['with errors']:>8} with errors; slowest {slow[0][0]:.3f} s",
        flush=True,
    )
    for seconds, message in slow:
        if seconds > SLOW_S:
            complaints[f"{seconds:.1f} s"] = repr(message)
    for kind, text in complaints.items():
        print(f"    {kind}: {text}")
    return len(complaints)


def main() -> int:
    """Divide the messages among the instruments."""
    logging.getLogger("demo_sim").setLevel(logging.CRITICAL)
    signal.signal(signal.SIGVTALRM, give_up)
    total = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    bench = demo_sim.open_bench()
    for key, message in LIVE:
        bench.devices[key].execute(message)
    devices: dict[str, ScpiDevice] = {"reference": Reference(), **bench.devices}
    # The supply last: with its outputs off there is nothing to work out for the others.
    devices["supply"] = devices.pop("supply")
    found = sum(run(name, device, total // len(devices)) for name, device in devices.items())
    print(f"{found} kinds of complaint" if found else "nothing to complain about")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
