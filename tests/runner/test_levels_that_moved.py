"""A sound interface that was levelled against another meter than the one in use."""

from __future__ import annotations

import datetime

import pytest

from seqrun.files.bench.file import Bench
from seqrun.files.bench.load import bench_from_text
from seqrun.runner.opening import read_bench
from seqrun.runner.papers import against_release, levels_of_another_meter


def bench_of(against: str) -> Bench:
    text = read_bench("demo:sound_card", None, seed=1).view.bench.text
    mine = next(line for line in text.splitlines() if line.startswith("against"))
    return bench_from_text(text.replace(mine, f'against = "{against}"'))


def test_another_meter_than_the_one_of_the_levels_is_told() -> None:
    (line,) = levels_of_another_meter(bench_of("MAKER,M-1,123,1.0"), ["MAKER,M-1,456,1.0"])
    assert "against 'MAKER,M-1,123,1.0'" in line and "is 'MAKER,M-1,456,1.0'" in line
    assert not levels_of_another_meter(bench_of("MAKER,M-1,123,1.0"), ["MAKER,M-1,123,1.0"])
    assert not levels_of_another_meter(bench_of("MAKER,M-1,123,1.0"), [])


def test_the_simulated_interface_is_levelled_against_its_own_meter() -> None:
    files = read_bench("demo:sound_card", None, seed=1)
    meter = files.demo.devices["meter"].identity
    assert not levels_of_another_meter(files.view.bench, [meter])


@pytest.mark.parametrize(
    ("days", "due", "told"),
    [
        (0, None, ""),
        (-1, None, "is in the future"),  # the day of the run comes before it
        (0, 0, ""),
        (1, 0, "due to be levelled again on"),
    ],
)
def test_levels_of_a_sound_interface_were_found_by_the_day_of_the_run_and_are_not_overdue(
    days: int, due: int | None, told: str
) -> None:
    view = read_bench("demo:sound_card", None, seed=1).view
    assert view.bench.sound is not None
    key = next(k for k, driver in view.drivers.items() if driver.sound is not None)
    found_on = view.bench.sound.levelled
    until = None if due is None else found_on + datetime.timedelta(days=due)
    entry = view.bench.instrument[key].model_copy(update={"calibration_due": until})
    bench = view.bench.model_copy(update={"instrument": {key: entry}})
    lines = against_release(bench, view.drivers, found_on + datetime.timedelta(days=days))
    assert [told in line for line in lines] == ([True] if told else [])
