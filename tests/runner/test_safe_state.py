"""The safe state by itself: what it tries, how often, how long, what it says of each failure."""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest
from pytest_mock import MockerFixture
from uncertainties import ufloat

from seqrun.errors import InstrumentSilent, NotMeasured
from seqrun.instruments.generator import DrivenGenerator
from seqrun.instruments.supply import DrivenSupply
from seqrun.runner.opening import OpenBench, open_bench, read_bench
from seqrun.runner.safe import SafeReport, any_on, found_on, is_discharged, make_safe

#: both outputs are off, output 1 says for once that it is not, then that it is, as output 2
ANSWERS = (False, False, True, False, False)
DEAD = InstrumentSilent("the link broke\nand stays so", where="supply TCPIP0::1")


@pytest.fixture
def bench() -> Iterator[OpenBench]:
    opened = open_bench(read_bench("demo", None), lambda *_: None)
    yield opened
    opened.close()


def safe(bench: OpenBench, *rails: int, discharge_s: float = 120.0) -> SafeReport:
    return make_safe(bench.instruments, bench.clock, rails, discharge_s=discharge_s)


def test_a_healthy_bench_confirms_generator_supply_and_each_rail(bench: OpenBench) -> None:
    report = safe(bench, 1, 2)
    assert report.complete
    assert report.sent == []
    assert report.confirmed == [
        "generator: outputs off, read back",
        "supply: outputs off, read back",
        "supply output 1: below 2 V",
        "supply output 2: below 2 V",
    ]


@pytest.mark.parametrize("kind", [DrivenSupply, DrivenGenerator])
def test_one_instrument_that_fails_twice_is_named_and_the_others_are_made_safe(
    bench: OpenBench, mocker: MockerFixture, kind: type[DrivenSupply] | type[DrivenGenerator]
) -> None:
    name, other = ("supply", "generator") if kind is DrivenSupply else ("generator", "supply")
    tried = mocker.patch.object(kind, "make_safe", side_effect=DEAD)
    anew = mocker.patch.object(kind, "reopen")
    report = safe(bench, 1, 2)
    assert report.unconfirmed == [f"{name}: could not be made safe (the link broke)"]
    assert not any(line.startswith(name) for line in report.confirmed), "it took no order"
    assert f"{other}: outputs off, read back" in report.confirmed
    assert (tried.call_count, anew.call_count) == (2, 1)


def test_an_output_that_stays_on_is_sent_off_once_more_over_a_new_link(
    bench: OpenBench, mocker: MockerFixture
) -> None:
    real, heard = DrivenSupply.make_safe, []

    def deaf_at_first(self: DrivenSupply) -> None:
        heard.append(self)
        if len(heard) > 1:
            real(self)

    mocker.patch.object(DrivenSupply, "make_safe", deaf_at_first)
    mocker.patch.object(DrivenSupply, "enabled", lambda self, n=None: len(heard) < 2)
    anew = mocker.patch.object(DrivenSupply, "reopen")
    assert safe(bench).complete
    assert (len(heard), anew.call_count) == (2, 1)


def test_outputs_that_go_on_saying_that_they_are_on_are_named(
    bench: OpenBench, mocker: MockerFixture
) -> None:
    mocker.patch.object(DrivenSupply, "enabled", return_value=True)
    report = safe(bench)
    assert report.unconfirmed == ["supply: still reports output 1, 2 as on"]
    assert report.confirmed == ["generator: outputs off, read back"]


@pytest.mark.parametrize("second", [NotMeasured("no such query"), DEAD])
def test_an_output_that_says_it_is_on_is_named_though_the_next_one_tells_nothing(
    bench: OpenBench, mocker: MockerFixture, second: Exception
) -> None:
    def enabled(self: DrivenSupply, output: int = 1) -> bool:
        if output == 2:
            raise second
        return True

    mocker.patch.object(DrivenSupply, "enabled", enabled)
    mocker.patch.object(DrivenSupply, "reopen")
    told = safe(bench).unconfirmed
    assert told[0] == "supply: still reports output 1 as on"
    assert len(told) == 2


