"""The scope as a client meets it."""

import math
import re

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
    """Times after the trigger and volts, as a client works them out from the interchange form."""
    text = ask(scope, f"FORM INT,16;:FORM:BORD SWAP;:TRAC:PRE? CH{channel}")
    (x_step, x_origin), (y_step, y_origin) = (
        map(float, pair) for pair in re.findall(r"SCAL (\S+) OFFS (\S+)", text)
    )
    raw = scope.execute(f"TRAC? CH{channel}")
    digits = int(chr(raw[1]))
    codes = np.frombuffer(raw[2 + digits : -1], "<i2")
    assert f"SIZE {len(codes)} " in text
    return x_origin + np.arange(len(codes)) * x_step, codes * y_step + y_origin


@pytest.fixture
def scope(circuit):
    circuit.leads = {"scope.1": "a", "scope.2": "b", "scope.1.clip": "ground"}
    circuit.volts["a"] = lambda t: 10.0 * np.sin(2 * np.pi * 1000.0 * t)
    circuit.volts["b"] = lambda t: 3.0 + 0.5 * np.sin(2 * np.pi * 1000.0 * t)
    device = Scope(circuit)
    ask(
        device,
        'INP1:PROB 10;:VOLT1:RANG:PTP 24;:INP2:PROB 10;:VOLT2:RANG:PTP 8;:FUNC:ON "XTIM:VOLT 2"',
    )
    ask(device, "SWE:TINT 1E-6;POIN 10000")
    return device


def test_volts_come_out_within_the_specification(scope):
    ask(scope, "INIT;*OPC?")
    _, volts = record(scope)
    allowed = 0.01 * 10.0 + 0.002 * 24.0 + 0.02
    assert np.max(np.abs(volts)) == pytest.approx(10.0, abs=allowed)
    assert len(volts) == 10_000


def test_record_begins_at_the_trigger_and_rises_through_the_level(scope):
    ask(scope, "TRIG:SOUR INT1;LEV 5;SLOP POS;:INIT;*OPC?")
    t, volts = record(scope)
    assert 0.0 <= t[0] <= 1e-6
    assert volts[0] == pytest.approx(5.0, abs=0.3)
    assert volts[20] > volts[0]
    ask(scope, "TRIG:SLOP NEG;:INIT;*OPC?")
    _, volts = record(scope)
    assert volts[20] < volts[0]


def test_normal_sweep_without_an_edge_ends_at_its_time_out_without_a_record(circuit, scope):
    ask(scope, "TRIG:LEV 11;ATR OFF;PAT 0.5;:INIT")
    assert ask(scope, "STAT:OPER:COND?") == "32"
    before = circuit.now
    assert ask(scope, "*OPC?") == "1"
    assert circuit.now - before < 0.6
    assert error(scope) == -365
    assert ask(scope, "TRAC? CH1") == ""
    assert error(scope) == -230


def test_automatic_sweep_takes_a_record_without_an_edge(scope):
    ask(scope, "TRIG:LEV 11;ATR ON;:INIT;*OPC?")
    assert len(record(scope)[1]) == 10_000


def test_armed_scope_waits_until_the_signal_comes(circuit, scope):
    circuit.volts["a"] = lambda t: np.where(t > 1.0, 10.0, 0.0)
    ask(scope, "TRIG:LEV 5;ATR OFF;:INIT;*OPC?")
    assert error(scope) == 0
    assert circuit.now == pytest.approx(1.0, abs=0.1)


def test_signal_beyond_the_screen_is_the_lowest_and_highest_code(scope):
    ask(scope, "VOLT1:RANG:PTP 8;:INIT;*OPC?;:FORM INT,16;:FORM:BORD NORM")
    raw = scope.execute("TRAC? CH1")
    codes = np.frombuffer(raw[2 + int(chr(raw[1])) : -1], ">i2")
    assert (codes.min(), codes.max()) == (-32768, 32767)


@pytest.mark.parametrize(
    ("wanted", "rate"),
    [(44100.0, 40e3), (3e6, 2e6), (6e5, 5e5), (9.9e6, 8e6), (1e6, 1e6), (1e12, 100e6)],
)
def test_sample_rate_snaps_down_to_a_step(wanted, rate):
    assert available_rate(wanted) == pytest.approx(rate)


def test_ac_coupling_takes_the_mean_away(scope):
    ask(scope, "INP2:COUP AC;:INIT;*OPC?")
    assert record(scope, 2)[1].mean() == pytest.approx(0.0, abs=0.03)
    ask(scope, "INP2:COUP DC;:INIT;*OPC?")
    assert record(scope, 2)[1].mean() == pytest.approx(3.0, abs=0.06)


def test_vertical_offset_moves_the_screen_and_not_the_reading(scope):
    ask(scope, "VOLT2:RANG:OFFS 3;PTP 2;:INIT;*OPC?")
    assert record(scope, 2)[1].mean() == pytest.approx(3.0, abs=0.06)


