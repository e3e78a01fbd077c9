"""A sound interface's arithmetic by value: what goes out in a loop, what a record is made of, and
what is known of either. The stream here keeps what it is given and hands out what it is told."""

from __future__ import annotations

import datetime
import math

import numpy as np
import pytest

from seqrun.errors import InstrumentRefused
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find
from seqrun.files.sound import Sound
from seqrun.instruments.sound import SoundGenerator, SoundScope, loop_frames
from seqrun.instruments.sound_stream import Frames
from seqrun.values import budget_of

OUT, IN = (load_driver(find("driver", f"sound-{way}put", None)) for way in ("out", "in"))
ROOT = math.sqrt(2.0)
RATE = 48e3


class Kept:
    """The stream of an interface of two outputs and two inputs."""

    identity, rate_hz, inputs, outputs = "an interface", RATE, 2, 2

    def __init__(self) -> None:
        self.played: list[Frames | None] = []
        self.asked: list[int] = []
        self.frames = np.zeros((2, 0))

    def play(self, loop: Frames | None) -> None:
        self.played.append(loop)

    def record(self, points: int) -> Frames:
        self.asked.append(points)
        return self.frames[:, :points]

    def close(self) -> None:
        """Nothing is held."""


def levelled(outputs: list[str], inputs: list[str]) -> Sound:
    return Sound.model_validate(
        {
            "levelled": datetime.date(2026, 1, 1), "against": "meter", "input_full_scale": inputs,
            "output_full_scale": outputs, "level_uncertainty": "0.2 %", "floor": "10 µV",
            "distortion": "0.001 %", "flatness": "1 %", "crosstalk": "-90 dB",
        }
    )  # fmt: skip


@pytest.fixture
def stream() -> Kept:
    return Kept()


@pytest.fixture
def generator(stream: Kept) -> SoundGenerator:
    """Its first output was found to give 1.5 V peak, of the second the driver says 2 V rms."""
    return SoundGenerator("generator", OUT, stream, levelled(["1.5 V"], ["1 V"]))


# --- out -----------------------------------------------------------------------------------------


def test_full_scale_of_an_output_is_what_was_found_and_else_what_the_driver_says(
    stream: Kept, generator: SoundGenerator
) -> None:
    assert (generator.full_scale(1), generator.full_scale(2)) == (1.5, pytest.approx(2.0 * ROOT))
    assert OUT.generator is not None
    untold = OUT.changed(generator=OUT.generator.model_copy(update={"most_level": None}))
    assert SoundGenerator("g", untold, stream).full_scale(1) == pytest.approx(ROOT)  # 1 V rms
    for output in (0, 3):
        with pytest.raises(InstrumentRefused, match=f"no output {output}"):
            generator.full_scale(output)


@pytest.mark.parametrize(
    ("hertz", "frames"),
    [
        (1000.0, 24_000),  # half a second holds 500 cycles
        (8.0, 24_000),  # half a second holds four
        (5.0, 38_400),  # four cycles
        (1.0, 96_000),  # two seconds and no more, whatever they hold
    ],
)
def test_a_loop_is_half_a_second_or_four_cycles(hertz: float, frames: int) -> None:
    assert loop_frames(hertz, RATE) == frames


def test_a_loop_ends_before_twice_the_least_and_where_it_fits_best() -> None:
    """Of 999.9 Hz one second holds 999.9 cycles and 10 s whole ones: the best is in between."""
    lengths = np.arange(24_000, 48_000)
    cycles = 999.9 * lengths / RATE
    best = lengths[np.argmin(np.abs(cycles - np.rint(cycles)) / lengths)]
    assert loop_frames(999.9, RATE) == best


