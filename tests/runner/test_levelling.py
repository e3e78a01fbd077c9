"""A sound interface is levelled against the meter, and looked at from out to in."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from seqrun.cli import app
from seqrun.errors import UsageError
from seqrun.files.bench import Bench
from seqrun.runner.levelling import Levelled, level, table
from seqrun.runner.opening import VirtualHands, open_bench, read_bench

TODAY = datetime.date(2026, 11, 27)


def levelled(bench: str, seed: int) -> tuple[Levelled, Any]:
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
    return found, files.demo


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_levels_hold_the_truth_within_their_uncertainty(seed: int) -> None:
    found, demo = levelled("demo:sound_card", seed)
    sound = found.sound
    pairs = [
        *zip(sound.input_full_scale, map(demo.sound.input_peak_v, (1, 2)), strict=True),
        *zip(sound.output_full_scale, map(demo.sound.output_peak_v, (1, 2)), strict=True),
    ]
    assert 0.0 < sound.level_uncertainty < 0.005
    for told, true in pairs:
        assert told == pytest.approx(true, rel=sound.level_uncertainty)
        assert told != true


def test_its_own_faults_are_found_from_out_to_in() -> None:
    found, demo = levelled("demo:sound_card", 3)
    sound = found.sound
    assert sound.floor == pytest.approx(10.0 * 3e-6, rel=0.1)
    assert sound.crosstalk == pytest.approx(-95.0, abs=2.0)
    # Out and in together bend by no more than 0.06 dB, and not by nothing.
    assert 1e-4 < sound.flatness < 10.0 ** (0.06 / 20.0) - 1.0 + 2e-4
    assert "stays the 0.003 % that its driver states" in found.notes[0]
    assert demo.truth.input_v_rms("left") == 0.0  # silence afterwards


def test_the_table_is_what_a_bench_file_takes() -> None:
    found, _ = levelled("demo:sound_card", 2)
    before = read_bench("demo:sound_card", None, seed=2).view.bench.text
    text = before.partition("[sound]")[0] + table(found.sound)
    read = Bench.from_text(text).sound
    assert read is not None
    assert read.levelled == TODAY
    assert read.input_full_scale == pytest.approx(found.sound.input_full_scale, rel=1e-5)
    assert read.level_uncertainty == pytest.approx(found.sound.level_uncertainty, rel=1e-2)


def test_a_bench_of_other_instruments_has_nothing_to_level() -> None:
    with pytest.raises(UsageError, match="no sound interface"):
        levelled("demo", 1)


def test_at_the_command_line_the_table_is_printed() -> None:
    done = CliRunner().invoke(app, ["bench", "sound", "demo:sound_card"])
    assert done.exit_code == 0
    assert "[sound]" in done.output and "output_full_scale" in done.output


def test_a_real_unit_is_first_said_to_be_without_power(tmp_path: Path) -> None:
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
    done = CliRunner().invoke(app, ["bench", "sound", str(bench), "--write"])
    assert isinstance(done.exception, UsageError)
    assert done.exception.found == "not confirmed"
    assert "[sound]" not in bench.read_text(encoding="utf-8")
