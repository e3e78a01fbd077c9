"""Where SCPI-99, volume 2, has a subsystem for it, there a virtual instrument's command stands."""

from __future__ import annotations

import re

import pytest

import demo_sim

# Chapters of SCPI-99, volume 2 (and its measurement instructions, chapter 3), short forms.
SUBSYSTEMS = {
    "ABOR", "ARM", "CALC", "CAL", "CONF", "CONT", "DIAG", "DISP", "FETC", "FORM", "HCOP", "INIT",
    "INP", "INST", "MEAS", "MEM", "MMEM", "OUTP", "PROG", "READ", "ROUT", "SENS", "SOUR", "STAT",
    "SYST", "TEST", "TRAC", "TRIG", "UNIT",
}  # fmt: skip
# Below SENSe (meter, scope) and SOURce (supply, generator), whose own node may be left out.
BELOW = {
    "meter": {"VOLT", "CURR", "RES", "FRES", "FUNC"},
    "scope": {"VOLT", "FUNC", "SWE", "AVER"},
    "supply": {"VOLT", "CURR"},
    "generator": {"VOLT", "FREQ", "FUNC", "PULM", "PULS"},
    "switch": set(),
}
# Words of our own where the standard is silent, as the docstrings and drivers say.
OWN = {
    "scope": {"INP:PROB", "SWE:OVER", "TRIG:PAT"},
    "generator": {"SEC", "PULS:CYCL"},
    "switch": {"ROUT:CONN", "ROUT:DISC"},
}
# Words that no chapter knows and that practitioners know from particular makers.
MAKERS_OWN = re.compile(r"\b(CHAN\d?|WAV|ACQ|APPL|BURS|DUAL|TIM|SAMP|R\?|SING|RUN|STOP|LOAD)\b")


def headers(key):
    device = demo_sim.open_bench().devices[key]
    return [h.lstrip(":") for h in device.headers() if not h.lstrip(":").startswith("*")]


@pytest.mark.parametrize("key", BELOW)
def test_every_command_stands_in_a_subsystem_of_the_standard_or_is_said_to_be_our_own(key):
    for header in headers(key):
        root = re.sub(r"\d+$", "", header.rstrip("?").split(":")[0])
        assert root in SUBSYSTEMS | BELOW[key] | {w for w in OWN.get(key, ()) if ":" not in w}, (
            header
        )


@pytest.mark.parametrize("key", BELOW)
def test_no_command_is_one_makers(key):
    assert [header for header in headers(key) if MAKERS_OWN.search(header)] == []


@pytest.mark.parametrize("key", OWN)
def test_words_of_our_own_are_there(key):
    plain = [re.sub(r"\d", "", header) for header in headers(key)]
    for word in OWN[key]:
        assert any(word in header for header in plain), word


@pytest.mark.parametrize("key", BELOW)
def test_what_the_standard_demands_of_every_instrument_is_there(key):
    # SCPI-99 volume 1, 4.2.1: common commands of IEEE 488.2, and these.
    device = demo_sim.open_bench().devices[key]
    answered = {
        "SYST:ERR?": "0,", "SYST:VERS?": "1999.0", "STAT:OPER?": "", "STAT:OPER:COND?": "",
        "STAT:OPER:ENAB?": "", "STAT:QUES?": "", "STAT:QUES:COND?": "", "STAT:QUES:ENAB?": "",
        "*IDN?": "SEQRUN DEMO", "*ESR?": "", "*ESE?": "", "*SRE?": "", "*STB?": "", "*OPC?": "1",
        "*TST?": "0",
    }  # fmt: skip
    for message, begins in answered.items():
        text = device.execute(message).decode("ascii")
        assert text.strip() and text.startswith(begins), message
    device.execute("*CLS;*RST;*WAI;:STAT:PRES")
    assert device.execute("SYST:ERR?").startswith(b"0,")
