"""Instruments that are not ours: pyvisa-sim plays them, a driver file alone speaks to them.

Source: pyvisa-sim (https://pyvisa.readthedocs.io/projects/pyvisa-sim), an independent simulator.
The two dialects below are invented, and as unlike our generic drivers as real ones can be: no
compound messages, an error query of their own, millivolts, words for numbers, units in answers.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import pyvisa

from seqrun.errors import InstrumentRefused, NotMeasured, WrongInstrument
from seqrun.files.bench.parts import InstrumentEntry as BenchInstrument
from seqrun.files.driver.load import driver_from_text
from seqrun.instruments.opening import open_instrument
from seqrun.instruments.roles import Meter, Supply

SIMULATED = """
spec: "1.1"
devices:
  supply:
    eom:
      TCPIP INSTR: {q: "\\n", r: "\\n"}
    error:
      error_queue:
        - q: "ERR?"
          default: "OK"
          command_error: "E32 unknown command"
          query_error: "E33 no answer"
    dialogues:
      - {q: "*IDN?", r: "EXAMPLE;PSU-30;SN 77"}
      - {q: "VOUT? A", r: "VOUT A 12.34V"}
      - {q: "IOUT? A", r: "A=250mA B=10mA"}
      - {q: "STAT? A", r: "18"}
      - {q: "STAT? B", r: "1"}
    properties:
      volts_a:
        default: 0
        getter: {q: "VSET? A", r: "{:d}"}
        setter: {q: "VSET A {:d}"}
        specs: {min: 0, max: 30000, type: int}
      amperes_a:
        default: 0.1
        getter: {q: "ISET? A", r: "{:.3f}"}
        setter: {q: "ISET A {:.3f}"}
        specs: {min: 0, max: 5, type: float}
      over_volts_a:
        default: 33.0
        getter: {q: "OVP? A", r: "OVP {:.1f} V"}
        setter: {q: "OVP A {:.1f}"}
        specs: {min: 0, max: 33, type: float}
      over_amperes_a:
        default: 5.5
        getter: {q: "OCP? A", r: "OCP {:.1f} A"}
        setter: {q: "OCP A {:.1f}"}
        specs: {min: 0, max: 5.5, type: float}
      output:
        default: "STBY"
        getter: {q: "OPER?", r: "{:s}"}
        setter: {q: "MODE {:s}"}
        specs: {valid: ["STBY", "RUN"], type: str}
  meter:
    eom:
      TCPIP SOCKET: {q: "\\r\\n", r: "\\r\\n"}
    error: ERROR
    dialogues:
      - {q: "*IDN?", r: "EXAMPLE,DMM-5,4711,A"}
      - {q: "F1R3S2"}
      - {q: "F4R2S2"}
      - {q: "TRG?", r: "NDCV +1.23456E+0"}
resources:
  TCPIP::psu.example::INSTR:
    device: supply
  TCPIP::dmm.example::5000::SOCKET:
    device: meter
