"""What every sequence that ships keeps to, read from the files alone."""

from __future__ import annotations

import re

import pytest

from seqrun.errors import SeqrunError
from seqrun.files.sequence.load import load_sequence
from seqrun.files.shipped import find, shipped
from seqrun.runner.preparation import check_file, prepare
from seqrun.steps.base import kinds

NAMES = (
    "acceptance",
    "intake",
    "isolate",
    "noise-hunt",
    "sharing",
    "quick",
    "power-rating",
    "preamp",
    "supplies",
    "relays",
)
UNITS = ("demo-2x40", "demo-mono", "demo-bridged", "demo-receiver")


@pytest.mark.parametrize("name", NAMES)
def test_it_is_a_right_file(name: str) -> None:
    assert "sequence" in check_file(find("sequence", name))


@pytest.mark.parametrize("name", NAMES)
def test_whoever_powers_a_unit_is_cautioned_first(name: str) -> None:
    text = " ".join(load_sequence(name, kinds()).cautions).lower()
    for word in ("charge", "2 v", "hot", "mains", "local codes", "clip"):
        assert word in text, word


@pytest.mark.parametrize("name", NAMES)
def test_it_begins_with_protection_and_ends_with_a_discharge_confirmed_by_meter(name: str) -> None:
    steps = [entry["do"] for entry in load_sequence(name, kinds()).step]
    assert steps.index("protect_supply") < steps.index("ramp_supply")
    assert steps[-1] == "power_down"


@pytest.mark.parametrize("name", NAMES)
def test_a_trip_watches_the_supply_while_anything_waits(name: str) -> None:
    assert "supply_current" in {trip.quantity for trip in load_sequence(name, kinds()).trip}


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("name", [n for n in NAMES if n not in ("acceptance", "preamp")])
def test_every_topology_can_be_planned_on_the_demo_bench(name: str, unit: str) -> None:
    plan, _ = prepare(name, "demo", unit)
    scopes = [lead for h in plan.hookups for lead in h.leads if lead[0].endswith(".clip")]
    assert all(node == "ground" for _, node in scopes)


@pytest.mark.parametrize("unit", ["demo-2x40", "demo-mono", "demo-bridged"])
def test_a_unit_without_a_preamplifier_is_refused_by_preamp(unit: str) -> None:
    with pytest.raises(SeqrunError, match="for units with a line input"):
        prepare("preamp", "demo", unit)


def test_devices_without_a_neighbour_have_nothing_to_share() -> None:
    plan, _ = prepare("sharing", "demo", "demo-receiver")
    ids = [action.id for action in plan.actions]
    assert not [i for i in ids if i.startswith(("share_", "busiest_"))]
    assert [i for i in ids if i.startswith("slope.")]


def test_a_bridged_output_is_read_as_the_difference_of_two_probes() -> None:
    plan, _ = prepare("quick", "demo", "demo-bridged")
    for action in plan.actions:
        on = {node for h in action.needs.hookups for t, node in h.leads if t.startswith("scope")}
        for node in on:
            if node.endswith(".pos") and node.startswith("out."):
                assert node.removesuffix("pos") + "neg" in on, action.id


SENDS = re.compile(r"\b(coil|fuse|bias (adjustment|transistor)|divider|capacitors|look at)\b")


@pytest.mark.parametrize("name", shipped("sequence"))
def test_a_text_that_sends_somebody_to_the_unit_says_whether_it_is_powered(name: str) -> None:
    for step in load_sequence(shipped("sequence")[name], kinds()).step:
        if step["do"] == "tell" and SENDS.search(step["text"]):
            powered = re.search(r"\bcoil\b", step["text"])
            assert step["work"] == ("powered" if powered else "off"), step["id"]
