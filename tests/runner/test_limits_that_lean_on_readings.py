"""Limits over earlier readings, on the simulated bench: what is named, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from seqrun.errors import FileError
from seqrun.files.sequence.crosscheck import places
from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.load import sequence_from_text
from seqrun.files.unit.sheet import load_unit
from seqrun.record import RunData, load_run
from seqrun.runner.events import Watcher
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.steps.base import kinds
from seqrun.values import Judged, Verdict

Run = Callable[[str], RunData]
RELAYS = """
[[step]]
id = "relays"
do = "await_output"
"""
DEVICE = """
[[step]]
id = "cold"
do = "device_current"
at = "ballast.left.upper.1"
[[step]]
id = "hot"
do = "device_current"
at = "ballast.left.upper.{device}"
limit = { at_most = "{limit}" }
"""
GAINS = """
[[step]]
id = "gain_1k"
do = "gain"
[[step]]
id = "gain_100"
do = "gain"
each = "channel"
frequency = "100 Hz"
limit = { at_least = "{limit}" }
"""


@pytest.fixture
def run(tmp_path: Path, short_sequence: Callable[..., str]) -> Run:
    def run_it(steps: str) -> RunData:
        plan, files = prepare(short_sequence(RELAYS + steps), "demo", None)
        options = Options("EX-0007", "", tmp_path / "results")
        outcome = execute(plan, files, None, Watcher(), options, Interrupts())
        return load_run(tmp_path / "results", outcome.run_id)

    return run_it


def of(run: RunData, step: str) -> list[Judged]:
    return [j for j in run.judged if j.step == step]


def device(number: int, limit: str) -> str:
    return DEVICE.replace("{device}", str(number)).replace("{limit}", limit)


def gains(limit: str) -> str:
    return GAINS.replace("{limit}", limit).replace('id = "gain_100"', 'id = "gain_100.{channel}"')


def test_one_device_read_twice_is_held_against_itself_although_its_ballast_is_vague(
    run: Run,
) -> None:
    """5 % of the ballast and the meter's gain are in both readings: 1 % of room is plenty."""
    (hot,) = of(run(device(1, "1.01 * cold")), "hot")
    assert hot.reading.value is not None
    assert hot.limit is not None
    assert hot.limit.high is not None
    assert hot.reading.expanded_uncertainty > 0.05 * hot.reading.value
    assert hot.verdict is Verdict.PASS
    assert hot.reading.note.startswith("the limit leans on earlier readings: U of reading less")


def test_another_device_has_another_ballast_and_both_count(run: Run) -> None:
    record = run(device(2, "1.145 * cold"))
    (hot,), (cold,) = of(record, "hot"), of(record, "cold")
    assert hot.limit is not None
    assert cold.reading.value is not None
    # The column holds the limit as a number; guarded by the reading's own U it would be a pass.
    assert hot.limit.high == pytest.approx(1.145 * cold.reading.value)
    room = (hot.limit.high or 0.0) - (hot.reading.value or 0.0)
    assert hot.reading.expanded_uncertainty < room
    assert hot.verdict is Verdict.CONDITIONAL_PASS


def test_a_limit_names_its_reading_by_channel(run: Run) -> None:
    record = run(gains("gain_1k.{channel} - 1 dB"))
    first = {j.reading.channel: j.reading.value for j in of(record, "gain_1k")}
    for channel in ("left", "right"):
        (found,) = of(record, f"gain_100.{channel}")
        assert found.limit is not None
        assert found.limit.low == pytest.approx((first[channel] or 0.0) - 1.0)
        assert found.verdict is Verdict.PASS


def test_which_of_two_readings_must_be_said_before_anything_is_powered(run: Run) -> None:
    with pytest.raises(FileError) as refused:
        run(gains("gain_1k - 1 dB"))
    assert "'gain_1k' stands for 2 readings" in str(refused.value)
    assert "gain_1k.left or gain_1k.right" in str(refused.value)


def test_a_channel_that_is_none_is_refused_before_anything_is_powered(run: Run) -> None:
    with pytest.raises(FileError, match=r"gain_1k\.centre"):
        run(gains("gain_1k.centre - 1 dB"))


def test_rails_are_named_in_full(run: Run) -> None:
    steps = """
[[step]]
id = "idle"
do = "supply_current"
[[step]]
id = "idle_again"
do = "supply_current"
limit = { at_most = "2 * idle.rail.pos" }
"""
    assert {j.verdict for j in of(run(steps), "idle_again")} == {Verdict.PASS}
    with pytest.raises(FileError, match="stands for 2 readings"):
        run(steps.replace(".rail.pos", ""))


