"""What a reading was made under is told by the readings of its run, not by the names of steps."""

from __future__ import annotations

from seqrun.judge.condition import Condition, conditions
from seqrun.values import Heat, Judged, Reading, Verdict


def read(step: str, quantity: str, note: str = "", value: float | None = 1.0) -> Judged:
    reading = Reading(quantity, "V", value, note=note)
    return Judged(reading, step, None, "guarded", Verdict.NONE, None)


def heats(*readings: Judged) -> list[Heat]:
    return [c.heat for c in conditions(readings)]


def test_the_rise_at_rest_and_the_rise_while_driven_are_two_conditions() -> None:
    rest = [read("a", "dissipation"), read("a", "sink_rise")]
    driven = [read("b", "soak_power"), read("b", "sink_rise")]
    found = conditions([*rest, *driven])
    assert [c.heat for c in found] == [Heat.RESTED, Heat.RESTED, Heat.DRIVEN, Heat.DRIVEN]
    assert not found[1].alike(found[3])


def test_idle_current_is_cold_before_any_heat_and_driven_after_it() -> None:
    cold, _, _, hot = heats(
        read("x1", "idle_current"),
        read("x2", "soak_power"),
        read("x2", "sink_rise"),
        read("x3", "idle_current"),
    )
    assert (cold, hot) == (Heat.COLD, Heat.DRIVEN)


def test_minutes_of_power_are_neither_cold_nor_soaked() -> None:
    assert heats(read("w", "held_power"), read("i", "idle_current")) == [Heat.WARM, Heat.WARM]


def test_a_soak_that_could_not_be_measured_has_warmed_the_unit_all_the_same() -> None:
    assert heats(read("s", "sink_rise", value=None), read("i", "idle_current"))[1] is Heat.RESTED


def test_what_a_step_reads_beside_is_no_reading_of_its_own() -> None:
    beside = conditions([read("p", "output_power"), read("p", "thd")])[1]
    alone = conditions([read("c", "thd")])[0]
    assert not beside.alike(alone)


def test_frequencies_within_a_tenth_are_alike_and_decades_are_not() -> None:
    def at(note: str) -> Condition:
        return conditions([read("t", "thd", note)])[0]

    assert at("996 Hz, 2.84 V").alike(at("1 kHz, 2.82 V"))
    assert not at("1000 Hz").alike(at("10 kHz"))
    assert not at("1000 Hz").alike(at("1000 Hz, 2.8 V"))


def test_a_condition_is_told_by_heat_quantity_and_numbers_without_levels() -> None:
    at = ((997.0, "Hz"), (10.04, "W"), (8.9, "V"))
    assert Condition(Heat.DRIVEN, "thd", at).text == f"{Heat.DRIVEN.value}, thd, 1e+03 Hz, 10 W"
    assert Condition(Heat.COLD, "dc_offset").text == f"{Heat.COLD.value}, dc_offset"


def test_a_frequency_in_kilohertz_is_the_same_in_hertz() -> None:
    def at(note: str) -> Condition:
        reading = Reading("thd", "%", 0.01, note=note)
        return conditions([Judged(reading, "thd", None, "simple", Verdict.NONE, None)])[0]

    assert at("20 kHz, 10 W").at == ((20_000.0, "Hz"), (10.0, "W"))
    assert at("20 kHz, 10 W").alike(at("20000 Hz, 10 W"))
    assert not at("20 kHz, 10 W").alike(at("1 kHz, 10 W"))
