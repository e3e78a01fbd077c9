"""The main job, end to end, in process: a healthy unit is accepted, each fault is found."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from acceptance_runs import run
from shortened import AGAIN, HEARD, UNHEARD, WEAK, cut_short

from seqrun.values import Disposition

#: fault at its usual severity -> the step families that speak against the unit (any of them), the
#: family up to which the acceptance is done to see it (None: all of it), and those left out
FAULTS = {
    "dc_offset@left": ({"offset"}, None, ()),
    "open_device@right": ({"cold", "share_cold"}, "share_cold", ()),
    "bias_low@left": ({"cold", "idle_supply"}, "share_cold", ()),
    "weak_supply": ({"power"}, "power", WEAK),
    "dry_thermal_joint@left": ({"drift", "share_hot", "heat_eighth"}, "share_hot", UNHEARD),
    "noisy_device@right": ({"noise"}, "hum", ()),
    "loss_of_gain@left": ({"gain"}, "gain", ()),
    "loss_of_treble@right": ({"treble"}, "treble", ("noise", "hum")),
    "load_missing@left": ({"load"}, None, ()),
    "sensor_off": ({"heat_idle", "heat_eighth"}, "heat_eighth", UNHEARD),
}


def test_a_healthy_unit_is_accepted(acceptance: Callable) -> None:
    done = acceptance()
    assert done.outcome.disposition is Disposition.ACCEPT, done.outcome.reason


def test_every_limit_of_the_sequence_was_judged(acceptance: Callable) -> None:
    done = acceptance()
    judged = {j.step for j in done.outcome.judged if j.limit is not None}
    planned = set(done.record.facts["plan"]["steps"])
    assert len(judged) >= 30
    assert judged <= planned
    assert all(j.verdict.value == "pass" for j in done.outcome.judged if j.limit is not None)


def test_the_run_took_tens_of_minutes_of_virtual_time(acceptance: Callable) -> None:
    done = acceptance()
    # far less than the 3740 s that soaks until settled took
    assert 900.0 < done.outcome.bench_s < 2100.0


def test_rated_power_is_reached_with_both_channels_driven(acceptance: Callable) -> None:
    powers = [
        j.reading for j in acceptance().outcome.judged if j.reading.quantity == "output_power"
    ]
    assert {p.channel for p in powers} == {"left", "right"}
    assert all(40.0 < p.value < 52.0 for p in powers)
    assert all(0.0 < p.expanded_uncertainty < 2.0 for p in powers)


def test_the_rails_are_confirmed_discharged_at_the_end(acceptance: Callable) -> None:
    done = acceptance()
    residual = [j for j in done.outcome.judged if j.reading.quantity == "residual_voltage"]
    assert {j.reading.channel for j in residual} == {"rail.pos", "rail.neg"}
    assert all(j.reading.value < 2.0 for j in residual)
    assert done.outcome.safe.complete


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_found_by_a_step_that_is_about_it(acceptance: Callable, fault: str) -> None:
    families, to, without = FAULTS[fault]
    done = acceptance(fault, to=to, without=without)
    assert done.outcome.disposition in (Disposition.REJECT, Disposition.HOLD, Disposition.ABORTED)
    against = done.steps("fail", "conditional fail", "conditional pass", "not measured")
    tripped = done.outcome.disposition is Disposition.ABORTED
    assert against & families or tripped, (done.outcome.reason, against)


def test_what_is_read_hot_is_read_before_two_minutes_of_silence_cool_the_metal(
    acceptance: Callable,
) -> None:
    steps = list(acceptance().record.facts["plan"]["steps"])
    hot = [s for s in steps if s.split(".")[0] in ("gain_hot", "hum_hot", "hot", "offset_hot")]
    assert len(hot) >= 13
    assert max(map(steps.index, hot)) < steps.index("bursts")


def test_no_unit_is_released_while_its_bench_is_in_doubt(acceptance: Callable) -> None:
    """A sensor that is half off reads a rise that passes; the same heat would warm the metal more.
    What was read with the bench wrong proves nothing."""
    done = acceptance("sensor_off=0.45", to="offset_hot", without=UNHEARD)
    assert all(j.verdict.value == "pass" for j in done.outcome.judged if j.limit is not None)
    assert done.outcome.disposition is Disposition.HOLD
    assert "mistake on the bench: the temperature sensor" in done.outcome.reason


SOAK = """
[[step]]
id = "ambient"
do = "temperature"
at = "sensor.ambient"
[[step]]
id = "heat"
do = "soak"
at_most = "60 min"
ambient = "ambient"
healthy_current = "3 * supply_idle"
"""


def test_thermal_runaway_ends_in_a_trip_with_the_supply_off(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    sequence = short_sequence(SOAK)
    done = run(tmp_path / "results", "thermal_runaway@left=1", sequence=sequence)
    assert done.outcome.disposition is Disposition.ABORTED
    assert "draws" in done.outcome.reason
    assert done.outcome.safe.complete


def test_a_bridged_unit_on_one_rail_is_accepted_by_the_difference_of_two_probes(
    tmp_path: Path,
) -> None:
    sequence = cut_short(tmp_path, "discharge", (*HEARD, *AGAIN))
    done = run(tmp_path, unit="demo-bridged", sequence=sequence)
    assert done.outcome.disposition is Disposition.ACCEPT, done.outcome.reason
    hookups = done.record.facts["hookups"]
    assert not any(".clip to out" in words for words in hookups)


def test_a_simulated_run_says_so_in_every_row(acceptance: Callable) -> None:
    record = acceptance().record
    assert record.run.simulated
    assert all(row.simulated for row in record.judged)
