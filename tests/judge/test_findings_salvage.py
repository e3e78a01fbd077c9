"""Repair or salvage: the arithmetic of a suggestion."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seqrun.errors import FileError, UsageError
from seqrun.files.costs import CostSheet, amount
from seqrun.judge.findings import Finding, Findings, SectionState
from seqrun.judge.salvage import advise

SHEET = """
currency = "EUR"
hourly_rate = 40
value_working = 200
value_as_parts = 30
value_of_case = 10
hours_to_strip = 0.5
hours_to_find = 0.5
[repair.any]
hours = 2
parts = 20
success = 0.8
[repair.bias_high]
hours = 0.5
success = 1.0
[keep]
output_stage = 25
"""


def sheet(text: str = SHEET) -> CostSheet:
    return CostSheet.from_text(text)


def cause(name: str, probability: float, kind: str = "unit", section: str = "") -> Finding:
    return Finding(name, name, kind, section, section, probability, "look", ())


def findings(
    *causes: Finding, none: float = 0.0, sections: tuple[SectionState, ...] = ()
) -> Findings:
    return Findings(causes, none, "", (), "", sections)


def test_repair_of_a_sure_cause_is_value_less_work_and_parts() -> None:
    # 0.8 · 200 + 0.2 · (30 + 10) − 20 − 40 · (0.5 + 2) = 48
    found = advise(findings(cause("hum.left", 1.0)), sheet())
    assert found.repair.mean == pytest.approx(48.0)


def test_every_cause_counts_with_its_probability() -> None:
    # bias 200 − 40 · 1.0 = 160; hum as above, 48, less the 20 that ruling out the bias has cost
    found = advise(findings(cause("hum.left", 0.25), cause("bias_high.left", 0.75)), sheet())
    assert found.repair.mean == pytest.approx(0.25 * (48.0 - 20.0) + 0.75 * 160.0)
    assert found.planned_hours == pytest.approx(0.25 * 3.0 + 0.75 * 1.0)


def test_salvage_sells_what_measured_good_less_the_stripping() -> None:
    sections = (
        SectionState("output_stage.left", "output stage, left", "good", 8),
        SectionState("output_stage.right", "output stage, right", "suspect", 8),
        SectionState("relay.left", "relay", "good", 1),
    )
    found = advise(findings(cause("hum.left", 1.0), sections=sections), sheet())
    assert found.salvage.mean == pytest.approx(30.0 + 10.0 + 25.0 - 20.0)
    assert [kept.title for kept in found.kept] == ["output stage, left", "relay"]
    assert found.suspect == ("output stage, right",)


def test_a_section_that_a_likely_cause_sits_in_is_not_worth_keeping() -> None:
    sections = (SectionState("output_stage.left", "output stage, left", "good", 8),)
    accused = cause("hum.left", 1.0, section="output_stage.left")
    assert advise(findings(accused, sections=sections), sheet()).kept == ()


def test_a_mistake_on_the_bench_costs_the_hour_to_find_it() -> None:
    both = findings(cause("probe_factor.left", 0.99, "bench"), cause("hum.left", 0.01))
    found = advise(both, sheet())
    assert found.repair.mean == pytest.approx(0.99 * (200.0 - 20.0) + 0.01 * (48.0 - 20.0))


@given(
    sure=st.floats(0.05, 0.98), less=st.floats(0.01, 0.95), split=st.floats(0.0, 1.0),
    unknown=st.floats(0.0, 1.0),
)  # fmt: skip
@settings(max_examples=25)
def test_repair_never_looks_better_the_less_is_known(
    sure: float, less: float, split: float, unknown: float
) -> None:
    """What the likeliest cause loses goes to another, to no fault, or to what nobody described."""

    def at(probability: float) -> float:
        rest = 1.0 - probability
        other = min(split * rest, probability)  # the likeliest stays the likeliest
        known = findings(
            cause("hum.left", probability), cause("bias_high.left", other),
            none=(rest - other) * (1.0 - unknown),
        )  # fmt: skip
        told = replace(known, unknown=(rest - other) * unknown)
        return advise(told, sheet(), faulty=True).repair.mean

    high, low = max(sure, less), min(sure, less)
    assert at(low) <= at(high) + 1e-9


def test_no_fault_is_no_way_out_of_what_was_complained_of() -> None:
    doubtful = findings(cause("hum.left", 0.5), none=0.5)
    healthy, complained = (advise(doubtful, sheet(), faulty=f).repair.mean for f in (False, True))
    assert healthy == pytest.approx(0.5 * 48.0 + 0.5 * (200.0 - 20.0))
    assert complained == pytest.approx(0.5 * 48.0 + 0.5 * (48.0 - 20.0))


def test_at_the_break_even_hours_both_choices_are_worth_the_same() -> None:
    found = advise(findings(cause("hum.left", 1.0)), sheet())
    assert found.break_even_hours is not None
    more = found.break_even_hours - found.planned_hours
    assert found.repair.mean - 40.0 * more == pytest.approx(found.salvage.mean)


def test_a_unit_worth_less_than_its_parts_never_pays_to_repair() -> None:
    poor = sheet(SHEET.replace("value_working = 200", "value_working = 30"))
    found = advise(findings(cause("hum.left", 1.0)), poor)
    assert found.break_even_hours is None
    assert found.better == "salvage"
    assert found.repair_ahead == 0.0


def test_without_any_doubt_there_is_no_spread() -> None:
    certain = sheet(SHEET.replace("success = 0.8", "success = 1.0"))
    found = advise(findings(cause("hum.left", 1.0)), certain)
    assert found.repair.u == pytest.approx(0.0, abs=1e-9)
    assert found.repair.low == pytest.approx(found.repair.high)


def test_the_spread_of_a_repair_that_may_fail_is_that_of_two_outcomes() -> None:
    # 80 % of 200, 20 % of 40: standard deviation √(0.8 · 0.2) · 160 = 64
    found = advise(findings(cause("hum.left", 1.0)), sheet())
    assert found.repair.u == pytest.approx(64.0, rel=0.02)


def test_the_same_sheet_always_gives_the_same_numbers() -> None:
    doubtful = sheet(SHEET.replace("value_working = 200", "value_working = [120, 180, 260]"))
    one, two = (advise(findings(cause("hum.left", 1.0)), doubtful) for _ in range(2))
    assert one == two


def test_causes_that_the_sheet_does_not_know_are_left_out_and_said() -> None:
    narrow = sheet(SHEET.replace("[repair.any]", "[repair.hum]"))
    found = advise(findings(cause("hum.left", 0.5), cause("dc_offset.left", 0.5)), narrow)
    assert found.left_out == ("dc_offset.left",)
    assert found.repair.mean == pytest.approx(48.0)


def test_a_sheet_without_any_repair_is_refused() -> None:
    narrow = sheet(SHEET.replace("[repair.any]", "[repair.hum]"))
    with pytest.raises(UsageError, match="no repair"):
        advise(findings(cause("dc_offset.left", 1.0)), narrow)


@pytest.mark.parametrize(
    ("was", "becomes"),
    [
        ("hourly_rate = 40", "hourly_rate = -1"),
        ("hourly_rate = 40", "hourly_rate = [60, 40]"),
        ("hourly_rate = 40", 'hourly_rate = "forty"'),
        ("hourly_rate = 40", "hourly_rate = 40\nhourly_rat = 1"),
        ("success = 0.8", "success = 1.2"),
        ("hourly_rate = 40", "hourly_rate = inf"),
        ("hourly_rate = 40", "hourly_rate = [1, 2, 3, 4]"),
    ],
)
def test_a_slip_in_a_cost_sheet_is_refused(was: str, becomes: str) -> None:
    with pytest.raises(FileError):
        sheet(SHEET.replace(was, becomes))


@given(st.floats(0.0, 500.0), st.floats(0.0, 100.0), st.floats(0.05, 1.0), st.floats(0.0, 1.0))
@settings(max_examples=25, deadline=None)
def test_a_working_unit_worth_more_makes_repair_worth_what_repairs_hold(
    worth: float, more: float, success: float, share: float
) -> None:
    both = findings(cause("hum.left", share), none=1.0 - share)
    means = [
        advise(
            both,
            sheet(
                SHEET.replace("value_working = 200", f"value_working = {value}").replace(
                    "success = 0.8", f"success = {success}"
                )
            ),
        ).repair.mean
        for value in (worth, worth + more)
    ]
    holds = share * success + (1.0 - share)
    assert means[1] - means[0] == pytest.approx(holds * more, abs=1e-6)


def test_the_example_that_ships_is_right_and_names_only_causes_and_sections_there_are() -> None:
    from seqrun.files.costs import ANY, load_costs
    from seqrun.files.findings.load import load_findings

    example, file = load_costs("example"), load_findings("power-stage")
    causes = {entry["id"].split(".")[0] for entry in file.cause}
    sections = {entry["id"].split(".")[0] for entry in file.section}
    assert set(example.repair) <= {*causes, ANY}
    assert set(example.keep) <= sections


def test_an_amount_between_two_is_rectangular_with_three_triangular() -> None:
    assert amount([10, 22]).u == pytest.approx(12.0 / math.sqrt(12.0))
    assert amount([10, 16, 22]).u == pytest.approx(6.0 / math.sqrt(6.0))
    assert amount(7).u == 0.0


def test_a_section_that_only_an_unlikely_cause_sits_in_is_kept_and_one_not_told_is_named() -> None:
    sections = (
        SectionState("output_stage.left", "output stage, left", "good", 8),
        SectionState("relay.left", "relay", "not told", 0),
        SectionState("supply", "supply", "not told", 0),
    )
    both = findings(
        cause("hum.left", 0.95, section="supply"),
        cause("bias_high.left", 0.05, section="output_stage.left"),
        sections=sections,
    )
    found = advise(both, sheet())
    assert [kept.title for kept in found.kept] == ["output stage, left"]
    assert found.suspect == ("supply",)
    assert found.untold == ("relay",)


@pytest.mark.parametrize(("probability", "kept"), [(0.11, False), (0.09, True)])
def test_a_cause_of_one_in_ten_accuses_its_section(probability: float, kept: bool) -> None:
    stage = SectionState("output_stage.left", "output stage, left", "good", 8)
    both = findings(
        cause("hum.left", 1.0 - probability, section="supply"),
        cause("bias_high.left", probability, section=stage.id),
        sections=(stage,),
    )
    found = advise(both, sheet())
    assert [section.title for section in found.kept] == ([stage.title] if kept else [])
    assert found.suspect == (() if kept else (stage.title,))


def test_a_stated_range_of_value_is_drawn_from_and_a_single_figure_is_sure() -> None:
    sure = advise(findings(cause("bias_high.left", 1.0)), sheet()).repair
    assert (sure.u, sure.low, sure.high) == (pytest.approx(0.0, abs=1e-9), sure.mean, sure.mean)
    text = SHEET.replace("value_working = 200", "value_working = [140, 260]")
    wide = advise(findings(cause("bias_high.left", 1.0)), sheet(text)).repair
    assert wide.mean == pytest.approx(160.0)
    # rectangular: half-width 60, standard uncertainty 60/√3; eight in ten within 0.8 of it
    assert wide.u == pytest.approx(60.0 / math.sqrt(3.0), rel=0.02)
    assert wide.low == pytest.approx(160.0 - 48.0, abs=2.0)
    assert wide.high == pytest.approx(160.0 + 48.0, abs=2.0)


def test_a_mistake_on_the_bench_alone_is_no_repair_to_advise() -> None:
    alone = findings(cause("probe_factor.left", 0.9, "bench"), none=0.1)
    with pytest.raises(UsageError, match="no repair for any of the causes"):
        advise(alone, sheet())
