"""Sound interfaces of other rates, bits, dividers and levels: what they plan and what they read."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import demo_sim
from demo_sim.instruments.sound import Card
from demo_sim.ports import Drive, Tone
from seqrun.files.bench.load import load_bench
from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.load import load_sequence
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import load_unit
from seqrun.plan.build import build
from seqrun.runner.opening import BenchFiles
from seqrun.runner.opening import _view as view_of
from seqrun.steps.base import kinds
from seqrun.values import Bound
from tests.steps import conftest

CARDS = {
    "44.1 kHz, 16 bit, full scale 1 V, 50:1": Card(
        44.1e3, 16, input_peak_v=1.0, output_peak_v=1.0, divider=50.0,
        input_noise_v=2e-5, output_noise_v=2e-5, distortion=5e-5,
    ),
    "48 kHz, 24 bit, full scale 10 V, 1:1": Card(48e3, input_peak_v=10.0, divider=1.0),
    "96 kHz, 24 bit, full scale 0.5 V, 100:1": Card(96e3, input_peak_v=0.5, divider=100.0),
    "192 kHz, 16 bit, full scale 4 V, 20:1": Card(
        192e3, 16, divider=20.0, input_noise_v=5e-5
    ),
}  # fmt: skip
STEPS = """
[[step]]
id = "gain"
do = "gain"
[[step]]
id = "thd"
do = "thd"
power = "1 W"
[[step]]
id = "noise"
do = "output_noise"
at = "out.left"
records = 2
"""


def drivers(card: Card, folder: Path) -> dict[str, Path]:
    """The shipped templates with the card's figures put in, as their user would."""
    made = {}
    for role in ("in", "out"):
        text = Path(find("driver", f"sound-{role}put", None)).read_text(encoding="utf-8")
        khz = f"{card.rate_hz / 1e3:g} kHz"
        for old, new in (
            ('sound = "192 kHz"', f'sound = "{khz}"'),
            ('max_rate = "192 kHz"', f'max_rate = "{khz}"'),
            ("bits = 24", f"bits = {card.bits}"),
            ("channels = 2", f"channels = {card.inputs}"),
            ('"8 V"', f'"{2.0 * card.input_peak_v:g} V"'),
            ('"2 V"', f'"{card.output_peak_v / math.sqrt(2.0):.3g} V"'),
            ('"80 kHz"', f'"{0.42 * card.rate_hz / 1e3:g} kHz"'),
        ):
            text = text.replace(old, new)
        made[role] = folder / f"{role}.toml"
        made[role].write_text(text, encoding="utf-8")
    return made


def files(card: Card, folder: Path, unit: str = "demo-2x40") -> BenchFiles:
    """A simulated bench with that card, its drivers written by hand."""
    sheet = load_unit(unit)
    demo = demo_sim.open_bench(sheet.plain(), seed=3, variants=("sound_card",), card=card)
    text = demo.bench_toml()
    for role, path in drivers(card, folder).items():
        assert f'"sound-{role}put"' in text
        text = text.replace(f'"sound-{role}put"', f'"{path}"')
    (folder / "bench.toml").write_text(text, encoding="utf-8")
    return BenchFiles(view_of(load_bench(folder / "bench.toml"), sheet), demo)


@pytest.fixture
def with_card(tmp_path: Path, mocker: Any) -> Any:
    made: list[Any] = []

    def get(card: Card) -> Any:
        found = files(card, tmp_path)
        mocker.patch.object(conftest, "read_bench", return_value=found)
        made.append(conftest.PoweredUnit(tmp_path / "results", (), None, 3, "demo"))
        return made[-1]

    yield get
    for unit in made:
        unit.close()


def while_it_plays(unit: Any) -> dict[str, float]:
    """True THD of each channel at 1 W, %, its devices as warm as the tone makes them in a while:
    what is warmer idles higher and crosses over more smoothly."""
    for number, channel in enumerate(("left", "right"), 1):
        peak = math.sqrt(2.0 * 8.0) / abs(unit.truth.gain(channel, 1000.0))
        unit.world.set_drive(f"generator.{number}", Drive((Tone(1000.0, peak),)))
    unit.world.advance(2.0)
    found = {channel: 100.0 * unit.truth.thd(channel) for channel in ("left", "right")}
    for number in (1, 2):
        unit.world.set_drive(f"generator.{number}", None)
    return found


def left_out(card: Card, folder: Path, unit: str = "demo-2x40") -> dict[str, str]:
    view = files(card, folder, unit).view
    sequence = load_sequence("acceptance", kinds())
    plan = build(sequence, view, expand_all(sequence, view.unit))
    return {out.id: out.reason for out in plan.left_out}


@pytest.mark.parametrize("name", CARDS)
def test_noise_hum_gain_and_distortion_are_planned_on_every_one(name: str, tmp_path: Path) -> None:
    """At 44.1 kHz the band to 20 kHz is there: the converter keeps out what is above it."""
    gone = left_out(CARDS[name], tmp_path)
    for one in ("noise.left", "hum.left", "gain", "bass", "separation", "balance"):
        assert one not in gone, gone[one]
    shows = CARDS[name].input_peak_v * CARDS[name].divider
    for one in ("distortion", "distortion_low", "power", "contacts"):
        assert (one in gone) == (shows < 20.0), (one, gone.get(one))
        if one in gone:
            assert "peaks" in gone[one]
    if CARDS[name].rate_hz < 100e3:  # twenty harmonics of 5 kHz are beyond it
        assert "samples a second" in gone["crossover"]


@pytest.mark.parametrize("name", list(CARDS)[:3])
def test_what_it_reads_holds_the_truth(name: str, with_card: Callable[[Card], Any]) -> None:
    unit = with_card(CARDS[name])
    read = unit.do(STEPS)
    truth, distorted = unit.truth, while_it_plays(unit)
    for channel in ("left", "right"):
        gain = read.one("gain", channel)
        true = 20.0 * math.log10(abs(truth.gain(channel, 1000.0)))
        assert gain.value == pytest.approx(true, abs=gain.expanded_uncertainty)
        thd = read.one("thd", channel)
        true = distorted[channel]
        if thd.bound is Bound.EXACT:
            assert thd.value == pytest.approx(true, abs=thd.expanded_uncertainty)
        else:
            assert true <= thd.value + thd.expanded_uncertainty
    noise = read.one("noise")
    hz = np.linspace(22.0, 22e3, 20_000)
    density = truth.noise_density("out.left", hz)
    rms = math.sqrt(float(np.trapezoid(density**2, hz)))
    assert rms <= noise.value + noise.expanded_uncertainty
    assert noise.value - noise.expanded_uncertainty <= rms or noise.bound is Bound.AT_MOST


def test_one_input_is_enough_for_one_channel_and_says_what_it_is_not_for_two(
    tmp_path: Path,
) -> None:
    one = Card(48e3, inputs=1)
    gone = left_out(one, tmp_path)
    assert "probe" in gone["gain"]
    assert "noise.left" not in gone
    mono = left_out(one, tmp_path, "demo-mono")
    assert not {"gain", "noise.mono", "bass"} & mono.keys()
