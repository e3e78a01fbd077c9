"""*SAV and *RCL, IEEE 488.2, 10.29 and 10.33."""

import pytest

from demo_sim.instruments.generator import Generator
from demo_sim.instruments.meter import Meter
from demo_sim.instruments.scope import Scope
from demo_sim.instruments.supply import Supply


def ask(device, message):
    return device.execute(message).decode("ascii").strip()


SETTINGS = (
    (Supply, "INST:NSEL 2;:VOLT 12;CURR 2", "INST:NSEL?;:VOLT?;CURR?"),
    (Meter, "CONF:CURR 1;:CURR:NPLC 1;:SAMP:COUN 7", "CONF?;:SAMP:COUN?"),
    (Scope, "CHAN2:RANG 8;COUP AC;:ACQ:SRAT 5E5;:WAV:SOUR CHAN2", "CHAN2:RANG?;COUP?;:WAV:SOUR?"),
    (Generator, "SOUR2:FREQ 440;VOLT 0.3;:OUTP2 ON", "SOUR2:FREQ?;VOLT?;:OUTP2?"),
)


@pytest.mark.parametrize(("kind", "commands", "queries"), SETTINGS)
def test_recalled_settings_are_those_that_were_saved(circuit, kind, commands, queries):
    device = kind(circuit)
    fresh = ask(device, queries)
    ask(device, f"{commands};*SAV 3")
    saved = ask(device, queries)
    ask(device, "*RST")
    assert ask(device, queries) == fresh != saved
    for _ in range(2):  # what is changed afterwards does not change what was kept
        ask(device, "*RCL 3")
        assert ask(device, queries) == saved
        ask(device, "*RST")


@pytest.mark.parametrize("kind", [kind for kind, _, _ in SETTINGS])
def test_empty_place_is_refused_and_nothing_changes(circuit, kind):
    device = kind(circuit)
    ask(device, "*RCL 5")
    assert ask(device, "SYST:ERR?").startswith("-221")
    ask(device, "*SAV 10")
    assert ask(device, "SYST:ERR?").startswith("-222")


def test_supply_recalls_its_settings_with_the_outputs_off(circuit):
    supply = Supply(circuit)
    ask(supply, "VOLT 12;:OUTP ON;*SAV 1;*RCL 1")
    assert ask(supply, "OUTP?;:VOLT?") == "0;+1.200000000E+01"
    assert not circuit.supply[1].on
    ask(supply, "OUTP ON")
    assert circuit.supply[1].volts == pytest.approx(12.0, abs=0.05)


def test_generator_puts_out_what_it_recalls(circuit):
    generator = Generator(circuit)
    ask(generator, "FREQ 440;:OUTP1 ON;*SAV 0;*RST")
    assert circuit.drives["generator.1"] is None
    ask(generator, "*RCL 0")
    assert circuit.drives["generator.1"].tones[0].frequency_hz == pytest.approx(440.0, rel=1e-4)
