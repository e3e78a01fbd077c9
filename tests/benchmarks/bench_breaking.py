"""What a run comes to when its links lie and break, and when it is killed: counts, by hand.

    python tests/benchmarks/bench_breaking.py links --cases 40
    python tests/benchmarks/bench_breaking.py kills --cases 10

``links`` puts a proxy between the run and the simulated bench that spoils one exchange of a run,
one of many kinds, at a random message. ``kills`` ends a run from outside at a random moment. Wanted
are zeros: no accept with a wrong reading, nothing left energised that could have been reached, no
reading lost, no traceback, and exit code 1 never for anything but a reject.
"""

from __future__ import annotations

import argparse
import random
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "breaking"))

from spoiling import KINDS, LATE, Spoil
from telling import Looking, energised, rows_lost, wrong

import demo_sim
from seqrun.errors import SeqrunError
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import load_unit
from seqrun.record import Store
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.values import Disposition

TIME_OUT = "0.4 s"  # in place of the drivers' own, so that a lost answer costs little


@dataclass
class Proxy:
    """Hands on between a client and one instrument; spoils the answer of one exchange."""

    port: int
    spoil: Spoil | None = None
    late: bool = False
    at: int = -1
    seen: int = 0
    listener: socket.socket = field(init=False)

    def __post_init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        threading.Thread(target=self._accept, daemon=True).start()

    @property
    def own_port(self) -> int:
        return int(self.listener.getsockname()[1])

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                client, _ = self.listener.accept()
                server = socket.create_connection(("127.0.0.1", self.port))
                for one, other, answers in ((client, server, False), (server, client, True)):
                    threading.Thread(
                        target=self._pump, args=(one, other, answers), daemon=True
                    ).start()

    def _pump(self, source: socket.socket, target: socket.socket, answers: bool) -> None:
        held = b""
        with suppress(OSError):
            while data := source.recv(1 << 20):
                if answers:
                    self.seen += 1
                    if self.seen == self.at and self.late:
                        held = data
                        continue
                    if self.seen == self.at and self.spoil is not None:
                        spoilt = self.spoil(data)
                        if spoilt is None:
                            break
                        data = spoilt
                    data, held = held + data, b""
                target.sendall(data)
        for end in (source, target):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.listener.close()


@contextmanager
def proxied(folder: Path) -> Iterator[tuple[demo_sim.Bench, dict[str, Proxy], str]]:
    """A fresh bench, a proxy before each instrument, and a bench file of the proxies."""
    bench = demo_sim.open_bench(load_unit("demo-2x40").plain(), unit_sheet="demo-2x40")
    with bench.serve() as server:
        text, proxies = server.bench_toml(), {}
        for key, resource in server.resources.items():
            port = int(resource.split("::")[2])
            if key == "control" or resource not in text:
                continue
            proxies[key] = Proxy(port)
            text = text.replace(resource, f"TCPIP0::127.0.0.1::{proxies[key].own_port}::SOCKET")
            driver = find("driver", f"generic-{key}").read_text(encoding="utf-8")
            quick = re.sub(r'time_out = "[^"]*"', f'time_out = "{TIME_OUT}"', driver)
            (folder / f"{key}.toml").write_text(quick, encoding="utf-8")
            text = text.replace(f'"generic-{key}"', f'"{key}.toml"')
        file = folder / "bench.toml"
        file.write_text(text, encoding="utf-8")
        try:
            yield bench, proxies, str(file)
        finally:
            for proxy in proxies.values():
                proxy.close()


def once(file: str, sequence: str, results: Path, watcher: Watcher | None = None) -> Outcome:
    plan, files = prepare(sequence, file, None)
    options = Options("B-1", "", results)
    return execute(plan, files, None, watcher or Watcher(), options, Interrupts())


