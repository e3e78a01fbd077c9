"""The text of a simulated bench's file."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_sim.bench_file import Wiring, bench_text, fixed_leads, load_leads

RESOURCES = {
    key: f"TCPIP0::{key}.demo::INSTR"
    for key in ("supply", "meter", "scope", "generator", "control")
}
LOADS = {"left": (8.02, 0.005, 100.0), "right": (7.985, 0.005, 100.0)}
STEREO = Wiring(("left", "right"), bridged=False, split_rails=True)
BRIDGED = Wiring(("left", "right"), bridged=True, split_rails=False)


def read(wiring=STEREO, **options):
    return tomllib.loads(bench_text("Bench", wiring, RESOURCES, {"meter": "M1"}, LOADS, **options))


def test_file_names_every_instrument_its_driver_and_its_resource():
    bench = read()
    assert list(bench["instrument"]) == ["supply", "meter", "scope", "generator"]
    assert bench["instrument"]["meter"]["driver"] == "generic-meter"
    assert bench["instrument"]["meter"]["serial"] == "M1"
    assert bench["instrument"]["scope"]["probe"] == 10
    assert bench["simulator"]["control"] == RESOURCES["control"]


def test_split_rails_take_two_outputs_of_the_supply():
    leads = fixed_leads(STEREO)
    assert (leads["supply.1.pos"], leads["supply.2.neg"]) == ("rail.pos", "rail.neg")
    assert leads["supply.1.neg"] == leads["supply.2.pos"] == "ground"


def test_single_rail_takes_one_output():
    leads = fixed_leads(BRIDGED)
    assert leads["supply.1.pos"] == "rail.pos"
    assert "supply.2.pos" not in leads


def test_bridged_outputs_take_two_probes_each_and_no_clip_on_either():
    leads = fixed_leads(BRIDGED)
    assert leads["scope.1"] == "out.left.pos"
    assert leads["scope.4"] == "out.right.neg"
    assert {node for t, node in leads.items() if t.endswith(".clip")} == {"ground"}
    assert load_leads(BRIDGED, "right") == {
        "load.right.1": "out.right.pos",
        "load.right.2": "out.right.neg",
    }


def test_sensors_are_platinum_of_class_b():
    assert [(s["name"], s["kind"], s["class"]) for s in read()["sensor"]] == [
        ("sink", "Pt100", "B"),
        ("ambient", "Pt100", "B"),
    ]


def test_loads_say_what_was_measured():
    assert read()["load"][0] == {
        "name": "left",
        "point": "out.left",
        "resistance": "8.02 Ω",
        "tolerance": "0.5 %",
        "power": "100 W",
    }


@pytest.mark.parametrize("unit", [None, "demo-2x40"])
def test_unit_is_named_only_when_it_is_known(unit):
    assert read(unit=unit).get("unit") == unit


@given(
    st.lists(st.from_regex(r"[a-z][a-z0-9_]{0,8}", fullmatch=True), min_size=1, max_size=8,
             unique=True),
    st.booleans(),
    st.booleans(),
)  # fmt: skip
def test_no_terminal_is_used_twice_and_no_channel_of_the_scope_beyond_four(
    channels, bridged, split
):
    wiring = Wiring(tuple(channels), bridged, split)
    leads = read(wiring)["lead"]
    terminals = [lead["from"] for lead in leads]
    assert len(set(terminals)) == len(terminals)
    assert not any(t.startswith("scope.5") for t in terminals)
    assert sum(t.startswith("scope.") and not t.endswith(".clip") for t in terminals) in (
        min(len(channels), 4),
        2 * min(len(channels), 2),
    )


def test_channels_beyond_the_generators_outputs_share_one_by_a_splitter():
    wiring = Wiring(("left", "centre", "right"), bridged=False, split_rails=True)
    loads = dict.fromkeys(wiring.channels, (8.0, 0.005, 100.0))
    bench = tomllib.loads(bench_text("Bench", wiring, RESOURCES, {}, loads))
    to = {lead["from"]: lead["to"] for lead in bench["lead"]}
    assert to["generator.1"] == ["in.left", "in.right"]
    assert to["generator.2"] == "in.centre"