def test_once_is_enough_for_what_is_off(bench: OpenBench, mocker: MockerFixture) -> None:
    spies = [mocker.spy(kind, "make_safe") for kind in (DrivenSupply, DrivenGenerator)]
    safe(bench)
    assert [spy.call_count for spy in spies] == [1, 1]


def test_a_generator_that_does_not_tell_is_sent_off_and_a_supply_that_does_not_is_unconfirmed(
    bench: OpenBench, mocker: MockerFixture
) -> None:
    """With the supply off a generator drives nothing."""
    anew, asked = [], []
    for kind in (DrivenSupply, DrivenGenerator):
        not_told = NotMeasured("no such query")
        asked.append(mocker.patch.object(kind, "enabled", side_effect=not_told))
        anew.append(mocker.patch.object(kind, "reopen"))
    report = safe(bench)
    assert [link.call_count for link in anew] == [0, 0], "it is not the link that is wrong"
    assert [one.call_count for one in asked] == [2, 2], "once as it is switched off, once to tell"
    told = "sent off, not confirmed (no such query); look at its panel"
    assert report.sent == [f"generator: {told}"]
    assert report.unconfirmed == [f"supply: {told}"]


def test_one_answer_of_on_or_none_is_asked_again_and_three_are_not_believed_off(
    bench: OpenBench, mocker: MockerFixture
) -> None:
    asked = mocker.patch.object(DrivenGenerator, "enabled", side_effect=[*ANSWERS])
    generator = bench.instruments["generator"]
    report = make_safe({"generator": generator}, bench.clock)
    assert asked.call_count == len(ANSWERS)
    assert report.complete
    mocker.patch.object(DrivenGenerator, "enabled", side_effect=DEAD)
    anew = mocker.patch.object(DrivenGenerator, "reopen")
    mocker.patch.object(DrivenGenerator, "make_safe")
    mocker.patch("seqrun.runner.safe.any_on", return_value=False)
    report = make_safe({"generator": generator}, bench.clock)
    assert report.unconfirmed == ["generator output 1: could not be read back (the link broke)"]
    assert anew.call_count == 2


def test_every_output_is_asked_whether_it_is_on(bench: OpenBench, mocker: MockerFixture) -> None:
    supply = bench.instruments["supply"]
    assert isinstance(supply, DrivenSupply)
    for output, expected in ((1, True), (2, True), (3, False)):
        mocker.patch.object(DrivenSupply, "enabled", lambda self, n, on=output: n == on)
        assert any_on(supply) is expected


@pytest.mark.parametrize(
    ("volts", "down"),
    [(0.0, True), (1.99, True), (2.0, False), (-1.99, True), (-2.5, False), (math.nan, False)],
)
def test_a_rail_is_discharged_below_2_v_of_either_sign(
    bench: OpenBench, mocker: MockerFixture, volts: float, down: bool
) -> None:
    mocker.patch.object(DrivenSupply, "voltage", return_value=ufloat(volts, 0.01))
    supply = bench.instruments["supply"]
    assert isinstance(supply, DrivenSupply)
    assert is_discharged(supply, 1) is down


def test_a_rail_that_does_not_fall_is_waited_for_as_long_as_stated_and_no_longer(
    bench: OpenBench, mocker: MockerFixture
) -> None:
    mocker.patch.object(
        DrivenSupply, "voltage", lambda self, n: ufloat(30.0 if n == 2 else 0.0, 0.01)
    )
    begun = bench.clock.now()
    waits = mocker.spy(type(bench.clock), "wait")
    report = safe(bench, 1, 2, discharge_s=10.0)
    assert 10.0 < bench.clock.now() - begun < 12.0
    assert max(call.args[1] for call in waits.call_args_list) <= 0.5, "it is seen at once"
    assert "supply output 1: below 2 V" in report.confirmed
    (line,) = report.unconfirmed
    assert line.startswith("supply output 2: still above 2 V after 10 s; do not touch")


