"""Leads that cannot be right are refused before anything is energised, with lead and polarity."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from seqrun.errors import SeqrunError
from seqrun.runner.preparation import prepare

BENCH = """
name = "Corner bench"
[simulator]
control = "TCPIP0::192.0.2.5::5025::SOCKET"
[instrument.psu]
resource = "TCPIP0::192.0.2.1::5025::SOCKET"
driver = "./three.toml"
[instrument.dmm]
resource = "TCPIP0::192.0.2.2::5025::SOCKET"
driver = "generic-meter"
[instrument.dso]
resource = "TCPIP0::192.0.2.3::5025::SOCKET"
driver = "generic-scope"
[instrument.gen]
resource = "TCPIP0::192.0.2.4::5025::SOCKET"
driver = "generic-generator"
"""
SPLIT = {
    "psu.1.pos": "rail.pos",
    "psu.1.neg": "ground",
    "psu.2.pos": "ground",
    "psu.2.neg": "rail.neg",
    "gen.1": "in.left",
    "gen.2": "in.right",
    "dso.1": "out.left",
    "dso.2": "out.right",
    "dso.1.clip": "ground",
}
BRIDGED = {
    "psu.1.pos": "rail.pos",
    "psu.1.neg": "ground",
    "gen.1": "in.left",
    "gen.2": "in.right",
    "dso.1": "out.left.pos",
    "dso.2": "out.left.neg",
    "dso.3": "out.right.pos",
    "dso.4": "out.right.neg",
}
SECOND_SUPPLY = """
[instrument.other]
resource = "TCPIP0::192.0.2.9::5025::SOCKET"
driver = "generic-supply"
"""


@pytest.fixture
def planned(
    tmp_path: Path, short_sequence: Callable[..., str], as_real: Callable[[str], str]
) -> Callable[..., str]:
    """``planned(leads, unit)``: what the plan says to a bench with those leads, "" when nothing."""

    def plan(leads: dict[str, str], unit: str = "demo-2x40", extra: str = "") -> str:
        supply = (Path("drivers") / "generic-supply.toml").read_text(encoding="utf-8")
        three = re.sub(r"(?m)^outputs = \d", "outputs = 3", supply)
        three = re.sub(r"(?m)^accuracy_of = .*\n", "", three)
        (tmp_path / "three.toml").write_text(three, encoding="utf-8")
        text = BENCH + extra
        text += "".join(f'[[lead]]\nfrom = "{a}"\nto = "{b}"\n' for a, b in leads.items())
        for channel in ("left", "right"):
            text += (
                f'[[load]]\nname = "{channel}"\npoint = "out.{channel}"\nresistance = "8 Ω"\n'
                'tolerance = "0.5 %"\npower = "100 W"\n'
            )
        file = tmp_path / "bench.toml"
        file.write_text(as_real(text), encoding="utf-8")
        try:
            prepare(short_sequence(), str(file), unit)
        except SeqrunError as error:
            assert error.exit_code == 2
            return str(error)
        return ""

    return plan


@pytest.mark.parametrize(("unit", "leads"), [("demo-2x40", SPLIT), ("demo-bridged", BRIDGED)])
def test_a_bench_that_is_wired_right_is_planned(
    planned: Callable[..., str], unit: str, leads: dict[str, str]
) -> None:
    assert planned(leads, unit) == ""


def test_a_splitter_on_one_output_of_a_generator_is_planned(planned: Callable[..., str]) -> None:
    leads = {t: n for t, n in SPLIT.items() if t != "gen.2"}
    assert planned({**leads, "gen.1.2": "in.right"}) == ""


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"psu.1.pos": "rail.neg", "psu.2.neg": "rail.pos"}, ["psu.1.pos", "rail.neg", "reversed"]),
        ({"psu.1.pos": "ground", "psu.1.neg": "rail.pos"}, ["psu.1.neg", "negative", "rail.pos"]),
        ({"psu.1.neg": None}, ["psu.1.neg is on nothing", "no return"]),
        ({"psu.2.pos": None}, ["psu.2.pos is on nothing", "no return"]),
        ({"psu.1.neg": "out.left"}, ["psu.1.neg", "negative", "out.left", "never a return"]),
        ({"psu.2.pos": "out.right"}, ["psu.2.pos", "positive", "out.right"]),
        (
            {"psu.1.neg": "rail.neg", "psu.2.neg": None, "psu.2.pos": None},
            ["across two rails", "rail.pos", "rail.neg"],
        ),
        ({"psu.1.pos": "in.left"}, ["psu.1.pos", "in.left", "no rail"]),
        ({"psu.1.pos": "ballast.left.upper.1.hot"}, ["psu.1.pos", "no rail"]),
        ({"psu.1.pos": "ground"}, ["both terminals of output 1", "short circuit"]),
        ({"psu.2.pos": "rail.pos", "psu.2.neg": "ground"}, ["rail.pos", "psu.1", "psu.2"]),
        ({"psu.4.pos": "rail.pos"}, ["psu.4.pos is output 4", "1 to 3"]),
        ({"psu.1.plus": "rail.pos"}, ["no terminal psu.1.plus", "psu.1.pos"]),
        ({"psu.1.sense_pos": "rail.neg"}, ["psu.1.sense_pos", "rail.neg"]),
        ({"psu.1.sense_pos": "ground"}, ["psu.1.sense_pos", "sense lead"]),
        ({"gen.1": "out.left"}, ["generator output gen.1", "out.left"]),
        ({"gen.1": "rail.pos"}, ["generator output gen.1", "rail.pos"]),
        ({"gen.1": "ground"}, ["generator output gen.1", "ground"]),
        ({"gen.2": "in.left"}, ["gen.1 and gen.2", "both be on in.left"]),
        ({"gen.1.2": "in.right"}, ["gen.2 and gen.1.2", "both be on in.right"]),
        ({"gen.1.2": "out.left"}, ["generator output gen.1.2", "out.left"]),
        ({"gen.3.2": "in.left"}, ["gen.3.2 is output 3", "1 to 2"]),
        ({"dso.1.2": "out.right"}, ["dso.1 would be on several nodes", "one node"]),
        ({"psu.1.pos.2": "rail.pos"}, ["psu.1.pos would be on several nodes", "one rail"]),
        ({"gen.3": "in.left"}, ["gen.3 is output 3", "1 to 2"]),
        ({"gen.1.shell": "in.right"}, ["return of the generator", "gen.1.shell", "in.right"]),
        ({"dso.5": "out.left"}, ["dso.5 is channel 5, and dso has channels 1 to 4"]),
        ({"dmm.high": "out.left"}, ["no terminal dmm.high"]),
        ({"psu.2.neg": None, "psu.2.pos": None}, ["no supply output feeds rail.neg"]),
        ({"dmm.hi": "out.left", "dmm.lo": "out.left"}, ["dmm.hi and dmm.lo", "zero"]),
        ({"dmm.sense_hi": "ground", "dmm.sense_lo": "ground"}, ["dmm.sense_hi and dmm.sense_lo"]),
    ],
)
def test_a_lead_that_cannot_be_right_is_refused(
    planned: Callable[..., str], changed: dict[str, str | None], said: list[str]
) -> None:
    leads = {t: n for t, n in {**SPLIT, **changed}.items() if n is not None}
    message = planned(leads)
    assert message, "it was planned"
    for part in said:
        assert part in message


@pytest.mark.parametrize(
    "name",
    ["dso.1.clip", "dso.2.gnd", "dso.ground", "dso.shield", "dso.1.com", "dso.01", "dso.ext"],
)
@pytest.mark.parametrize("node", ["out.left", "rail.pos", "ballast.left.upper.1.cold", "in.left"])
def test_no_lead_of_a_scope_but_a_probe_tip_goes_to_anything_but_ground(
    planned: Callable[..., str], name: str, node: str
) -> None:
    assert planned({**SPLIT, name: "ground"}) == ""
    message = planned({**SPLIT, name: node})
    assert name in message
    assert node in message
    assert "ground" in message


@pytest.mark.parametrize("node", ["out.left.pos", "out.left.neg", "out.right.neg"])
@pytest.mark.parametrize("name", ["psu.1.neg", "dso.1.clip", "gen.2.shell"])
def test_nothing_earthed_goes_to_either_terminal_of_a_bridged_output(
    planned: Callable[..., str], name: str, node: str
) -> None:
    message = planned({**BRIDGED, name: node}, "demo-bridged")
    assert name in message
    assert node in message


def test_two_supplies_may_feed_a_rail_each(planned: Callable[..., str]) -> None:
    leads = {t: n for t, n in SPLIT.items() if not t.startswith("psu.2")}
    leads |= {"other.1.pos": "ground", "other.1.neg": "rail.neg"}
    assert planned(leads, extra=SECOND_SUPPLY) == ""


def test_two_supplies_do_not_feed_one_rail(planned: Callable[..., str]) -> None:
    leads = {**SPLIT, "other.1.pos": "ground", "other.1.neg": "rail.neg"}
    message = planned(leads, extra=SECOND_SUPPLY)
    assert "rail.neg would be fed by" in message


def test_a_standby_rail_that_no_step_protects_is_not_fed(planned: Callable[..., str]) -> None:
    leads = {**SPLIT, "psu.3.pos": "standby", "psu.3.neg": "ground"}
    message = planned(leads, "demo-receiver")
    assert "psu.3.pos would feed the standby rail" in message
    assert "no step sets or protects" in message


def test_a_switch_has_no_leads_of_its_own(planned: Callable[..., str]) -> None:
    matrix = (
        '[instrument.matrix]\nresource = "TCPIP0::192.0.2.8::5025::SOCKET"\n'
        'driver = "generic-switch"\n'
    )
    assert planned(SPLIT, extra=matrix) == ""
    said = planned({**SPLIT, "matrix.1": "out.left"}, extra=matrix)
    assert "matrix.1 would be a lead of the switch, which has none" in said
