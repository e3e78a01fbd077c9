"""Instruments that somebody sets and reads: what is asked, what stands, what nobody can tell."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from seqrun.errors import InstrumentRefused, NotMeasured
from seqrun.files.driver.file import MeterSettings
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find
from seqrun.instruments.accuracy import Accuracy
from seqrun.instruments.by_hand.base import FRESH_S
from seqrun.instruments.by_hand.looking import ScopeByHand
from seqrun.instruments.by_hand.meter import MeterByHand
from seqrun.instruments.by_hand.sources import GeneratorByHand, SupplyByHand
from seqrun.instruments.desk import Desk, Question, Setting, Typed
from seqrun.instruments.roles import MeterFunction
from seqrun.quantity import render


@dataclass
class Person:
    """Does what it is told, reads 1.5 off everything, and keeps what it was asked."""

    time_s: float = 0.0
    shows: Typed = field(default_factory=lambda: Typed(1.5))
    told: list[str] = field(default_factory=list)
    asked: list[Question] = field(default_factory=list)
    urged: list[str] = field(default_factory=list)

    def set_by_hand(self, setting: Setting) -> None:
        self.told.append(setting.words)

    def read_by_hand(self, question: Question) -> Typed:
        self.time_s += 20.0  # as long as a person takes
        self.asked.append(question)
        return self.shows

    def urge(self, setting: Setting) -> None:
        self.urged.append(setting.words)


@pytest.fixture
def person() -> Person:
    return Person()


@pytest.fixture
def desk(person: Person) -> Desk:
    found = Desk()
    found.staff(person, lambda: person.time_s)
    return found


@pytest.fixture
def supply(desk: Desk) -> SupplyByHand:
    return SupplyByHand("supply", load_driver(find("driver", "generic-supply")), desk)


@pytest.fixture
def generator(desk: Desk) -> GeneratorByHand:
    """One that gives 5 V rms and no more."""
    driver = load_driver(find("driver", "generic-generator"))
    assert driver.generator is not None
    settings = driver.generator.model_copy(update={"most_level": 5.0})
    return GeneratorByHand("generator", driver.changed(generator=settings), desk)


@pytest.fixture
def meter(desk: Desk) -> MeterByHand:
    return MeterByHand("meter", load_driver(find("driver", "generic-meter")), desk)


# --- the way to safety ---------------------------------------------------------------------------


def test_on_the_way_to_safety_a_person_is_called_to_and_not_waited_for(
    supply: SupplyByHand, generator: GeneratorByHand, person: Person
) -> None:
    supply.make_safe()
    generator.make_safe()
    assert person.urged == ["supply: ALL OUTPUTS OFF NOW", "generator: ALL OUTPUTS OFF NOW"]
    assert person.told == []


def test_before_a_run_there_is_time_to_ask(supply: SupplyByHand, person: Person) -> None:
    supply.switch_off_first()
    assert (person.told, person.urged) == (["supply: all outputs off"], [])


def test_with_nobody_there_safety_is_no_error_and_a_setting_is_not_measured() -> None:
    alone = SupplyByHand("supply", load_driver(find("driver", "generic-supply")), Desk())
    alone.make_safe()
    with pytest.raises(NotMeasured, match="nobody is asked"):
        alone.enable(True)
    with pytest.raises(NotMeasured, match="nobody is asked"):
        alone.voltage(1)


@pytest.mark.parametrize(
    "tells",
    [
        lambda s: s.enabled(),
        lambda s: s.over_voltage_protection(1),
        lambda s: s.over_current_protection(1),
        lambda s: s.over_current_on(1),
        lambda s: s.protection_tripped(1),
        lambda s: s.constant_current(1),
    ],
)
def test_what_a_hand_has_set_nobody_reads_back(
    supply: SupplyByHand, tells: Callable[[SupplyByHand], object]
) -> None:
    with pytest.raises(NotMeasured, match="nobody reads back"):
        tells(supply)


def test_of_a_supply_by_hand_only_its_protection_is_known(supply: SupplyByHand) -> None:
    for what in ("enabled", "protection_tripped", "constant_current"):
        assert not supply.has(what)
    assert supply.has("over_voltage_protection") and supply.has("over_current_protection")
    assert (supply.protection(1).over_voltage, supply.protection(1).over_current) == (
        "level",
        "level",
    )


# --- what is told ---------------------------------------------------------------------------------


def test_what_is_read_off_a_supply_has_the_uncertainty_of_its_display(
    supply: SupplyByHand, person: Person
) -> None:
    accuracy = Accuracy("supply", supply.driver)
    for function, read in (
        ("readback_voltage", lambda: supply.voltage(1)),
        ("readback_current", lambda: supply.current(2)),
    ):
        expected = accuracy.measured((1.5,), accuracy.row(function, 1.5))
        assert read().nominal_value == 1.5
        assert read().std_dev == pytest.approx(expected.std_dev) and expected.std_dev > 0.0
    assert supply.current_raw(1) == 1.5
    assert [question.args for question in person.asked] == [(1,), (2,), (1,)]


def test_a_supply_is_set_output_by_output_and_switched_as_one(
    supply: SupplyByHand, person: Person
) -> None:
    supply.set_voltage(2, 30.0)
    supply.set_current_limit(1, 0.5)
    supply.set_over_voltage_protection(1, 34.5)
    supply.set_over_current_protection(2, 2.25)
    supply.enable(True)
    supply.enable(False)
    assert person.told == [
        "supply output 2: voltage to 30 V",
        "supply output 1: current limit to 500 mA",
        "supply output 1: over-voltage protection to 34.5 V",
        "supply output 2: over-current protection to 2.25 A",
        "supply: all outputs on",
        "supply: all outputs off",
    ]


def test_a_generator_is_told_rms_and_peak_to_peak_once_for_each_change(
    generator: GeneratorByHand, person: Person
) -> None:
    """A sine of 1 V rms is 2.83 V peak to peak, a square wave of 1 V rms 2 V."""
    generator.sine(1, 1000.0, 1.0)
    generator.sine(1, 1000.0, 1.0)
    generator.square(1, 1000.0, 1.0)
    generator.enable(1, True)
    generator.enable(1, False)
    sine, square, on, off = person.told
    assert "sine of 1 kHz, 1 V rms (2.828" in sine and "open circuit, no DC" in sine
    assert "square of 1 kHz, 1 V rms (2 V peak to peak)" in square
    assert (on, off) == ("generator output 1: on", "generator output 1: off")


def test_the_amplitude_of_a_generator_is_the_one_asked_for_and_none_before(
    generator: GeneratorByHand,
) -> None:
    with pytest.raises(InstrumentRefused, match="no amplitude was set on output 1"):
        generator.amplitude(1)
    generator.sine(1, 1000.0, 0.5)
    assert generator.amplitude(1).nominal_value == 0.5
    assert 0.0 < generator.amplitude(1).std_dev < 0.05


def test_beside_1_khz_a_generator_that_a_hand_sets_is_no_flatter_than_its_data_sheet(
    generator: GeneratorByHand,
) -> None:
    generator.sine(1, 1000.0, 0.5)
    plain = generator.amplitude(1).std_dev
    half = 0.5 * generator.driver.rows["flatness"][0].gain / math.sqrt(3.0)
    assert half > 0.0
    for hertz in (20.0, 20e3):
        generator.sine(1, hertz, 0.5)
        assert generator.amplitude(1).std_dev == pytest.approx(math.hypot(plain, half))
    bare = {name: rows for name, rows in generator.driver.rows.items() if name != "flatness"}
    rows = tuple(row for of in bare.values() for row in of)
    untold = GeneratorByHand("g", generator.driver.changed(accuracy=rows), Desk())
    untold._is[1] = ("sine", 20.0, 0.5)
    assert untold.amplitude(1).std_dev == pytest.approx(plain)


def test_what_no_generator_gives_is_refused_before_anybody_is_asked(
    generator: GeneratorByHand, person: Person
) -> None:
    with pytest.raises(InstrumentRefused, match="more than it gives"):
        generator.sine(1, 1000.0, 5.1)
    with pytest.raises(NotMeasured, match="two tones from a generator by hand"):
        generator.two_tone(1, 60.0, 1.0, 7000.0, 0.25)
    with pytest.raises(NotMeasured, match="bursts from a generator by hand"):
        generator.burst(1, 1000.0, 1.0, 20, 0.5)
    assert person.told == []


# --- what is read ---------------------------------------------------------------------------------


def test_what_was_typed_stands_until_something_moves_or_it_has_aged(
    meter: MeterByHand, desk: Desk, person: Person
) -> None:
    meter.configure("dc_voltage", 2.0)
    assert [meter.read_raw(), meter.read_raw()] == [1.5, 1.5]
    assert len(person.asked) == 1, "nothing ages while a person types"
    person.time_s += 0.9 * FRESH_S
    meter.read_raw()
    assert len(person.asked) == 1
    person.time_s += 0.2 * FRESH_S
    meter.read_raw()
    assert len(person.asked) == 2
    desk.moved()
    meter.read_raw()
    assert len(person.asked) == 3
    meter.configure("dc_voltage", 2.0)
    meter.read_raw()
    assert len(person.asked) == 4


def test_each_output_of_a_supply_is_read_by_itself(supply: SupplyByHand, person: Person) -> None:
    for output in (1, 2, 1, 2):
        supply.voltage(output)
    supply.current_raw(1)
    assert [(q.call, q.args, q.unit, q.signed) for q in person.asked] == [
        ("voltage", (1,), "V", False),
        ("voltage", (2,), "V", False),
        ("current", (1,), "A", False),
    ]


def test_the_range_that_holds_the_value_is_asked_for_and_the_one_that_was_named_counts(
    meter: MeterByHand, person: Person
) -> None:
    meter.configure("dc_voltage", 2.0)
    meter.read()
    (question,) = person.asked
    named = next(r for r in question.ranges if r >= 2.0)
    assert f"DC volts, range {named:g} V" in question.words
    assert (question.unit, question.signed) == ("V", True)
    by_value = meter.accuracy(1.5).std_dev
    person.shows = Typed(1.5, question.ranges[-1])
    meter.configure("dc_voltage", 2.0)
    assert meter.read().std_dev > 5.0 * by_value


def test_ohms_have_no_sign_and_no_range_holds_more_than_the_largest(
    meter: MeterByHand, person: Person
) -> None:
    meter.configure("resistance_4w", 8.0)
    meter.read_raw()
    assert person.asked[0].signed is False
    with pytest.raises(InstrumentRefused, match="range that holds"):
        meter.configure("resistance_4w", 1e12)
    with pytest.raises(InstrumentRefused, match="has no temperature"):
        meter.configure("temperature_pt100")  # type: ignore[arg-type]


def test_two_wires_add_the_doubt_of_leads_that_nobody_nulled_and_four_do_not(
    desk: Desk, meter: MeterByHand
) -> None:
    """Rectangular, and only ever too many ohms: u = R/√3 beside the table's own."""

    def read(of: MeterByHand, function: MeterFunction) -> float:
        of.configure(function, 10.0)
        return float(of.read().std_dev)

    leads = MeterSettings.model_validate({"lead_resistance": "0.3 Ω"})
    long = MeterByHand("long", meter.driver.changed(meter=leads), desk)
    without = MeterByHand("none", meter.driver.changed(meter=None), desk)
    assert read(long, "resistance_4w") == pytest.approx(read(without, "resistance_4w"))
    of_the_template = MeterSettings().lead_resistance / math.sqrt(3.0)
    own = math.sqrt(read(without, "resistance_2w") ** 2 - of_the_template**2)
    assert read(long, "resistance_2w") == pytest.approx(math.hypot(own, 0.3 / math.sqrt(3.0)))


