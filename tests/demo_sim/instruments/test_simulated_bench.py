"""The bench as a whole: wiring, hands, clock, switch, and both ways in."""

import select
import socket
import time
import tomllib

import pytest
import pyvisa

import demo_sim
from demo_sim.ports import Drive, Tone
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find

BRIDGED = {
    "model": "Bridge 2x60",
    "channels": ["left", "right"],
    "topology": "bridged",
    "rails": "single",
    "rail_voltage": 36.0,
    "rated_power": 60.0,
    "rated_load": 8.0,
    "gain_db": 29.0,
    "output_devices": 2,
    "ballast": 0.22,
    "sink_rise_limit": 40.0,
    "idle_current": 0.025,
    "relay_delay": 4.0,
}


@pytest.fixture
def bench():
    return demo_sim.open_bench(seed=3)


def ask(bench, key, message):
    return bench.devices[key].execute(message).decode("latin-1").strip()


def error(bench, key):
    return int(ask(bench, key, "SYST:ERR?").split(",")[0])


def test_everything_is_off_when_a_bench_is_opened(bench):
    assert ask(bench, "supply", "OUTP?") == "0"
    assert ask(bench, "generator", "OUTP1?;:OUTP2?") == "0;0"


def test_hands_put_a_lead_on_a_node_and_take_it_off(bench):
    ask(bench, "control", 'HAND:CONN "meter.hi","out.left"')
    assert ask(bench, "control", 'HAND:NODE? "meter.hi"') == '"out.left"'
    ask(bench, "control", 'HAND:DISC "meter.hi"')
    assert ask(bench, "control", 'HAND:NODE? "meter.hi"') == '""'


def test_hands_clear_all_leads_of_an_instrument_and_no_other(bench):
    for terminal in ("meter.hi", "meter.sense_hi"):
        ask(bench, "control", f'HAND:CONN "{terminal}","out.left"')
    ask(bench, "control", 'HAND:CLE "meter"')
    assert ask(bench, "control", 'HAND:NODE? "meter.hi";:HAND:NODE? "meter.sense_hi"') == '"";""'
    assert ask(bench, "control", 'HAND:NODE? "scope.1"') == '"out.left"'


def test_unknown_node_or_terminal_is_refused(bench):
    for arguments in ('"meter.hi","out.lefd"', '"toaster.1","ground"'):
        ask(bench, "control", f"HAND:CONN {arguments}")
        assert error(bench, "control") == -224


def test_clock_is_virtual_and_moves_by_what_it_is_told(bench):
    assert ask(bench, "control", "CLOC:VIRT?") == "1"
    before = float(ask(bench, "control", "CLOC:NOW?"))
    ask(bench, "control", "CLOC:WAIT 600")
    assert float(ask(bench, "control", "CLOC:NOW?")) - before == pytest.approx(600.0)


def test_switch_does_what_hands_do(bench):
    ask(bench, "switch", "ROUT:CLOS (@102,201)")
    assert ask(bench, "control", 'HAND:NODE? "meter.hi";:HAND:NODE? "meter.lo"') == (
        '"out.left";"ground"'
    )
    assert ask(bench, "switch", "ROUT:CLOS:STAT?") == "(@102,201)"
    ask(bench, "switch", "ROUT:OPEN:ALL")
    assert bench.world.node_of("meter.hi") is None


def test_switch_never_ties_two_nodes_together(bench):
    ask(bench, "switch", "ROUT:CLOS (@102);CLOS (@103)")
    assert error(bench, "switch") == -221
    assert ask(bench, "switch", "ROUT:CLOS? (@102,103)") == "1,0"
    ask(bench, "switch", 'ROUT:CONN "meter.hi","out.right"')
    assert ask(bench, "switch", "ROUT:CLOS? (@102,103)") == "0,1"


def test_switch_refuses_a_node_that_the_unit_does_not_have():
    bench = demo_sim.open_bench(BRIDGED)
    ask(bench, "switch", "ROUT:CLOS (@105)")  # rail.neg
    assert error(bench, "switch") == -241


def test_hidden_errors_depend_on_the_seed_and_on_nothing_else():
    def readings(seed):
        bench = demo_sim.open_bench(seed=seed)
        ask(bench, "supply", "VOLT 10;CURR 2;:OUTP ON")
        return ask(bench, "supply", "MEAS:VOLT? (@1)")

    assert readings(1) == readings(1)
    assert readings(1) != readings(2)


def powered(bench):
    """The demo unit at idle, relays closed."""
    ask(bench, "supply", "VOLT 30;CURR 3;:INST:NSEL 2;:VOLT 30;CURR 3;:OUTP ON")
    ask(bench, "control", "CLOC:WAIT 10")


def test_readings_agree_with_the_truth_within_the_data_sheets(bench):
    powered(bench)
    ask(bench, "control", 'HAND:CONN "meter.hi","out.left"')
    ask(bench, "control", 'HAND:CONN "meter.lo","ground"')
    shown = float(ask(bench, "meter", "CONF:VOLT:DC 0.1;:VOLT:NPLC 10;:READ?"))
    assert shown == pytest.approx(bench.truth.dc("out.left"), abs=2e-4)


