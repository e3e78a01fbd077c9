"""An invented run of a 2 x 40 W amplifier, judged by the judge and put on record by the record."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from seqrun.judge import decide
from seqrun.record import RunData, RunInfo, Store, load_run
from seqrun.report.shared.rows import Row
from seqrun.values import (
    Bound,
    Contribution,
    Disposition,
    Judged,
    Limit,
    Reading,
    Source,
)

EQUIPMENT = [
    {
        "key": "supply",
        "role": "supply",
        "identity": "EXAMPLE,TWIN SUPPLY,S100,1.0",
        "driver": "generic-supply",
        "calibrated": "2026-02-03",
        "certificate": "K-1041",
        "resource": "TCPIP0::192.0.2.10::5025::SOCKET",
    },
    {
        "key": "meter",
        "role": "meter",
        "identity": "EXAMPLE,SIX DIGITS,M200,1.0",
        "driver": "generic-meter",
        "calibrated": "2026-05-11",
        "certificate": "K-1042",
        "resource": "TCPIP0::192.0.2.11::5025::SOCKET",
    },
    {"key": "scope", "role": "scope", "identity": "EXAMPLE,TWELVE BITS,O300,1.0"},
]


def judged(
    step: str = "offset.left",
    quantity: str = "dc_offset",
    channel: str = "left",
    value: float | None = 0.0031,
    unit: str = "V",
    u: float = 0.001,
    low: float | None = -0.05,
    high: float | None = 0.05,
    *,
    bound: Bound = Bound.EXACT,
    note: str = "",
    decision: str = "guarded",
) -> Judged:
    """A reading with expanded uncertainty ``u``, held against its limit."""
    budget = (
        Contribution(Source("meter gain, DC voltage 1 V", "rectangular"), 0.4 * u),
        Contribution(Source("repeats", "t", 4.0), 0.3 * u),
    )
    reading = Reading(
        quantity,
        unit,
        value,
        budget if value is not None else (),
        channel,
        bound,
        ("meter",),
        note,
    )
    limit = None if low is None and high is None else Limit(low, high)
    return decide(reading, limit, decision, step)


def a_row(*args: object, **more: object) -> Row:
    """The same as a report shows it."""
    return Row.of(judged(*args, **more))  # type: ignore[arg-type]


def good() -> list[Judged]:
    found = [
        judged("bring_up", "supply_voltage", "rail.pos", 30.02, "V", 0.02, None, None),
        judged("offset.left"),
        judged("offset.right", channel="right", value=-0.0118),
    ]
    for channel in ("left", "right"):
        for half in ("upper", "lower"):
            for n in (1, 2):
                name = f"{channel}.{half}.{n}"
                amperes = 0.0251 + 0.0012 * n - (0.0006 if channel == "right" else 0.0)
                found.append(
                    judged(f"idle.{name}", "idle_current", name, amperes, "A", 0.0007, 0.015, 0.035)
                )
        found.append(
            judged(f"sharing.{channel}", "current_sharing", channel, 7.1, "%", 1.4, None, 20.0)
        )
    return [
        *found,
        judged("rise.idle", "sink_rise", "", 11.2, "K", 0.6, None, 40.0),
        judged("rise.eighth", "sink_rise", "", 33.6, "K", 1.3, None, 40.0),
        judged("power.left", "output_power", "left", 44.8, "W", 0.7, 40.0, None),
        judged("power.right", "output_power", "right", 43.9, "W", 0.7, 40.0, None),
        judged("thd.left", "thd", "left", 0.021, "%", 0.004, None, 0.5, bound=Bound.AT_MOST),
        judged("xtalk.right", "channel_separation", "right", -71.5, "dB", 0.8, None, -50.0),
        judged("down", "residual_voltage", "rail.pos", 0.31, "V", 0.02, None, 2.0),
    ]


def bad(*, fail: bool = True) -> list[Judged]:
    """Every verdict that there is; without a clear fail when ``fail`` is False."""
    by_step = {j.step: j for j in good()}
    changed = [
        judged(
            "idle.left.upper.2", "idle_current", "left.upper.2", 0.0346, "A", 7e-4, 0.015, 0.035
        ),
        judged(
            "idle.left.lower.1", "idle_current", "left.lower.1", 0.0353, "A", 7e-4, 0.015, 0.035
        ),
        judged("rise.eighth", "sink_rise", "", 40.06, "K", 0.12, None, 40.0),
        judged(
            "power.right",
            "output_power",
            "right",
            None,
            "W",
            low=40.0,
            high=None,
            note="no load found on out.right: 0.02 A at 3 V",
        ),
    ]
    if fail:
        changed.append(judged("offset.right", channel="right", value=0.212, u=0.0011))
    by_step.update({j.step: j for j in changed})
    return list(by_step.values())


def traces() -> dict[str, dict[str, np.ndarray]]:
    """Heat, waveform and spectrum as the steps leave them."""
    rng = np.random.default_rng(7)
    t = np.arange(0.0, 1500.0, 5.0)
    rise = 33.6 + (11.0 - 33.6) * np.exp(-t / 640.0) + rng.normal(0.0, 0.05, t.size)
    n = 20_000
    time = np.arange(n) / 200e3
    sine = np.sin(2 * np.pi * 1000.0 * time)
    left, right = np.clip(27.5 * sine, -26.7, 26.7), np.clip(27.3 * sine, -26.4, 26.4)
    window = np.hanning(n)

    def level(x: np.ndarray) -> np.ndarray:
        size = np.abs(np.fft.rfft((x + rng.normal(0, 2e-3, n)) * window))
        return 20 * np.log10(size / size.max())

    return {
        "heat-rise.eighth": {
            "time_s": t,
            "sink_c": rise + 23.4,
            "ambient_c": np.full_like(t, 23.4),
            "rise_k": rise,
        },
        "waveform-power.left": {"time_s": time, "volts_left": left, "volts_right": right},
        "spectrum-power.left": {
            "frequency_hz": np.fft.rfftfreq(n, 1 / 200e3),
            "db_left": level(left),
            "db_right": level(right),
        },
    }


FACTS: dict[str, object] = {
    "releases": True,
    "sequence_title": "Acceptance after repair",
    "decision": "guarded",
    "equipment": EQUIPMENT,
    "conditions": {"ambient_c": 23.4},
    "cautions": ["Reservoir capacitors hold charge: wait for the meter to show less than 2 V."],
    "virtual_time_s": 2710.0,
    "wall_time_s": 5.2,
    "hookups": ["meter.hi on out.left", "meter.hi on out.right"],
    "unit": {"rated_power_w": 40.0, "rated_load_ohm": 8.0, "topology": "single_ended"},
    "fits": {
        "rise.eighth": {
            "end_k": 33.6,
            "u_k": 0.65,
            "tau_s": 640.0,
            "start_s": 0.0,
            "rise0_k": 11.0,
        }
    },
}


def on_record(
    results: Path,
    readings: list[Judged],
    disposition: Disposition | None = Disposition.ACCEPT,
    reason: str = "",
    *,
    simulated: bool = False,
    facts: dict[str, object] | None = None,
    curves: bool = False,
    serial: str = "EX-0007",
    operator: str = "bench 2",
    sequence: str = "acceptance",
) -> RunData:
    """Write a run through the record and read it back. No disposition: it was never ended."""
    record = Store(results).start(
        RunInfo(
            serial=serial,
            model="Example 2x40",
            sequence=sequence,
            revision="A",
            bench="Corner bench",
            operator=operator,
            simulated=simulated,
            version="0.1.0",
        )
    )
    record.facts(FACTS if facts is None else facts)
    record.keep_text("bench.toml", 'name = "Corner bench"\n')
    if curves:
        for name, columns in traces().items():
            record.trace(name, columns)
    for reading in readings:
        record.reading(reading)
    if disposition is not None:
        record.finish(disposition, reason)
    return load_run(results, record.run_id)
