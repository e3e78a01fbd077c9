"""The release sheet: only for what was accepted, in words that an owner understands."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from invented_run import FACTS, bad, good, judged, on_record

from seqrun.cli.past import release_command
from seqrun.errors import UsageError
from seqrun.record import RunData, Store, load_run
from seqrun.record.cases import Cases
from seqrun.report.release.sheet import LONGEST, Release, release, render_sheet, write_sheet
from seqrun.report.run.page import render_page
from seqrun.values import Bound, Disposition, Judged

FAULT = "One output transistor of the right channel had failed."
WORK = "Both transistors replaced by a matched pair; idle current set."


@pytest.fixture
def results(tmp_path: Path) -> Path:
    return tmp_path / "results"


def sheet(run: RunData, **more: object) -> Release:
    return release(run, FAULT, WORK, **more)  # type: ignore[arg-type]


@pytest.fixture
def accepted(results: Path) -> RunData:
    return on_record(results, good(), Disposition.ACCEPT, "all limits are met")


@pytest.mark.parametrize(
    "disposition", [Disposition.REJECT, Disposition.HOLD, Disposition.ABORTED, None]
)
def test_what_was_not_accepted_is_not_released(
    results: Path, disposition: Disposition | None
) -> None:
    run = on_record(results, good(), disposition, "for a reason")
    with pytest.raises(UsageError) as error:
        sheet(run)
    assert error.value.exit_code == 2
    assert "accept" in str(error.value)


def test_an_accept_by_a_sequence_that_proves_less_releases_nothing(
    results: Path, accepted: RunData
) -> None:
    intake = replace(accepted, facts={**accepted.facts, "releases": False})
    with pytest.raises(UsageError, match="does not release a unit"):
        sheet(intake)


def test_a_unit_that_a_later_run_rejected_is_not_released(results: Path, accepted: RunData) -> None:
    on_record(results, bad(), Disposition.REJECT, "fail")
    with pytest.raises(UsageError, match="a later run of this unit is reject"):
        sheet(accepted, others=Store(results).runs())


def test_runs_of_other_units_simulated_runs_and_earlier_ones_do_not_matter(results: Path) -> None:
    on_record(results, bad(), Disposition.REJECT, "fail")
    run = on_record(results, good(), Disposition.ACCEPT)
    on_record(results, bad(), Disposition.REJECT, "fail", serial="EX-0008")
    on_record(results, bad(), Disposition.REJECT, "fail", simulated=True)
    assert sheet(run, others=Store(results).runs()).limits == 19


def test_a_run_whose_safe_state_was_not_confirmed_releases_nothing(results: Path) -> None:
    facts = {**FACTS, "safe": {"unconfirmed": ["supply output 2"]}}
    run = on_record(results, good(), Disposition.ACCEPT, facts=facts)
    with pytest.raises(UsageError, match="supply output 2"):
        sheet(run)


@pytest.mark.parametrize("text", ["", "   \n", "x" * (LONGEST + 1)])
def test_an_operator_who_says_nothing_or_a_novel_is_asked_again(
    accepted: RunData, text: str
) -> None:
    with pytest.raises(UsageError, match="--work-done"):
        release(accepted, FAULT, text)


def test_it_says_what_was_wrong_what_was_done_and_who_signs(accepted: RunData) -> None:
    page = render_sheet(sheet(accepted, signed_by="workshop 4"))
    for words in (FAULT, WORK, "workshop 4", "bench 2", "EX-0007", "may go back into use"):
        assert words in page


def test_few_readings_the_one_with_the_least_room_of_each_channel(accepted: RunData) -> None:
    lines = {line.words: line for line in sheet(accepted).measured}
    power = lines["Output power"]
    assert power.shown == "left\u00a044.8\u00a0W, right\u00a043.9\u00a0W"
    assert power.asked == "40\u00a0W or more"
    assert lines["Warmth of the heatsink"].shown == "33.6\u00a0K"
    # upper.2 and lower.2 with 27.5 mA are nearer to 35 mA than the others are to 15 mA
    assert lines["Current at rest"].shown.startswith("left\u00a027.5\u00a0mA")
    assert len(lines) <= 7


def test_an_offset_is_told_without_its_sign(accepted: RunData) -> None:
    offset = next(m for m in sheet(accepted).measured if m.words.startswith("Steady voltage"))
    assert offset.shown == "left\u00a03.1\u00a0mV, right\u00a011.8\u00a0mV"


def test_what_it_was_before_the_repair_stands_beside_it(results: Path) -> None:
    before = on_record(results, bad(), Disposition.REJECT, "fail")
    after = on_record(results, good(), Disposition.ACCEPT)
    found = sheet(after, before=before)
    offset = next(m for m in found.measured if m.words.startswith("Steady voltage"))
    assert "right\u00a0212\u00a0mV" in offset.before
    assert "Before" in render_sheet(found)
    with pytest.raises(UsageError, match="not an earlier one"):
        sheet(after, before=replace(before, run=replace(before.run, started_utc="2999")))


def test_before_and_after_are_of_one_unit(results: Path) -> None:
    before = on_record(results, bad(), Disposition.REJECT, "fail", serial="EX-0008")
    after = on_record(results, good(), Disposition.ACCEPT)
    with pytest.raises(UsageError, match="EX-0008"):
        sheet(after, before=before)


def test_a_simulated_run_is_marked_across_and_releases_nothing(results: Path) -> None:
    run = on_record(results, good(), Disposition.ACCEPT, simulated=True)
    page = render_sheet(sheet(run))
    assert '<div class="across" aria-hidden="true"><b data-word="SIMULATED"></b></div>' in page
    assert "it releases nothing" in page
    assert "may go back into use" not in page


def test_one_simulated_reading_marks_the_whole_sheet(accepted: RunData) -> None:
    rows = (replace(accepted.judged[0], simulated=True), *accepted.judged[1:])
    assert sheet(replace(accepted, judged=rows)).simulated


def test_cautions_speak_of_charge_heat_and_the_mains(accepted: RunData) -> None:
    page = render_sheet(sheet(accepted, cautions=["The left knob is loose."]))
    for words in ("dangerous charge", "get hot", "local codes", "bench supply", "knob is loose"):
        assert words in page


def test_simple_acceptance_does_not_claim_room_for_errors(results: Path) -> None:
    readings = [judged("power", "output_power", "left", 44.0, "W", 1.0, 40.0, None)]
    readings = [replace(j, decision="simple") for j in readings]
    run = on_record(
        results, readings, Disposition.ACCEPT, facts={"decision": "simple", "releases": True}
    )
    assert "room for the error" not in sheet(run).kept
    assert "room for the error" in sheet(on_record(results, good(), Disposition.ACCEPT)).kept


def test_typed_words_are_escaped_and_kept_on_one_line(accepted: RunData) -> None:
    page = render_sheet(release(accepted, "<script>x</script>", "a\n\n b"))
    assert "<script>" not in page
    assert "<p>a b</p>" in page


def test_the_sheet_is_one_self_contained_file(accepted: RunData, tmp_path: Path) -> None:
    page = write_sheet(sheet(accepted), tmp_path / "release.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")


def heat(step: str, kelvins: float, *, driven: bool) -> list[Judged]:
    power = [judged(step, "soak_power", "left", 5.0, "W", 0.1, None, None)] if driven else []
    return [*power, judged(step, "sink_rise", "", kelvins, "K", 1.0, None, 40.0)]


def test_a_rise_at_rest_is_not_held_against_one_while_driven(results: Path) -> None:
    before = on_record(results, heat("h", 6.0, driven=False), Disposition.REJECT, "fail")
    after = on_record(results, heat("h", 30.0, driven=True), Disposition.ACCEPT)
    (line,) = sheet(after, before=before).measured
    assert (line.shown, line.before) == ("30\u00a0K", "read in another way then")
    both = [*heat("r", 6.0, driven=False), *heat("e", 45.0, driven=True)]
    (line,) = sheet(after, before=replace(on_record(results, both), run=before.run)).measured
    assert line.before == "45\u00a0K"


def test_the_channel_that_could_not_be_read_before_is_named(results: Path) -> None:
    old = [judged(), judged("offset.right", channel="right", value=None, note="no contact")]
    new = [judged(), judged("offset.right", channel="right")]
    before = on_record(results, old, Disposition.HOLD, "x")
    (line,) = sheet(on_record(results, new, Disposition.ACCEPT), before=before).measured
    assert line.before == "left\u00a03.1\u00a0mV, right could not be read"


def test_a_channel_that_was_read_in_another_way_before_is_not_left_out_in_silence(
    results: Path,
) -> None:
    """The offset with the least room is that of the hot unit; before, one side was never hot."""
    hot = [*heat("h", 30.0, driven=True), judged("hot", channel="left", value=0.02)]
    cold = [judged("o", channel="right"), judged(channel="left")]
    before = on_record(results, cold, Disposition.REJECT, "x")
    after = on_record(results, [judged("o", channel="right"), *hot], Disposition.ACCEPT)
    found = sheet(after, before=before)
    told = {line.words: line.before for line in found.measured}
    assert told["Steady voltage at the speaker terminals"].endswith(
        ", left read in another way then"
    )
    assert told["Warmth of the heatsink"] == "not measured then"
    assert found.compared


def test_what_a_person_read_and_typed_in_is_told_to_the_owner(results: Path) -> None:
    typed = replace(judged(), reading=replace(judged().reading, instruments=("meter (typed)",)))
    run = on_record(results, [typed, *good()[1:]], Disposition.ACCEPT)
    page = render_sheet(sheet(run))
    assert "Read off a display by a person and typed in: steady voltage at" in page


def test_nothing_is_called_typed_that_was_not(accepted: RunData) -> None:
    assert sheet(accepted).typed == ()
    assert "typed in" not in render_sheet(sheet(accepted))


def test_what_was_complained_of_stands_first_and_what_was_not_tested_is_listed(
    results: Path,
) -> None:
    bursts = judged(
        *("bursts.left", "burst_rate", "left", 0.05, "Hz", 0.0, None, 0.2), bound=Bound.AT_MOST
    )
    run = on_record(results, [*good(), bursts], Disposition.ACCEPT)
    found = sheet(run, complaint="It crackles when it gets warm.")
    assert found.measured[0].words == "Crackling"
    assert found.measured[0].shown == "left\u00a0below\u00a00.05\u00a0Hz"
    assert "Hum" in found.untested
    assert "Output power" not in found.untested
    page = render_sheet(found)
    assert "It crackles when it gets warm." in page
    assert "Not part of this test" in page
    assert "at most" not in page


def test_that_nothing_shows_left_to_be_left_is_told_of_a_unit_with_two_sides(results: Path) -> None:
    gains = [
        judged(f"gain.{c}", "gain", c, 29.0, "dB", 0.05, 28.0, 30.0) for c in ("left", "right")
    ]
    run = on_record(results, [*good(), *gains], Disposition.ACCEPT)
    words = "Whether left is left and right is right"
    assert words in sheet(run).untested
    own = judged("own.left", "own_channel", "left", 60.0, "dB", 1.0, 20.0, None)
    assert (
        words not in sheet(on_record(results, [*good(), *gains, own], Disposition.ACCEPT)).untested
    )


def test_a_record_that_lost_rows_is_not_released_and_the_report_says_so(results: Path) -> None:
    run = on_record(results, good(), Disposition.ACCEPT)
    table = results / "readings.csv"
    lines = table.read_bytes().splitlines(keepends=True)
    table.write_bytes(b"".join(lines[:-2]))
    torn = load_run(results, run.run.run_id)
    assert torn.missing
    with pytest.raises(UsageError, match="not whole"):
        sheet(torn)
    assert "This record is not whole" in render_page(torn)


SHOWS = {
    "preamp": [
        ("volume_tracking", "left/right"),
        ("gain", "left"),
        ("tone_boost", "left"),
        ("tone_cut", "left"),
        ("riaa_deviation", "left"),
        ("noise", "left"),
        ("gain_to_point", "left"),
    ],
    "relays": [("mute_length", "left")],
    "supplies": [("dc_voltage", "standby"), ("ripple", "standby")],
}
RECEIVER = {"inputs": ["line", "phono"], "headphones": True, "standby_voltage": 5.0}


def part_run(results: Path, sequence: str, disposition: Disposition, **more: object) -> RunData:
    """A run of the same receiver by another sequence, which by itself releases nothing."""
    facts = {**FACTS, "releases": False, "unit": RECEIVER}
    shown = [judged(q, q, at, 1.0, "", 0.01, 0.5, 1.5) for q, at in SHOWS[sequence]]
    return on_record(
        results,
        [*good(), *shown],
        disposition,
        "as it says",
        facts=facts,
        sequence=sequence,
        **more,
    )


@pytest.fixture
def receiver(results: Path) -> RunData:
    return on_record(results, good(), Disposition.ACCEPT, facts={**FACTS, "unit": RECEIVER})


def test_what_a_receiver_has_and_no_run_looked_at_is_on_its_sheet_in_plain_words(
    results: Path, receiver: RunData
) -> None:
    found = sheet(receiver)
    assert {part.sequence for part in found.uncovered} == {"preamp", "supplies", "relays"}
    page = render_sheet(found)
    for words in ("each input (line, phono)", "volume and tone", "standby supply", "headphone"):
        assert words in page


def test_runs_that_cover_the_rest_are_one_release_with_the_acceptance(
    results: Path, receiver: RunData
) -> None:
    names = ("preamp", "supplies", "relays")
    beside = [part_run(results, name, Disposition.ACCEPT) for name in names]
    found = sheet(receiver, beside=beside, others=Store(results).runs())
    assert not found.uncovered
    assert found.limits > sheet(receiver).limits
    assert all(run.run.run_id in render_sheet(found) for run in (receiver, *beside))


def test_a_run_beside_that_is_no_accept_refuses_the_whole_release(
    results: Path, receiver: RunData
) -> None:
    held = part_run(results, "preamp", Disposition.HOLD)
    with pytest.raises(UsageError, match=r"preamp.* is hold"):
        sheet(receiver, beside=[held])


def test_a_run_beside_of_another_unit_is_refused(results: Path, receiver: RunData) -> None:
    other = part_run(results, "preamp", Disposition.ACCEPT, serial="ANOTHER-1")
    with pytest.raises(UsageError, match="ANOTHER-1"):
        sheet(receiver, beside=[other])


def test_a_later_run_of_a_sequence_speaks_for_it(results: Path, receiver: RunData) -> None:
    """A preamplifier rejected after its accept is not released by the accept before it; one that
    was rejected first, put right and accepted is."""
    part_run(results, "preamp", Disposition.REJECT)
    accepted = part_run(results, "preamp", Disposition.ACCEPT)
    assert sheet(receiver, beside=[accepted], others=Store(results).runs())
    part_run(results, "preamp", Disposition.REJECT)
    with pytest.raises(UsageError, match="a later run of this unit is reject"):
        sheet(receiver, beside=[accepted], others=Store(results).runs())


def test_a_simulated_run_stands_beside_no_real_one(results: Path, receiver: RunData) -> None:
    beside = part_run(results, "preamp", Disposition.ACCEPT)
    virtual = replace(beside, run=replace(beside.run, simulated=True))
    with pytest.raises(UsageError, match="is of"):
        sheet(receiver, beside=[virtual])


def test_a_run_beside_that_lost_rows_or_was_not_shown_to_be_off_proves_nothing(
    results: Path, receiver: RunData
) -> None:
    beside = part_run(results, "preamp", Disposition.ACCEPT)
    with pytest.raises(UsageError, match="proves nothing: 3 rows are gone"):
        sheet(receiver, beside=[replace(beside, missing=("3 rows are gone",))])
    unsafe = {**beside.facts, "safe": {"confirmed": [], "unconfirmed": ["supply output 1"]}}
    with pytest.raises(UsageError, match="proves nothing: supply output 1"):
        sheet(receiver, beside=[replace(beside, facts=unsafe)])


def test_no_run_counts_twice(results: Path, receiver: RunData) -> None:
    beside = part_run(results, "preamp", Disposition.ACCEPT)
    for named in ([beside, beside], [receiver]):
        with pytest.raises(UsageError, match="named twice"):
            sheet(receiver, beside=named)


def test_what_was_measured_before_a_repair_is_not_released_with_what_was_after(
    results: Path,
) -> None:
    beside = part_run(results, "preamp", Disposition.ACCEPT)
    Cases(Store(results)).add(beside.run.serial, "work", "new volume control", "")
    work = Cases(Store(results)).entries(beside.run.serial)
    after = on_record(results, good(), Disposition.ACCEPT, facts={**FACTS, "unit": RECEIVER})
    with pytest.raises(UsageError, match=r"after .*preamp.*new volume control") as caught:
        sheet(after, beside=[beside], work=work)
    assert "do 'preamp' again" in str(caught.value.hint)
    with pytest.raises(UsageError, match="new volume control"):  # at the command line, too
        release_command(
            [after.run.run_id, beside.run.run_id], results, fault_found=FAULT, work_done=WORK,
            complaint="", signed_by="", cautions=[], before=None, page=None,
        )  # fmt: skip
    again = part_run(results, "preamp", Disposition.ACCEPT)
    assert sheet(after, beside=[again], work=work).runs == (after.run.run_id, again.run.run_id)


def test_what_was_typed_in_or_judged_simply_in_a_run_beside_is_told_too(
    results: Path, receiver: RunData
) -> None:
    beside = part_run(results, "preamp", Disposition.ACCEPT)
    assert "with room for the error" in sheet(receiver, beside=[beside]).kept
    reading = replace(judged().reading, instruments=("meter (typed)",))
    by_hand = replace(beside, judged=(replace(judged(), reading=reading),))
    assert sheet(receiver, beside=[by_hand]).typed
    simple = replace(beside, facts={**beside.facts, "decision": "simple"})
    found = sheet(receiver, beside=[simple])
    assert "with room for the error" not in found.kept


def test_an_interrupted_run_whose_readings_count_is_named(results: Path) -> None:
    first = replace(judged(), reading=replace(judged().reading, note="kept from RUN-1: 4.1 mV"))
    found = sheet(on_record(results, [first, *good()[1:]], Disposition.ACCEPT))
    assert found.runs[1:] == ("RUN-1",) and "RUN-1" in render_sheet(found)


def test_what_nobody_can_reach_in_an_integrated_stage_is_on_the_list_of_what_was_not_tested(
    results: Path,
) -> None:
    run = on_record(results, good(), Disposition.ACCEPT)
    plain = sheet(run).untested
    words = "Whether each output transistor still gives its heat to the heatsink"
    side = "Sharing between the power stages"
    assert not {words, side} & set(plain)
    told = {**FACTS["unit"], "ballast": "not accessible", "paralleled": 2}
    inside = replace(run, facts={**run.facts, "unit": told})
    assert {words, side} <= set(sheet(inside).untested)
    shares = judged("stages.left", "stage_share", "left.pos", 4.0, "%", 5.0, None, 30.0)
    held = on_record(results, [*good(), shares], Disposition.ACCEPT)
    held = replace(held, facts={**held.facts, "unit": told})
    assert side not in sheet(held).untested
    assert words in sheet(held).untested


def test_what_the_unit_sheet_allows_no_test_of_is_on_the_list_in_plain_words(
    results: Path, accepted: RunData
) -> None:
    words = {"Stability with a long loudspeaker cable", "Protection of the loudspeakers"}
    assert words <= set(sheet(accepted).untested)
    tried = [*good(), judged("c", "stray_capacitive", "left", 5e-3, "V", 1e-3, None, 0.09)]
    run = on_record(results, tried, Disposition.ACCEPT, "all limits are met")
    assert words - set(sheet(run).untested) == {"Stability with a long loudspeaker cable"}
