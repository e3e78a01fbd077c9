"""Other benches than the full one: what a bench file says is what answers."""

from __future__ import annotations

import tomllib

import pytest
from typer.testing import CliRunner

import demo_sim
from demo_sim.variants import SMALL_MEMORY
from seqrun.cli import app
from seqrun.errors import UsageError
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import shipped
from seqrun.runner.opening import open_bench, read_bench


def ask(bench, key, message):
    return bench.devices[key].execute(message).decode("ascii").strip()


def file_of(*variants):
    return tomllib.loads(demo_sim.open_bench(variants=variants).bench_toml())


def test_the_small_scope_and_its_driver_agree_about_the_memory():
    bench = demo_sim.open_bench(variants=["small_memory"])
    assert ask(bench, "scope", "SWE:POIN? MAX") == str(SMALL_MEMORY)
    name = file_of("small_memory")["instrument"]["scope"]["driver"]
    scope = load_driver(shipped("driver")[name]).scope
    assert scope is not None
    assert (scope.max_points, scope.bits) == (SMALL_MEMORY, 8)


def test_two_supplies_feed_one_rail_each():
    file = file_of("two_supplies")
    leads = {lead["from"]: lead["to"] for lead in file["lead"]}
    assert leads["supply.1.pos"] == "rail.pos"
    assert leads["supply_2.1.neg"] == "rail.neg"
    bench = demo_sim.open_bench(variants=["two_supplies"])
    for key in ("supply", "supply_2"):
        ask(bench, key, "VOLT 30;:CURR 3;:OUTP ON")
    bench.world.advance(10.0)
    for key, node, sign in (("supply", "rail.pos", 1), ("supply_2", "rail.neg", -1)):
        assert float(ask(bench, key, "MEAS:VOLT?")) == pytest.approx(30.0, abs=0.1)
        assert bench.truth.dc(node) == pytest.approx(sign * 30.0, abs=0.2)
    ask(bench, "supply_2", "OUTP OFF")
    bench.world.advance(60.0)
    assert bench.truth.dc("rail.neg") == pytest.approx(0.0, abs=1.0)
    assert ask(bench, "supply", "OUTP?") == "1"


def test_each_supply_has_its_own_serial_number_and_errors():
    file = file_of("two_supplies")
    serials = [file["instrument"][key]["serial"] for key in ("supply", "supply_2")]
    assert len(set(serials)) == 2


def test_one_generator_output_drives_both_inputs_through_a_splitter():
    file = file_of("one_generator_output")
    leads = {str(lead["from"]): lead["to"] for lead in file["lead"]}
    assert leads["generator.1"] == ["in.left", "in.right"]
    assert "generator.2" not in leads
    bench = demo_sim.open_bench(variants=["one_generator_output"])
    ask(bench, "generator", "SOUR1:FREQ 1000;VOLT 0.2;:OUTP1 ON")
    bench.world.advance(10.0)
    levels = [bench.truth.input_v_rms(channel) for channel in ("left", "right")]
    assert levels == pytest.approx([0.2, 0.2], rel=0.02)
    for message in ("OUTP2 ON", "SOUR2:VOLT 1"):
        ask(bench, "generator", message)
        assert ask(bench, "generator", "SYST:ERR?").startswith("-114")


def test_a_plain_supply_knows_no_protection_and_tells_no_current_limit():
    bench = demo_sim.open_bench(variants=["plain_supply"])
    for message in ("VOLT:PROT 10", "CURR:PROT:TRIP?", "STAT:QUES:INST:ISUM1:COND?"):
        ask(bench, "supply", message)
        assert ask(bench, "supply", "SYST:ERR?").startswith("-113")
    ask(bench, "supply", "VOLT 40;:CURR 0.05;:OUTP ON")
    bench.world.advance(1.0)
    assert ask(bench, "supply", "OUTP?") == "1"
    assert ask(bench, "supply", "STAT:QUES:COND?") == "0"


@pytest.mark.parametrize("key", ["supply", "meter", "scope", "generator"])
def test_what_is_missing_neither_answers_nor_has_leads(key):
    bench = demo_sim.open_bench(variants=[f"no_{key}"])
    assert key not in bench.devices
    file = tomllib.loads(bench.bench_toml())
    assert key not in file["instrument"]
    assert not any(lead["from"].startswith(f"{key}.") for lead in file["lead"])


def test_variants_combine():
    file = file_of("small_memory", "two_wire_meter", "no_generator", "switch")
    assert set(file["instrument"]) == {"supply", "meter", "scope", "switch"}
    assert file["instrument"]["meter"]["driver"] == "generic-meter-two-wire"


def test_hidden_errors_of_what_is_left_stay_those_of_the_seed():
    def volts(*variants):
        bench = demo_sim.open_bench(variants=variants)
        ask(bench, "control", 'HAND:CONN "meter.hi","ground";CONN "meter.lo","ground"')
        return ask(bench, "meter", "CONF:VOLT:DC 25;:READ?")

    assert volts("no_generator", "two_wire_meter") == volts()


def test_a_variant_is_named_after_the_demo():
    files = read_bench("demo: two_wire_meter, small_memory", None)
    assert "configure_resistance_4w" not in files.view.drivers["meter"].operation


def test_an_unknown_variant_is_told_the_nearest():
    with pytest.raises(UsageError, match="small_memory"):
        read_bench("demo:small_memry", None)


def test_variants_are_listed_beside_the_faults():
    text = CliRunner().invoke(app, ["faults"]).stdout
    assert all(variant.name in text for variant in demo_sim.VARIANTS)


SUPPLIES = [["two_supplies"], ["plain_supply"], ["two_supplies", "plain_supply"]]


@pytest.mark.parametrize("variants", [*([v.name] for v in demo_sim.VARIANTS), *SUPPLIES[2:]])
def test_every_variant_is_opened_by_the_drivers_that_its_bench_file_names(variants):
    opened = open_bench(read_bench(f"demo:{','.join(variants)}", None), lambda *_: None)
    try:
        named = set(opened.view.bench.instrument)
        assert set(opened.instruments) == named - {"supply_2"}  # two supplies play one role
        for variant in variants:
            assert variant.removeprefix("no_") not in named or variant == "switch"
    finally:
        opened.close()


@pytest.mark.parametrize("variants", SUPPLIES)
def test_supplies_of_other_benches_are_set_and_read_back(variants):
    opened = open_bench(read_bench(f"demo:{','.join(variants)}", None), lambda *_: None)
    try:
        supply = opened.instruments["supply"]
        assert supply.outputs == 2
        for output in (1, 2):
            supply.set_current_limit(output, 1.0)
            supply.set_voltage(output, 12.0)
        supply.enable(True)
        opened.clock.wait(2.0)  # the reservoirs charge
        for output in (1, 2):
            assert supply.voltage(output).nominal_value == pytest.approx(12.0, abs=0.1)
        supply.make_safe()
        assert not supply.enabled()
    finally:
        opened.close()