def test_probe_factor_that_is_not_the_fitted_one_gives_wrong_volts(circuit, scope):
    circuit.fitted["scope.2"] = 1.0
    ask(scope, "VOLT2:RANG:PTP 80;:INIT;*OPC?")
    assert record(scope, 2)[1].mean() == pytest.approx(30.0, rel=0.02)


def test_declaring_another_probe_factor_rescales_the_screen(scope):
    assert float(ask(scope, "VOLT1:RANG:PTP 24;:INP1:PROB 1;:VOLT1:RANG:PTP?")) == pytest.approx(
        2.4
    )


def test_clip_on_a_live_node_does_not_become_the_reference(circuit, scope):
    ask(scope, "INIT;*OPC?")
    before = record(scope, 2)[1].mean()
    circuit.leads["scope.2.clip"] = "a"
    ask(scope, "INIT;*OPC?")
    assert record(scope, 2)[1].mean() == pytest.approx(before, abs=0.02)


def test_averaging_and_high_resolution_lower_the_noise(circuit, scope):
    circuit.volts["b"] = lambda t: np.zeros_like(t)
    spread = {}
    for name, message in (
        ("plain", "AVER OFF"),
        ("averaged", "AVER:COUN 16;STAT ON"),
        ("oversampled", "AVER OFF;:SWE:OVER ON"),
    ):
        ask(scope, f"{message};:INIT;*OPC?")
        spread[name] = record(scope, 2)[1].std()
    assert spread["averaged"] < 0.4 * spread["plain"]
    assert spread["oversampled"] < 0.3 * spread["plain"]


def test_time_base_is_within_its_specification(circuit, scope):
    ask(scope, "SWE:TINT 1E-4;POIN 50000;:INIT;*OPC?")
    t, volts = record(scope)
    crossings = np.flatnonzero((volts[:-1] < 0) & (volts[1:] >= 0))
    at = t[crossings] - volts[crossings] * 1e-4 / (volts[crossings + 1] - volts[crossings])
    hz = (len(at) - 1) / (at[-1] - at[0])
    assert abs(hz / 1000.0 - 1.0) <= spec.SCOPE_TIMEBASE + 2e-6


def test_transfer_and_record_take_bench_time(circuit, scope):
    ask(scope, "SWE:POIN 1000000;:TRIG:ATR ON")
    before = circuit.now
    ask(scope, "INIT;*OPC?")
    assert circuit.now - before > 1.0  # a million points at a megasample a second
    before = circuit.now
    ask(scope, "FORM INT,16;:TRAC? CH1")
    assert circuit.now - before == pytest.approx(0.1, rel=0.2)


def test_eight_bit_scope_has_coarser_steps(circuit, scope):
    coarse = Scope(circuit, bits=8)
    ask(coarse, "INP1:PROB 10;:VOLT1:RANG:PTP 24;:SWE:TINT 1E-6;POIN 10000;:INIT;*OPC?")
    _, volts = record(coarse)
    steps = np.diff(np.unique(volts))
    assert steps.min() == pytest.approx(24.0 / 256, rel=1e-6)
    assert math.log2(24.0 / steps.min()) == pytest.approx(8.0)


def test_text_and_codes_carry_the_same_volts(scope):
    ask(scope, "SWE:POIN 100;:INIT;*OPC?")
    _, volts = record(scope)
    text = np.array(ask(scope, "FORM ASC;:TRAC? CH1").split(","), float)
    assert text == pytest.approx(volts, abs=1e-4)


def test_memory_bounds_the_record(circuit):
    small = Scope(circuit, memory=2500)
    assert ask(small, "SWE:POIN? MAX") == "2500"
    ask(small, "SWE:POIN 2501")
    assert error(small) == -222


def test_channels_are_acquired_that_are_sensed(scope):
    assert ask(scope, "FUNC?") == '"XTIM:VOLT 1","XTIM:VOLT 2"'
    ask(scope, 'FUNC:OFF "XTIM:VOLT 1";:FUNC "XTIME:VOLTAGE:DC 4"')
    assert ask(scope, "FUNC?") == '"XTIM:VOLT 2","XTIM:VOLT 4"'
    ask(scope, 'FUNC "XTIM:VOLT 5"')
    assert error(scope) == -224


def test_channel_that_was_not_shown_has_no_data(scope):
    ask(scope, "INIT;*OPC?;:TRAC? CH3")
    assert error(scope) == -221


def test_averaging_of_more_than_its_memory_takes_is_refused(scope):
    ask(scope, "SWE:POIN MAX;:AVER:COUN 1000;STAT ON;:INIT")
    assert error(scope) == -221
    assert ask(scope, "STAT:OPER:COND?") == "0"
