"""What should not matter to a unit: low mains, being switched off and on, a loud neighbour, an
overload that is over, a relay's closing."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from pytest_mock import MockerFixture
from should_not_matter import LOW_RAILS, OVERLOAD
from switching_again import switched

from demo_sim.amplifier.changeable import When
from demo_sim.amplifier.passing import Thump
from demo_sim.amplifier.spec import ChannelSpec
from seqrun.errors import NotMeasured, Tripped
from seqrun.instruments.supply import DrivenSupply
from seqrun.measure import sinefit
from seqrun.steps.beside_other import BesideOther
from seqrun.steps.common.drive import Drive
from seqrun.steps.common.quiet_tone import QuietTone
from seqrun.steps.overload import OVERLOAD_CHANGE
from seqrun.steps.timing import AwaitOutput
from seqrun.values import Bound

Powered = Callable[..., Any]
Change = Callable[[ChannelSpec], ChannelSpec]

BESIDE = """
[[step]]
id = "beside"
do = "beside_other"
power = "rated_power / 2"
limit = { at_most = "5 mV" }
"""
JUST_ON = (
    switched()
    + """
[[step]]
id = "just_on"
do = "just_on"
of = "on"
limit = { at_most = "5 mV" }
"""
)
ALL = (
    (LOW_RAILS, "low_rail_change"),
    (OVERLOAD, "overload_change"),
    (OVERLOAD, "overload_sticks"),
    (BESIDE, "beside_other"),
    (JUST_ON, "just_on_change"),
)


TAKES = {"low rails": LOW_RAILS, "an overload": OVERLOAD, "a loud neighbour": BESIDE}


def dc(volts: float) -> Change:
    return lambda c: replace(
        c, legs=tuple(replace(leg, offset_v=leg.offset_v + volts) for leg in c.legs)
    )


def quieter(share: float) -> Change:
    return lambda c: replace(
        c, legs=tuple(replace(leg, gain=leg.gain * (1.0 - share)) for leg in c.legs)
    )


def under(when: When, change: Change) -> Change:
    return lambda c: replace(c, other=change, when=when)


@pytest.mark.parametrize(("steps", "quantity"), ALL)
@pytest.mark.parametrize("unit", ["demo-2x40", "demo-bridged", "demo-single"])
def test_none_of_it_matters_to_a_sound_unit(
    powered: Powered, steps: str, quantity: str, unit: str
) -> None:
    found = powered(unit=unit, seed=5).do(steps).all(quantity)
    assert found
    for reading in found:
        limit = 50e-6 if quantity == "overload_sticks" else 5e-3
        assert reading.value + reading.expanded_uncertainty < 0.5 * limit, reading.note


@pytest.mark.parametrize("steps", TAKES.values(), ids=list(TAKES))
@pytest.mark.parametrize("unit", ["demo-2x40", "demo-bridged"])
def test_a_plan_allows_it_the_time_that_it_takes(powered: Powered, steps: str, unit: str) -> None:
    """Reservoirs that fall by a bleeder alone take longer than those of the demo."""
    one = powered(unit=unit, seed=11)
    planned = sum(needs.seconds for needs in one.needs(steps))
    begun = one.world.now
    one.do(steps)
    assert 0.8 * (one.world.now - begun) < planned < 5.0 * (one.world.now - begun)


# --- low mains ----------------------------------------------------------------


@pytest.mark.parametrize("volts", [0.012, 0.06])
def test_dc_that_comes_with_low_rails_is_read_in_its_channel(
    powered: Powered, made_up: Any, volts: float
) -> None:
    fault = made_up(f"low_dc_{'ab'[volts > 0.02]}", under(When(rail_below=0.95, ups=1), dc(volts)))
    left, right = powered(fault, seed=5).do(LOW_RAILS).all("low_rail_change")
    assert abs(left.value - volts) < left.expanded_uncertainty
    assert right.value < 1e-3


def test_what_is_so_between_the_rails_alone_is_not_looked_for(
    powered: Powered, made_up: Any
) -> None:
    fault = made_up("very_low_dc", under(When(rail_below=0.85, ups=1), dc(0.06)))
    left, _ = powered(fault, seed=5).do(LOW_RAILS).all("low_rail_change")
    assert left.value < 1e-3


def test_a_relay_that_lets_go_at_low_rails_is_no_lead_that_is_off(
    powered: Powered, made_up: Any
) -> None:
    lets_go = under(
        When(rail_below=0.95, ups=1), lambda c: replace(c, relay=replace(c.relay, contact_ohm=1e7))
    )
    left, _ = powered(made_up("low_relay", lets_go), seed=5).do(LOW_RAILS).all("low_rail_change")
    assert left.value == pytest.approx(0.05, rel=0.1)
    assert "the quiet tone was gone" in left.note


@pytest.mark.parametrize("ends", [Tripped("2 A", expected="at most 1 A"), KeyboardInterrupt()])
def test_after_a_trip_no_rail_is_raised(
    powered: Powered, mocker: MockerFixture, ends: BaseException
) -> None:
    """The run ends in the safe state, and nothing is done to the unit before."""
    unit = powered("hum@left=0.001", seed=176 + isinstance(ends, Tripped))
    full = unit.truth.rail("pos")
    mocker.patch.object(QuietTone, "whole", side_effect=ends)
    with pytest.raises(type(ends)):
        unit.do(LOW_RAILS)
    assert unit.truth.rail("pos") == pytest.approx(0.9 * full, rel=0.02)


def test_where_nothing_can_be_read_at_low_rails_they_are_raised_again(
    powered: Powered, mocker: MockerFixture
) -> None:
    unit = powered("hum@left=0.002", seed=176)
    full = unit.truth.rail("pos")
    mocker.patch.object(QuietTone, "whole", side_effect=NotMeasured("nothing"))
    assert "nothing" in unit.do(LOW_RAILS).reason()
    assert unit.truth.rail("pos") == pytest.approx(full, rel=0.01)


QUIET = "seqrun.steps.common.quiet_tone"


@pytest.mark.parametrize("off", [None, 0.024])
def test_a_relay_that_closes_in_a_first_look_is_looked_at_again(
    powered: Powered, mocker: MockerFixture, off: float | None
) -> None:
    """Half of a tone fits no sine, or one beside it: the next look has all of it."""
    fitted, first = sinefit.fit_sine_4, iter([True])

    def fit(volts: np.ndarray, rate: float, hertz: float) -> sinefit.SineFit:
        found = fitted(volts, rate, hertz)
        if not next(first, False):
            return found
        if off is None:
            raise NotMeasured("the tone found is at 1023.92 Hz")
        return replace(found, frequency_hz=found.frequency_hz * (1.0 + off))

    mocker.patch(f"{QUIET}.fit_sine_4", side_effect=fit)
    left, right = powered(seed=5).do(LOW_RAILS).all("low_rail_change")
    for reading in (left, right):
        assert reading.value + reading.expanded_uncertainty < 2.5e-3


def test_a_quiet_look_that_cannot_be_read_is_said(powered: Powered, mocker: MockerFixture) -> None:
    mocker.patch(f"{QUIET}.output_state", side_effect=NotMeasured("a record of nothing"))
    assert "a record of nothing" in powered(seed=5).do(LOW_RAILS).reason()


def test_a_tone_that_is_not_back_at_full_rails_is_no_reading(
    powered: Powered, made_up: Any
) -> None:
    silent = under(
        When(rail_below=0.95, ups=1, left_s=60.0),
        lambda c: replace(c, relay=replace(c.relay, contact_ohm=1e7)),
    )
    unit = powered(made_up("low_latch", silent), seed=5)
    unit.world.advance(70.0)  # the rails were low as they came up
    begun = unit.world.now
    left, right = unit.do(LOW_RAILS).all("low_rail_change")
    # The longest delay that the sheet allows, and 3 s; 1.6 s for the rails and the looks.
    waited = unit.world.now - begun - unit.view.unit.relay_delay[1]
    assert waited == pytest.approx(3.0 + 1.6, abs=0.7)
    assert left.value is None
    assert "the tone has gone and is not back at full rails" in left.note
    assert right.value < 1e-3


def test_the_rails_are_back_when_it_is_over(powered: Powered) -> None:
    unit = powered(seed=6)
    unit.do(LOW_RAILS)
    assert unit.truth.rail("pos") == pytest.approx(30.0, abs=0.2)


def test_rails_come_back_a_hundredth_at_a_time(powered: Powered, mocker: MockerFixture) -> None:
    """Reservoirs that charge at once by a tenth would look like a short."""
    unit = powered(seed=6)
    asked = mocker.spy(DrivenSupply, "set_voltage")
    unit.do(LOW_RAILS)
    volts = [call.args[2] for call in asked.call_args_list if call.args[1] == 1]
    assert volts[0] == pytest.approx(27.0)
    assert np.diff(volts) == pytest.approx([0.3] * 10)


def test_a_relay_that_has_yet_to_close_is_waited_for(powered: Powered) -> None:
    again = switched().split('[[step]]\nid = "on"')[0] + LOW_RAILS
    for reading in powered(seed=8).do(again).all("low_rail_change"):
        assert reading.value + reading.expanded_uncertainty < 1e-3


def test_an_output_without_any_tone_has_not_passed_low_rails(powered: Powered) -> None:
    left, right = powered("stuck_relay@left=1", seed=5).do(LOW_RAILS).all("low_rail_change")
    assert left.value is None
    assert "no tone at out.left to begin with" in left.note
    assert right.value < 1e-3


# --- an overload --------------------------------------------------------------


@pytest.mark.parametrize("seconds", [1e-4, 2e-4])
def test_how_long_a_stage_sticks_is_read(powered: Powered, made_up: Any, seconds: float) -> None:
    def sticky(c: ChannelSpec) -> ChannelSpec:
        return replace(c, legs=tuple(replace(leg, stick_s=seconds) for leg in c.legs))

    unit = powered(made_up(f"sticky_{'ab'[seconds > 1.5e-4]}", sticky), seed=7)
    left, right = unit.do(OVERLOAD).all("overload_sticks")
    assert 0.7 * seconds < left.value < 1.5 * seconds
    assert right.value < 2e-5


def test_an_overload_asks_for_a_scope_that_holds_the_rails_and_little_more(
    powered: Powered,
) -> None:
    """An output swings no further: a scope that holds it is not left out."""
    overload, _ = powered(seed=6).needs(OVERLOAD)
    assert 30.0 < overload.record.peak_v < 1.25 * 30.0


def test_what_is_looked_at_about_an_overload_is_the_tone_that_is_explained(
    powered: Powered, mocker: MockerFixture
) -> None:
    assert "a tone of 10 kHz and a four-hundredth of rated power" in OVERLOAD_CHANGE.how
    quiet = mocker.patch("seqrun.steps.overload.QuietTone", wraps=QuietTone)
    powered(seed=6).do(OVERLOAD)
    for call in quiet.call_args_list:
        assert call.args[2] == 10e3
        assert call.args[3] ** 2 / 8.0 == pytest.approx(40.0 / 400.0)


def test_what_is_left_of_an_overload_is_read(powered: Powered, made_up: Any) -> None:
    blocks = under(When(overdriven=True, left_s=2.0), quieter(0.6))
    left, right = powered(made_up("blocks_a", blocks), seed=5).do(OVERLOAD).all("overload_change")
    quiet_v = math.sqrt(40.0 / 400.0 * 8.0)
    assert left.value == pytest.approx(0.6 * quiet_v, rel=0.03)
    assert right.value < 1e-3


def test_a_stage_that_is_deaf_while_it_is_overdriven_and_hears_again_is_no_lead_that_is_off(
    powered: Powered, made_up: Any
) -> None:
    deaf = under(When(overdriven=True, left_s=2.0), quieter(0.95))
    found = powered(made_up("deaf", deaf), seed=5).do(OVERLOAD)
    left, _ = found.all("overload_change")
    assert left.value > 0.8
    stuck, _ = found.all("overload_sticks")
    assert stuck.value is None
    assert "where it should be overdriven" in stuck.note


def test_a_tone_that_is_not_back_after_an_overload_is_no_reading(
    powered: Powered, made_up: Any
) -> None:
    silent = under(
        When(overdriven=True, latched=True),
        lambda c: replace(c, relay=replace(c.relay, contact_ohm=1e7)),
    )
    left, right = powered(made_up("latches", silent), seed=5).do(OVERLOAD).all("overload_change")
    assert left.value is None
    assert "the tone has gone from out.left and is not back" in left.note
    assert right.value < 1e-3


def test_bias_that_is_lost_by_an_overload_is_heard(powered: Powered, made_up: Any) -> None:
    def cold(c: ChannelSpec) -> ChannelSpec:
        legs = (replace(leg, bias_shift_v=leg.bias_shift_v - 0.12) for leg in c.legs)
        return replace(c, legs=tuple(legs))

    lost = under(When(load_above_a=1.6, left_s=5.0), cold)
    left, right = powered(made_up("no_bias", lost), seed=5).do(OVERLOAD).all("overload_change")
    assert left.value > 6e-3  # of 0.9 V
    assert right.value < 1e-3


def test_what_is_over_at_once_is_not(powered: Powered, made_up: Any) -> None:
    blocks = under(When(overdriven=True), quieter(0.6))
    left, _ = powered(made_up("blocks_b", blocks), seed=5).do(OVERLOAD).all("overload_change")
    assert left.value < 1e-3


def test_dc_that_an_overload_leaves_may_be_more_than_the_range_holds(
    powered: Powered, made_up: Any
) -> None:
    shifted = under(When(overdriven=True, left_s=2.0), dc(0.8))
    left, _ = powered(made_up("shifted", shifted), seed=5).do(OVERLOAD).all("overload_change")
    assert left.bound is Bound.AT_LEAST
    assert left.value > 0.1


# --- a loud neighbour ---------------------------------------------------------


def test_dc_beside_a_loud_channel_is_read_where_it_is(powered: Powered, made_up: Any) -> None:
    pushed = under(When(own="quiet", others="driven"), dc(0.04))
    found = powered(made_up("pushed", pushed), seed=5).do(BESIDE).all("beside_other")
    beside = {r.channel: r for r in found}
    hit = beside["right/left"]
    assert abs(hit.value - 0.04) < max(hit.expanded_uncertainty, 1e-3)
    assert beside["left/right"].value < 1e-3


def test_a_probe_that_comes_off_once_the_loud_channel_plays_is_no_silence(
    powered: Powered, made_up: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    pushed = under(When(own="quiet", others="driven"), dc(0.04))
    unit = powered(made_up("pushed_too", pushed), seed=9)
    found = BesideOther._frequency

    def then_off(step: BesideOther, drive: Drive, driven: str) -> float:
        hertz = found(step, drive, driven)
        if driven == "right":
            unit.world.disconnect("scope.1")
        return hertz

    monkeypatch.setattr(BesideOther, "_frequency", then_off)
    reason = unit.do(BESIDE).all("beside_other")[-1]
    assert reason.value is None
    assert "nothing shows that the lead is on out.left" in reason.note


def test_half_waves_that_leak_are_no_tone_and_are_read(powered: Powered, made_up: Any) -> None:
    # 40 W / 2 into 8 ohm is 12.65 V rms: of the magnitude of a sine, without its mean, is left
    # the root of 1/2 - 4/pi² of its peak; 0.01 of it at the output.
    leaks = made_up("half_waves", lambda c: replace(c, rectified=0.01))
    found = powered(leaks, seed=5).do(BESIDE).all("beside_other")
    wanted = 0.01 * 12.65 * math.sqrt(2.0) * math.sqrt(0.5 - 4.0 / math.pi**2)
    hit = {r.channel: r for r in found}["right/left"]
    assert hit.value == pytest.approx(wanted, rel=0.1)


def test_a_leak_of_the_tone_itself_is_separation_and_does_not_count(
    powered: Powered, made_up: Any
) -> None:
    leaks = made_up("plain_leak", lambda c: replace(c, shared=0.004))
    for reading in powered(leaks, seed=5).do(BESIDE).all("beside_other"):
        assert reading.value < 2e-3


# --- switched off and on ------------------------------------------------------


def test_what_comes_up_otherwise_the_second_time_is_read(powered: Powered, made_up: Any) -> None:
    second = made_up("second_time", under(When(ups=2), dc(0.06)))
    left, right = powered(second, seed=5).do(JUST_ON).all("just_on_change")
    assert abs(left.value - 0.06) < max(left.expanded_uncertainty, 1e-3)
    assert right.value < 1e-3


def test_dc_that_settles_slowly_is_there_still(powered: Powered, made_up: Any) -> None:
    settles = made_up("settles", lambda c: replace(c, thump=Thump(on_v=0.5, on_s=10.0)))
    unit = powered(settles, seed=5)
    unit.world.advance(120.0)
    left, _ = unit.do(JUST_ON).all("just_on_change")
    assert left.value > 0.1


def test_an_output_that_shows_no_tone_when_it_is_on_again_is_not_judged(
    powered: Powered, made_up: Any
) -> None:
    """As silent as a probe that came off while the unit was off."""
    stays_open = under(When(ups=2), lambda c: replace(c, relay=replace(c.relay, never_closes=True)))
    left, right = (
        powered(made_up("open_then", stays_open), seed=5).do(JUST_ON).all("just_on_change")
    )
    assert left.value is None
    assert "nothing shows that the lead is on out.left" in left.note
    assert right.value < 1e-3


def test_a_unit_that_nobody_looked_at_before_is_not_judged_just_on(powered: Powered) -> None:
    off = JUST_ON.index('[[step]]\nid = "again"')
    without = JUST_ON[off:].replace("5 * supply_idle", "8 * supply_idle")
    reasons = {r.note for r in powered(seed=7).do(without).all("just_on_change")}
    assert reasons == {"nobody has looked before it was switched off"}


# --- a relay that closes ------------------------------------------------------

CHATTER = (
    switched(
        """
