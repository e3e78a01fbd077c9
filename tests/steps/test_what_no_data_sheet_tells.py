"""Lines of a budget that no data sheet gives, and a load whose measured value enters the power."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from seqrun.errors import FileError
from seqrun.files.bench.load import bench_from_text
from seqrun.files.dirt import Dirt
from seqrun.study.benches import Wanted, done
from seqrun.study.groups import step
from seqrun.study.power import AMBIENT
from seqrun.values import Contribution, Reading

REAL = """
name = "Corner bench"
{head}
[instrument.meter]
resource = "TCPIP0::192.0.2.10::INSTR"
driver = "keysight-34461a"
{dirt}
"""
STEPS = (
    AMBIENT
    + step("sink", "temperature", at='"sensor.sink"')
    + step("offset.left", "dc_voltage", at='"out.left"')
    + step("cold", "device_current", at='"ballast.left.upper.1"')
    + step("source", "source_impedance", power='"10 W"')
    + step("low", "thd", power='"1 W"')
    + step("noise.left", "output_noise", at='"out.left"', records="2")
    + step("hum.left", "hum", at='"out.left"')
    + step("ripple", "ripple", at='"rail.pos"')
    + step("meter.left", "ac_level", at='"out.left"')
    + step("balance", "efficiency", power='"rated_power"')
    + step("response", "frequency_response", high='"30 kHz"', low='"900 Hz"')
)
NAMES = {
    "load": "load_resistance",
    "sink": "sink_temperature",
    "offset": "dc_offset",
    "cold": "idle_current",
    "source": "source_impedance",
    "low": "thd",
    "noise": "noise",
    "hum": "hum",
    "ripple": "ripple",
    "meter": "ac_level",
    "balance": "efficiency",
    "response": "flatness",
}


def made(bench: str) -> dict[str, Reading]:
    wanted = [Wanted(q, q, s, lambda seen: 0.0) for s, q in NAMES.items()]
    return {pair.name: pair.reading for pair in reversed(done(3, STEPS, wanted, bench=bench))}


Readings = Callable[[str], dict[str, Reading]]


@pytest.fixture(scope="module")
def readings(once: Callable[..., Any]) -> Readings:
    """``readings("demo:clean")``: each quantity as that bench reads it, done once."""
    return lambda bench: once(f"what no data sheet tells {bench}", lambda: made(bench))


def lines(readings: Readings, bench: str, quantity: str) -> dict[str, Contribution]:
    return {line.source.name: line for line in readings(bench)[quantity].budget}


@pytest.mark.parametrize(
    ("quantity", "line"),
    [
        ("load_resistance", "load left leads"),
        ("sink_temperature", "sensor sink contact"),
        ("dc_offset", "thermal EMF of leads and clips"),
        ("idle_current", "thermal EMF of leads and clips"),
        ("idle_current", "ballast.left.upper.1 heating"),
        ("source_impedance", "contact of the clip that was moved"),
        ("efficiency", "load left heating at power"),
        ("efficiency", "probe scope.1 ratio"),
        ("flatness", "probe scope.1 compensation"),
        ("thd", "probe scope.1 compensation"),
        ("noise", "pick-up of the leads"),
        ("hum", "pick-up of the leads"),
        ("ripple", "pick-up of the leads"),
        ("ac_level", "pick-up of the leads"),
    ],
)
def test_a_bench_that_says_nothing_has_some_of_it_all_the_same(
    readings: Readings, quantity: str, line: str
) -> None:
    assert lines(readings, "demo", quantity)[line].standard_uncertainty > 0.0
    assert line not in lines(readings, "demo:clean", quantity)


def test_a_source_impedance_is_not_known_better_than_a_clip_makes_contact(
    readings: Readings,
) -> None:
    assert readings("demo")["source_impedance"].expanded_uncertainty > 10e-3
    assert readings("demo:clean")["source_impedance"].expanded_uncertainty < 1e-3


def test_power_goes_by_the_load_as_it_was_measured_and_not_by_its_label(
    readings: Readings,
) -> None:
    found = lines(readings, "demo:clean", "efficiency")
    assert "load left tolerance" not in found
    assert any(name.startswith("meter resistance_4w") for name in found)


def test_every_default_is_more_than_nothing() -> None:
    assert all(value > 0.0 for _, value in Dirt())


@pytest.mark.parametrize("key", list(Dirt.model_fields))
def test_a_real_bench_has_some_of_each(key: str) -> None:
    volts = dict.fromkeys(("thermal_emf", "pick_up"), "V")
    ohms = dict.fromkeys(("load_leads", "clip_contact", "meter_contacts"), "Ω")
    unit = {**volts, **ohms, "room_per_hour": "K"}
    said = f'[dirt]\n{key} = "0 {unit.get(key, "%")}"'
    with pytest.raises(FileError, match=f"dirt, {key}.*none at all"):
        bench_from_text(REAL.format(head="", dirt=said))


def test_a_corner_is_known_no_better_than_the_clock_that_it_is_called_by() -> None:
    wanted = [Wanted("corner", "upper_corner", "response", lambda seen: 0.0)]
    steps = step("response", "frequency_response", high='"200 kHz"', low='"900 Hz"')
    (corner, *_) = (pair.reading for pair in done(3, steps, wanted, bench="demo:clean"))
    (line,) = [c for c in corner.budget if c.source.name == "clock of the generator"]
    assert corner.value is not None
    # 50 ppm either way, rectangular
    assert line.standard_uncertainty == pytest.approx(50e-6 * corner.value / 3.0**0.5)
