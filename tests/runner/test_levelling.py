"""A sound interface is levelled against the meter, and looked at from out to in."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from pytest_mock import MockerFixture
from typer.testing import CliRunner

from seqrun.cli import app
from seqrun.errors import NotMeasured, UsageError
from seqrun.files.bench.load import bench_from_text
from seqrun.runner.levelling import Levelled, level, table
from seqrun.runner.marker import Marker
from seqrun.runner.opening import VirtualHands, open_bench, read_bench

TODAY = datetime.date(2026, 11, 27)


class Told(NamedTuple):
    """What a levelling found, and what is true: of inputs and outputs the largest volts, of the
    left input of the unit the volts afterwards."""

    found: Levelled
    inputs_v: tuple[float, ...]
    outputs_v: tuple[float, ...]
    left_v: float


def level_all(bench: str, seed: int) -> Told:
    files = read_bench(bench, None, seed=seed)
    opened = open_bench(files, lambda *_: None)
    assert opened.control is not None
    hands = VirtualHands(opened.control)
    try:
        found = level(
            files.view, dict(opened.instruments), lambda h: hands.connect(h, False), str, TODAY
        )
    finally:
        opened.close()
    demo = files.demo
    return Told(
        found,
        tuple(map(demo.sound.input_peak_v, (1, 2))),
        tuple(map(demo.sound.output_peak_v, (1, 2))),
        demo.truth.input_v_rms("left"),
    )


@pytest.fixture(scope="module")
def levelled(once: Callable[..., Any]) -> Callable[[int], Told]:
    """``levelled(seed)``: the sound card of that bench, levelled once."""
    return lambda seed: once(f"levelled {seed}", lambda: level_all("demo:sound_card", seed))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_levels_hold_the_truth_within_their_uncertainty(
    levelled: Callable[[int], Told], seed: int
) -> None:
    told = levelled(seed)
    sound = told.found.sound
    pairs = [
        *zip(sound.input_full_scale, told.inputs_v, strict=True),
        *zip(sound.output_full_scale, told.outputs_v, strict=True),
    ]
    assert 0.0 < sound.level_uncertainty < 0.005
    for found, true in pairs:
        assert found == pytest.approx(true, rel=sound.level_uncertainty)
        assert found != true


def test_its_own_faults_are_found_from_out_to_in(levelled: Callable[[int], Told]) -> None:
    told = levelled(3)
    sound = told.found.sound
    assert sound.floor == pytest.approx(10.0 * 3e-6, rel=0.1)
    assert sound.crosstalk == pytest.approx(-95.0, abs=2.0)
    # Out and in together bend by no more than 0.06 dB, and not by nothing.
    assert 1e-4 < sound.flatness < 10.0 ** (0.06 / 20.0) - 1.0 + 2e-4
    assert sound.distortion == pytest.approx(3e-5)
    assert "stays the 0.003 % that its driver states" in told.found.notes[0]
    assert told.left_v == 0.0  # silence afterwards


def test_the_table_is_what_a_bench_file_takes(levelled: Callable[[int], Told]) -> None:
    sound = levelled(2).found.sound
    before = read_bench("demo:sound_card", None, seed=2).view.bench.text
    text = before.partition("[sound]")[0] + table(sound)
    read = bench_from_text(text).sound
    assert read is not None
    assert read.levelled == TODAY
    assert read.input_full_scale == pytest.approx(sound.input_full_scale, rel=1e-5)
    assert read.level_uncertainty == pytest.approx(sound.level_uncertainty, rel=1e-2)


def test_a_bench_of_other_instruments_has_nothing_to_level() -> None:
    with pytest.raises(UsageError, match="no sound interface"):
        level_all("demo", 1)


def test_at_the_command_line_the_table_is_printed() -> None:
    done = CliRunner().invoke(app, ["bench", "sound", "demo:sound_card"])
    assert done.exit_code == 0
    assert "[sound]" in done.output and "output_full_scale" in done.output


@pytest.fixture
def real(tmp_path: Path) -> Path:
    """A sound interface of this computer."""
    leads = "".join(
        f'[[lead]]\nfrom = "{a}"\nto = "{b}"\n'
        for a, b in (("generator.1", "in.left"), ("generator.2", "in.right"))
    )
    sound = "".join(
        f'[instrument.{role}]\nresource = "sound::usb"\ndriver = "sound-{way}put"\n'
        for role, way in (("generator", "out"), ("scope", "in"))
    )
    bench = tmp_path / "bench.toml"
    bench.write_text(f'name = "B"\nunit = "demo-2x40"\n{sound}{leads}', encoding="utf-8")
    return bench


def test_a_real_unit_is_first_said_to_be_without_power(real: Path) -> None:
    bench = real
    done = CliRunner().invoke(app, ["bench", "sound", str(bench), "--write"])
    assert isinstance(done.exception, UsageError)
    assert done.exception.found == "not confirmed"
    assert "[sound]" not in bench.read_text(encoding="utf-8")


def test_no_tone_goes_to_a_bench_that_a_run_uses_or_has_left_on(
    real: Path, mocker: MockerFixture, tmp_path: Path
) -> None:
    mocker.patch("seqrun.cli.benches.asked", return_value=True)
    opened = mocker.patch("seqrun.runner.opening.open_bench")
    marker = Marker(read_bench(str(real), None).view.bench)
    marker.claim()
    marker.begin("20260101T000000000Z-DEAD-000000", tmp_path)
    done = CliRunner().invoke(app, ["bench", "sound", str(real)])
    assert isinstance(done.exception, UsageError) and "another run" in done.exception.found
    marker.end(safe=False)
    done = CliRunner().invoke(app, ["bench", "sound", str(real)])
    assert isinstance(done.exception, UsageError) and "DEAD" in done.exception.found
    opened.assert_not_called()
    assert marker.claim()  # what was left on is still told to whoever comes next
    marker.end(safe=True)


@pytest.mark.parametrize("what", ["clips", "ends midway"])
def test_a_levelling_that_does_not_come_to_its_end_leaves_silence(
    what: str, mocker: MockerFixture
) -> None:
    files = read_bench("demo:sound_card", None, seed=1)
    opened = open_bench(files, lambda *_: None)
    assert opened.control is not None
    hands = VirtualHands(opened.control)
    loud: list[float] = []

    def heard(*_: object) -> None:
        loud.append(files.demo.truth.input_v_rms("left"))
        if what == "ends midway":
            raise KeyboardInterrupt

    if what == "clips":
        files.demo.sound.input_peak_v = lambda number: 0.01
    mocker.patch("seqrun.runner.levelling.fit_sine_4", side_effect=heard)
    try:
        with pytest.raises((KeyboardInterrupt, NotMeasured)) as caught:
            level(
                files.view, dict(opened.instruments), lambda h: hands.connect(h, False), str, TODAY
            )
        if what == "clips":
            assert "an input clips" in str(caught.value)
        else:
            assert loud and loud[0] > 0.1
        assert files.demo.truth.input_v_rms("left") == 0.0
    finally:
        opened.close()


def test_an_output_that_the_meter_hardly_sees_is_not_levelled() -> None:
    files = read_bench("demo:sound_card", None, seed=1)
    opened = open_bench(files, lambda *_: None)
    try:
        with pytest.raises(NotMeasured, match=r"output 1 gives .* to the meter"):
            level(files.view, dict(opened.instruments), lambda _: None, str, TODAY)
    finally:
        opened.close()


@pytest.mark.parametrize("bench", ["demo:sound_card", "real, with a table"])
def test_a_table_is_never_written_over_nor_from_a_simulated_bench(
    levelled: Callable[[int], Told], bench: str, real: Path
) -> None:
    if bench != "demo:sound_card":
        told = table(levelled(1).found.sound)
        real.write_text(real.read_text("utf-8") + told, encoding="utf-8")
        bench = str(real)
    done = CliRunner().invoke(app, ["bench", "sound", bench, "--write"])
    assert isinstance(done.exception, UsageError)
    assert "cannot be added" in done.exception.found