[[step]]
id = "closes"
do = "await_output"
listen = "1 s"
"""
    ).split('[[step]]\nid = "on"')[0]
    + """
[[step]]
id = "stays"
do = "relay_chatter"
of = "closes"
limit = { at_most = "20 ms" }
"""
)


@pytest.mark.parametrize("unit", ["demo-2x40", "demo-bridged", "demo-single"])
def test_a_sound_relay_closes_once(powered: Powered, unit: str) -> None:
    for reading in powered(unit=unit, seed=5).do(CHATTER).all("relay_chatter"):
        assert reading.value == 0.0
        assert reading.expanded_uncertainty < 5e-3


def test_a_relay_that_bounces_for_a_second_is_open_for_half_of_it(
    powered: Powered, made_up: Any
) -> None:
    bounces = made_up("bounces", lambda c: replace(c, relay=replace(c.relay, bounce_s=1.0)))
    left, right = powered(bounces, seed=5).do(CHATTER).all("relay_chatter")
    assert 0.3 < left.value < 0.55  # the first quarter of a second may be before the record
    assert right.value == 0.0


def test_a_relay_that_is_open_as_the_record_ends_and_closes_again_has_chattered(
    powered: Powered, made_up: Any, mocker: MockerFixture
) -> None:
    """It bounces every 40 ms: half of that more than a whole second ends where it is open."""
    ended = mocker.spy(AwaitOutput, "_not_back")
    chatters = made_up("chatters", lambda c: replace(c, relay=replace(c.relay, bounce_s=1.5)))
    steps = CHATTER.replace('listen = "1 s"', 'listen = "1.02 s"')
    left, right = powered(chatters, seed=5).do(steps).all("relay_chatter")
    assert [call.args[2] for call in ended.call_args_list] == [{"left"}]
    assert 0.4 < left.value < 0.6
    assert right.value == 0.0


def test_without_listening_nothing_is_said_of_the_relays(powered: Powered) -> None:
    reason = powered(seed=5).do(CHATTER.replace('listen = "1 s"\n', "")).reason()
    assert "'closes' has not listened on" in reason


def test_a_tone_that_goes_for_good_is_no_chatter(powered: Powered, made_up: Any) -> None:
    def goes(c: ChannelSpec) -> ChannelSpec:
        """It closes after the other channel's, and was seen with its tone as that record began."""
        relay = replace(c.relay, pull_in_s=6.0)
        gone = replace(relay, contact_ohm=1e7)
        when = When(ups=2, for_s=6.8)
        return replace(c, relay=relay, other=lambda w: replace(w, relay=gone), when=when)

    left, right = powered(made_up("goes", goes), seed=5).do(CHATTER).all("relay_chatter")
    assert left.value is None
    assert "the tone has gone and is not back" in left.note
    assert right.value == 0.0


