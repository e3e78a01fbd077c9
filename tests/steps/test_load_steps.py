"""The load is measured before there is power: a wrong one is found, and nothing is energised."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from seqrun.errors import UsageError
from seqrun.files.bench.load import bench_from_text
from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.load import sequence_from_text
from seqrun.plan.build import build
from seqrun.runner.events import Watcher
from seqrun.runner.opening import read_bench
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, execute
from seqrun.runner.signals import Interrupts
from seqrun.steps.base import kinds
from seqrun.values import Disposition

Powered = Callable[..., Any]
LOADS = """
[[step]]
id = "down"
do = "power_down"
[[step]]
id = "load.{channel}"
each = "channel"
do = "load_resistance"
limit = { between = ["0.9 * rated_load", "1.1 * rated_load"] }
"""


def test_the_load_reads_what_it_is(powered: Powered) -> None:
    unit = powered(seed=7)  # one that no other test shares: it is left without power
    read = unit.do(LOADS)
    for channel in ("left", "right"):
        load = read.one("load_resistance", channel)
        truth = unit.truth.load_ohm(channel)
        assert load.value == pytest.approx(truth, abs=load.expanded_uncertainty)
        assert load.expanded_uncertainty < 0.005 * truth


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("load_wrong@left=0.3", "not the load that the bench file names"),
        ("load_missing@left", "is not there"),
    ],
)
def test_a_wrong_load_ends_the_run_before_power(tmp_path: Path, fault: str, words: str) -> None:
    plan, files = prepare("acceptance", "demo", "demo-2x40", faults=(fault,), seed=1)
    options = Options("T-1", "", tmp_path)
    outcome = execute(plan, files, None, Watcher(), options, Interrupts())
    assert outcome.disposition is Disposition.HOLD
    assert words in outcome.reason
    log = (tmp_path / outcome.run_id / "messages.log").read_text(encoding="utf-8")
    assert "FRES" in log
    assert not re.search(r"OUTP\S* (1|ON)", log)


def test_a_bench_file_with_another_load_than_the_rated_is_refused() -> None:
    files = read_bench("demo", None)
    wrong = files.view.bench.text.replace('resistance = "8.045 Ω"', 'resistance = "4.02 Ω"')
    bench = bench_from_text(wrong, "bench")
    view = files.view.__class__(bench, files.view.unit, files.view.drivers)
    head = 'title = "t"\nrevision = "A"\ndecision = "simple"\n'
    sequence = sequence_from_text(
        head + '[[step]]\nid = "l"\ndo = "load_resistance"\n', kinds(), unit=view.unit
    )
    with pytest.raises(UsageError, match=r"4.02 Ω"):
        build(sequence, view, expand_all(sequence, view.unit))
