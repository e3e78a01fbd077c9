"""``seqrun bench sound FILE`` with a loop of samples in place of an interface, and a serial meter
at a pseudo-terminal that reads what plays: a program of its own, which a test runs."""

from __future__ import annotations

import sys
import threading
import types
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "instruments"))

from dialects.agilent_34401a import Agilent34401a
from dialects.base import Answer, served

OUT_V, IN_V = 2.4, 3.1  # volts of peak at full scale, of the outputs and of the inputs


class Meter(Agilent34401a):
    """It integrates: a reading is of what plays after it was asked for."""

    def __init__(self) -> None:
        super().__init__()
        self.turned = threading.Semaphore(0)

    def line(self, text: str) -> Answer:
        if "READ?" in text:
            while self.turned.acquire(blocking=False):
                pass
            for _ in range(3):
                self.turned.acquire(timeout=10.0)
        return super().line(text)


class Loop(types.ModuleType):
    """What is played comes back, in volts of these two; the meter reads what plays."""

    def __init__(self, meter: Meter) -> None:
        super().__init__("sounddevice")
        self.meter = meter

    def query_devices(self, name: str) -> dict[str, str]:
        return {"name": f"Interface {name}"}

    def Stream(self, *, callback: Any, channels: tuple[int, int], **_: Any) -> Any:  # noqa: N802
        stop = threading.Event()
        inputs, outputs = channels
        noise = np.random.default_rng(1)

        def run() -> None:
            back = np.zeros((4096, inputs), np.float32)
            while not stop.is_set():
                out = np.zeros((4096, outputs), np.float32)
                callback(back, out, 4096, None, 0)
                self.meter.inputs["VOLT:AC"] = float(OUT_V * np.abs(out).max() / np.sqrt(2.0))
                self.meter.turned.release()
                back = out[:, :inputs] * (OUT_V / IN_V)
                back += noise.normal(0.0, 1e-6, back.shape).astype(np.float32)

        thread = threading.Thread(target=run, daemon=True)
        return types.SimpleNamespace(
            start=thread.start, stop=stop.set, close=lambda: None, latency=(0.03, 0.03)
        )


def main(bench: str) -> None:
    """The command, as it is run from a shell."""
    from seqrun import cli
    from seqrun.runner import levelling

    levelling.RECORD_S, levelling.NOISE_S = 0.2, 0.2  # what a test can wait for
    meter = Meter()
    sys.modules["sounddevice"] = Loop(meter)
    sys.argv = ["seqrun", "bench", "sound", bench, "--write"]
    with served(meter, "pty") as resource:
        path = Path(bench)
        text = path.read_text(encoding="utf-8").replace("METER", resource)
        path.write_text(text, encoding="utf-8")
        cli.main()


if __name__ == "__main__":
    main(sys.argv[1])