def test_swapped_meter_leads_change_the_sign():
    volts = []
    for faults in ((), ("swapped_leads",)):
        bench = demo_sim.open_bench(faults=("dc_offset@left=0.3", *faults))
        powered(bench)
        ask(bench, "control", 'HAND:CONN "meter.hi","out.left"')
        ask(bench, "control", 'HAND:CONN "meter.lo","ground"')
        volts.append(float(ask(bench, "meter", "MEAS:VOLT:DC?")))
    assert volts[1] == pytest.approx(-volts[0], rel=0.02)


def test_protection_acts_during_a_long_wait():
    bench = demo_sim.open_bench(faults=("thermal_runaway@left=1",))
    ask(bench, "supply", "VOLT 30;CURR 4;:CURR:PROT 1;:INST:NSEL 2;:VOLT 30;CURR 4;:OUTP ON")
    ask(bench, "control", "CLOC:WAIT 1200")
    assert not bench.devices["supply"].outputs.on


def test_bridged_unit_is_wired_with_two_probes_for_each_channel():
    bench = demo_sim.open_bench(BRIDGED)
    leads = {lead["from"]: lead["to"] for lead in tomllib.loads(bench.bench_toml())["lead"]}
    assert all(bench.world.node_of(terminal) == node for terminal, node in leads.items())
    assert leads["scope.2"] == "out.left.neg"


def test_switch_is_in_the_bench_file_only_when_asked_for():
    plain = tomllib.loads(demo_sim.open_bench().bench_toml())
    with_switch = tomllib.loads(demo_sim.open_bench(with_switch=True).bench_toml())
    assert "switch" not in plain["instrument"]
    assert with_switch["instrument"]["switch"]["driver"] == "generic-switch"


@pytest.mark.parametrize("bits", [7, 16])
def test_scope_has_eight_or_twelve_bits(bits):
    with pytest.raises(demo_sim.DemoError):
        demo_sim.open_bench(scope_bits=bits)


EXCHANGE = (
    ("supply", "*IDN?"),
    ("supply", "VOLT 30;CURR 3;:INST:NSEL 2;:VOLT 30;CURR 3;:OUTP ON;*OPC?"),
    ("control", "CLOC:WAIT 10;NOW?"),
    ("supply", "MEAS:VOLT? (@1,2);:MEAS:CURR? (@1,2)"),
    ("control", 'HAND:CONN "meter.hi","out.left";CONN "meter.lo","ground";NODE? "meter.hi"'),
    ("meter", "CONF:VOLT:DC 1;:VOLT:NPLC 1;:TRIG:COUN 3;:READ?"),
    ("generator", "VOLT 0.2;:OUTP1 ON;*OPC?"),
    ("scope", "INP1:PROB 10;:VOLT1:RANG:PTP 40;:SWE:POIN 1000;:INIT;*OPC?"),
    ("scope", "TRAC:PRE? CH1"),
    ("scope", "FORM ASC;:TRAC? CH1"),
    ("supply", "VOLT 99;:SYST:ERR?"),
    ("control", "CLOC:NOW?"),
)


def converse(manager, resources):
    answers = []
    opened = {key: manager.open_resource(name) for key, name in resources.items()}
    for resource in opened.values():
        resource.timeout = 20_000
        resource.read_termination = resource.write_termination = "\n"
    for key, message in EXCHANGE:
        answers.append(opened[key].query(message))
    for resource in opened.values():
        resource.close()
    return answers


def test_same_seed_and_same_messages_give_the_same_bytes_in_process_and_over_tcp():
    inside = demo_sim.open_bench(seed=5)
    in_process = converse(pyvisa.ResourceManager(inside.visa_library), inside.resources)
    outside = demo_sim.open_bench(seed=5)
    with outside.serve() as server:
        manager = pyvisa.ResourceManager("@py")
        over_tcp = converse(manager, server.resources)
        manager.close()
    assert over_tcp == in_process


def test_served_bench_file_names_the_sockets_and_the_port_that_was_asked_for(bench):
    with bench.serve() as server:
        file = tomllib.loads(server.bench_toml())
        assert file["instrument"]["meter"]["resource"] == server.resources["meter"]
        assert file["simulator"]["control"] == server.resources["control"]
        port = int(server.resources["meter"].split("::")[2])
        assert server.resources["meter"] == f"TCPIP0::127.0.0.1::{port}::SOCKET"
        with pytest.raises(OSError):
            demo_sim.open_bench().serve(ports={"supply": port})
    with pytest.raises(demo_sim.DemoError):
        bench.serve(ports={"toaster": 5025})


def test_real_time_bench_follows_the_wall_clock():
    bench = demo_sim.open_bench(real_time=True)
    assert ask(bench, "control", "CLOC:VIRT?") == "0"
    before = float(ask(bench, "control", "CLOC:NOW?"))
    ask(bench, "control", "CLOC:WAIT 0.05")
    assert 0.05 <= float(ask(bench, "control", "CLOC:NOW?")) - before < 1.0


