"""A sound interface as generator and scope: levels, its band, what it has not, and its library."""

from __future__ import annotations

import sys
import types
from typing import Any

import numpy as np
import pytest

from seqrun.errors import FileError, InstrumentRefused, InstrumentSilent, NotMeasured, UsageError
from seqrun.files.bench.load import bench_from_text
from seqrun.files.driver.load import driver_from_text, load_driver
from seqrun.files.shipped import find
from seqrun.instruments import sound_stream
from seqrun.instruments.sound import SoundGenerator, SoundScope, loop_frames
from seqrun.instruments.sound_stream import open_card, quiet
from seqrun.measure.distortion import distortion
from seqrun.measure.sinefit import fit_sine_4
from seqrun.runner.opening import open_bench, read_bench

FILES = {role: load_driver(find("driver", f"sound-{role}put", None)) for role in ("in", "out")}


class SoundBench:
    """The simulated interface on a bench, its first input on what its first output drives."""

    def __init__(self, bench: str = "demo:sound_card", seed: int = 3) -> None:
        self.files = read_bench(bench, None, seed=seed)
        self.opened = open_bench(self.files, lambda *_: None)
        self.generator: Any = self.opened.instruments["generator"]
        self.scope: Any = self.opened.instruments["scope"]
        self.files.demo.world.connect("scope.1", "in.left")

    def tone(self, frequency_hz: float, volts: float, rate_hz: float = 192e3) -> Any:
        self.generator.sine(1, frequency_hz, volts)
        self.generator.enable(1, True)
        got = self.scope.acquire({1: 2.0}, sample_rate_hz=rate_hz, points=20_000)
        return fit_sine_4(got.volts[1], 1.0 / got.dt_s, frequency_hz, gain=got.gain[1])


@pytest.fixture
def bench() -> Any:
    made = SoundBench()
    yield made
    made.opened.close()


def test_levels_out_and_in_are_what_they_say(bench: SoundBench) -> None:
    seen = bench.tone(1000.0, 1.0).rms
    z = bench.files.view.unit.input_impedance
    set_there = bench.generator.amplitude(1) * z / (z + 100.0)
    assert abs((seen - set_there).nominal_value) < 2.5 * (seen - set_there).std_dev
    assert 2.0 * seen.std_dev / seen.nominal_value < 0.003


@pytest.mark.parametrize("rate_hz", [192e3, 20e3, 5e3])
def test_a_slower_record_keeps_the_tone_and_folds_nothing_down(
    bench: SoundBench, rate_hz: float
) -> None:
    assert bench.tone(440.0, 1.0, rate_hz).rms.nominal_value == pytest.approx(0.99, rel=0.02)
    folded = bench.scope.sample_rate_near(5e3) - 440.0
    bench.tone(folded, 1.0)
    got = bench.scope.acquire({1: 2.0}, sample_rate_hz=5e3, points=5000)
    assert float(np.std(got.volts[1])) < 1e-3


def test_a_step_of_the_converter_is_full_scale_both_ways_over_two_to_its_bits(
    bench: SoundBench,
) -> None:
    got = bench.scope.acquire({1: 2.0, 2: 2.0}, sample_rate_hz=192e3, points=100)
    for n, step in got.lsb_v.items():
        assert step == pytest.approx(2.0 * bench.scope._full[n] / 2**bench.scope.bits)


@pytest.mark.parametrize("frequency_hz", [7.0, 50.0, 997.3, 12_345.6])
def test_a_loop_holds_whole_cycles(frequency_hz: float) -> None:
    frames = loop_frames(frequency_hz, 192e3)
    cycles = frequency_hz * frames / 192e3
    assert abs(cycles - round(cycles)) / cycles < 2e-6
    assert frames < 4.1 * 192e3


def test_it_tells_less_distortion_than_any_scope_of_twelve_bits(bench: SoundBench) -> None:
    bench.generator.sine(1, 1000.0, 1.0)
    bench.generator.enable(1, True)
    got = bench.scope.acquire({1: 2.0}, sample_rate_hz=192e3, points=192_000)
    assert distortion(got.volts[1], 1.0 / got.dt_s).thd.value.nominal_value < 3e-5