SHARES = """
[[step]]
id = "cold.{ballast}"
each = "ballast"
do = "device_current"
at = "ballast.{ballast}"
[[step]]
id = "hot.{ballast}"
each = "ballast"
do = "device_current"
at = "ballast.{ballast}"
[[step]]
id = "drift"
do = "idle_drift"
of = "hot"
against = "cold"
[[step]]
id = "again.{ballast}"
each = "ballast"
do = "device_current"
at = "ballast.{ballast}"
limit = { at_most = "{limit}" }
"""


def test_what_only_the_run_tells_to_be_several_is_not_measured_with_the_reason(run: Run) -> None:
    record = run(SHARES.replace("{limit}", "30 mA + drift"))
    (found,) = of(record, "again.left.upper.1")
    assert found.verdict is Verdict.NOT_MEASURED
    assert found.reading.note.startswith("'drift' stands for 8 readings: left.upper.1,")
    named = run(SHARES.replace("{limit}", "30 mA + drift.{ballast}"))
    assert of(named, "again.left.upper.1")[0].verdict is Verdict.PASS


def test_a_limit_over_a_reading_that_was_not_made_is_not_measured(run: Run) -> None:
    steps = device(1, "1.01 * cold").replace(
        'id = "cold"', 'id = "cold"\nonly_if = "bring_up failed"'
    )
    record = run(steps)
    (found,) = of(record, "hot")
    assert found.verdict is Verdict.NOT_MEASURED
    assert found.reading.note == "'cold' has no reading: it was not reached"


def test_a_limit_over_a_bound_is_not_measured(run: Run) -> None:
    steps = """
[[step]]
id = "floor"
do = "thd_n"
each = "channel"
[[step]]
id = "again"
do = "thd_n"
each = "channel"
limit = { at_most = "2 * floor.{channel}" }
""".replace('id = "floor"', 'id = "floor.{channel}"').replace(
        'id = "again"', 'id = "again.{channel}"'
    )
    (found,) = [j for j in of(run(steps), "again.left") if j.limit or j.reading.value is None]
    assert found.verdict is Verdict.NOT_MEASURED
    assert "'floor.left' is only known as at most" in found.reading.note


def test_limits_that_cross_by_what_was_read_are_not_measured(run: Run) -> None:
    steps = device(1, "{limit}").replace(
        '{ at_most = "{limit}" }', '{ between = ["2 * cold", "1.5 * cold"] }'
    )
    (found,) = of(run(steps), "hot")
    assert found.verdict is Verdict.NOT_MEASURED
    assert found.reading.note.startswith("the limit has no value: the limit comes to")


def test_a_name_of_the_unit_sheet_stays_what_it_is_after_a_step_of_that_name(run: Run) -> None:
    steps = gains("gain - 1 dB").replace('id = "gain_1k"', 'id = "gain"')
    (found,) = of(run(steps), "gain_100.left")
    assert found.limit is not None
    assert found.limit.low == pytest.approx(28.0)
    assert found.reading.note == "100 Hz"  # a rating is exact


ALL = "".join(
    f'[[step]]\nid = "{name}"\ndo = "{do}"\n{more}limit = {{ at_least = "-1000 {unit}" }}\n'
    for name, do, more, unit in (
        ("supply", "supply_current", "", "A"),
        ("gain_now", "gain", "", "dB"),
        ("gain.{channel}", "gain", 'each = "channel"\n', "dB"),
        ("thd", "thd", "", "%"),
        ("corner", "upper_corner", "", "Hz"),
        ("source", "source_impedance", "", "Ω"),
        ("balance", "channel_balance", "", "dB"),
        ("sag", "rail_sag", 'power = "1 W"\n', "V"),
        ("heat", "dissipation", "", "W"),
        ("power", "output_power", "", "W"),
    )
)


def test_steps_make_the_readings_that_they_say_they_make(run: Run) -> None:
    unit = load_unit("demo-2x40")
    made = sequence_from_text('title = "All"\nrevision = "A"\n' + ALL, kinds(), unit=unit)
    record = run(ALL)
    for step in expand_all(made, unit):
        told = places(step, unit)
        found = [j.reading.channel for j in of(record, step.id) if j.limit is not None]
        assert found == told if told else len(found) == 1, step.id