"""

SUPPLY = """
role = "supply"
name = "Example supply, 30 V"
idn = "^EXAMPLE;PSU-30;"
[link]
error_query = "ERR?"
error_check = "separate"
no_error = "^OK"
time_out = "0.3 s"
[supply]
outputs = 2
[words.output]
1 = "A"
2 = "B"
[words.on]
true = "RUN"
false = "STBY"
[scale]
volts = 1000.0
[operation]
set_voltage = "VSET {output} {volts:d}"
set_current_limit = "ISET {output} {amperes:.3f}"
set_over_current_protection = "OCP {output} {amperes:.1f}"
enable = "MODE {on}"
make_safe = "MODE STBY"
[operation.set_over_voltage_protection]
send = "OVP {output} {volts:.1f}"
factor = { volts = 1.0 }
[operation.over_voltage_protection]
send = "OVP? {output}"
match = '([\\d.]+) V'
[operation.over_current_protection]
send = "OCP? {output}"
field = 1
separator = " "
[operation.enabled]
send = "OPER?"
map = { RUN = true, STBY = false }
[operation.voltage]
send = "VOUT? {output}"
match = '([\\d.]+)V$'
[operation.current]
send = "IOUT? {output}"
field = 0
separator = " "
match = '=(\\d+)mA'
scale = 0.001
[operation.protection_tripped]
send = "STAT? {output}"
bit = 4
[operation.constant_current]
send = "STAT? {output}"
bit = 0
[[accuracy]]
function = "readback_voltage"
of_reading = "0.5 %"
offset = "20 mV"
[[accuracy]]
function = "readback_current"
of_reading = "1 %"
offset = "5 mA"
"""

METER = """
role = "meter"
name = "Example meter"
idn = "DMM-5"
[link]
write_termination = "\\r\\n"
read_termination = "\\r\\n"
error_check = "none"
time_out = "0.3 s"
[operation]
configure_dc_voltage = "F1R{range}S2"
configure_resistance_4w = "F4R{range}S2"
[operation.read]
send = "TRG?"
match = '[A-Z]+ ([-+.E\\d]+)$'
[words.range]
"0.2" = "2"
2 = "3"
200 = "2"
[[accuracy]]
function = "dc_voltage"
range = "2 V"
of_reading = "0.05 %"
of_range = "0.01 %"
[[accuracy]]
function = "resistance_4w"
range = "200 Ω"
of_reading = "0.1 %"
"""


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[pyvisa.ResourceManager]:
    file = tmp_path / "instruments.yaml"
    file.write_text(SIMULATED, encoding="utf-8")
    with closing(pyvisa.ResourceManager(f"{file}@sim")) as found:
        yield found


def opened(manager: pyvisa.ResourceManager, resource: str, text: str) -> Any:
    entry = BenchInstrument(resource=resource, driver="own.toml")
    driver = driver_from_text(text, "own.toml")
    return open_instrument(driver.role, entry, driver, manager, lambda *_: None)


@pytest.fixture
def supply(manager: pyvisa.ResourceManager) -> Any:
    return opened(manager, "TCPIP::psu.example::INSTR", SUPPLY)


@pytest.fixture
def meter(manager: pyvisa.ResourceManager) -> Any:
    return opened(manager, "TCPIP::dmm.example::5000::SOCKET", METER)


def test_one_file_makes_it_a_supply(supply: Any) -> None:
    assert isinstance(supply, Supply)
    assert supply.identity == "EXAMPLE;PSU-30;SN 77"


def test_volts_are_sent_in_the_instrument_s_millivolts(supply: Any) -> None:
    supply.set_voltage(1, 12.345)
    assert supply._link.query("VSET? A") == "12345"


def test_answers_with_units_and_words_are_read(supply: Any) -> None:
    supply.enable(True)
    assert supply.enabled()
    supply.make_safe()
    assert not supply.enabled()
    assert supply.voltage(1).nominal_value == pytest.approx(12.34)
    assert supply.current(1).nominal_value == pytest.approx(0.250)
    assert supply.over_voltage_protection(1) == pytest.approx(33.0)
    assert supply.over_current_protection(1) == pytest.approx(5.5)


def test_states_are_bits_of_a_register(supply: Any) -> None:
    assert supply.protection_tripped(1)  # 18 = 0b10010: bit 4
    assert not supply.constant_current(1)
    assert supply.constant_current(2)  # 1: bit 0
    assert not supply.protection_tripped(2)


def test_its_own_error_words_are_reported(supply: Any) -> None:
    with pytest.raises(InstrumentRefused, match="E32 unknown command"):
        supply.set_current_limit(2, 1.0)  # there is no ISET B


def test_another_instrument_is_refused(manager: pyvisa.ResourceManager) -> None:
    with pytest.raises(WrongInstrument, match="PSU-30"):
        opened(manager, "TCPIP::psu.example::INSTR", SUPPLY.replace("PSU-30", "PSU-60"))


def test_a_meter_of_letters_and_digits_is_one_file_too(meter: Any) -> None:
    assert isinstance(meter, Meter)
    meter.configure("dc_voltage", 1.5)
    value = meter.read(3)
    assert value.nominal_value == pytest.approx(1.23456)
    assert value.std_dev > 0.0


def test_a_word_for_overload_is_not_measured(manager: pyvisa.ResourceManager) -> None:
    text = METER.replace("match = '[A-Z]+ ([-+.E\\d]+)$'", 'map = { "NDCV +1.23456E+0" = 9.9e37 }')
    meter = opened(manager, "TCPIP::dmm.example::5000::SOCKET", text)
    meter.configure("dc_voltage", 1.5)
    with pytest.raises(NotMeasured, match="overload"):
        meter.read()