def test_an_input_that_clips_is_told(bench: SoundBench) -> None:
    bench.files.demo.world.connect("scope.1", "in.right")
    quiet = bench.scope.acquire({1: 2.0}, sample_rate_hz=192e3, points=1000)
    assert not quiet.clipped[1]
    bench.files.demo.sound.input_peak_v = lambda number: 0.5
    bench.files.demo.world.connect("scope.1", "in.left")
    bench.generator.sine(1, 1000.0, 1.0)
    bench.generator.enable(1, True)
    assert bench.scope.acquire({1: 2.0}, sample_rate_hz=192e3, points=1000).clipped[1]


@pytest.mark.parametrize("half", [-1.0, 1.0])
def test_an_input_that_clips_on_one_side_is_told_too(bench: SoundBench, half: float) -> None:
    frames = np.tile(0.2 * np.sin(np.arange(1000) / 7.0), (2, 1))
    frames[0, 500] = half
    bench.scope.stream.record = lambda points: frames
    got = bench.scope.acquire({1: 2.0, 2: 2.0}, sample_rate_hz=192e3, points=1000)
    assert got.clipped == {1: True, 2: False}


def test_a_divider_that_was_not_levelled_adds_its_own_doubt(bench: SoundBench) -> None:
    driver, stream = FILES["in"], bench.scope.stream

    def doubt(probe: float, ratio: float) -> float:
        scope = SoundScope("scope", driver, stream, None, (probe, probe), ratio)
        got = scope.acquire({1: 2.0}, sample_rate_hz=192e3, points=100)
        return float(got.gain[1].std_dev)

    assert doubt(1.0, 0.1) == pytest.approx(doubt(10.0, 0.0))
    assert doubt(10.0, 0.1) == pytest.approx(np.hypot(doubt(10.0, 0.0), 0.1 / np.sqrt(3.0)))


def test_there_is_no_dc_in_its_records(bench: SoundBench) -> None:
    world = bench.files.demo.world
    bench.opened.instruments["supply"].set_voltage(1, 10.0)
    bench.opened.instruments["supply"].set_current_limit(1, 1.0)
    bench.opened.instruments["supply"].enable(True)
    world.advance(5.0)
    world.connect("scope.1", "rail.pos")
    assert world.truth.dc("rail.pos") > 9.0
    got = bench.scope.acquire({1: 12.0}, sample_rate_hz=192e3, points=20_000)
    assert abs(float(got.volts[1].mean())) < 0.05


def test_what_it_has_not_is_refused(bench: SoundBench) -> None:
    with pytest.raises(NotMeasured, match="no trigger"):
        bench.scope.acquire({1: 1.0}, sample_rate_hz=192e3, points=100, trigger=1)
    with pytest.raises(InstrumentRefused, match="no burst"):
        bench.generator.burst(1, 1000.0, 1.0, 5, 0.1)
    with pytest.raises(InstrumentRefused, match="no square"):
        bench.generator.square(1, 1000.0, 1.0)
    with pytest.raises(InstrumentRefused, match="more than output 1 gives"):
        bench.generator.sine(1, 1000.0, 5.0)
    with pytest.raises(InstrumentRefused, match="outside its band"):
        bench.generator.sine(1, 1.0, 1.0)
    with pytest.raises(InstrumentRefused, match="no input 3"):
        bench.scope.acquire({3: 1.0}, sample_rate_hz=192e3, points=100)


def test_safe_is_silence(bench: SoundBench) -> None:
    bench.generator.sine(1, 1000.0, 1.0)
    bench.generator.enable(1, True)
    assert bench.files.demo.truth.input_v_rms("left") > 0.9
    bench.generator.make_safe()
    assert bench.files.demo.truth.input_v_rms("left") == 0.0
    assert not bench.generator.enabled()


# --- files ---------------------------------------------------------------------------------------


def test_a_driver_of_a_sound_interface_has_no_commands() -> None:
    text = find("driver", "sound-output", None).read_text(encoding="utf-8")
    with pytest.raises(FileError, match="beside sound"):
        driver_from_text(text + '\n[operation]\nenable = "OUTP {on}"\n')
    with pytest.raises(FileError, match="a sound interface as meter"):
        driver_from_text(text.replace('role = "generator"', 'role = "meter"'))