def test_a_rail_that_falls_in_time_is_confirmed(bench: OpenBench, mocker: MockerFixture) -> None:
    begun = bench.clock.now()
    mocker.patch.object(
        DrivenSupply,
        "voltage",
        lambda self, n: ufloat(30.0 * math.exp(-(bench.clock.now() - begun) / 2.0), 0.01),
    )
    report = safe(bench, 1)
    assert report.complete
    assert "supply output 1: below 2 V" in report.confirmed
    assert 2.0 * math.log(15.0) <= bench.clock.now() - begun < 8.0


def test_a_rail_that_cannot_be_read_is_asked_three_times_and_never_called_discharged(
    bench: OpenBench, mocker: MockerFixture
) -> None:
    read = mocker.patch.object(DrivenSupply, "voltage", side_effect=DEAD)
    anew = mocker.patch.object(DrivenSupply, "reopen")
    report = safe(bench, 1)
    assert report.unconfirmed == ["supply: could not be read back (the link broke)"]
    assert not any("below" in line for line in report.confirmed)
    assert (read.call_count, anew.call_count) == (3, 2)


@pytest.mark.parametrize(
    ("on", "volts", "line"),
    [
        (True, 30.0, "supply output 1 on, at 30 V"),
        (True, 0.0, "supply output 1 on, at 0 V"),
        (False, 30.0, "supply output 1 off, at 30 V"),
        (False, -30.0, "supply output 1 off, at -30 V"),
        (False, 0.5, None),
    ],
)
def test_what_is_on_or_charged_is_found(
    bench: OpenBench, mocker: MockerFixture, on: bool, volts: float, line: str | None
) -> None:
    mocker.patch.object(DrivenSupply, "enabled", lambda self, n: on and n == 1)
    mocker.patch.object(
        DrivenSupply, "voltage", lambda self, n: ufloat(volts if n == 1 else 0.0, 0.01)
    )
    assert found_on(bench.instruments) == ([line] if line else [])


def test_a_generator_that_is_on_is_found_and_one_that_is_silent_is_not_taken_for_off(
    bench: OpenBench, mocker: MockerFixture
) -> None:
    mocker.patch.object(DrivenGenerator, "enabled", lambda self, n: n == 2)
    assert found_on(bench.instruments) == ["generator output 2 on"]
    mocker.patch.object(DrivenGenerator, "enabled", side_effect=DEAD)
    told = [f"generator output {n} cannot be asked (the link broke)" for n in (1, 2)]
    assert found_on(bench.instruments) == told


def test_of_an_instrument_by_hand_nobody_is_asked_what_it_has_on(
    bench: OpenBench, mocker: MockerFixture
) -> None:
    mocker.patch.object(DrivenSupply, "by_hand", True, create=True)
    asked = mocker.patch.object(DrivenSupply, "enabled", return_value=True)
    assert found_on(bench.instruments) == []
    assert not asked.called


def test_what_no_instrument_can_switch_off_is_said_and_leaves_the_unit_unconfirmed() -> None:
    nothing, mains, rail = SafeReport(), SafeReport(), SafeReport()
    nothing.by_hand(own_mains=False, unread=())
    assert nothing.complete
    mains.by_hand(own_mains=True, unread=())
    assert not mains.complete
    assert "pull it now" in mains.unconfirmed[0]
    rail.by_hand(own_mains=False, unread=("rail.pos", "rail.neg"))
    assert [line.partition(":")[0] for line in rail.unconfirmed] == ["rail.pos", "rail.neg"]


def test_the_volts_of_a_supply_by_hand_are_read_by_nobody_on_the_way_to_safety(
    bench: OpenBench, mocker: MockerFixture
) -> None:
    mocker.patch.object(DrivenSupply, "by_hand", True, create=True)
    read = mocker.patch.object(DrivenSupply, "voltage", side_effect=DEAD)
    report = safe(bench, 1, 2)
    assert not read.called
    told = [line for line in report.unconfirmed if "by hand, its volts are not read" in line]
    assert [line.split(":")[0] for line in told] == ["supply output 1", "supply output 2"]
    assert all("confirm below 2 V by meter" in line for line in told)
