"""Findings files: what is refused, what repeats, and the one that ships."""

from __future__ import annotations

import json

import pytest
from findings_cases import HEAD, TWO, patterns

from seqrun.errors import FileError
from seqrun.files.findings.load import findings_for, findings_from_text, load_findings
from seqrun.files.findings.patterns import patterns_for
from seqrun.files.kinds import kind_of
from seqrun.files.schema import schema
from seqrun.files.shipped import shipped
from seqrun.files.unit.sheet import load_unit
from seqrun.steps.base import measurands


@pytest.mark.parametrize(
    ("was", "becomes", "message"),
    [
        ('"dc.{channel}" = 0.9', '"dv.{channel}" = 0.9', "dc.left"),
        ('"dc.{channel}" = 0.9', '"dc.{channel}" = "allways"', "always"),
        ('"dc.{channel}" = 0.9', '"dc.{channel}" = 1.0', "0.001 to 0.999"),
        ('above = "50 mV"', 'above = "50 mA"', "a voltage"),
        ('value = "abs(offset.{channel})"', 'value = "abs(ofset.{channel})"', "offset.left"),
        ('section = "stage.{channel}"', 'section = "stages.{channel}"', "stage.left"),
        ('causes = ["offset.*", "short"]', 'causes = ["ofset.*", "short"]', "no cause"),
        ("otherwise = 0.1", "otherwis = 0.1", "otherwise"),
        ('quantity = "dc_offset"\non', "on", "quantity, of and reason"),
        ('[[cause]]\nid = "short"', '[[cause]]\nid = "offset.left"', "twice"),
        ('note = "*to settle*"', 'note = "*to settle*"\nunless = ["nothing"]', "nothing"),
        ('note = "*to settle*"', "", "for any reason"),
        ('note = "*to settle*"', 'note = "**"', "for any reason"),
    ],
)
def test_a_slip_is_named_with_what_was_meant(was: str, becomes: str, message: str) -> None:
    assert was in TWO
    with pytest.raises(FileError, match=message):
        findings_from_text(TWO.replace(was, becomes))


KNOWN = {"dc_offset": "V", "bring_up_current": "A"}


@pytest.mark.parametrize(
    ("was", "becomes", "message"),
    [
        ('quantity = "dc_offset"', 'quantity = "dc_ofset"', r"called 'dc_ofset'(?s:.*)dc_offset"),
        ('unit = "V"', 'unit = "A"', "'dc_offset' is in V"),
    ],
)
def test_a_quantity_that_no_step_yields_is_named(was: str, becomes: str, message: str) -> None:
    findings_from_text(TWO, quantities=KNOWN)
    assert was in TWO
    with pytest.raises(FileError, match=message):
        findings_from_text(TWO.replace(was, becomes), quantities=KNOWN)


@pytest.mark.parametrize("name", sorted(shipped("findings")))
def test_those_that_ship_ask_for_what_steps_yield(name: str) -> None:
    load_findings(name, {known: of.unit for known, of in measurands().items()})


def test_a_sign_needs_something_that_is_seen() -> None:
    text = HEAD + '[[sign]]\nid = "s"\nwords = "x"\n[[cause]]\nid = "c"\ntitle = "c"\nnext = "n"\n'
    with pytest.raises(FileError, match="one of value, verdict and reason"):
        findings_from_text(text + '[cause.seen]\n"s" = "always"\n')


def test_entries_repeat_over_the_channels_of_the_unit() -> None:
    assert {c.id for c in patterns().causes} == {"offset.left", "offset.right", "short"}
    assert {c.id for c in patterns(unit="demo-mono").causes} == {"offset.mono", "short"}


def test_a_cause_without_channels_may_name_a_sign_of_every_channel() -> None:
    text = TWO.replace('"tripped_low" = 0.9', '"dc.{channel}" = "always"')
    short = next(c for c in patterns(text).causes if c.id == "short")
    assert set(short.seen) == {"dc.left", "dc.right"}


def test_what_is_repeated_over_sides_is_left_out_of_a_unit_without_a_bridge() -> None:
    sides = """
    [[value]]
    id = "offset_of.{channel}.{side}"
    each = ["channel", "side"]
    unit = "V"
    quantity = "dc_offset"
    on = "{channel}.{side}"
    """
    assert len(patterns(TWO + sides).values) == 2
    assert len(patterns(TWO + sides, "demo-bridged").values) == 6


def test_what_a_unit_cannot_have_is_not_among_its_causes() -> None:
    file = load_findings("power-stage")
    single, bridged = (
        {c.id for c in patterns_for(file, load_unit(name)).causes}
        for name in ("demo-2x40", "demo-bridged")
    )
    assert not any(name.startswith("dead_half_bridge") for name in single)
    assert "dead_half_bridge.left" in bridged
    coupled = {c.id for c in patterns_for(file, load_unit("demo-single")).causes}
    own = {"dried_output_capacitor.left", "leaky_output_capacitor.left", "midpoint_off.left"}
    assert own <= coupled
    assert not own & (single | bridged)


@pytest.mark.parametrize("unit", sorted(shipped("unit")))
@pytest.mark.parametrize("name", sorted(shipped("findings")))
def test_shipped_findings_fit_every_shipped_unit(name: str, unit: str) -> None:
    assert patterns_for(load_findings(name), load_unit(unit)).causes


@pytest.mark.parametrize("name", sorted(shipped("findings")))
def test_shipped_findings_are_known_as_such(name: str) -> None:
    assert kind_of(shipped("findings")[name]) == "findings"


def test_the_acceptance_has_findings() -> None:
    assert findings_for("acceptance") is not None


def test_every_fault_of_the_simulated_bench_has_a_cause() -> None:
    import demo_sim

    file = load_findings("power-stage")
    causes = {
        cause.id.split(".")[0]
        for unit in ("demo-2x40", "demo-bridged", "demo-single")
        for cause in patterns_for(file, load_unit(unit)).causes
    }
    faults = {fault.name for fault in demo_sim.fault_catalogue()}
    assert faults <= causes


@pytest.mark.parametrize("kind", ["findings", "costs"])
def test_editors_get_a_schema(kind: str) -> None:
    made = schema(kind, {})
    text = json.dumps(made)
    for reference in set(text.split('"#/$defs/')[1:]):
        assert reference.split('"')[0] in made["$defs"]