@pytest.mark.parametrize(
    ("resource", "driver"),
    [("TCPIP0::192.0.2.1::INSTR", "sound-input"), ("sound::usb", "generic-meter")],
)
def test_its_resource_and_its_driver_belong_together(
    resource: str, driver: str, tmp_path: Any
) -> None:
    from seqrun.files.bench.load import load_bench

    path = tmp_path / "bench.toml"
    path.write_text(
        f'name = "B"\n[instrument.it]\nresource = "{resource}"\ndriver = "{driver}"\n', "utf-8"
    )
    with pytest.raises(FileError, match="part of the name of a sound interface"):
        load_bench(path)


def test_levels_that_were_found_stand_in_every_budget() -> None:
    view = SoundBench().files.view
    scope, generator = view.drivers["scope"], view.drivers["generator"]
    assert scope.row("voltage", 10.0).gain < 0.003 < FILES["in"].row("voltage", 10.0).gain
    assert generator.row("level", 1.0).gain < 0.003 < FILES["out"].row("level", 1.0).gain
    assert scope.scope is not None
    assert scope.scope.distortion == pytest.approx(3e-5)


def test_a_level_above_zero_belongs_to_each_input() -> None:
    text = read_bench("demo:sound_card", None).view.bench.text
    with pytest.raises(FileError, match="sound"):
        bench_from_text(text.replace('crosstalk = "-95 dB"', 'crosstalk = "95 dB"'))


# --- the library's edge --------------------------------------------------------------------------


class _Library(types.ModuleType):
    """What ``sounddevice`` is to us: a stream that calls back with blocks."""

    def __init__(self, *, lost: bool = False, dead: bool = False) -> None:
        super().__init__("sounddevice")
        self.lost, self.dead = lost, dead
        self.heard: list[Any] = []

    def query_devices(self, name: str) -> dict[str, str]:
        if name == "absent":
            raise ValueError("No device matching 'absent'")
        return {"name": f"Interface {name}"}

    def Stream(self, *, callback: Any, channels: tuple[int, int], **_: Any) -> Any:  # noqa: N802
        import threading

        stop = threading.Event()
        inputs, outputs = channels

        def run() -> None:
            while not stop.wait(0.001):
                out = np.zeros((256, outputs), np.float32)
                callback(np.full((256, inputs), 0.25, np.float32), out, 256, None, self.lost)
                self.heard.append(out)

        thread = threading.Thread(target=run, daemon=True)
        start = (lambda: None) if self.dead else thread.start
        return types.SimpleNamespace(
            start=start, stop=stop.set, close=lambda: None, latency=(0.004, 0.008)
        )


def test_a_card_plays_a_loop_round_and_records_whole_records(mocker: Any) -> None:
    library = _Library()
    mocker.patch.dict(sys.modules, sounddevice=library)
    card = open_card("sound::usb", 48e3, 2, 2)
    card.play(np.tile(np.arange(100) / 100.0, (2, 1)))
    taken = card.record(1000)
    card.close()
    assert taken.shape == (2, 1000)
    assert np.all(taken == 0.25)
    out = np.concatenate(library.heard)[:, 0]
    first = int(np.flatnonzero(out)[0])
    assert np.allclose(out[first : first + 300], (np.arange(1, 301) % 100) / 100.0)
    assert card.identity == "Interface usb (sound interface)"


def test_what_nobody_wants_is_not_kept_and_a_record_is_waited_for_as_long_as_it_takes(
    mocker: Any,
) -> None:
    mocker.patch.dict(sys.modules, sounddevice=_Library(dead=True))
    card = open_card("sound::usb", 48e3, 2, 2)
    block, out = np.full((256, 2), 0.25), np.zeros((256, 2))
    card._turn(block, out, 256, None, None)
    assert card._kept == []

    def arrives(seconds: float) -> bool:
        """Under way are (4 + 8) ms, 576 frames; then the record; then what is allowed besides."""
        assert seconds == pytest.approx((576 + 448) / 48e3 + sound_stream.STILL_S)
        for _ in range(8):
            card._turn(block, out, 256, None, None)
        return True

    mocker.patch.object(card._there, "wait", side_effect=arrives)
    assert card.record(448).shape == (2, 448)
    assert len(card._kept) == 4  # 576 + 448 frames are four blocks, and no more are kept


