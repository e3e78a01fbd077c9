"""Whatever a client sends, no instrument breaks: it does it, or says by number why not."""

import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import demo_sim

INSTRUMENTS = ("supply", "meter", "scope", "generator", "switch", "control")
OWN_MISTAKE = b"-310"  # system error: an exception that no handler expected
LONGEST_S = 5.0  # CPU time of one message, far beyond what any needs

# Kept small: a reading of a hundred line cycles or a long wait is legal, but slow.
ARGUMENTS = st.sampled_from(
    ["", "0", "1", "2", "3", "-1", "5", "0.02", "1E-3", "30 MV", "1.5 A", "1 KHZ", "9.9E37",
     "-9.9E37", "1E300", "MIN", "MAX", "DEF", "ON", "OFF", "AUTO", "INF", "POS", "NORM",
     '"XTIM:VOLT 2"',
     "INT1", "SIN", "SQU", "CH1", "INT,16", "SWAP", "ASC", "FRTD", "TC,K", "THER,5000", "(@1,2)",
     "(@101)", "(@102,103)", "(@999)", '"meter.hi"', '"meter.hi","out.left"', '"FRES"', "#11A",
     "1,2,3"]
)  # fmt: skip


def live_bench():
    """Under power and driven, the meter on an output: what is measured has to be worked out."""
    bench = demo_sim.open_bench(seed=2)
    for key, message in (
        ("supply", "VOLT 30;CURR 3;:INST:NSEL 2;:VOLT 30;CURR 3;:OUTP ON"),
        ("control", 'CLOC:WAIT 10;:HAND:CONN "meter.hi","out.left";CONN "meter.lo","ground"'),
        ("generator", "VOLT 0.2;:OUTP1 ON"),
    ):
        bench.devices[key].execute(message)
    return bench


@pytest.fixture(scope="module")
def bench():
    """What one message leaves, the next one finds."""
    return live_bench()


@pytest.fixture(scope="module")
def undisturbed():
    return live_bench()


@pytest.mark.parametrize("key", INSTRUMENTS)
@given(data=st.data())
@settings(max_examples=150, deadline=None)
def test_no_message_breaks_an_instrument(bench, key, data):
    device = bench.devices[key]
    headers = [h for h in device._tree.headers() if not h.endswith(("*TST?", "CLOC:WAIT"))]
    units = data.draw(
        st.lists(
            st.builds(lambda h, a: f"{h} {a}".strip(), st.sampled_from(headers), ARGUMENTS),
            min_size=1,
            max_size=4,
        )
    )
    device.execute("*CLS;*RST;:SWE:POIN 100" if key == "scope" else "*CLS;*RST")
    begun = time.process_time()
    device.execute(";".join(units))
    assert time.process_time() - begun < LONGEST_S, units
    errors = device.execute("SYST:ERR:ALL?")
    assert OWN_MISTAKE not in errors, (units, errors)


HEAVIEST = (
    ("meter", "CONF:VOLT:AC;:TRIG:COUN 300;:READ?"),
    ("meter", "CONF:RES;:TRIG:COUN MAX;:READ?"),
    ("scope", "*RST;:SWE:POIN MAX;:INIT;:FORM ASC;:TRAC? CH1"),
    ("scope", "*RST;:SWE:POIN MAX;:AVER:COUN MAX;STAT ON;:INIT;*OPC?"),
    ("scope", "*RST;:TRIG:ATR OFF;LEV 50;PAT 20;:INIT;*OPC?"),
    ("control", "CLOC:WAIT MAX"),
)


@pytest.mark.parametrize(("key", "message"), HEAVIEST)
def test_longest_readings_records_and_waits_are_soon_done(undisturbed, key, message):
    begun = time.process_time()
    undisturbed.devices[key].execute(message)
    assert time.process_time() - begun < LONGEST_S