def test_volts_beyond_what_the_unit_can_have_are_asked_for_twice_and_ohms_are_not(
    meter: MeterByHand, desk: Desk, person: Person
) -> None:
    desk.likely_v = 60.0
    for function, likely in (("dc_voltage", 60.0), ("ac_voltage", 60.0), ("resistance_2w", None)):
        meter.configure(function)  # type: ignore[arg-type]
        meter.read_raw()
        assert person.asked[-1].likely == likely
        assert person.asked[-1].before == (("configure", (function, None, 10.0)),)
        assert person.asked[-1].signed is (function == "dc_voltage")
        assert ", range" not in person.asked[-1].words


def test_a_value_as_large_as_a_range_is_held_by_it(meter: MeterByHand, person: Person) -> None:
    ranges = sorted(r.range for r in meter.driver.rows["dc_voltage"] if r.range is not None)
    for full in ranges:
        meter.configure("dc_voltage", full)
        meter.read_raw()
        assert f"range {render(full, 'V')};" in person.asked[-1].words
    with pytest.raises(InstrumentRefused, match=f"at most {ranges[-1]:g}"):
        meter.configure("dc_voltage", -1.01 * ranges[-1])


def test_a_meter_that_was_not_told_what_to_read_reads_nothing(meter: MeterByHand) -> None:
    with pytest.raises(InstrumentRefused, match="before it was configured"):
        meter.read_raw()