def test_one_to_one_probe_where_ten_to_one_is_declared_shows_ten_times_the_volts():
    spread = []
    for faults in ((), ("probe_factor@left",)):
        bench = demo_sim.open_bench(faults=faults)
        powered(bench)
        ask(bench, "generator", "FREQ 1000;VOLT 0.05;:OUTP1 ON")
        ask(bench, "scope", "INP1:PROB 10;:VOLT1:RANG:PTP 80;:SWE:TINT 1E-6;POIN 10000;:INIT;*OPC?")
        volts = ask(bench, "scope", "FORM ASC;:TRAC? CH1").split(",")
        spread.append(max(map(float, volts)))
    assert spread[1] == pytest.approx(10 * spread[0], rel=0.05)


def test_eight_bit_scope_goes_by_a_driver_that_says_so():
    file = tomllib.loads(demo_sim.open_bench(scope_bits=8).bench_toml())
    assert load_driver(find("driver", file["instrument"]["scope"]["driver"])).scope.bits == 8


def test_over_current_protection_acts_while_another_instrument_is_at_work(bench):
    powered(bench)
    ask(bench, "supply", "INST:NSEL 1;:CURR:PROT 0.3")
    ask(bench, "generator", "VOLT 0.5")
    assert ask(bench, "supply", "OUTP?") == "1"
    ask(bench, "generator", "OUTP1 ON")
    ask(bench, "meter", "CONF:VOLT:DC 100;:VOLT:NPLC 1;:READ?")  # 42 ms
    assert ask(bench, "supply", "CURR:PROT:TRIP?;:OUTP?") == "1;0"


def test_over_current_protection_waits_for_its_delay_and_no_longer(bench):
    powered(bench)
    ask(bench, "supply", "INST:NSEL 1;:CURR:PROT 0.3")
    for channel in (1, 2):
        bench.world.set_drive(f"generator.{channel}", Drive((Tone(1000.0, 0.7),)))
    bench.world.advance(0.0)
    bench.world.advance(0.009)
    assert bench.devices["supply"].outputs.on
    bench.world.advance(0.002)
    assert not bench.devices["supply"].outputs.on


def test_a_level_set_below_what_flows_acts_at_once_after_a_long_quiet_time(bench):
    powered(bench)
    ask(bench, "control", "CLOC:WAIT 3600")  # nothing moves, so a look each few seconds is enough
    ask(bench, "supply", "INST:NSEL 1;:CURR:PROT 0.02")
    ask(bench, "control", "CLOC:WAIT 3")
    assert not bench.devices["supply"].outputs.on
    assert bench.truth.rail("pos") < 25.0  # it had nearly three seconds to discharge


def test_protection_catches_a_slow_rise_soon_after_it_passes_the_level():
    bench = demo_sim.open_bench(faults=("thermal_runaway@left=1",))
    ask(bench, "supply", "VOLT 30;CURR 4;:CURR:PROT 1;:INST:NSEL 2;:VOLT 30;CURR 4;:OUTP ON")
    highest = [0.0]

    def note(now):
        highest.append(bench.world.supply_state("supply", 1).amps)
        return 0.1

    bench.world.watch(note)
    ask(bench, "control", "CLOC:WAIT 1200")
    assert not bench.devices["supply"].outputs.on
    assert max(highest) < 1.1


def test_clock_that_is_told_to_wait_keeps_nobody_else_waiting():
    with demo_sim.open_bench(real_time=True).serve() as server:
        waiting, asking = (client(server, key) for key in ("control", "meter"))
        waiting.sendall(b"CLOC:WAIT 600\n")
        begun = time.monotonic()
        asking.sendall(b"*IDN?\n")
        assert b"METER" in asking.recv(100)
        server.close()
        assert time.monotonic() - begun < 60.0  # far from the 600 s, however slow the machine is


def test_instrument_is_busy_for_itself_alone_in_real_time():
    bench = demo_sim.open_bench(real_time=True)
    turn = bench.devices["meter"].turn
    with bench.serve() as server:
        measuring, second, other = (client(server, key) for key in ("meter", "meter", "supply"))
        measuring.sendall(b"CONF:VOLT:DC 10;:VOLT:NPLC 100;:READ?\n")  # 4 s
        while turn.acquire(blocking=False):
            turn.release()
        second.sendall(b"*IDN?\n")
        other.sendall(b"*IDN?\n")
        assert b"SUPPLY" in other.recv(100)
        readable, _, _ = select.select([measuring, second], [], [], 0.0)
        assert not readable  # the same instrument answers nobody before its reading is done


def client(server, key):
    host, port = server.resources[key].split("::")[1:3]
    return socket.create_connection((host, int(port)), timeout=10.0)


def test_protection_acts_in_real_time_between_messages():
    bench = demo_sim.open_bench(real_time=True)
    ask(bench, "supply", "VOLT 30;CURR 3;:INST:NSEL 2;:VOLT 30;CURR 3;:OUTP ON")
    ask(bench, "supply", "CURR:PROT 10 MA")  # less than the unit draws at idle
    ask(bench, "control", "CLOC:WAIT 0.05")
    assert ask(bench, "supply", "CURR:PROT:TRIP?;:OUTP?") == "1;0"
