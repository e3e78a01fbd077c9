"""The scope as a client meets it."""

import math

import numpy as np
import pytest

from demo_sim.instruments import specifications as spec
from demo_sim.instruments.scope import Scope
from demo_sim.instruments.scope_acquire import available_rate


def ask(device, message):
    return device.execute(message).decode("latin-1").strip()


def error(device):
    return int(ask(device, "SYST:ERR?").split(",")[0])


def record(scope, channel=1):
    """Times after the trigger and volts, as a client works them out."""
    numbers = ask(scope, f"WAV:SOUR CHAN{channel};FORM WORD;BYT LSBF;PRE?").split(",")
    _, _, points, _, x_step, x_origin, _, y_step, y_origin, y_reference = map(float, numbers)
    raw = scope.execute("WAV:DATA?")
    digits = int(chr(raw[1]))
    codes = np.frombuffer(raw[2 + digits : -1], "<u2")
    assert len(codes) == points
    t = x_origin + np.arange(len(codes)) * x_step
    return t, (codes - y_reference) * y_step + y_origin


@pytest.fixture
def scope(circuit):
    circuit.leads = {"scope.1": "a", "scope.2": "b", "scope.1.clip": "ground"}
    circuit.volts["a"] = lambda t: 10.0 * np.sin(2 * np.pi * 1000.0 * t)
    circuit.volts["b"] = lambda t: 3.0 + 0.5 * np.sin(2 * np.pi * 1000.0 * t)
    device = Scope(circuit)
    ask(device, "CHAN1:PROB 10;RANG 24;DISP ON;:CHAN2:PROB 10;RANG 8;DISP ON")
    ask(device, "ACQ:SRAT 1E6;POIN 10000")
    return device


def test_volts_come_out_within_the_specification(scope):
    ask(scope, "SING;*OPC?")
    _, volts = record(scope)
    allowed = 0.01 * 10.0 + 0.002 * 24.0 + 0.02
    assert np.max(np.abs(volts)) == pytest.approx(10.0, abs=allowed)
    assert len(volts) == 10_000


def test_record_begins_at_the_trigger_and_rises_through_the_level(scope):
    ask(scope, "TRIG:SOUR CHAN1;LEV 5;SLOP POS;:SING;*OPC?")
    t, volts = record(scope)
    assert 0.0 <= t[0] <= 1e-6
    assert volts[0] == pytest.approx(5.0, abs=0.3)
    assert volts[20] > volts[0]
    ask(scope, "TRIG:SLOP NEG;:SING;*OPC?")
    _, volts = record(scope)
    assert volts[20] < volts[0]


def test_normal_sweep_without_an_edge_ends_at_its_time_out_without_a_record(circuit, scope):
    ask(scope, "TRIG:LEV 11;SWE NORM;TIM 0.5;:SING")
    assert ask(scope, "TRIG:STAT?") == "WAIT"
    before = circuit.now
    assert ask(scope, "*OPC?") == "1"
    assert circuit.now - before < 0.6
    assert error(scope) == -365
    assert ask(scope, "WAV:DATA?") == ""
    assert error(scope) == -230


def test_automatic_sweep_takes_a_record_without_an_edge(scope):
    ask(scope, "TRIG:LEV 11;SWE AUTO;:SING;*OPC?")
    assert ask(scope, "TRIG:STAT?;:WAV:POIN?") == "STOP;10000"


def test_armed_scope_waits_until_the_signal_comes(circuit, scope):
    circuit.volts["a"] = lambda t: np.where(t > 1.0, 10.0, 0.0)
    ask(scope, "TRIG:LEV 5;SWE NORM;:SING;*OPC?")
    assert error(scope) == 0
    assert circuit.now == pytest.approx(1.0, abs=0.1)


def test_signal_beyond_the_screen_is_the_lowest_and_highest_code(scope):
    ask(scope, "CHAN1:RANG 8;:SING;*OPC?;:WAV:SOUR CHAN1;BYT MSBF")
    raw = scope.execute("WAV:DATA?")
    codes = np.frombuffer(raw[2 + int(chr(raw[1])) : -1], ">u2")
    assert (codes.min(), codes.max()) == (0, 65535)


@pytest.mark.parametrize(
    ("wanted", "rate"),
    [(44100.0, 40e3), (3e6, 2e6), (6e5, 5e5), (9.9e6, 8e6), (1e6, 1e6), (1e12, 100e6)],
)
def test_sample_rate_snaps_down_to_a_step(wanted, rate):
    assert available_rate(wanted) == pytest.approx(rate)


def test_ac_coupling_takes_the_mean_away(scope):
    ask(scope, "CHAN2:COUP AC;:SING;*OPC?")
    assert record(scope, 2)[1].mean() == pytest.approx(0.0, abs=0.03)
    ask(scope, "CHAN2:COUP DC;:SING;*OPC?")
    assert record(scope, 2)[1].mean() == pytest.approx(3.0, abs=0.06)


def test_vertical_offset_moves_the_screen_and_not_the_reading(scope):
    ask(scope, "CHAN2:OFFS 3;RANG 2;:SING;*OPC?")
    assert record(scope, 2)[1].mean() == pytest.approx(3.0, abs=0.06)