def test_the_time_that_a_person_takes_is_counted(desk: Desk, meter: MeterByHand) -> None:
    meter.configure("dc_voltage")
    meter.read_raw()
    assert math.isclose(desk.spent_s, 20.0)
    assert desk.now() == 0.0


def test_a_height_read_off_a_screen_is_as_good_as_a_screen_that_the_peaks_fill(
    desk: Desk, person: Person
) -> None:
    """What the screen adds goes by its full scale: twice the peak, from the lower to the upper."""
    driver = load_driver(find("driver", "generic-scope"))
    scope = ScopeByHand("scope", driver, desk)
    read = scope.on_screen("peak_to_peak", 2, 1.0)
    (question,) = person.asked
    assert "scope channel 2, at the probe tip: peak to peak (some 1 V peak" in question.words
    assert question.signed is False
    row = driver.row("voltage", 1.5)
    whole = scope._accuracy.measured((1.5,), row, "channel 2", full_scale=2.0)
    assert read.std_dev == pytest.approx(whole.std_dev)
    assert scope.on_screen("peak_to_peak", 2, 10.0).std_dev > 2.0 * read.std_dev
    with pytest.raises(NotMeasured, match="no record leaves a scope"):
        scope.acquire({1: 1.0})


def test_a_look_at_flat_tops_is_a_yes_or_no_that_is_nearly_sure(desk: Desk, person: Person) -> None:
    person.shows = Typed(1.0)
    scope = ScopeByHand("scope", load_driver(find("driver", "generic-scope")), desk)
    flat = scope.on_screen("clipped", 1, 1.0)
    assert person.asked[0].unit == ""
    assert flat.nominal_value == 1.0
    assert 0.0 < flat.std_dev < 0.1


