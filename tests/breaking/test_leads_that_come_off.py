"""A lead that comes off in the middle of a step is as quiet as a unit that is well: nothing that
fails by itself passes then, and nothing of it is accepted. Nor is a good unit rejected for what an
open lead reads.

What is good when it is near nothing is tried on units on which it is not; the lead is back before
the next step, so that no other step can tell.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from forked import once, put_in
from mishaps import Mended, acts
from should_not_matter import LOW_RAILS, OVERLOAD

from demo_sim.amplifier.changeable import When
from demo_sim.amplifier.spec import ChannelSpec

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="it forks")

OFFSET = """
[[step]]
id = "offset"
do = "dc_voltage"
at = "out.left"
limit = { between = ["-5 mV", "5 mV"] }
"""
NOISE = """
[[step]]
id = "noise"
do = "output_noise"
at = "out.left"
limit = { at_most = "1 mV" }
[[step]]
id = "hum"
do = "hum"
at = "out.left"
limit = { at_most = "1 mV" }
"""
BURSTS = """
[[step]]
id = "bursts"
do = "output_bursts"
watch = "12 s"
limit = { at_most = "0.5 Hz" }
"""
DRIVEN = """
[[step]]
id = "stray"
do = "stray_signal"
limit = { at_most = "rated_voltage / 200" }
[[step]]
id = "hum_driven"
do = "hum_driven"
limit = { at_most = "5 mV" }
[[step]]
id = "separation"
do = "channel_separation"
power = "1 W"
limit = { at_least = "40 dB" }
"""
CAPACITOR = """
[[step]]
id = "capacitor.{channel}"
each = "channel"
do = "stray_into_capacitor"
limit = { at_most = "rated_voltage / 200" }
"""


@pytest.mark.parametrize(
    ("steps", "faults", "terminals"),
    [
        (OFFSET, ["dc_offset@left=0.05"], ["meter.hi"]),
        (NOISE, ["hum@left=0.8"], ["scope.1"]),
        (BURSTS, ["noisy_device@left=0.7"], ["scope.1"]),
        (DRIVEN, ["peak_oscillation@left=0.3", "crosstalk@left"], ["scope.1", "generator.2"]),
        (CAPACITOR, ["load_oscillation@left"], ["scope.1"]),
    ],
    ids=["offset", "noise", "bursts", "driven", "capacitor"],
)
def test_what_fails_does_not_pass_by_a_lead_that_came_off(
    steps: str,
    faults: Sequence[str],
    terminals: Sequence[str],
    short_sequence: Callable[..., str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    tap = Mended(tmp_path / "clean", faults=faults)
    put_in(tap, monkeypatch.setattr)
    _does_not_pass(tap, short_sequence(steps), steps, terminals, tmp_path)


def _does_not_pass(
    tap: Mended, sequence: str, steps: str, terminals: Sequence[str], tmp_path: Path
) -> None:
    """A unit that is rejected by some steps is not accepted, nor anything of it passed, where each
    of some leads comes off in the middle of each of them."""
    tap.acts = acts(tap, terminals)
    clean, _ = once(sequence, tap)
    assert str(clean.disposition) == "reject", clean.reason
    tap.clean = clean.judged
    tried = {
        line.partition('"')[2].partition(".")[0].rstrip('"')
        for line in steps.splitlines()
        if line.startswith("id")
    }
    at: dict[str, list[int]] = defaultdict(list)
    for number, one in enumerate(tap.seen):
        at[one.step].append(number)
    tap.todo = defaultdict(list)
    for step, numbers in at.items():
        if step.partition(".")[0] not in tried:
            continue
        # as soon as it plays, when the trips are first looked at, and later
        first = next((n for n in numbers if tap.seen[n].key == "supply"), numbers[0])
        for number in (first, *(numbers[int(place * len(numbers))] for place in (0.6,))):
            for kind in tap.acts:
                tap.todo[number].append(kind)
    tap.results, tap.seen, tap.step = tmp_path / "tapped", [], "opening"
    once(sequence, tap)
    assert len(tap.told) >= 2 * len(terminals)
    bad = [
        f"{line}: {kind} at {tap.seen[number]}"
        for number, kind, said in tap.told
        for line in said
        if line[:4].isupper()
    ]
    assert not bad


BESIDE = """
[[step]]
id = "beside"
do = "beside_other"
power = "1 W"
limit = { at_most = "5 mV" }
"""


def _dc(c: ChannelSpec) -> ChannelSpec:
    legs = (replace(leg, offset_v=leg.offset_v + 0.06) for leg in c.legs)
    return replace(c, legs=tuple(legs))


@pytest.mark.parametrize(
    ("steps", "when", "terminals"),
    [
        (LOW_RAILS, When(rail_below=0.95, ups=1), ["scope.1", "generator.1"]),
        (BESIDE, When(own="quiet", others="driven"), ["scope.1", "generator.2"]),
        (OVERLOAD, When(overdriven=True, left_s=3.0), ["scope.1", "generator.1"]),
    ],
    ids=["low", "beside", "overload"],
)
def test_what_should_not_matter_and_does_not_pass_by_a_lead_that_came_off(
    steps: str,
    when: When,
    terminals: Sequence[str],
    short_sequence: Callable[..., str],
    made_up: Callable[..., str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    fault = made_up(f"dc_of_{steps.split()[3][1:-1]}", lambda c: replace(c, other=_dc, when=when))
    tap = Mended(tmp_path / "clean", faults=[fault])
    put_in(tap, monkeypatch.setattr)
    _does_not_pass(tap, short_sequence(steps), steps, terminals, tmp_path)


GOOD = """
[[step]]
id = "cold"
do = "device_current"
at = "ballast.left.upper.1"
limit = { between = ["idle_current_low", "idle_current_high"] }
[[step]]
id = "balance"
do = "channel_balance"
limit = { between = ["-1 dB", "1 dB"] }
"""


def test_a_good_unit_is_not_rejected_for_what_an_open_lead_reads(
    short_sequence: Callable[..., str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The meter as soon as it is across a ballast; the generator once its tone was seen."""
    tap = Mended(tmp_path / "clean")
    put_in(tap, monkeypatch.setattr)
    sequence = short_sequence(GOOD)
    clean, _ = once(sequence, tap)
    assert str(clean.disposition) == "accept", clean.reason
    tap.clean = clean.judged
    tap.acts = acts(tap, ["meter.hi", "generator.1"])
    first: dict[tuple[str, str], int] = {}
    for number, one in enumerate(tap.seen):
        first.setdefault((one.step, one.asked[:5]), number)
    tap.todo = defaultdict(list, {first["cold", "MEAS:"]: ["off meter.hi"]})
    tap.todo[first["balance", "TRAC?"]] = ["off generator.1"]
    tap.results, tap.seen, tap.step = tmp_path / "tapped", [], "opening"
    once(sequence, tap)
    assert [said[0] for *_, said in tap.told] == ["hold"] * 2
    assert not [line for *_, said in tap.told for line in said if line.startswith("rejected")]