def test_each_output_plays_its_own_tone_at_its_own_full_scale(
    stream: Kept, generator: SoundGenerator
) -> None:
    generator.sine(1, 1000.0, 0.5)
    generator.two_tone(2, 1000.0, 0.4, 3000.0, 0.1)
    assert stream.played == [], "nothing is on"
    generator.enable(1, True)
    generator.enable(2, True)
    turns = 2.0 * np.pi * np.arange(24_000) / RATE
    loop = stream.played[-1]
    assert loop is not None
    assert loop[0] == pytest.approx(0.5 * ROOT / 1.5 * np.sin(1000.0 * turns), abs=1e-9)
    both = 0.4 * np.sin(1000.0 * turns) + 0.1 * np.sin(3000.0 * turns)
    assert loop[1] == pytest.approx(both / 2.0, abs=1e-9)
    generator.enable(1, False)
    loop = stream.played[-1]
    assert loop is not None and not loop[0].any() and loop[1].any()
    assert (generator.enabled(), generator.enabled(1), generator.enabled(2)) == (True, False, True)
    generator.sine(2, 1000.0, 0.2)  # while it is on: at once
    loop = stream.played[-1]
    assert loop is not None and np.max(loop[1]) == pytest.approx(0.1, rel=1e-6)
    played = len(stream.played)
    generator.sine(1, 500.0, 0.2)  # off: kept for later
    assert len(stream.played) == played
    generator.enable(2, False)
    assert stream.played[-1] is None and not generator.enabled()


def test_a_tone_of_no_volts_is_silence_at_whatever_frequency(
    stream: Kept, generator: SoundGenerator
) -> None:
    generator.enable(1, True)
    generator.sine(1, 0.0, 0.0)
    assert stream.played[-1] is None
    generator.two_tone(1, 1000.0, 0.1, 0.0, 0.0)
    assert stream.played[-1] is not None


def test_two_tones_may_reach_full_scale_together_and_no_further(generator: SoundGenerator) -> None:
    generator.two_tone(1, 60.0, 0.999 / ROOT, 7000.0, 0.5 / ROOT)
    with pytest.raises(InstrumentRefused, match=r"at most 1\.06 V rms|more than output 1"):
        generator.two_tone(1, 60.0, 1.0 / ROOT, 7000.0, 0.501 / ROOT)


def test_its_band_is_from_5_hz_to_nine_tenths_of_half_its_rate(generator: SoundGenerator) -> None:
    for hertz in (5.0, 21_600.0):
        generator.sine(1, hertz, 0.1)
    for hertz in (4.9, 21_700.0):
        with pytest.raises(InstrumentRefused, match="outside its band"):
            generator.sine(1, hertz, 0.1)
        with pytest.raises(InstrumentRefused, match="outside its band"):
            generator.two_tone(1, 1000.0, 0.1, hertz, 0.1)


def test_a_level_holds_the_flatness_beside_1_khz_one_error_on_each_side(
    generator: SoundGenerator,
) -> None:
    """Of the template: levels within 30 %, 5 % of flatness, both rectangular."""

    def level(hertz: float, output: int = 1) -> object:
        generator.sine(output, hertz, 0.5)
        return generator.amplitude(output)

    lines = {
        hertz: {c.source.name: c.standard_uncertainty for c in budget_of(level(hertz))}
        for hertz in (1000.0, 1009.0, 1012.0, 100.0, 10_000.0)
    }
    assert [len(lines[hertz]) for hertz in (1000.0, 1009.0, 1012.0)] == [1, 1, 2]
    (own,) = lines[1000.0].values()
    assert own == pytest.approx(0.30 * 0.5 / math.sqrt(3.0))
    for hertz, side in ((100.0, "below"), (10_000.0, "above")):
        name = f"generator output 1 flatness {side} 1 kHz"
        assert lines[hertz][name] == pytest.approx(0.05 * 0.5 / math.sqrt(3.0))
    assert (level(100.0) - level(20.0)).std_dev == pytest.approx(0.0, abs=1e-12)
    assert (level(100.0) - level(10_000.0)).std_dev > 0.02
    generator.two_tone(1, 1000.0, 0.3, 3000.0, 0.4)
    assert generator.amplitude(1).nominal_value == pytest.approx(0.5)
    with pytest.raises(InstrumentRefused, match="no amplitude was set on output 2"):
        generator.amplitude(2)


# --- in ------------------------------------------------------------------------------------------