@pytest.mark.parametrize("volts", [2.0, -2.0])
def test_the_range_that_is_named_holds_the_value_whatever_its_sign(
    meter: MeterByHand, person: Person, volts: float
) -> None:
    ranges = sorted(r.range for r in meter.driver.rows["dc_voltage"] if r.range is not None)
    meter.configure("dc_voltage", volts)
    meter.read(1)
    wanted = next(r for r in ranges if r >= 2.0)
    assert wanted > ranges[0]
    assert f"range {render(wanted, 'V')}" in person.asked[0].words


@pytest.mark.parametrize("volts", [12.0, -12.0])
def test_a_negative_reading_is_as_good_as_a_positive_one(
    desk: Desk, person: Person, meter: MeterByHand, volts: float
) -> None:
    """Of the range that holds its size, and as many per cent of it."""
    person.shows = Typed(volts)
    scope = ScopeByHand("scope", load_driver(find("driver", "generic-scope")), desk)
    row = scope.driver.row("voltage", 12.0)
    whole = scope._accuracy.measured((12.0,), row, "channel 1", full_scale=30.0)
    for peak in (15.0, -15.0):
        read = scope.on_screen("dc", 1, peak)
        assert (read.nominal_value, read.std_dev) == (volts, pytest.approx(whole.std_dev))
    assert person.asked[-1].signed
    meter.configure("dc_voltage")
    expected = meter._accuracy.measured((12.0,), meter.driver.row("dc_voltage", 12.0))
    assert meter.read().std_dev == pytest.approx(expected.std_dev)