# --- loud against quiet ---------------------------------------------------

EVEN = """
[[step]]
id = "quiet"
do = "gain"
power = "1 W"
[[step]]
id = "loud"
do = "gain"
power = "0.8 * rated_power"
[[step]]
id = "even"
do = "gain_with_level"
of = "loud"
against = "quiet"
limit = { between = ["-0.7 dB", "0.7 dB"] }
"""


def test_a_sound_unit_amplifies_what_is_loud_as_what_is_quiet(powered: Powered) -> None:
    # One that no other fact has switched on with a small current limit.
    for reading in powered(seed=10).do(EVEN).all("gain_with_level"):
        assert abs(reading.value) < reading.expanded_uncertainty < 0.4


def test_loud_is_held_against_quiet_on_warm_metal_too(
    powered: Powered, mocker: MockerFixture
) -> None:
    warm = NotMeasured("it was warm", expected="cold metal")
    mocker.patch("seqrun.steps.derived.must_be_cold", side_effect=warm)
    unit = powered(seed=10)
    assert all(r.value is not None for r in unit.do(EVEN).all("gain_with_level"))
    assert unit.do(EVEN.replace("gain_with_level", "gain_drift")).reason() == "it was warm"


def test_by_how_much_a_limiter_squeezes_what_is_loud_is_read(
    powered: Powered, made_up: Any
) -> None:
    def squash(c: ChannelSpec) -> ChannelSpec:
        legs = (replace(leg, squash=0.3, squash_from_v=8.0) for leg in c.legs)
        return replace(c, legs=tuple(legs))

    left, right = powered(made_up("squeezes", squash), seed=5).do(EVEN).all("gain_with_level")
    # 32 W into 8 ohm is 16 V rms; so much comes out, and more would without the limiter.
    out = 16.0 * 2.0 * math.sqrt(2.0) / math.pi
    asked = (out - 0.3 * 8.0) / (1.0 - 0.3)
    wanted = 20.0 * math.log10(out / asked)
    assert abs(left.value - wanted) < left.expanded_uncertainty
    assert abs(right.value) < right.expanded_uncertainty


def test_an_output_that_shows_nothing_to_begin_with_is_not_said_to_change(powered: Powered) -> None:
    unit = powered("hum@left=0.003", seed=176)
    node = unit.world.node_of("scope.1")
    unit.world.disconnect("scope.1")
    read = unit.do(OVERLOAD)
    unit.world.connect("scope.1", node)
    for quantity in ("overload_sticks", "overload_change"):
        (missing,) = (r for r in read.all(quantity) if r.channel == "left")
        assert "no tone at out.left to begin with" in missing.note
