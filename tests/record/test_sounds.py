"""What is heard lies as WAV beside its CSV: any player plays it, and full scale is a voltage."""

from __future__ import annotations

import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from seqrun.record.sounds import write_sound

RECORD = """
[[step]]
id = "noise"
do = "output_noise"
at = "out.left"
records = 3
record_time = "0.1 s"
limit = { at_most = "2 mV" }
[[step]]
id = "bursts"
do = "noise_bursts"
at = "out.left"
watch = "2 s"
limit = { at_most = "0.2 Hz" }
"""


def heard(path: Path) -> tuple[np.ndarray, int]:
    """Samples as shares of full scale, and how many a second."""
    with wave.open(str(path)) as sound:
        assert (sound.getnchannels(), sound.getsampwidth()) == (1, 2)
        frames = np.frombuffer(sound.readframes(sound.getnframes()), dtype="<i2")
        return frames / 32767.0, sound.getframerate()


def test_full_scale_is_a_voltage_and_louder_is_clipped(tmp_path: Path) -> None:
    volts = np.array([0.0, 0.025, -0.05, 0.1, 0.4, -3.0])
    write_sound(tmp_path / "a.wav", volts, 20e3, 0.1)
    shares, rate = heard(tmp_path / "a.wav")
    assert rate == 20_000
    assert shares == pytest.approx([0.0, 0.25, -0.5, 1.0, 1.0, -1.0], abs=2e-5)


def test_more_samples_than_ears_ask_for_are_averaged_and_the_tone_keeps_its_pitch(
    tmp_path: Path,
) -> None:
    rate = 192e3
    tone = 0.05 * np.sin(2 * np.pi * 1000.0 * np.arange(round(rate)) / rate)
    write_sound(tmp_path / "a.wav", tone, rate, 0.1)
    shares, slower = heard(tmp_path / "a.wav")
    assert slower == 48_000 and len(shares) == 48_000
    assert np.argmax(np.abs(np.fft.rfft(shares))) == 1000
    assert np.abs(shares).max() == pytest.approx(0.5, rel=0.01)


def test_a_run_keeps_what_it_heard_beside_its_traces_and_plays_it_in_its_report(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    from seqrun import run
    from seqrun.record import load_run
    from seqrun.report.run.page import render_page

    told = []
    for faults in ((), ("noisy_device@left=0.8",)):
        outcome = run(short_sequence(RECORD), bench="demo", serial="S-1", faults=faults,
                      results=tmp_path / "r")  # fmt: skip
        record = load_run(tmp_path / "r", outcome.run_id)
        assert not record.missing
        names = {path.stem for path in record.sounds}
        assert names == {"noise-noise", "bursts-bursts"}
        assert names <= {trace.name for trace in record.traces}
        page = render_page(record)
        assert page.count("<audio controls") == 2
        assert 'src="traces/bursts-bursts.wav"' in page
        told.append([line for line in page.split("<span>") if "full scale is 100 mV" in line])
        loudest = max(np.abs(heard(path)[0]).max() for path in record.sounds)
        peak = next(j.value for j in record.judged if j.quantity == "noise_peak")
        assert loudest > 0.3 * peak / 0.1
    assert len(told[0]) == len(told[1]) == 2  # one gain before and after


def test_samples_that_fill_no_whole_step_are_left_out_and_silence_is_a_sound(
    tmp_path: Path,
) -> None:
    for name, count, kept in (("a", 11, 2), ("b", 3, 0), ("c", 0, 0), ("d", 4, 1)):
        write_sound(tmp_path / f"{name}.wav", np.linspace(0.0, 0.1, count), 192e3, 0.1)
        shares, rate = heard(tmp_path / f"{name}.wav")
        assert (len(shares), rate) == (kept, 48_000)
