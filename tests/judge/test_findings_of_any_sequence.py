"""Findings on a sequence whose author gave steps names of his own; patterns that fit no cause."""

from __future__ import annotations

from itertools import product

import pytest
from findings_cases import HEAD, patterns, read

from seqrun.files.findings.load import findings_for, load_findings
from seqrun.files.findings.patterns import patterns_for
from seqrun.files.shipped import shipped as shipped_files
from seqrun.files.unit.sheet import load_unit
from seqrun.judge.evidence import evidence_of, values_of
from seqrun.judge.findings import Findings, weigh
from seqrun.values import Judged, Verdict

UNIT = load_unit("demo-2x40")
DEVICES = [f"{c}.{h}.{n}" for c, h, n in product(("left", "right"), ("upper", "lower"), (1, 2))]


def shipped(readings: list[Judged], reason: str = "", sequence: str = "my-own") -> Findings:
    file = findings_for("acceptance")
    assert file is not None
    return weigh(patterns_for(file, UNIT), readings, reason, sequence)


def idle(name: str, amperes: dict[str, float] | float) -> list[Judged]:
    each = amperes if isinstance(amperes, dict) else dict.fromkeys(DEVICES, amperes)
    return [read(f"{name}-{d}", "idle_current", a, "A", d) for d, a in each.items()]


def test_idle_current_is_recognised_whatever_its_steps_are_called() -> None:
    low = {d: 0.008 if d.startswith("left") else 0.025 for d in DEVICES}
    assert shipped(idle("ruhestrom", low), "fail").causes[0].id == "bias_low.left"


def test_what_is_read_hot_is_not_taken_for_cold() -> None:
    hot = [read("x", "soak_power", 5.0, "W", "left"), read("x", "sink_rise", 20.0, "K")]
    found = values_of(
        patterns_for(findings_for("acceptance"), UNIT),  # type: ignore[arg-type]
        [*idle("a", 0.025), *hot, *idle("b", 0.05)],
        "",
    )
    assert found["cold_most.left"].value == 0.025


def test_no_ratio_is_made_of_an_ingredient_that_is_missing() -> None:
    """Without the rails counted, the expected heat would be less than nothing."""
    heat = [
        read("warming", "soak_power", 5.0, "W", "left"),
        read("warming", "soak_power", 5.0, "W", "right"),
        read("warming", "dissipation", 34.0, "W"),
        read("warming", "sink_rise", 30.0, "K"),
    ]
    file = findings_for("acceptance")
    assert file is not None
    found = values_of(patterns_for(file, UNIT), heat, "")
    for name in ("rail_count", "heat_expected", "heat_ratio", "rise_per_heat", "heat_at_eighth"):
        assert name not in found
    assert not weigh(patterns_for(file, UNIT), heat, "", "my-own").faulty


def test_an_impossible_value_is_no_evidence() -> None:
    text = (
        HEAD + '[[value]]\nid = "rise"\nunit = "K"\nquantity = "sink_rise"\npositive = true\n'
        '[[sign]]\nid = "cool"\nvalue = "rise"\nbelow = "1 K"\nwords = "cool"\n'
        '[[cause]]\nid = "c"\ntitle = "c"\nnext = "n"\n[cause.seen]\ncool = 0.9\n'
    )
    for kelvins, seen in ((-2.0, None), (0.0, None), (0.5, True), (5.0, False)):
        readings = [read("s", "sink_rise", kelvins, "K")]
        assert evidence_of(patterns(text), readings, "")["cool"].seen is seen


@pytest.mark.parametrize("take", ["sum", "count", "spread"])
def test_what_is_taken_over_all_needs_all(take: str) -> None:
    text = HEAD + (
        f'[[value]]\nid = "v"\nunit = "A"\nquantity = "idle_current"\ntake = "{take}"\n'
        '[[sign]]\nid = "s"\nreason = "x"\nwords = "x"\n'
        '[[cause]]\nid = "c"\ntitle = "c"\nnext = "n"\n[cause.seen]\ns = 0.9\n'
    )
    one, lost = idle("a", 0.025)[0], read("b", "idle_current", None, "A", "left.upper.2")
    assert "v" in values_of(patterns(text), [one], "")
    assert "v" not in values_of(patterns(text), [one, lost], "")
    assert "v" not in values_of(patterns(text), [], "")


@pytest.mark.parametrize(("channel", "other"), [("left", "right"), ("right", "left")])
def test_just_past_its_limit_a_failed_offset_names_its_own_channel(
    channel: str, other: str
) -> None:
    readings = [
        read(f"dc {channel}", "dc_offset", 0.051, "V", channel, Verdict.FAIL),
        read(f"dc {other}", "dc_offset", -0.004, "V", other),
    ]
    found = shipped(readings, f"fail: dc {channel} 51 mV", "acceptance")
    assert found.causes[0].id == f"dc_offset.{channel}"


def test_a_failure_that_no_cause_knows_of_is_said_to_be_unknown() -> None:
    readings = [
        *idle("a", 0.025),
        read("in", "input_impedance", 500.0, "Ω", "left", Verdict.FAIL),
        *(read(f"dc {c}", "dc_offset", 0.002, "V", c) for c in ("left", "right")),
        *(read(f"n {c}", "noise", 2e-4, "V", c) for c in ("left", "right")),
        *(read(f"g {c}", "gain", 29.0, "dB", c) for c in ("left", "right")),
        *(read(f"z {c}", "source_impedance", 0.015, "Ω", c) for c in ("left", "right")),
        *(read(f"p {c}", "output_power", 44.0, "W", c) for c in ("left", "right")),
    ]
    found = shipped(readings, "fail: in 500 Ω", "acceptance")
    assert found.unfamiliar
    assert found.likely == ()
    assert found.bench_mistake is None
    assert "no cause known here" in found.named


def test_only_sequences_that_can_tell_a_sign_tell_it() -> None:
    text = (
        HEAD + '[[sign]]\nid = "s"\nreason = "x"\nwords = "x"\nsequences = "!intake*"\n'
        '[[cause]]\nid = "c"\ntitle = "c"\nnext = "n"\n[cause.seen]\ns = 0.9\n'
    )
    assert evidence_of(patterns(text), [], "x", "intake-2")["s"].seen is None
    assert evidence_of(patterns(text), [], "x", "my-own")["s"].seen is True


@pytest.mark.parametrize("name", sorted(shipped_files("findings")))
def test_no_shipped_findings_ask_for_the_name_of_a_step(name: str) -> None:
    file = load_findings(name)
    for entries in (file.value, file.sign, file.section):
        assert not [e["id"] for e in entries if "steps" in e]
    assert file.sign


def test_isolation_is_recognised_whatever_its_steps_are_called() -> None:
    found = patterns_for(load_findings("isolation"), load_unit("demo-2x40"))
    note = "hum; comes from: power stage"
    bad = read("my.own.name", "hum_disturbance", 0.02, "V", "left", Verdict.FAIL, note)
    signs = evidence_of(found, [bad], "fail", "isolate")
    assert signs["hum_power.left"].seen is True
    assert signs["hum_power.right"].seen is None and signs["noise_power.left"].seen is None
    assert signs["hum_before.left"].seen is None, "what the power stage explains tells no more"