def test_a_card_that_is_to_be_silent_puts_out_nothing_at_all(mocker: Any) -> None:
    """The library hands over blocks with whatever was in them before."""
    mocker.patch.dict(sys.modules, sounddevice=_Library())
    card = open_card("sound::usb", 48e3, 2, 2)
    card.play(np.full((2, 100), 0.5))
    card.play(None)
    block = np.full((16, 2), 0.7)
    card._turn(np.zeros((16, 2)), block, 16, None, None)
    card.close()
    assert np.all(block == 0.0)


def test_a_record_begins_with_what_was_played_last(mocker: Any) -> None:
    """What is heard left the computer some milliseconds before, and what comes was heard as long
    ago: a record that began at once would hold the tone before."""
    late = 512  # frames from what is played to what is heard, of the 576 that the library tells

    class Loop(_Library):
        def Stream(self, *, callback: Any, **more: Any) -> Any:  # noqa: N802
            under_way = np.zeros((late, 2), np.float32)

            def looped(_: Any, out: Any, frames: int, *rest: Any) -> None:
                nonlocal under_way
                callback(under_way[:frames].copy(), out, frames, *rest)
                under_way = np.concatenate((under_way[frames:], out))

            return super().Stream(callback=looped, **more)

    mocker.patch.dict(sys.modules, sounddevice=Loop())
    card = open_card("sound::usb", 48e3, 2, 2)
    for level in (0.25, 0.5, 0.75):
        card.play(np.full((2, 100), level))
        taken = card.record(1000)
        assert taken.shape == (2, 1000)
        assert np.all(taken == level)
    card.close()


@pytest.mark.parametrize("gone", [False, True])
def test_an_interface_that_stands_still_is_not_said_to_be_silent(mocker: Any, gone: bool) -> None:
    class Stuck:
        closed = False

        def play(self, loop: Any) -> None:
            if gone:
                raise InstrumentSilent("the sound interface stands still")

        def close(self) -> None:
            self.closed = True

    stream: Any = Stuck()
    if not gone:
        quiet(stream)
        assert not stream.closed
        return
    with pytest.raises(InstrumentSilent, match="stands still"):
        quiet(stream)
    assert stream.closed


def test_an_interface_that_turns_no_frames_is_neither_playing_nor_silent(mocker: Any) -> None:
    mocker.patch.dict(sys.modules, sounddevice=_Library(dead=True))
    mocker.patch.object(sound_stream, "STILL_S", 0.02)
    card = open_card("sound::usb", 48e3, 2, 2)
    for loop in (np.zeros((2, 100)), None):
        with pytest.raises(InstrumentSilent, match="stands still"):
            card.play(loop)
    with pytest.raises(InstrumentSilent, match="no samples come"):
        card.record(10)


def test_an_interface_that_stands_still_later_on_is_not_taken_for_one_that_still_turns(
    mocker: Any,
) -> None:
    mocker.patch.dict(sys.modules, sounddevice=_Library(dead=True))
    mocker.patch.object(sound_stream, "STILL_S", 0.02)
    card = open_card("sound::usb", 48e3, 2, 2)
    card._turn(np.zeros((16, 2)), np.zeros((16, 2)), 16, None, None)  # its last block
    with pytest.raises(InstrumentSilent, match="stands still"):
        card.play(None)


def test_lost_samples_are_no_record(mocker: Any) -> None:
    mocker.patch.dict(sys.modules, sounddevice=_Library(lost=True))
    card = open_card("sound::usb", 48e3, 2, 2)
    with pytest.raises(NotMeasured, match="lost"):
        card.record(1000)
    card.close()


def test_an_interface_that_is_not_there_is_silent(mocker: Any) -> None:
    mocker.patch.dict(sys.modules, sounddevice=_Library())
    with pytest.raises(InstrumentSilent, match="cannot be opened"):
        open_card("sound::absent", 48e3, 2, 2)


def test_without_its_library_it_says_what_to_install(mocker: Any) -> None:
    mocker.patch.dict(sys.modules, sounddevice=None)
    with pytest.raises(UsageError) as caught:
        open_card("sound::usb", 48e3, 2, 2)
    assert "seqrun[sound]" in str(caught.value.hint)


def test_both_roles_share_one_stream(bench: SoundBench) -> None:
    assert isinstance(bench.generator, SoundGenerator)
    assert isinstance(bench.scope, SoundScope)
    assert bench.generator.stream is bench.scope.stream
