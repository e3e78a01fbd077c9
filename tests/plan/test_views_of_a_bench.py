"""What the plan reads off bench file, unit sheet and drivers: roles, leads, probes, reach."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import pytest

from seqrun.errors import BenchLacks, UsageError
from seqrun.files.bench.parts import FrontPanel, Lead
from seqrun.files.bench.parts import TestLeads as MeterLeads
from seqrun.files.sequence.file import Trip
from seqrun.plan import by_hand, capability, leads, supply_checks
from seqrun.plan.build import CHECKS
from seqrun.plan.context import Indication
from seqrun.plan.floors import distortion_floor
from seqrun.plan.needs import Hookup, Needs, ScopeRecord
from seqrun.plan.ohms import LoadOhms, load_ohms
from seqrun.plan.ohms import told as ohms_told
from seqrun.plan.protection import gaps
from seqrun.plan.sound import as_levelled, thd_told, warnings
from seqrun.plan.view import BenchView
from seqrun.runner.opening import read_bench
from seqrun.runner.preparation import prepare


@cache
def view(unit: str = "demo-2x40", bench: str = "demo") -> BenchView:
    return read_bench(bench, unit).view


def wired(seen: BenchView, **leads: str | None) -> BenchView:
    """The same bench with other leads: ``scope_1="out.right"``; None takes one off."""
    moved = {name.replace("_", "."): node for name, node in leads.items()}
    kept = [lead for lead in seen.bench.lead if lead.source not in moved]
    new = [Lead.model_validate({"from": t, "to": n}) for t, n in moved.items() if n]
    bench = seen.bench.model_copy(update={"lead": (*kept, *new)})
    return BenchView(bench, seen.unit, seen.drivers)


def other(seen: BenchView, key: str, part: str, **figures: object) -> BenchView:
    """The same bench with other figures in one driver."""
    driver = seen.drivers[key]
    changed = driver.changed(**{part: getattr(driver, part).model_copy(update=figures)})
    return BenchView(seen.bench, seen.unit, {**seen.drivers, key: changed})


# --- probes --------------------------------------------------------------------------------------


def test_a_probe_that_stands_on_an_output_reads_it() -> None:
    assert view().scope_on("out.left")[0] == 1
    assert view().scope_on("out.right")[0] == 2


def test_probes_without_a_place_are_shared_out_from_the_first_on() -> None:
    free = wired(view(), scope_1=None, scope_2=None)
    assert free.scope_on("out.left")[0] == 1
    assert free.scope_on("out.right")[0] == 2
    grounded = wired(view(), scope_1="ground", scope_2=None)
    assert [grounded.scope_on(f"out.{c}")[0] for c in ("left", "right")] == [1, 2]


def test_a_free_probe_is_taken_before_one_is_borrowed_and_then_the_last_one() -> None:
    outputs = wired(view(), scope_1="out.left", scope_2="out.right")
    channels = outputs.drivers["scope"].channels
    taken = outputs.scope_on("rail.pos")[0]
    assert taken == (3 if channels > 2 else 2)


def test_a_bridged_output_is_the_difference_of_two_probes_and_no_clip_moves() -> None:
    hot, cold, hookup = view("demo-bridged").scope_on("out.left")
    assert (hot, cold) == (1, 2)
    assert hookup.leads == (("scope.1", "out.left.pos"), ("scope.2", "out.left.neg"))
    assert "clips to ground only" in hookup.words


def test_a_bridged_output_needs_a_probe_for_each_of_its_ends() -> None:
    one = other(view("demo-bridged"), "scope", "scope", channels=1)
    with pytest.raises(BenchLacks, match="no free scope probe"):
        one.scope_on("out.left")


# --- loads, sensors, generator -------------------------------------------------------------------


def test_a_channel_without_a_load_is_named() -> None:
    seen = view()
    right = [load for load in seen.bench.load if load.point == "out.right"]
    bench = seen.bench.model_copy(update={"load": tuple(right)})
    less = BenchView(bench, seen.unit, seen.drivers)
    assert less.load("right") is right[0]
    with pytest.raises(BenchLacks, match=r"no load on out\.left"):
        less.load("left")


def test_channels_on_one_splitter_are_driven_together_and_never_alone() -> None:
    apart = view()
    assert apart.driven_with("left") == ("left",)
    apart.driven_alone(["left", "right"])
    split = wired(apart, generator_1=None, generator_2=None)
    leads = [
        Lead.model_validate({"from": f"generator.1.{n}", "to": f"in.{c}"})
        for n, c in ((1, "left"), (2, "right"))
    ]
    bench = split.bench.model_copy(update={"lead": (*split.bench.lead, *leads)})
    together = BenchView(bench, split.unit, split.drivers)
    assert together.driven_with("left") == ("left", "right")
    assert together.generator_lead("right") == (1, "generator.1.2")
    with pytest.raises(BenchLacks, match="no channel can be driven alone"):
        together.driven_alone(["left"])
    only_left = wired(apart, generator_2=None)
    assert only_left.driven_with("left") == ("left",)
    with pytest.raises(BenchLacks, match=r"no generator output on in\.right"):
        only_left.generator_on("right")


def test_the_meter_is_named_by_its_key_where_that_says_more() -> None:
    seen = view()
    assert seen.meter_across("out.left").words.startswith("meter: red (HI) to out.left, black (LO)")
    drivers = {("dmm" if key == "meter" else key): d for key, d in seen.drivers.items()}
    named = BenchView(seen.bench, seen.unit, drivers).meter_across("out.left")
    assert named.words.startswith("meter dmm: red")
    assert named.leads[0] == ("dmm.hi", "out.left")


def test_a_rail_is_fed_by_the_output_on_it_and_one_that_nothing_feeds_is_named() -> None:
    assert view().rails == {"rail.pos": 1, "rail.neg": 2}
    assert list(view("demo-bridged").rails) == ["rail.pos"]
    with pytest.raises(UsageError, match=r"no supply output feeds rail\.neg"):
        _ = wired(view(), **{"supply_2_neg": None}).rails


def test_a_bench_without_a_supply_feeds_no_rail() -> None:
    seen = view()
    drivers = {key: d for key, d in seen.drivers.items() if key != "supply"}
    without = BenchView(seen.bench, seen.unit, drivers)
    assert without.fed_rails == {}
    with pytest.raises(BenchLacks, match="the bench has no supply"):
        without.key("supply")


def test_a_rail_that_nothing_feeds_matters_where_a_step_wants_the_supply() -> None:
    unfed = wired(view(), **{"supply_2_neg": None, "supply_2_pos": None})
    plan, _ = prepare("quick", "demo", None)
    told = [str(problem) for problem in leads.problems(unfed, plan.actions)]
    assert any("no supply output feeds rail.neg" in line for line in told)
    assert not list(leads.problems(unfed, [a for a in plan.actions if not a.needs.roles]))
    drivers = {key: d for key, d in unfed.drivers.items() if key != "supply"}
    without = BenchView(unfed.bench, unfed.unit, drivers)
    assert not list(leads.problems(without, plan.actions))


def test_no_terminal_of_a_supply_goes_onto_what_an_output_of_the_unit_drives() -> None:
    seen = view("demo-receiver")
    nodes = sorted(n for n in seen.unit.nodes if n.startswith(("out.", "phones.")))
    assert any(node.startswith("phones.") for node in nodes)
    for node in nodes:
        found = [str(p) for p in leads.problems(wired(seen, **{"supply_1_neg": node}), [])]
        assert any("which an output of the unit drives" in line for line in found), node


@pytest.mark.parametrize("power", ["energises", "mains"])
def test_what_is_for_a_unit_without_power_comes_before_either_way_of_powering_it(
    power: str,
) -> None:
    plan, _ = prepare("quick", "demo", None)
    one = plan.actions[0]
    powers = replace(one, needs=Needs(energises=power == "energises", mains=power == "mains"))
    dead, live = replace(one, needs=Needs(dead=True)), replace(one, needs=Needs(live=True))
    down = replace(one, needs=Needs(safe=True))
    again = replace(one, needs=Needs(energises=True, live=True))  # rails down and up
    (order,) = CHECKS
    order(plan.view, [dead, powers, live, again, live, down, dead])
    for wrong, told in (
        ([powers, dead], "is for a unit without power"),
        ([live, powers], "nothing has powered it"),
        ([powers, down, live], "nothing has powered it"),
        ([again], "nothing has powered it"),
        ([powers, again, dead], "is for a unit without power"),
    ):
        with pytest.raises(UsageError, match=told):
            order(plan.view, wrong)


# --- what the supply reaches ---------------------------------------------------------------------


def test_the_current_that_a_bench_gives_is_that_of_its_weakest_output_on_a_rail() -> None:
    strong = other(view(), "supply", "supply", volts=(40.0, 40.0), amperes=(5.0, 3.0))
    assert supply_checks.largest_current(strong) == pytest.approx(3.0)
    one = BenchView(strong.bench, view("demo-bridged").unit, strong.drivers)
    single = wired(one, **{"supply_2_pos": None, "supply_2_neg": None})
    assert supply_checks.largest_current(single) == pytest.approx(5.0)


def test_what_a_small_supply_can_do_instead_is_told_for_amperes_only() -> None:
    """Half sines of 1 A mean are π A at their peak: alone ½ π² 8 Ω = 39.5 W, both 9.9 W each (the
    peak halves, the power is a quarter); a split supply feeds one half wave from each rail."""
    unit = view().unit
    told = supply_checks.instead(unit, 1.0)
    assert "9.9 W into each load" in told
    assert "39 W" in told
    mono = view("demo-mono").unit
    assert "one channel at a time" not in supply_checks.instead(mono, 1.0)


# --- what a step may ask of the instruments ------------------------------------------------------

PROBES = frozenset({"scope"})


def test_of_several_things_that_a_generator_cannot_do_the_same_one_is_told_first() -> None:
    missing = frozenset({"noise_of_its_own", *(f"signal_{n}" for n in range(9))})
    needs = Needs(roles=frozenset({"generator"}), generator=missing)
    with pytest.raises(BenchLacks, match="noise-of-its-own"):
        capability.check(view(), needs)


def test_a_meter_range_holds_its_end_and_no_more() -> None:
    driver = view().drivers["meter"]
    most = max(row.range for row in driver.rows["dc_voltage"] if row.range is not None)
    meter = frozenset({"meter"})
    capability.check(view(), Needs(roles=meter, meter={"dc_voltage": -most}))
    with pytest.raises(BenchLacks, match="no range of dc voltage that holds"):
        capability.check(view(), Needs(roles=meter, meter={"dc_voltage": -1.01 * most}))


@pytest.mark.parametrize("what", ["points", "rate", "peak"])
def test_a_scope_is_asked_for_what_it_has_and_refused_a_little_more(what: str) -> None:
    scope = view().drivers["scope"].scope
    assert scope is not None
    probe = max(view().bench.instrument["scope"].probe, default=1.0)
    most_v = max(scope.ranges) * probe / 2.0 / (1.0 + scope.headroom)
    full = ScopeRecord(scope.max_points // scope.channels, scope.max_rate, most_v)
    capability.check(view(), Needs(roles=PROBES, record=full))
    more = {
        "points": replace(full, points=4 * scope.max_points),
        "rate": replace(full, rate_hz=1.01 * full.rate_hz),
        "peak": replace(full, peak_v=1.01 * full.peak_v),
    }[what]
    with pytest.raises(BenchLacks):
        capability.check(view(), Needs(roles=PROBES, record=more))


def test_two_probes_in_two_places_are_no_conflict_and_one_in_two_is() -> None:
    both = Hookup((("scope.1", "out.left"), ("scope.2", "out.right")), "")
    again = Hookup((("scope.1", "out.left"),), "")
    capability.check(view(), Needs(roles=PROBES, hookups=(both, again)))
    moved = Hookup((("scope.1", "out.right"),), "")
    with pytest.raises(BenchLacks, match=r"scope\.1 would have to be on out\.left and on out\.r"):
        capability.check(view(), Needs(roles=PROBES, hookups=(both, moved)))
    meter = Hookup((("meter.hi", "out.left"),), ""), Hookup((("meter.hi", "out.right"),), "")
    capability.check(view(), Needs(roles=PROBES, hookups=meter))


# --- instruments by hand -------------------------------------------------------------------------


@pytest.fixture
def hands() -> Callable[[str], BenchView]:
    def make(role: str) -> BenchView:
        seen = view()
        entry = seen.bench.instrument[role].model_copy(update={"resource": "by hand"})
        instruments = {**seen.bench.instrument, role: entry}
        bench = seen.bench.model_copy(update={"instrument": instruments})
        return BenchView(bench, seen.unit, seen.drivers)

    return make


@pytest.mark.parametrize(("role", "word"), [("meter", "every few seconds"), ("supply", "no trip")])
def test_hands_do_not_read_or_switch_while_a_step_goes_on(
    hands: Callable[[str], BenchView], role: str, word: str
) -> None:
    needs = Needs(roles=frozenset({role}), by_itself=frozenset({role}))
    by_hand.check(view(), needs)
    with pytest.raises(BenchLacks, match=word):
        by_hand.check(hands(role), needs)
    with pytest.raises(BenchLacks, match=word):
        capability.check(hands(role), needs)
    by_hand.check(hands(role), Needs(roles=frozenset({role})))


def test_hands_take_no_record_of_a_scope_but_read_its_screen(
    hands: Callable[[str], BenchView],
) -> None:
    with pytest.raises(BenchLacks, match="takes a record"):
        by_hand.check(hands("scope"), Needs(roles=PROBES))
    by_hand.check(hands("scope"), Needs(roles=PROBES, screen=True))
    by_hand.check(hands("scope"), Needs(roles=frozenset({"meter"})))


def test_a_trip_that_hands_would_read_is_blind_and_told(
    hands: Callable[[str], BenchView],
) -> None:
    trips = [
        Trip.model_validate({"quantity": q, "above": above, "why": "w"})
        for q, above in (("supply_current", "3 A"), ("sink_temperature", "90 °C"))
    ]
    supply, meter = hands("supply"), hands("meter")
    assert by_hand.asleep(supply, trips) == {"supply_current"}
    assert by_hand.asleep(meter, trips) == {"sink_temperature"}
    first, *others = by_hand.warnings(supply, trips)
    assert "the trip on supply_current is blind" in first
    assert "keep a hand at its switch" in first
    assert "neither a trip nor the end of the run switches it off" in others[0]
    (only,) = by_hand.warnings(meter, trips)
    assert "only a reading that is typed in can reach it" in only


def test_power_from_a_supply_by_hand_needs_a_protection_that_switches_off_by_itself(
    hands: Callable[[str], BenchView],
) -> None:
    lacking = other(hands("supply"), "supply", "supply", absent=frozenset(
        {"over_current_protection"}))  # fmt: skip
    loud = Needs(load_power_w={"left": 1.0})
    with pytest.raises(BenchLacks, match="nothing would end a fault at power in time"):
        by_hand.check(lacking, loud)
    by_hand.check(lacking, Needs(load_power_w={"left": supply_checks.LISTENING_W}))
    by_hand.check(hands("supply"), loud)  # it has one
    driven = BenchView(view().bench, lacking.unit, lacking.drivers)
    by_hand.check(driven, loud)  # the trips switch it off
    panel = FrontPanel.model_validate({"over_current": "5 A"})
    entry = lacking.bench.instrument["supply"].model_copy(update={"front_panel": panel})
    instruments = {**lacking.bench.instrument, "supply": entry}
    set_by_hand = lacking.bench.model_copy(update={"instrument": instruments})
    by_hand.check(BenchView(set_by_hand, lacking.unit, lacking.drivers), loud)


# --- ohms of loads -------------------------------------------------------------------------------


def test_loads_are_read_by_two_wires_only_where_the_leads_are_known() -> None:
    seen = view(bench="demo:two_wire_meter")
    allowance = seen.drivers["meter"].meter
    assert allowance is not None and allowance.lead_resistance > 0.0
    assert load_ohms(view()).function == "resistance_4w"
    assert load_ohms(seen) == LoadOhms("resistance_2w", allowance.lead_resistance)
    unknown = other(seen, "meter", "meter", lead_resistance=0.0)
    assert load_ohms(unknown).function == "resistance_4w"  # which it has not: it is left out


def test_a_plan_asks_for_the_ohms_of_leads_that_nobody_has_measured() -> None:
    assert ohms_told(view()) == ""
    two = view(bench="demo:two_wire_meter")
    assert "loads are read by two wires, leads and contacts within" in ohms_told(two)
    assert "as leads = { resistance" in ohms_told(two)
    known = MeterLeads.model_validate({"resistance": "0.11 Ω", "tolerance": "20 mΩ"})
    entry = two.bench.instrument["meter"].model_copy(update={"leads": known})
    bench = two.bench.model_copy(update={"instrument": {**two.bench.instrument, "meter": entry}})
    measured = BenchView(bench, two.unit, two.drivers)
    assert load_ohms(measured) == LoadOhms("resistance_2w", 0.02, 0.11)
    assert "less the 110 mΩ of the leads" in ohms_told(measured)
    assert "better" not in ohms_told(measured)


# --- sound interfaces ----------------------------------------------------------------------------


def test_what_was_found_out_about_a_sound_interface_is_its_drivers_and_no_others() -> None:
    seen = view(bench="demo:sound_card")
    found = seen.bench.sound
    assert found is not None
    plain = dict(seen.drivers)
    levelled = as_levelled(seen.bench, plain)
    assert levelled["meter"] is plain["meter"]
    scope = levelled["scope"].scope
    generator = levelled["generator"].generator
    assert scope is not None and generator is not None
    assert scope.distortion == generator.distortion == found.distortion
    assert generator.most_level == pytest.approx(min(found.output_full_scale) / 2.0**0.5)
    both = seen.bench.instrument["scope"].model_copy(update={"probe": (1.0, 10.0)})
    bench = seen.bench.model_copy(update={"instrument": {**seen.bench.instrument, "scope": both}})
    divided = as_levelled(bench, plain)["scope"].scope
    assert divided is not None
    assert divided.noise == pytest.approx(found.floor / 10.0)
    bare = seen.bench.model_copy(update={"sound": None})
    assert as_levelled(bare, plain) == plain
    assert "was never levelled" in " ".join(warnings(BenchView(bare, seen.unit, plain), ()))


def test_what_a_bench_tells_of_distortion_is_said_only_where_something_asks_for_it() -> None:
    assert warnings(view(), {"gain"}) == []
    assert warnings(view(), {"thd"}) == [thd_told(view())]


def test_an_indication_tells_where_it_ends_only_when_somebody_knows() -> None:
    plain = Indication("rail.pos", 12.0, "V")
    assert (plain.judged, plain.end, plain.end_u, plain.tau_s) == (False, None, 0.0, 0.0)


def test_a_load_names_its_own_channel() -> None:
    assert view().load("left").point == "out.left"


# --- protection on a front panel -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("level", "stands_in"),
    [("36.2 V", True), ("36.3 V", False), ("30.1 V", True), ("30 V", False)],
)
def test_a_front_panel_protects_between_the_rail_and_a_twentieth_above_the_sequence(
    level: str, stands_in: bool
) -> None:
    """34.5 V are wanted for rails of 30 V: 36.225 V is 5 % above that."""
    panel = FrontPanel.model_validate({"over_voltage": level})
    seen = other(view(), "supply", "supply", absent=frozenset({"over_voltage_protection"}))
    entry = seen.bench.instrument["supply"].model_copy(update={"front_panel": panel})
    instruments = {**seen.bench.instrument, "supply": entry}
    bench = seen.bench.model_copy(update={"instrument": instruments})
    found = list(gaps(BenchView(bench, seen.unit, seen.drivers), 34.5, 5.0))
    assert [gap.rail for gap in found] == ["rail.pos", "rail.neg"]
    assert all((gap.level is not None) is stands_in for gap in found)


def test_a_protection_that_a_supply_lacks_is_a_gap_and_so_is_one_without_a_level() -> None:
    assert list(gaps(view(), 34.5, 5.0)) == []
    for what in ("over_voltage", "over_current"):
        lacks = other(view(), "supply", "supply", absent=frozenset({f"{what}_protection"}))
        assert [(g.what, g.level) for g in gaps(lacks, 34.5, 5.0)] == [(what, None)] * 2
    at_limit = other(view(), "supply", "supply", over_current="at the limit")
    assert {gap.words for gap in gaps(at_limit, 34.5, 5.0)} == {
        "over-current protection at the current limit, with no level of its own"
    }


def test_a_role_that_a_bench_lacks_is_told_beside_those_it_has() -> None:
    with pytest.raises(BenchLacks, match="the bench has no switch") as caught:
        view().key("switch")
    assert "it has supply (supply), meter (meter), " in str(caught.value.expected)
    with pytest.raises(BenchLacks) as caught:
        BenchView(view().bench, view().unit, {}).key("meter")
    assert str(caught.value.expected).endswith("it has nothing")


def test_of_several_roles_that_a_bench_lacks_the_same_one_is_told_first() -> None:
    missing = frozenset({"analyser", *(f"role {n}" for n in range(9))})
    with pytest.raises(BenchLacks, match="the bench has no analyser"):
        capability.check(view(), Needs(roles=missing))


def test_the_distortion_that_a_bench_brings_is_that_of_its_data_sheets_or_a_converter_step() -> (
    None
):
    """Squares add; at a level of 1 the curvature counts whole, at 0.1 hardly at all."""
    scope = view().drivers["scope"].scope
    assert scope is not None
    silent = other(other(view(), "scope", "scope", distortion=None), "generator", "generator",
                   distortion=None)  # fmt: skip
    steps = math.sqrt(10.0) * 2.0 ** (-1.5 * scope.bits)
    assert distortion_floor(silent) == pytest.approx(math.hypot(2.0 ** (1 - scope.bits), steps))
    stated = other(other(view(), "scope", "scope", distortion=0.03), "generator", "generator",
                   distortion=0.04)  # fmt: skip
    assert distortion_floor(stated) == pytest.approx(math.hypot(0.03, 0.04, steps))
    assert distortion_floor(stated, 0.1) == pytest.approx(0.04, rel=0.01)
    bent = 2.0 ** (1 - scope.bits)
    halves = math.hypot(0.5 * bent / math.sqrt(2.0), 0.25 * bent / math.sqrt(2.0))
    assert distortion_floor(silent, 0.5) == pytest.approx(math.hypot(halves, steps))
