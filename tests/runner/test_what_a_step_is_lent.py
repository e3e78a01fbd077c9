"""What the runner lends to a step, rule by rule: on an open bench, a unit without power."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest
from pytest_mock import MockerFixture
from uncertainties import ufloat

from seqrun.errors import InstrumentSilent, Interrupted, NotMeasured, Tripped
from seqrun.files.sequence.file import Trip
from seqrun.instruments.desk import Question, Setting, Typed
from seqrun.instruments.meter import DrivenMeter
from seqrun.instruments.supply import DrivenSupply
from seqrun.plan.context import MAINS
from seqrun.plan.needs import Hookup, Leads
from seqrun.plan.view import BenchView
from seqrun.record import RunInfo, Store
from seqrun.runner.again import ReadAgain
from seqrun.runner.engine import LOCKED_S, Engine
from seqrun.runner.events import Near, Watcher
from seqrun.runner.opening import OpenBench, open_bench, read_bench
from seqrun.runner.preparation import prepare
from seqrun.runner.run import _preflight
from seqrun.runner.trips import INTERVAL_S, ArmedTrip, arm

OUTPUT = Hookup((("meter.hi", "out.left"), ("meter.lo", "ground")), "meter to the left output")
OTHER = Hookup((("meter.hi", "out.right"), ("meter.lo", "ground")), "meter to the right output")
PROBE = Hookup((("scope.1", "rail.pos"),), "probe to the rail")


@dataclass
class Recorded:
    """Hands that do what they are told, and keep what they were asked; ``refusal`` is raised."""

    by: str = "operator"
    looks: bool = True
    asked: list[str] = field(default_factory=list)
    refusal: Exception | None = None

    def _asked(self, what: str) -> None:
        self.asked.append(what)
        if self.refusal is not None:
            raise self.refusal

    def connect(self, hookup: Hookup, live: bool) -> None:
        self._asked(f"connect {'live' if live else 'dead'}")

    def disconnect(self, terminal: str, words: str, live: bool) -> None:
        self._asked(f"disconnect {'live' if live else 'dead'}")

    def turn(self, control: str, position: str, live: bool, words: str = "") -> None:
        self._asked(f"turn {'live' if live else 'dead'}")

    def acknowledge(self, text: str, done: str = "done", leads: Leads = ()) -> None:
        self._asked("acknowledge")

    def again(self, text: str) -> bool:
        return False

    def see_on(self, text: str, leads: Leads) -> bool:
        self._asked("see_on")
        return self.looks

    def presses(self):  # type: ignore[no-untyped-def]
        raise NotMeasured("nobody presses keys")

    def set_by_hand(self, setting: Setting) -> None: ...

    def read_by_hand(self, question: Question) -> Typed:
        self._asked("see")
        return Typed(1.0)

    def urge(self, setting: Setting) -> None: ...


@dataclass
class Lent:
    engine: Engine
    hands: Recorded
    looks: list[float] = field(default_factory=list)
    ends: list[Exception] = field(default_factory=list)
    opened: OpenBench | None = None

    def watched(self) -> int:
        """How often the trips were looked at since it was last asked."""
        count = len(self.looks)
        self.looks.clear()
        return count


@pytest.fixture
def lent(tmp_path: Path, short_sequence: Callable[..., str]) -> Iterator[Lent]:
    plan, files = prepare(short_sequence(), "demo", None)
    opened = open_bench(files, lambda *_: None)
    record = Store(tmp_path / "r").start(RunInfo("T-1", "demo", "short"))
    hands = Recorded()
    made: list[Lent] = []

    def check() -> None:
        if made and made[0].ends:
            raise made[0].ends[0]

    engine = Engine(plan, opened, hands, record, Watcher(), check)
    opened.desk.staff(hands, opened.clock.now)
    made.append(Lent(engine, hands, opened=opened))

    def read() -> list[float]:
        made[0].looks.append(engine.clock.now())
        return [0.0]

    engine.trips = [ArmedTrip("supply_current", "A", 1.0, None, "a short", read)]
    yield made[0]
    opened.close()


# --- nobody is asked for anything while a run is ending ------------------------------------------

ASKS: dict[str, Callable[[Engine], object]] = {
    "connect": lambda ctx: ctx.connect(OUTPUT),
    "disconnect": lambda ctx: ctx.disconnect("scope.1", "off the output"),
    "turn": lambda ctx: ctx.turn("volume", "0"),
    "acknowledge": lambda ctx: ctx.acknowledge("read this"),
    "see": lambda ctx: ctx.see("is the lamp lit?"),
}


@pytest.mark.parametrize("what", ASKS)
def test_a_step_on_its_way_out_asks_for_nothing(lent: Lent, what: str) -> None:
    lost = InstrumentSilent("the supply is gone")
    with pytest.raises(InstrumentSilent) as raised:
        try:
            raise lost
        finally:
            ASKS[what](lent.engine)
    assert raised.value is lost
    assert lent.hands.asked == []


@pytest.mark.parametrize("what", ASKS)
def test_what_only_was_not_measured_ends_no_run(lent: Lent, what: str) -> None:
    with pytest.raises(NotMeasured, match="no tone"):
        try:
            raise NotMeasured("no tone")
        finally:
            ASKS[what](lent.engine)
    assert len(lent.hands.asked) == 1


@pytest.mark.parametrize("what", ASKS)
def test_an_interruption_comes_before_any_question(lent: Lent, what: str) -> None:
    lent.ends.append(Interrupted("Ctrl-C"))
    with pytest.raises(Interrupted):
        ASKS[what](lent.engine)
    assert lent.hands.asked == []


# --- leads ---------------------------------------------------------------------------------------


def test_a_lead_has_shown_its_contact_until_it_is_moved_or_the_power_goes(lent: Lent) -> None:
    ctx = lent.engine
    ctx.connect(OUTPUT)
    assert not ctx.in_contact(OUTPUT)
    ctx.contact_seen(OUTPUT)
    assert ctx.in_contact(OUTPUT)
    ctx.connect(OUTPUT)  # it is there: nobody is asked, and nothing is forgotten
    assert ctx.in_contact(OUTPUT)
    assert lent.hands.asked == ["connect dead"]
    ctx.connect(OTHER)
    assert not ctx.in_contact(OTHER)
    ctx.contact_seen(OTHER)
    ctx.disconnect("meter.hi", "off the output")
    assert not ctx.in_contact(OTHER)
    ctx.connect(OTHER)
    ctx.contact_seen(OTHER)
    ctx.powered_off()  # the relays open
    assert not ctx.in_contact(OTHER)


def test_a_meter_is_set_to_volts_before_its_leads_go_onto_what_may_be_charged(
    lent: Lent, mocker: MockerFixture
) -> None:
    ctx = lent.engine
    configure = mocker.spy(DrivenMeter, "configure")
    ctx.connect(OUTPUT)
    assert configure.call_count == 0
    ctx._charged = True
    ctx.connect(PROBE)
    assert configure.call_count == 0
    lent.hands.refusal = NotMeasured("skipped")
    with pytest.raises(NotMeasured):
        ctx.connect(OTHER)
    assert configure.call_args.args[1:] == ("dc_voltage", None, 1.0)
    assert lent.hands.asked[-1] == "connect live"
    both = Hookup((("scope.1", "rail.pos"), ("meter.hi", "rail.pos")), "a probe and the meter")
    for hookup in (OTHER, both):
        configure.reset_mock()
        with pytest.raises(NotMeasured):
            ctx.connect(hookup)
        assert configure.call_count == 1, "one lead of the meter is enough"


def test_the_trips_are_looked_at_after_every_lead_and_control_on_a_live_unit_and_no_other(
    lent: Lent,
) -> None:
    ctx = lent.engine
    for live, looks in ((False, 0), (True, 1)):
        ctx.live = live
        ctx.where.pop("meter.hi", None)
        ctx.connect(OUTPUT)
        assert lent.watched() == looks
        ctx.turn("volume", "0")
        assert lent.watched() == looks
        ctx.watch()  # while a question stands
        assert lent.watched() == looks


def test_rails_that_the_supply_cannot_tell_of_are_those_without_its_lead(lent: Lent) -> None:
    ctx = lent.engine
    ctx.disconnect("supply.1.pos", "off the rail")
    assert ctx.unread_rails() == []
    ctx._charged = True
    assert ctx.unread_rails() == ["rail.pos"]


def test_without_a_supply_every_rail_is_one_that_nothing_can_tell_of(lent: Lent) -> None:
    ctx = lent.engine
    drivers = {key: d for key, d in ctx.view.drivers.items() if d.role != "supply"}
    ctx.view = BenchView(ctx.view.bench, ctx.view.unit, drivers)
    assert ctx.unread_rails() == []
    ctx._charged = True
    assert ctx.unread_rails() == ["rail.pos", "rail.neg"]


@pytest.mark.parametrize("role", ["supply", "meter", "scope", "generator", "thermometer"])
def test_an_instrument_that_does_not_play_its_role_is_no_instrument(lent: Lent, role: str) -> None:
    ctx = lent.engine
    other = ctx.instruments["meter" if role in ("supply", "scope", "generator") else "supply"]
    ctx.instruments = {**ctx.instruments, role: other}
    its = ctx.view.drivers["meter"].model_copy(update={"role": role})
    ctx.view = BenchView(ctx.view.bench, ctx.view.unit, {role: its})
    with pytest.raises(TypeError, match=f"was opened as a {role} and is none"):
        getattr(ctx, role)


def test_a_probe_that_another_step_borrowed_goes_back_unless_it_is_wanted_elsewhere(
    lent: Lent,
) -> None:
    ctx = lent.engine
    at_home = ctx.view.fixed["scope.1"]
    ctx.connect(PROBE)
    ctx._put_back_probes([PROBE])
    assert ctx.where["scope.1"] == "rail.pos"
    assert len(lent.hands.asked) == 1, "a lead that is wanted there is not carried home first"
    ctx.where.pop("supply.1.pos")
    ctx._put_back_probes([OUTPUT])
    assert ctx.where["scope.1"] == at_home
    assert len(lent.hands.asked) == 2
    assert "supply.1.pos" not in ctx.where, "only a scope's probes are borrowed"


# --- waiting -------------------------------------------------------------------------------------


def test_the_trips_are_looked_at_once_a_second_of_waiting(lent: Lent) -> None:
    ctx = lent.engine
    with pytest.raises(NotMeasured, match="waited 20 s for nothing"):
        ctx.wait_until(lambda: None, every_s=0.25, at_most_s=20.0, what="nothing")
    seen = lent.looks[:]
    assert 19 <= lent.watched() <= 22
    assert all(b - a >= INTERVAL_S - 1e-9 for a, b in pairwise(seen))
    assert ctx.wait_until(lambda: "there", every_s=1.0, at_most_s=5.0, what="it") == "there"


@pytest.mark.parametrize("begun", [0.0, 14.08, 5000.1])
def test_waiting_ends_though_what_is_left_of_it_is_less_than_the_clock_can_tell(
    lent: Lent, begun: float
) -> None:
    """A tenth is no binary number, and a virtual clock stands still for nothing."""
    ctx = lent.engine
    ctx.clock.wait(begun)
    for every_s in (0.1, 0.2, 0.3):
        looked: list[float] = []

        def look(looked: list[float] = looked) -> None:
            looked.append(ctx.clock.now())
            assert len(looked) < 100, "a clock that does not move waits for ever"

        with pytest.raises(NotMeasured, match="waited 6 s for nothing"):
            ctx.wait_until(look, every_s=every_s, at_most_s=6.0, what="nothing")


def test_waiting_ends_at_once_when_the_run_is_to_end(lent: Lent) -> None:
    begun = lent.engine.clock.now()

    def condition() -> None:
        lent.ends.append(Interrupted("Ctrl-C"))

    with pytest.raises(Interrupted):
        lent.engine.wait_until(condition, every_s=1.0, at_most_s=600.0, what="nothing")
    assert lent.engine.clock.now() - begun <= 1.5
    with pytest.raises(Interrupted):
        lent.engine.poll()


def test_what_hands_took_is_not_taken_from_the_time_that_is_waited(lent: Lent) -> None:
    ctx = lent.engine
    begun = ctx.clock.wait(30.0)
    ctx._desk.spent_s = earlier = 7.0

    def by_hand() -> None:
        if ctx._desk.spent_s < earlier + 10.0:
            ctx.clock.wait(5.0)
            ctx._desk.spent_s += 5.0

    with pytest.raises(NotMeasured):
        ctx.wait_until(by_hand, every_s=1.0, at_most_s=20.0, what="it")
    assert ctx.clock.now() - begun == pytest.approx(30.0, abs=1.5)


def test_while_the_record_is_locked_trips_and_interruptions_are_looked_at(lent: Lent) -> None:
    ctx = lent.engine
    ctx._meanwhile()
    assert lent.watched() == 0, "an unpowered unit needs no watching"
    ctx.live = True
    ctx.clock.wait(2.0 * INTERVAL_S)
    ctx._meanwhile()
    ctx._meanwhile()
    assert lent.watched() == 1
    lent.ends.append(Interrupted("Ctrl-C"))
    with pytest.raises(Interrupted):
        ctx._meanwhile()
    assert LOCKED_S <= 2.0 * INTERVAL_S, "a powered unit waits for two looks at its trips"


# --- the unit's own mains, controls, eyes --------------------------------------------------------


@pytest.mark.parametrize("refusal", [NotMeasured("skipped"), Interrupted("q")])
def test_the_mains_plug_may_be_in_from_the_question_on(lent: Lent, refusal: Exception) -> None:
    """Whoever skips it has not put it in; whoever ends the run there need not have said so."""
    ctx = lent.engine
    lent.hands.refusal = refusal
    with pytest.raises(type(refusal)):
        ctx.turn(MAINS, "on")
    ended = isinstance(refusal, Interrupted)
    assert (ctx.own_mains, ctx.charged) == (ended, ended)


def test_the_mains_plug_is_in_until_it_was_taken_out_and_the_unit_charged_until_seen(
    lent: Lent,
) -> None:
    ctx = lent.engine
    ctx.turn(MAINS, "on")
    assert (ctx.own_mains, ctx.charged) == (True, True)
    ctx.turn(MAINS, "off")
    assert (ctx.own_mains, ctx.charged) == (False, True)


def test_reading_again_is_no_answer_where_there_is_nothing_to_read_again(lent: Lent) -> None:
    answers = [ReadAgain(), None]

    def connect(hookup: Hookup, live: bool) -> None:
        lent.hands.asked.append("connect")
        if (wish := answers.pop(0)) is not None:
            raise wish

    lent.hands.connect = connect  # type: ignore[method-assign]
    lent.engine.connect(OUTPUT)
    assert lent.hands.asked == ["connect", "connect"]


@pytest.mark.parametrize("moves", ["nothing", "connect", "disconnect", "turn"])
def test_what_was_read_before_a_lead_or_a_control_moved_is_not_read_again(
    lent: Lent, moves: str
) -> None:
    """What would be read then is something else."""
    ctx = lent.engine
    ids = [action.id for action in ctx.plan.actions]
    ctx._last_read = ids.index("loads")
    ctx._index = ctx._last_read + 1
    assert ctx._may_read_again()
    if moves != "nothing":
        ASKS[moves](ctx)
    assert ctx._may_read_again() is (moves == "nothing")


def test_a_control_that_was_turned_leaves_the_way_of_a_tone_unknown_until_one_is_seen(
    lent: Lent,
) -> None:
    ctx = lent.engine
    assert ctx.tone_path_known
    ctx.turn(MAINS, "on")
    assert ctx.tone_path_known
    ctx.turn("input", "phono")
    assert not ctx.tone_path_known
    ctx.contact_seen(OUTPUT)
    assert ctx.tone_path_known


def test_where_nobody_looks_nothing_counts_as_seen(lent: Lent) -> None:
    ctx = lent.engine
    assert ctx.ask_contact(OUTPUT, "it is quiet")
    ctx.confirm_seen("the panel")
    assert lent.hands.asked == ["acknowledge"] * 2
    lent.hands.looks = False
    assert not ctx.ask_contact(OUTPUT, "it is quiet")
    with pytest.raises(NotMeasured, match="nobody is there to look"):
        ctx.confirm_seen("the panel")
    assert lent.hands.asked == ["acknowledge"] * 2


def test_whoever_watches_is_told_of_every_lead_and_control_and_whether_the_unit_is_charged(
    lent: Lent,
) -> None:
    seen: list[tuple[str, bool, str]] = []
    ctx = lent.engine
    ctx.watcher.hookup = lambda words, live, by: seen.append((words, live, by))  # type: ignore[method-assign]
    ctx.connect(OUTPUT)
    ctx._charged = True
    ctx.connect(OTHER)
    ctx.disconnect("meter.hi", "off the output")
    ctx.turn("volume", "0")
    assert seen == [
        ("meter to the left output", False, "operator"),
        ("meter to the right output", True, "operator"),
        ("meter.hi off - off the output", True, "operator"),
        ("volume to 0", True, "operator"),
    ]


@pytest.mark.parametrize("missing", ["", "a step that measures", "power", "a supply that tells"])
def test_whether_the_supply_limits_is_asked_while_a_powered_unit_is_measured_and_at_no_other_time(
    lent: Lent, mocker: MockerFixture, missing: str
) -> None:
    ctx = lent.engine
    asked = mocker.patch.object(DrivenSupply, "constant_current", return_value=False)
    if missing != "a step that measures":  # before the first one nothing is measured
        ctx._measures = True
    ctx.live = missing != "power"
    ctx._watches_supply = missing != "a supply that tells"
    ctx.poll()
    assert asked.called is (not missing)


def test_a_supply_that_limits_and_can_give_no_more_is_too_small(
    lent: Lent, mocker: MockerFixture
) -> None:
    """Where it could give what the unit draws at rated power, its limit is to be raised."""
    mocker.patch.object(DrivenSupply, "constant_current", return_value=True)
    mocker.patch.object(DrivenSupply, "current_raw", return_value=0.1)
    assert lent.opened is not None
    for most, remedy in ((0.1, "use a larger supply"), (50.0, "raise running_limit")):
        mocker.patch("seqrun.runner.lent.largest_current", return_value=most)
        plan, record = lent.engine.plan, lent.engine.record
        ctx = Engine(plan, lent.opened, lent.hands, record, Watcher(), lambda: None)
        ctx._limiting.look(ctx.supply)
        assert remedy in ctx._limiting.told


def test_power_taken_off_on_purpose_leaves_nothing_live_and_the_unit_charged(lent: Lent) -> None:
    ctx = lent.engine
    ctx.live = ctx.seen_up = ctx._charged = True
    ctx.powered_off()
    assert (ctx.live, ctx.seen_up, ctx.charged) == (False, False, True)


def test_a_unit_that_is_being_powered_is_live_and_charged_and_up_only_once_its_rails_are(
    lent: Lent,
) -> None:
    ctx = lent.engine
    ctx.powering()
    assert (ctx.live, ctx.charged, ctx.seen_up) == (True, True, False)
    ctx.rails_came_up(ufloat(12.5, 0.5))
    assert (ctx.live, ctx.charged, ctx.seen_up) == (True, True, True)
    assert ctx.powered_at == 12.5
    assert (ctx.rails_up.nominal_value, ctx.rails_up.std_dev) == (12.5, 0.5)


def test_before_its_rails_come_up_a_unit_was_powered_when_its_power_came_on(lent: Lent) -> None:
    lent.engine.powered_at = 3.0
    assert (lent.engine.rails_up.nominal_value, lent.engine.rails_up.std_dev) == (3.0, 0.0)


def test_a_pause_before_power_is_held_against_a_unit_that_was_not_charged(
    lent: Lent, mocker: MockerFixture
) -> None:
    """Nobody has to watch a unit without power; whoever powers it is there again."""
    ctx = lent.engine
    mocker.patch.object(ctx.pulse, "gap", side_effect=[25.0, 0.0])
    mocker.patch.object(type(ctx.clock), "virtual", False)
    ctx.powering()
    ctx.poll()
    assert ctx.against == []


def test_a_limit_that_the_reservoirs_were_charged_at_does_not_count_once_the_rails_are_up(
    lent: Lent,
) -> None:
    ctx = lent.engine
    ctx._limiting.told = "the bench supply limits at 1 A"
    ctx.rails_came_up(ufloat(12.5, 0.5))
    assert ctx._limiting.told == ""


def test_a_step_that_was_not_reached_has_no_time(lent: Lent) -> None:
    with pytest.raises(NotMeasured, match="'gain' was not reached"):
        lent.engine.done_at("gain")


# --- nobody was there ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("charged", "virtual", "gap_s", "told"),
    [
        (True, False, 25.0, True),
        (False, False, 25.0, False),
        (True, True, 25.0, False),
        (True, False, 0.0, False),
    ],
)
def test_a_pause_counts_against_an_accept_where_a_charged_unit_was_alone(
    lent: Lent, mocker: MockerFixture, charged: bool, virtual: bool, gap_s: float, told: bool
) -> None:
    ctx = lent.engine
    mocker.patch.object(ctx.pulse, "gap", return_value=gap_s)
    mocker.patch.object(type(ctx.clock), "virtual", virtual)
    ctx._charged = charged
    ctx.poll()
    assert bool(ctx.against) is told
    assert [line.split(":")[0] for line in ctx.against] == (
        ["nobody watched the powered unit for 25 s"] if told else []
    )
    assert (ctx.against == ctx.notes) is True


def test_how_near_a_trip_is_goes_to_whoever_watches(lent: Lent) -> None:
    seen: list[tuple[Near, ...]] = []
    lent.engine.watcher.bench = lambda now: seen.append(now.trips)  # type: ignore[method-assign]
    lent.engine.poll()
    lent.engine.live = True
    lent.engine.poll()
    assert seen[0] == ()
    assert [near.quantity for near in seen[-1]] == ["supply_current"]


@pytest.mark.parametrize(("amperes", "on", "trips"), [
    (0.0009, False, True), (0.0011, False, False), (0.0009, True, False), (-1.0, False, True),
])  # fmt: skip
def test_a_rail_that_draws_nothing_from_an_output_that_is_off_was_switched_off_by_its_supply(
    lent: Lent, mocker: MockerFixture, amperes: float, on: bool, trips: bool
) -> None:
    ctx = lent.engine
    mocker.patch.object(DrivenSupply, "current_raw", return_value=amperes)
    mocker.patch.object(DrivenSupply, "enabled", return_value=on)
    mocker.patch.object(DrivenSupply, "protection_tripped", return_value=False)
    trip = Trip.model_validate({"quantity": "supply_current", "above": "1 A", "why": "a short"})
    (armed,) = arm([trip], ctx)
    assert armed.look() is None, "a unit without power draws nothing"
    ctx.live = True
    if trips:
        with pytest.raises(Tripped, match=r"the supply has switched rail\.pos off by itself"):
            armed.look()
    else:
        near = armed.look()
        assert near is not None
        assert near.values == (amperes, amperes)


@pytest.mark.parametrize(
    ("bench", "watched"),
    [
        ("demo", ["supply_current", "supply_voltage", "sink_temperature", "out_dc"]),
        ("demo:supply_by_hand", ["sink_temperature", "out_dc"]),
        ("demo:meter_by_hand", ["supply_current", "supply_voltage", "sink_temperature", "out_dc"]),
    ],
)
def test_nobody_is_asked_each_second_for_what_a_supply_by_hand_shows(
    bench: str, watched: list[str], mocker: MockerFixture
) -> None:
    """What a step reads off a meter anyway is held against its trip all the same."""
    over = (("supply_current", "1 A"), ("supply_voltage", "40 V"), ("sink_temperature", "90 °C"))
    trips = [
        Trip.model_validate({"quantity": quantity, "above": above, "why": "w"})
        for quantity, above in (*over, ("out_dc", "2 V"))
    ]
    there = mocker.Mock(view=read_bench(bench, None).view, names=dict)
    assert [one.quantity for one in arm(trips, there)] == watched


def test_the_volts_of_a_unit_without_power_trip_nothing(lent: Lent) -> None:
    ctx = lent.engine
    trip = Trip.model_validate({"quantity": "supply_voltage", "below": "20 V", "why": "no rail"})
    (armed,) = arm([trip], ctx)
    assert armed.look() is None
    ctx.live = True
    with pytest.raises(Tripped, match="no rail"):
        armed.look()


def test_what_one_step_keeps_a_later_one_finds(lent: Lent) -> None:
    lent.engine.keep("heard", [1.0])
    assert lent.engine.kept("heard") == [1.0]
    assert lent.engine.kept("seen") is None


def test_before_any_power_all_is_off_and_cautions_and_leads_are_confirmed(
    lent: Lent, mocker: MockerFixture
) -> None:
    assert lent.opened is not None
    off = mocker.spy(DrivenSupply, "make_safe")
    texts: list[str] = []
    lent.hands.acknowledge = lambda text, done="done", leads=(): texts.append(text)  # type: ignore[method-assign]
    _preflight(lent.engine, lent.opened, lent.engine.record)
    assert off.call_count == 1
    assert [text.split()[0] for text in texts] == ["CAUTIONS", "STANDING"]
    assert "below 2 V by meter before touching" in texts[0]
    assert "supply.1.pos (+) on rail.pos" in texts[1]
    assert lent.engine.trips == [], "those of the sequence, which has none"


def test_a_lead_through_which_a_tone_has_gone_has_to_show_itself_again(lent: Lent) -> None:
    ctx = lent.engine
    one, other = ctx.view.meter_across("out.left"), ctx.view.meter_four_wire("sensor.sink")
    ctx.contact_seen(one)
    assert ctx.in_contact(one) and not ctx.in_contact(other)
    ctx.contact_lost(one)
    assert not ctx.in_contact(one)
    ctx.contact_seen(one)
    assert ctx.in_contact(one)
    ctx.powered_off()
    assert not ctx.in_contact(one), "relays open without power"