def test_full_scale_of_an_input_is_what_was_found_and_else_half_the_range_times_its_divider(
    stream: Kept,
) -> None:
    scope = SoundScope("scope", IN, stream, levelled(["1.5 V"], ["30 V"]), (11.0, 5.0), 0.01)
    assert (scope.full_scale(1), scope.full_scale(2)) == (30.0, pytest.approx(4.0 * 5.0))
    scope = SoundScope("scope", IN, stream, None, (11.0,), 0.01)
    assert (scope.full_scale(1), scope.full_scale(2)) == (pytest.approx(44.0), 4.0)
    stream.frames = np.zeros((2, 10))
    got = scope.acquire({1: 1.0, 2: 1.0}, sample_rate_hz=RATE, points=10)
    assert got.gain[1].std_dev == pytest.approx(math.hypot(0.3, 0.01) / math.sqrt(3.0), rel=0.01)
    assert got.gain[2].std_dev == pytest.approx(0.3 / math.sqrt(3.0))
    assert got.lsb_v == {1: pytest.approx(88.0 / 2**24), 2: pytest.approx(8.0 / 2**24)}
    assert (got.offset_v[1].nominal_value, got.offset_v[1].std_dev) == (0.0, 0.0)


def test_a_slower_rate_is_its_own_over_a_whole_number_and_never_below_the_wanted(
    stream: Kept,
) -> None:
    scope = SoundScope("scope", IN, stream)
    for wanted, given in ((48e3, 48e3), (96e3, 48e3), (25e3, 48e3), (24e3, 24e3), (10e3, 12e3)):
        assert scope.sample_rate_near(wanted) == given


def test_a_record_is_scaled_to_volts_and_a_slower_one_is_filtered_and_cut_to_its_middle(
    stream: Kept,
) -> None:
    scope = SoundScope("scope", IN, stream, levelled(["1.5 V"], ["2 V", "5 V"]))
    n = np.arange(10_000)
    stream.frames = np.stack((0.5 * np.sin(2 * np.pi * 100.0 / RATE * n), np.full(n.size, 0.1)))
    got = scope.acquire({2: 1.0, 1: 1.0}, sample_rate_hz=RATE, points=1000)
    assert (stream.asked[-1], got.t0_s, got.dt_s) == (1000, 0.0, 1.0 / RATE)
    assert got.volts[1] == pytest.approx(2.0 * stream.frames[0, :1000])
    assert got.volts[2] == pytest.approx(np.full(1000, 0.5))
    assert (got.constant, got.clipped) == ({1: False, 2: True}, {1: False, 2: False})
    scope.acquire({1: 1.0}, sample_rate_hz=24e3, points=1000)
    assert stream.asked[-1] == 2 * 1040
    got = scope.acquire({1: 1.0}, sample_rate_hz=12e3, points=1000)
    assert (stream.asked[-1], got.dt_s) == (4 * 1040, 1.0 / 12e3)
    assert list(got.volts) == [1]
    at = stream.frames[0, 4 * 20 : 4 * 1020 : 4]  # twenty are left out at either end
    assert got.volts[1] == pytest.approx(2.0 * at, abs=2e-3)


@pytest.mark.parametrize(("highest", "clipped"), [(0.9985, False), (0.9991, True)])
def test_a_sample_within_a_thousandth_of_full_scale_is_clipped(
    stream: Kept, highest: float, clipped: bool
) -> None:
    scope = SoundScope("scope", IN, stream)
    for sign in (1.0, -1.0):
        stream.frames = np.array([[0.0, sign * highest, 0.1], [0.0, 0.0, 0.0]])
        got = scope.acquire({1: 1.0, 2: 1.0}, sample_rate_hz=RATE, points=3)
        assert got.clipped == {1: clipped, 2: False}


def test_a_record_has_an_input_and_as_many_points_as_it_can_hold(stream: Kept) -> None:
    assert IN.scope is not None
    small = IN.changed(scope=IN.scope.model_copy(update={"max_points": 100}))
    scope = SoundScope("scope", small, stream)
    stream.frames = np.zeros((2, 100))
    for points in (1, 100):
        assert scope.acquire({1: 1.0}, sample_rate_hz=RATE, points=points).volts[1].size == points
    for peaks, points in (({}, 10), ({1: 1.0}, 0), ({1: 1.0}, 101)):
        with pytest.raises(InstrumentRefused, match="at least one, and 1 to 100"):
            scope.acquire(peaks, sample_rate_hz=RATE, points=points)
    assert (scope.channels, scope.bits, scope.max_points) == (2, 24, 100)
