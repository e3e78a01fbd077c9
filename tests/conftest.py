"""What tests of all floors share."""

from __future__ import annotations

import dataclasses
import gc
import hashlib
import os
import pickle
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import nullcontext, suppress
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock, Timeout
from hypothesis import settings

from seqrun.files.shipped import find

HANG_S = 300.0  # nothing that is made once takes so long

# As the command line does it: our arrays are short, and a pool of linear-algebra threads in each
# worker costs more than it saves. NumPy, which reads these as it is imported, is not imported yet.
for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")
# Workers read the same modules and tests start a hundred programs: what one has compiled, all read.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# Thousands of tests that stand in memory to the end are no litter to be sought through again.
gc.disable()

# A busy machine is no mistake of the code: nothing here is judged by the wall clock.
settings.register_profile("seqrun", deadline=None)
settings.load_profile("seqrun")

#: protection, loads, bring-up and power-down: how every sequence that powers a unit begins and ends
BEGIN = """title = "Short"
revision = "A"
cautions = ["Stored charge: below 2 V by meter before touching."]
[[step]]
id = "protection"
do = "protect_supply"
over_voltage = "1.15 * rail_voltage"
over_current = "1.5 * supply_at_rated_power"
[[step]]
id = "loads"
do = "load_resistance"
[[step]]
id = "bring_up"
do = "ramp_supply"
to = "rail_voltage"
healthy_current = "3 * supply_idle"
stages = 2
"""
END = """
[[step]]
id = "discharge"
do = "power_down"
limit = { at_most = "2 V" }
"""
OFFSET = """
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
limit = { between = ["-50 mV", "50 mV"] }
"""


def _asked_to_sync(file: int) -> None:
    os.fstat(file)  # what is not open is an error, as ever


# What is synced outlives a power cut, which no test can make; what outlives the program is in the
# system's hands without. Tests of a disk that refuses put their own in its place.
os.fsync = _asked_to_sync


@pytest.hookimpl(wrapper=True)
def pytest_collection(session: pytest.Session) -> Iterator[None]:
    """Each worker compiles its share of the tests first, and finds the others' shares compiled."""
    worker = os.environ.get("PYTEST_XDIST_WORKER", "")
    if worker and session.config.args == session.config.getini("testpaths"):
        workers = int(os.environ["PYTEST_XDIST_WORKER_COUNT"])
        files = sorted(Path(__file__).parent.glob("*/**/test_*.py"))
        for file in files[int(worker.removeprefix("gw")) :: workers]:
            with suppress(pytest.Collector.CollectError):  # told where it is collected
                _ = pytest.Module.from_parent(session, path=file).obj
    return (yield)


def pytest_collection_finish() -> None:
    """Litter is collected from here on, and only among what the tests themselves make."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)
    gc.enable()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Long ones first: two workers end together when what is left for the end is short."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)


CLOSED = """
model = "Closed 2x40"
channels = ["left", "right"]
topology = "single_ended"
rails = "split"
rail_voltage = "30 V"
rated_power = "40 W"
rated_load = "8 Ω"
gain = "29 dB"
output_devices = 2
ballast = "not accessible"
idle_current = "IDLE"
supply_idle = "110 mA"
sink_rise_limit = "40 K"
"""


@pytest.fixture(scope="session")
def short_text() -> Callable[[str], str]:
    """``short_text(steps)``: of a sequence that powers the unit, does the steps and powers it
    down."""
    return lambda steps: BEGIN + steps + END


@pytest.fixture
def short_sequence(tmp_path: Path, short_text: Callable[[str], str]) -> Callable[..., str]:
    """``short_sequence(steps)``: a file of such a sequence (with the DC offset of each channel
    when no steps are given); its path."""

    def write(steps: str = OFFSET) -> str:
        path = tmp_path / "short.toml"
        path.write_text(short_text(steps), encoding="utf-8")
        return str(path)

    return write


@pytest.fixture
def closed_sheet(tmp_path: Path) -> Callable[[str], str]:
    """``closed_sheet(idle)``: the sheet of a unit whose ballasts no lead reaches; its path."""

    def write(idle_current: str) -> str:
        path = tmp_path / "closed.toml"
        path.write_text(CLOSED.replace("IDLE", idle_current), encoding="utf-8")
        return str(path)

    return write


@pytest.fixture
def as_real(tmp_path: Path) -> Callable[[str], str]:
    """``as_real(text)``: the text of a simulated bench's file as that of a real bench: without
    ``[simulator]``, and with drivers whose figures are not marked as the simulated bench's."""

    def change(text: str) -> str:
        for name in set(re.findall(r'driver = "(generic-[a-z0-9-]+)"', text)):
            driver = find("driver", name).read_text(encoding="utf-8")
            own = tmp_path / f"own-{name}.toml"
            own.write_text(driver.replace('accuracy_of = "simulated bench"\n', ""), "utf-8")
            text = text.replace(f'"{name}"', f'"{own.name}"')
        return re.sub(r"\[simulator\].*?(?=\n\[)", "", text, flags=re.DOTALL)

    return change


class Once:
    """What is made once, in this process or in one beside it, and kept as a file: what follows from
    a seed is the same wherever it is made."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir(exist_ok=True)

    def __call__(self, name: str, make: Callable[[], Any]) -> Any:
        """What ``make()`` gives."""
        return self.each(name, [0], lambda _: make())[0]

    def each(self, name: str, keys: Iterable[int], make: Callable[[int], Any]) -> list[Any]:
        """What ``make`` gives for each key; who comes meanwhile makes those that nobody makes."""
        files = {key: self._folder / _digest(f"{name} {key}") for key in keys}
        for at_most_s in (0.0, HANG_S):
            for key, file in files.items():
                busy = nullcontext() if at_most_s else suppress(Timeout)
                with busy, FileLock(f"{file}.lock", at_most_s):
                    if not file.exists():
                        file.write_bytes(pickle.dumps(make(key)))
        return [pickle.loads(file.read_bytes()) for file in files.values()]


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Once:
    """``once("a name", make)``: made once for all workers."""
    base = tmp_path_factory.getbasetemp()
    return Once((base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "once")


@pytest.fixture(scope="session", autouse=True)
def state_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test marks a bench in the state folder of whoever runs it."""
    folder = str(tmp_path_factory.getbasetemp() / "state")
    with pytest.MonkeyPatch.context() as environment:
        environment.setenv("XDG_STATE_HOME", folder)
        environment.setenv("LOCALAPPDATA", folder)
        yield


@pytest.fixture
def made_up() -> Iterator[Callable[..., str]]:
    """``made_up(name, change)`` enters a fault of a test's own, a change of the left channel (with
    ``whole``: of the amplifier), and returns how it is asked for; it is taken out again."""
    from demo_sim.bench_parts import BenchSpec
    from demo_sim.fault_requests import _CATALOGUE, entry

    names: list[str] = []

    def enter(name: str, change: Callable[..., Any], *, whole: bool = False) -> str:
        def put(bench: BenchSpec, channel: str, severity: float) -> BenchSpec:
            unit = bench.amplifier
            changed = change(unit) if whole else unit.with_channel(channel, change)
            return dataclasses.replace(bench, amplifier=changed)

        names.append(name)
        entry(name, "of a test", 1.0, channels=not whole)(put)
        return name if whole else f"{name}@left"

    yield enter
    for name in names:
        del _CATALOGUE[name]
