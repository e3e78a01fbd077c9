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
import os
import random
import re
import socket
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

from ending import ENDINGS, SHORT, Ended, Run, complaints, served
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

AFTER = 150  # the run after a kill is ended at this message: it has told by then
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


def links(sequence: str, cases: int, seed: int, until: float) -> Counter[str]:
    """Spoil one exchange in each of many runs; what came of them."""
    draw, count = random.Random(seed), Counter[str]()
    with tempfile.TemporaryDirectory() as name, proxied(Path(name)) as (_, proxies, file):
        clean = once(file, sequence, Path(name) / "r")
        exchanges = {key: proxy.seen for key, proxy in proxies.items() if proxy.seen}
        print(f"clean run: {clean.disposition}, exchanges {exchanges}")
    kinds = [*KINDS, LATE]
    for number in range(cases):
        if time.monotonic() > until:
            break
        count["cases"] += 1
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


def kills(sequence: str, cases: int, seed: int, until: float) -> Counter[str]:
    """End runs from outside at random messages, one ending after the other, then see what the next
    run tells; only kills: each of the cases is one."""
    draw, count = random.Random(seed), Counter[str]()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["XDG_STATE_HOME"] = str(folder / "state")
        text = SHORT if sequence == "short" else find("sequence", sequence).read_text("utf-8")
        (folder / "sequence.toml").write_text(text, encoding="utf-8")
        with served(folder) as bench:
            clean = Run(folder, bench).go()
            print(f"clean run: exit {clean.code}, {clean.messages} messages", flush=True)
            endings = [what for what in ENDINGS if what != "SIGKILL"]
            for number in range(cases):
                if time.monotonic() > until:
                    break
                count["cases"] += 1
                what = "SIGKILL" if number % 2 else endings[number // 2 % len(endings)]
                run = Run(folder, bench, draw.randint(1, clean.messages), what)
                run.clear()
                ended = run.go()
                count[f"{what}: exit {ended.code}"] += 1
                found = list(complaints(run, ended))
                if what == "SIGKILL":
                    found += after_a_kill(run, ended, count)
                count.update(found)
                for line in found:
                    print(f"{line}: {what} at message {run.at}", flush=True)
                    print(ended.said[-2000:])
    return count


def after_a_kill(run: Run, ended: Ended, count: Counter[str]) -> Iterator[str]:
    """What the next run of the bench tells, and leaves."""
    if not ended.happened:
        count["over before it was killed"] += 1
        return
    begun = (run.results / "runs.csv").is_file()
    count["killed in a run"] += begun
    count["killed with the supply on"] += ended.was_on
    after = Run(run.folder, run.bench, AFTER, "SIGTERM").go()
    told = "did not end" in after.said
    count["the next run told"] += told
    if begun and not told:
        yield "THE NEXT RUN DID NOT TELL"
    if ended.was_on and "found on: supply" not in " ".join(after.said.split()):
        yield "THE NEXT RUN DID NOT SAY WHAT IT FOUND ON"
    if run.bench.energised:
        yield "LEFT ENERGISED BY THE NEXT RUN"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("links", "kills"))
    parser.add_argument("--sequence", default="quick")
    parser.add_argument("--cases", type=int, default=23)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop after so many")
    given = parser.parse_args()
    work = links if given.what == "links" else kills
    begun = time.monotonic()
    count = work(given.sequence, given.cases, given.seed, begun + given.seconds)
    print(f"{time.monotonic() - begun:.0f} s")
    for word, times in sorted(count.items()):
        print(f"{times:5}  {word}")


if __name__ == "__main__":
    main()
