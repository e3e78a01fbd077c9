"""What keeps a reading that is good near nothing from passing by a lead that is off, or a unit that
is not driven: each guard from both sides."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from pytest_mock import MockerFixture

from seqrun.errors import InstrumentRefused, NotMeasured, Tripped, UsageError
from seqrun.instruments.generator import DrivenGenerator
from seqrun.instruments.roles import Capture
from seqrun.instruments.supply import DrivenSupply
from seqrun.runner.engine import Engine
from seqrun.runner.opening import VirtualHands
from seqrun.steps.common.contact import (
    AT_MOST_S,
    TONE_HZ,
    channels_proved,
    loudness_at,
    output_channel,
    prove_contact,
    prove_rail,
)
from seqrun.steps.common.drive import Drive, across, record_of, refuse_crossed
from seqrun.steps.heat import Soak, least_k_per_w, usual_k_per_w
from seqrun.values import exactly, normal

ROOM = '[[step]]\nid = "room"\ndo = "temperature"\nat = "sensor.ambient"\n'
Done = Callable[..., Engine]


class Looking(VirtualHands):
    looks = True


@pytest.fixture
def engine(done: Done) -> Engine:
    return done(ROOM)


@pytest.fixture
def tone(mocker: MockerFixture) -> Any:
    """What the generator was told to play."""
    return mocker.spy(DrivenGenerator, "sine")


@pytest.fixture
def switched(mocker: MockerFixture) -> Any:
    return mocker.spy(DrivenGenerator, "enable")


def hearing(*volts: float) -> Callable[[], float]:
    """A lead through which this is heard, one look after another; the last for ever."""
    heard: Iterator[float] = iter(volts)
    last = volts[-1]
    return lambda: next(heard, last)


def hookup(engine: Engine, channel: str = "left") -> Any:
    return engine.view.scope_on(f"out.{channel}")[2]


# --- proof of contact --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("heard", "there"), [(3.0 * 0.1 + 0.021, True), (3.0 * 0.1 + 0.019, False)]
)
def test_a_tone_has_arrived_when_it_is_three_times_as_loud_and_twenty_millivolts_more(
    engine: Engine, tone: Any, switched: Any, heard: float, there: bool
) -> None:
    begun = engine.clock.now()
    lead = hookup(engine)
    if there:
        prove_contact(engine, "out.left", lead, hearing(0.1, heard))
    else:
        with pytest.raises(NotMeasured, match=r"nothing shows that the lead is on out\.left"):
            prove_contact(engine, "out.left", lead, hearing(0.1, heard))
        assert engine.clock.now() - begun == pytest.approx(AT_MOST_S, abs=1.0)
    assert engine.in_contact(lead) is there
    (_, output, hertz, level) = tone.call_args.args
    assert (output, hertz) == (engine.view.generator_on("left"), TONE_HZ)
    assert level * 10.0 ** (engine.view.unit.gain / 20.0) == pytest.approx(1.0)
    assert [call.args[2] for call in switched.call_args_list] == [True, False], "and off again"


def test_a_tone_that_comes_within_six_seconds_has_come(engine: Engine) -> None:
    """A meter follows slowly."""
    prove_contact(engine, "out.left", hookup(engine), hearing(*[0.0] * 25, 1.0))
    with pytest.raises(NotMeasured):
        prove_contact(engine, "out.right", hookup(engine, "right"), hearing(*[0.0] * 60, 1.0))


def test_a_lead_that_was_seen_plays_no_tone_until_it_has_to_be_seen_again(
    engine: Engine, tone: Any
) -> None:
    lead = hookup(engine)
    engine.contact_seen(lead)
    prove_contact(engine, "out.left", lead, hearing(0.0))
    assert tone.call_count == 0
    with pytest.raises(NotMeasured):
        prove_contact(engine, "out.left", lead, hearing(0.0), again=True)
    assert tone.call_count == 1


def test_behind_another_input_what_was_seen_before_counts_after_a_reading_and_no_sooner(
    engine: Engine, tone: Any
) -> None:
    lead = hookup(engine)
    engine.tone_path_known = False
    prove_contact(engine, "out.left", lead, hearing(0.0), again=True)
    assert tone.call_count == 0
    with pytest.raises(NotMeasured):
        prove_contact(engine, "out.left", lead, hearing(0.0))


def test_where_no_tone_can_be_given_somebody_has_to_have_looked(
    done: Done, tone: Any, mocker: MockerFixture
) -> None:
    missing = UsageError("no generator feeds in.left")
    for hands, there in ((VirtualHands, False), (Looking, True)):
        engine = done(ROOM, hands=hands)
        lead = hookup(engine)
        mocker.patch.object(type(engine.view), "generator_on", side_effect=missing)
        if there:
            prove_contact(engine, "out.left", lead, hearing(0.0))
            prove_contact(engine, "out.left", lead, hearing(0.0), again=True)
        else:
            with pytest.raises(NotMeasured, match="no generator feeds"):
                prove_contact(engine, "out.left", lead, hearing(0.0))
        assert engine.in_contact(lead) is there
        mocker.stopall()
    assert tone.call_count == 0


def test_a_lead_on_an_instrument_that_does_not_answer_shows_nothing(
    engine: Engine, tone: Any
) -> None:
    def refuses() -> float:
        raise InstrumentRefused("-222, out of range", where="scope TCPIP0::1")

    with pytest.raises(NotMeasured, match="scope TCPIP0::1 -222"):
        prove_contact(engine, "out.left", hookup(engine), refuses)
    assert tone.call_count == 0


def test_only_an_output_is_proved_by_a_tone(engine: Engine, tone: Any) -> None:
    view = engine.view
    points = {"out.left": "left", "out.left.hot": "left", "out.sub": "", "rail.pos": ""}
    assert {at: output_channel(view, at) for at in points} == points
    assert channels_proved(view, "out.right") == ("right",)
    assert channels_proved(view, "rail.pos") == ()
    prove_contact(engine, "rail.pos", hookup(engine), hearing(0.0))
    assert tone.call_count == 0
    assert not engine.in_contact(hookup(engine))


@pytest.mark.parametrize("share", [0.26, -0.26, 0.24, -0.24])
def test_a_probe_is_on_a_rail_that_shows_a_quarter_of_its_volts(
    engine: Engine, share: float
) -> None:
    volts = share * engine.view.unit.rail_voltage
    prove_rail(engine, "out.left", lambda: 0.0)  # proves nothing there
    if abs(share) > 0.25:
        prove_rail(engine, "rail.neg", lambda: volts)
        return
    with pytest.raises(NotMeasured, match=r"nothing shows that the lead is on rail\.neg"):
        prove_rail(engine, "rail.neg", lambda: volts)


def test_silence_is_heard_without_its_dc_between_the_tips_of_a_bridge(
    engine: Engine, mocker: MockerFixture
) -> None:
    asked = mocker.patch.object(type(engine.scope), "acquire")
    t = np.arange(1000)
    waves = {1: 5.0 + np.sin(t), 2: 5.0 - np.sin(t)}
    asked.return_value = capture(waves)
    assert loudness_at(engine, 1, None) == pytest.approx(math.sqrt(0.5), rel=0.01)
    assert loudness_at(engine, 1, 2) == pytest.approx(2.0 * math.sqrt(0.5), rel=0.01)
    assert asked.call_args.kwargs["coupling"] == "AC"
    assert asked.call_args.args[-1] == {1: 3.0, 2: 3.0}


# --- what a capture is -------------------------------------------------------------------------


def capture(
    volts: dict[int, Any], clipped: tuple[int, ...] = (), constant: tuple[int, ...] = ()
) -> Capture:
    return Capture(
        0.0,
        1e-5,
        volts,
        {n: 0.3 if n == 1 else 0.4 for n in volts},
        {n: n in clipped for n in volts},
        {n: normal(1.0, 0.02, f"gain {n}") for n in volts},
        {n: normal(0.0, 0.01 * n, f"offset {n}") for n in volts},
        {n: n in constant for n in volts},
    )


def test_what_lies_between_two_tips_is_their_difference_with_both_their_errors() -> None:
    got = capture({1: np.array([3.0, 5.0]), 2: np.array([1.0, 1.0])})
    one, both = across(got, 1, None), across(got, 1, 2)
    assert one.volts.tolist() == [3.0, 5.0]
    assert (one.lsb_v, one.gain.std_dev, one.offset_v.std_dev) == (0.3, 0.02, 0.01)
    assert both.volts.tolist() == [2.0, 4.0]
    assert both.lsb_v == pytest.approx(0.5)
    assert both.gain.nominal_value == 1.0
    assert both.gain.std_dev == pytest.approx(0.02 / math.sqrt(2.0))
    assert both.offset_v.std_dev == pytest.approx(math.hypot(0.01, 0.02))
    assert both.rms_v == 1.0
    for clipped in ((1,), (2,), ()):
        found = across(capture(got.volts, clipped), 1, 2)
        assert found.clipped is bool(clipped)


@pytest.mark.parametrize(
    ("most", "record"),
    [(20_000, (100, 200)), (5_000, (50, 100)), (1_250, (25, 50)), (100, (4, 25))],
)
def test_a_record_that_the_scope_does_not_keep_has_fewer_of_both(
    most: int, record: tuple[int, int]
) -> None:
    """As many cycles and samples in each as go in, but never fewer than 25 samples."""
    assert record_of(100, 200, most) == record


# --- what is driven is there -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("left", "right", "crossed"),
    [
        (0.8, 1.25, ""),  # each follows its own
        (1.25, 0.8, "left"),  # each the other's
        (0.8 * 1.03, 0.8, "right"),  # as the other does, within four percent
        (0.8, 1.0, ""),  # neither: that is no crossing
        (0.8, 0.8 * 1.05, ""),
    ],
)
def test_an_output_that_follows_another_input_is_crossed(
    left: float, right: float, crossed: str
) -> None:
    before = {"left": (1.0, 10.0), "right": (1.0, 10.0)}
    after = {"left": (0.8, 10.0 * left), "right": (1.25, 10.0 * right)}
    if not crossed:
        refuse_crossed(before, after)
        return
    with pytest.raises(NotMeasured, match=rf"out\.{crossed} follows the level"):
        refuse_crossed(before, after)


def test_levels_that_moved_alike_tell_nothing_of_a_crossing() -> None:
    before = {"left": (1.0, 10.0), "right": (1.0, 10.0), "off": (0.0, 0.0)}
    refuse_crossed(before, {"left": (0.8, 8.0), "right": (0.9, 8.0), "off": (0.0, 0.0)})
    silent = {"left": (0.8, 12.5), "right": (1.25, 0.0), "off": (0.0, 0.0)}
    with pytest.raises(NotMeasured, match=r"out\.left"):
        refuse_crossed(before, silent)
    refuse_crossed(before, {"left": (0.8, 0.0), "right": (1.25, 12.5), "off": (0.0, 0.0)})


@pytest.fixture
def drive(engine: Engine, mocker: MockerFixture) -> Drive:
    """One that plays 10 V at each output of a unit; the scope shows what a test says."""
    found = Drive(engine, 1000.0)
    found.set({c: 10.0 / found.gain[c] for c in found.channels})
    mocker.patch.object(type(engine.scope), "acquire")
    return found


def shows(drive: Drive, *rms_v: float, constant: tuple[int, ...] = ()) -> None:
    turn = np.sin(2.0 * np.pi * np.arange(2000) / 200.0) * math.sqrt(2.0)
    probes = [hot for hot, _ in drive.probes.values()]
    volts = {n: v * turn for n, v in zip(probes, rms_v, strict=True)}
    at = tuple(probes[n] for n in constant)
    drive.ctx.scope.acquire.return_value = capture(volts, constant=at)  # type: ignore[attr-defined]


@pytest.mark.parametrize(("volts", "there"), [(3.1, True), (2.9, False)])
def test_a_tone_has_gone_below_three_tenths_of_what_it_was(
    drive: Drive, volts: float, there: bool
) -> None:
    shows(drive, 10.0, volts)
    drive.capture()
    if there:
        drive.capture(must_play=True)
        return
    with pytest.raises(NotMeasured, match=r"the tone has gone from out\.right"):
        drive.capture(must_play=True)
    with pytest.raises(NotMeasured, match=r"the tone has gone from out\.right"):
        drive.powers()


@pytest.mark.parametrize(("volts", "seen"), [(3.1, True), (2.9, False)])
def test_a_tone_that_arrives_proves_its_lead(drive: Drive, volts: float, seen: bool) -> None:
    shows(drive, 10.0, volts)
    drive.capture()
    assert drive.ctx.in_contact(hookup(drive.ctx))  # type: ignore[arg-type]
    assert drive.ctx.in_contact(hookup(drive.ctx, "right")) is seen  # type: ignore[arg-type]


def test_a_tone_of_a_few_millivolts_proves_no_lead_and_one_that_is_off_none(drive: Drive) -> None:
    drive.set({c: 0.06 / drive.gain[c] for c in drive.channels})
    shows(drive, 0.051, 0.049)
    drive.capture()
    assert drive.ctx.in_contact(hookup(drive.ctx))  # type: ignore[arg-type]
    assert not drive.ctx.in_contact(hookup(drive.ctx, "right"))  # type: ignore[arg-type]
    drive.stop()
    shows(drive, 10.0, 10.0)
    drive.capture()
    assert not drive.ctx.in_contact(hookup(drive.ctx, "right"))  # type: ignore[arg-type]


def test_a_driven_output_that_stands_still_is_none_unless_silence_is_looked_for(
    drive: Drive,
) -> None:
    shows(drive, 10.0, 10.0, constant=(1,))
    with pytest.raises(NotMeasured, match="shows a constant while"):
        drive.capture()
    drive.capture(may_be_silent=True)
    drive.set({"right": 0.0})
    drive.capture()
    drive.stop()
    drive.capture()


def test_power_is_that_of_the_tone_in_the_load_as_it_is(drive: Drive) -> None:
    shows(drive, 10.0, 8.0)
    powers = drive.powers()
    for channel, volts in (("left", 10.0), ("right", 8.0)):
        ohms = float(drive.load(channel).nominal_value)
        assert powers[channel].nominal_value == pytest.approx(volts**2 / ohms, rel=2e-3)
    assert drive.level_for("left", 8.0) * drive.gain["left"] == pytest.approx(
        math.sqrt(8.0 * drive.ctx.view.load("left").resistance), rel=0.02
    )


@pytest.mark.parametrize(("drawn", "enough"), [(30.0, True), (10.0, False)])
def test_power_that_no_load_took_is_none(
    drive: Drive, mocker: MockerFixture, drawn: float, enough: bool
) -> None:
    supply = type(drive.ctx.supply)
    mocker.patch.object(supply, "voltage", return_value=exactly(10.0))
    mocker.patch.object(supply, "current", return_value=exactly(drawn / 10.0 / 2.0))
    powers = {"left": normal(10.0, 0.1, "l"), "right": normal(10.0, 0.1, "r")}
    if enough:
        drive.check_load(powers)
        return
    with pytest.raises(NotMeasured, match="the supply gives only"):
        drive.check_load(powers)
    drive.check_load({})


# --- heat that is there ------------------------------------------------------------------------


@pytest.fixture
def soak() -> Soak:
    return Soak.model_validate(
        {"id": "heat", "do": "soak", "ambient": "room", "power": "5 W", "at_most": "20 min"}
    )


def draws(mocker: MockerFixture, *amperes: float) -> None:
    mocker.patch.object(DrivenSupply, "current_raw", lambda supply, n: amperes[n - 1])


@pytest.mark.parametrize(("less", "driven"), [(0.49, True), (0.51, False)])
def test_a_supply_that_gives_half_a_channel_less_drives_it_no_more(
    engine: Engine, soak: Soak, mocker: MockerFixture, less: float, driven: bool
) -> None:
    """Two amperes above idle for two channels: one ampere each."""
    most = engine.view.unit.expected_supply_current * 2.0 + 2.0
    draws(mocker, 0.5 * (most - less), 0.5 * (most - less))
    if driven:
        assert soak._still_driven(engine, most) == pytest.approx(most - less)
        return
    with pytest.raises(NotMeasured, match="an output delivers less than it did"):
        soak._still_driven(engine, most)


def test_a_unit_that_idles_at_what_it_swings_is_not_told_to_have_lost_a_load(
    engine: Engine, soak: Soak, mocker: MockerFixture
) -> None:
    """A tenth above its idle current is a fortieth for half a channel: what it draws moves by as
    much while it warms."""
    idle = engine.view.unit.expected_supply_current * 2.0
    draws(mocker, 0.5 * idle, 0.5 * idle)
    assert soak._still_driven(engine, 1.1 * idle) == pytest.approx(1.1 * idle)
    with pytest.raises(NotMeasured, match="an output delivers less than it did"):
        soak._still_driven(engine, 1.3 * idle)


def test_a_unit_that_was_never_driven_gives_no_less_than_it_did(
    engine: Engine, soak: Soak, mocker: MockerFixture
) -> None:
    draws(mocker, 0.01, 0.01)
    assert soak._still_driven(engine, 0.0) == pytest.approx(0.02)
    assert soak._still_driven(engine, 0.02) == pytest.approx(0.02)


@pytest.mark.parametrize("rail", [1, 2])
def test_either_rail_that_draws_more_than_a_healthy_unit_ends_a_soak(
    engine: Engine, soak: Soak, mocker: MockerFixture, rail: int
) -> None:
    draws(mocker, 0.3, 0.3)
    assert soak._current(engine, 0.3) == pytest.approx(0.6)
    draws(mocker, *(0.301 if n == rail else 0.1 for n in (1, 2)))
    with pytest.raises(Tripped, match=r"rail\.(pos|neg) draws 0\.301 A"):
        soak._current(engine, 0.3)


def test_a_sink_that_gets_half_as_warm_as_usual_has_lost_its_sensor(engine: Engine) -> None:
    """Usual: half the limit at an eighth of rated power in every channel."""
    unit = engine.view.unit
    watts = unit.rated_power / 8.0
    drawn = 2.0 * unit.rail_voltage * unit.supply_current_at(watts)
    heat = drawn - 2.0 * watts
    assert usual_k_per_w(unit) == pytest.approx(0.5 * unit.sink_rise_limit / heat)
    assert least_k_per_w(unit) == pytest.approx(0.25 * unit.sink_rise_limit / heat)