def test_probe_factor_that_is_not_the_fitted_one_gives_wrong_volts(circuit, scope):
    circuit.fitted["scope.2"] = 1.0
    ask(scope, "CHAN2:RANG 80;:SING;*OPC?")
    assert record(scope, 2)[1].mean() == pytest.approx(30.0, rel=0.02)


def test_declaring_another_probe_factor_rescales_the_screen(scope):
    assert float(ask(scope, "CHAN1:RANG 24;PROB 1;RANG?")) == pytest.approx(2.4)


def test_clip_on_a_live_node_does_not_become_the_reference(circuit, scope):
    ask(scope, "SING;*OPC?")
    before = record(scope, 2)[1].mean()
    circuit.leads["scope.2.clip"] = "a"
    ask(scope, "SING;*OPC?")
    assert record(scope, 2)[1].mean() == pytest.approx(before, abs=0.02)


def test_averaging_and_high_resolution_lower_the_noise(circuit, scope):
    circuit.volts["b"] = lambda t: np.zeros_like(t)
    spread = {}
    for name in ("NORM", "AVER", "HRES"):
        ask(scope, f"ACQ:TYPE {name};COUN 16;:SING;*OPC?")
        spread[name] = record(scope, 2)[1].std()
    assert spread["AVER"] < 0.4 * spread["NORM"]
    assert spread["HRES"] < 0.3 * spread["NORM"]


def test_bandwidth_limit_slows_an_edge_and_quietens_the_trace(circuit, scope):
    circuit.volts["a"] = lambda t: np.where((t % 1e-3) < 0.5e-3, 0.0, 8.0)
    ask(scope, "ACQ:SRAT 100E6;POIN 100;:TRIG:SOUR CHAN1;LEV 4;:CHAN1:RANG 24")
    reached = {}
    for on in (0, 1):
        ask(scope, f"CHAN1:BWL {on};:SING;*OPC?")
        _, volts = record(scope)
        reached[on] = int(np.argmax(volts > 7.6))
    assert reached[1] > reached[0]


def test_time_base_is_within_its_specification(circuit, scope):
    ask(scope, "ACQ:SRAT 10E3;POIN 50000;:SING;*OPC?")
    t, volts = record(scope)
    crossings = np.flatnonzero((volts[:-1] < 0) & (volts[1:] >= 0))
    at = t[crossings] - volts[crossings] * 1e-4 / (volts[crossings + 1] - volts[crossings])
    hz = (len(at) - 1) / (at[-1] - at[0])
    assert abs(hz / 1000.0 - 1.0) <= spec.SCOPE_TIMEBASE + 2e-6


def test_transfer_and_record_take_bench_time(circuit, scope):
    ask(scope, "ACQ:POIN 1000000;:TRIG:SWE AUTO")
    before = circuit.now
    ask(scope, "SING;*OPC?")
    assert circuit.now - before > 1.0  # a million points at a megasample a second
    before = circuit.now
    ask(scope, "WAV:DATA?")
    assert circuit.now - before == pytest.approx(0.1, rel=0.2)


def test_eight_bit_scope_has_coarser_steps(circuit, scope):
    coarse = Scope(circuit, bits=8)
    ask(coarse, "CHAN1:PROB 10;RANG 24;:ACQ:SRAT 1E6;POIN 10000;:SING;*OPC?")
    _, volts = record(coarse)
    steps = np.diff(np.unique(volts))
    assert steps.min() == pytest.approx(24.0 / 256, rel=1e-6)
    assert math.log2(24.0 / steps.min()) == pytest.approx(8.0)


def test_text_and_byte_formats_carry_the_same_volts(scope):
    ask(scope, "ACQ:POIN 100;:SING;*OPC?")
    _, volts = record(scope)
    text = np.array(ask(scope, "WAV:FORM ASC;:WAV:DATA?").split(","), float)
    assert text == pytest.approx(volts, abs=1e-4)
    preamble = ask(scope, "WAV:FORM BYTE;:WAV:PRE?").split(",")
    raw = scope.execute("WAV:DATA?")
    codes = np.frombuffer(raw[2 + int(chr(raw[1])) : -1], "u1")
    coarse = (codes - float(preamble[9])) * float(preamble[7]) + float(preamble[8])
    assert coarse == pytest.approx(volts, abs=24 / 256)


def test_channel_that_was_not_shown_has_no_data(scope):
    ask(scope, "SING;*OPC?;:WAV:SOUR CHAN3;DATA?")
    assert error(scope) == -221


def test_free_running_scope_gives_a_record_of_the_moment(circuit, scope):
    ask(scope, "RUN")
    assert ask(scope, "TRIG:STAT?") == "RUN"
    first = record(scope, 2)[1].mean()
    circuit.volts["b"] = lambda t: np.full_like(t, -1.0)
    assert (first > 2.5, record(scope, 2)[1].mean() < -0.5) == (True, True)


def test_averaging_of_more_than_its_memory_takes_is_refused(scope):
    ask(scope, "ACQ:POIN MAX;COUN 1024;TYPE AVER;:SING")
    assert error(scope) == -221
    assert ask(scope, "TRIG:STAT?") == "STOP"