def links(sequence: str, cases: int, seed: int) -> Counter[str]:
    """Spoil one exchange in each of many runs; what came of them."""
    draw, count = random.Random(seed), Counter[str]()
    with tempfile.TemporaryDirectory() as name, proxied(Path(name)) as (_, proxies, file):
        clean = once(file, sequence, Path(name) / "r")
        exchanges = {key: proxy.seen for key, proxy in proxies.items() if proxy.seen}
        print(f"clean run: {clean.disposition}, exchanges {exchanges}")
    kinds = [*KINDS, LATE]
    for number in range(cases):
        kind = kinds[number % len(kinds)]
        key = draw.choices(list(exchanges), list(exchanges.values()))[0]
        with tempfile.TemporaryDirectory() as name, proxied(Path(name)) as (bench, proxies, file):
            proxy = proxies[key]
            proxy.at, proxy.late = draw.randint(1, exchanges[key]), kind == LATE
            proxy.spoil = KINDS.get(kind)
            where = f"{kind}, {key} exchange {proxy.at}"
            try:
                watcher = Looking(bench.world)
                outcome = once(file, sequence, Path(name) / "r", watcher)
            except SeqrunError:
                count["refused before power"] += 1
                if energised(bench):
                    count["LEFT ENERGISED"] += 1
                    print("left energised:", where)
                continue
            except Exception as error:
                count["TRACEBACK"] += 1
                print(f"traceback: {where}: {error!r}")
                continue
            count[str(outcome.disposition)] += 1
            if outcome.failure is not None and not isinstance(outcome.failure, SeqrunError):
                count["ERROR OF OURS"] += 1
                print(f"error of ours: {where}: {outcome.failure!r}")
            if rows_lost(outcome, Store(Path(name) / "r")):
                count["ROWS LOST"] += 1
                print("rows lost:", where)
            if energised(bench):
                count["LEFT ENERGISED"] += 1
                print("left energised:", where)
            if outcome.disposition is Disposition.ACCEPT:
                for line in wrong(outcome.judged, clean.judged, watcher):
                    count["ACCEPT WITH A WRONG READING"] += 1
                    print(f"wrong: {where}: {line}")
            if not outcome.safe.complete:
                count["safe state not confirmed"] += 1
                print(f"not confirmed: {where}: {outcome.safe.unconfirmed}")
    return count


SIGNALS = ("SIGKILL", "SIGTERM", "SIGHUP", "SIGINT", "SIGSTOP")
STOPPED_S = 6.0


def kills(sequence: str, cases: int, seed: int) -> Counter[str]:
    """End a run from outside at a random moment, then see what the next ones tell."""
    draw, count = random.Random(seed), Counter[str]()
    for number in range(cases):
        name = SIGNALS[number % len(SIGNALS)]
        with tempfile.TemporaryDirectory() as folder, proxied(Path(folder)) as (bench, _, file):
            results = Path(folder) / "r"
            command = [sys.executable, "-m", "seqrun", "run", sequence, "--bench", file]
            command += ["--serial", "K-1", "--results", str(results)]
            child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
            while not (results / "runs.csv").exists() and child.poll() is None:
                time.sleep(0.02)
            time.sleep(draw.uniform(0.0, 4.0))
            was_on = energised(bench)
            child.send_signal(getattr(signal, name))
            if name == "SIGSTOP":
                time.sleep(STOPPED_S)
                child.send_signal(signal.SIGCONT)
            said, _ = child.communicate(timeout=120)
            count[f"{name}: exit {child.returncode}"] += 1
            if name == "SIGSTOP" and was_on:
                count["stopped with power on"] += 1
                count["STOPPED WITH POWER ON, AND ACCEPTED"] += child.returncode == 0
            if b"Traceback" in said:
                count["TRACEBACK"] += 1
            on = energised(bench)
            if name == "SIGKILL":
                count["killed with the supply on"] += on
                after = subprocess.run([*command], capture_output=True, timeout=300, check=False)
                told = b"did not end" in after.stdout
                finished = child.returncode == 0  # it was over before the signal came
                count["the next run told"] += told
                count["THE NEXT RUN DID NOT TELL"] += not told and not finished
            elif on:
                count["LEFT ENERGISED"] += 1
            if energised(bench):
                count["LEFT ENERGISED AT THE END"] += 1
            if not Store(results).run("last").finished:
                count["NO END ON RECORD"] += 1
    return count


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("links", "kills"))
    parser.add_argument("--sequence", default="quick")
    parser.add_argument("--cases", type=int, default=23)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    work = links if given.what == "links" else kills
    begun = time.monotonic()
    count = work(given.sequence, given.cases, given.seed)
    print(f"{given.cases} cases in {time.monotonic() - begun:.0f} s")
    for word, times in sorted(count.items()):
        print(f"{times:5}  {word}")


if __name__ == "__main__":
    main()
