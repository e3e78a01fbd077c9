"""Unit sheets: ratings, what follows from them, and what cannot be."""

import math

import pytest
from ratings import RATINGS

from seqrun.errors import FileError
from seqrun.files.shipped import shipped
from seqrun.files.unit.names import UNIT_OF_NAME
from seqrun.files.unit.sheet import Unit, load_unit


def sheet(**changes: str) -> Unit:
    return Unit.from_text("\n".join(f"{k} = {v}" for k, v in {**RATINGS, **changes}.items()))


@pytest.mark.parametrize("name", sorted(shipped("unit")))
def test_every_unit_sheet_that_ships_is_right(name: str) -> None:
    unit = load_unit(name)
    known = {key: quantity.unit for key, quantity in unit.names().items()}
    told = {"standby_voltage", "output_ballast", "sink_limit"}  # by some sheets only
    without = {key for key in told if getattr(unit, key) is None} | set(unit.withheld)
    assert known == {k: u for k, u in UNIT_OF_NAME.items() if k not in without}


def test_rated_voltage_is_the_root_of_power_times_load() -> None:
    assert sheet().names()["rated_voltage"].value == pytest.approx(math.sqrt(40 * 8))


def test_each_rail_of_a_class_b_channel_carries_the_peak_over_pi() -> None:
    mono = sheet(channels='["mono"]', idle_current='"1 mA"')
    assert mono.supply_current_at(40.0) == pytest.approx(math.sqrt(2 * 40 / 8) / math.pi)


def test_a_bridged_output_draws_both_half_waves_from_its_rail() -> None:
    single, bridged = (
        sheet(channels='["mono"]', topology=f'"{t}"') for t in ("single_ended", "bridged")
    )
    assert bridged.supply_current_at(40.0) == pytest.approx(2 * single.supply_current_at(40.0))


def test_supply_current_at_idle_is_that_of_all_paths_between_the_rails() -> None:
    assert sheet().expected_supply_current == pytest.approx(2 * 2 * 0.025)
    assert sheet(topology='"bridged"').expected_supply_current == pytest.approx(2 * 2 * 2 * 0.025)
    assert sheet(supply_idle='"140 mA"').expected_supply_current == pytest.approx(0.14)


def test_the_speaker_terminals_of_a_single_ended_unit_are_read_against_ground() -> None:
    point = sheet().point("out.left")
    assert (point.hot, point.cold) == ("out.left", "ground")


def test_neither_speaker_terminal_of_a_bridged_unit_is_ground() -> None:
    point = sheet(topology='"bridged"').point("out.left")
    assert (point.hot, point.cold) == ("out.left.pos", "out.left.neg")
    assert "never an earthed clip" in point.words


def test_the_negative_rail_reads_negative() -> None:
    point = sheet().point("rail.neg")
    assert (point.hot, point.cold) == ("rail.neg", "ground")


def test_a_single_rail_unit_has_no_negative_rail() -> None:
    assert "rail.neg" not in sheet(rails='"single"', rated_power='"12 W"').points()


def test_there_is_a_ballast_for_every_output_device() -> None:
    names = [p for p in sheet().points() if p.startswith("ballast.")]
    assert len(names) == 2 * 2 * 2
    assert "ballast.right.lower.2" in names


def test_a_bridged_channel_has_ballasts_in_both_half_bridges() -> None:
    names = [p for p in sheet(topology='"bridged"').points() if p.startswith("ballast.left.")]
    assert len(names) == 8
    assert "ballast.left.neg.upper.1" in names


def test_points_say_in_words_where_the_leads_go() -> None:
    words = sheet().point("ballast.left.upper.1").words
    assert "ballast resistor of upper output device 1" in words
    assert "left channel" in words


def test_a_receiver_has_its_inputs_headphones_and_standby_rail_as_points() -> None:
    unit = sheet(inputs='["line", "phono"]', headphones="true", standby_voltage='"5 V"')
    assert {"in.left.phono", "phones.right", "standby"} <= set(unit.points())


def test_every_point_is_between_nodes_of_the_unit() -> None:
    unit = load_unit("demo-bridged")
    ends = {end for point in unit.points().values() for end in (point.hot, point.cold)}
    assert ends <= unit.nodes


def test_one_relay_delay_stands_for_both_ends() -> None:
    assert sheet(relay_delay='"4 s"').relay_delay == (4.0, 4.0)


def test_plain_values_are_si_numbers() -> None:
    plain = sheet(relay_delay='["2 s", "10 s"]').plain()
    assert plain["idle_current"] == pytest.approx(0.025)
    assert plain["gain_db"] == 29.0
    assert plain["relay_delay"] == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("rail_voltage", '"30 A"', "is a current"),
        ("rail_voltage", "30", "has no unit"),
        ("rail_voltage", '"-30 V"', "greater than 0"),
        ("rated_power", '"200 W"', "peak"),  # the rails cannot reach it
        ("topology", '"bridge"', "'bridged'"),
        ("channels", '["left", "left"]', "stands twice"),
        ("channels", "[]", "channels"),
        ("channels", '["../x"]', "channels"),
        ("channels", '["pos"]', "name of a terminal"),
        ("output_devices", "2.5", "a whole number"),
        ("output_devices", "0", "a whole number from 1 to 16"),
        ("gain", '"29"', "has no unit"),
        ("relay_delay", '["10 s", "2 s"]', "the shorter time first"),
        ("idle_current_tolerance", '"140 %"', "less than 1"),
        ("headphones", '"perhaps"', "true or false"),
        ("balast", '"0.2 Ω"', "'ballast'"),
    ],
)
def test_a_wrong_key_is_named_with_what_was_expected(key: str, value: str, says: str) -> None:
    with pytest.raises(FileError) as error:
        sheet(**{key: value})
    assert says in str(error.value)
    assert key in str(error.value)


def test_all_that_is_wrong_is_listed_at_once() -> None:
    with pytest.raises(FileError) as error:
        Unit.from_text('model = "x"\nrail_voltage = "30 A"\ntopolgy = "bridged"\nrated_power = 40')
    text = str(error.value)
    for part in (
        "'channels' is missing",
        "is a current",
        "unknown key 'topolgy'",
        "40 has no unit",
    ):
        assert part in text


@pytest.mark.parametrize(
    ("power", "rail", "idle", "least", "most"),
    [
        ('"0.5 W"', '"9 V"', '"20 mA"', 0.28, 0.32),  # idles at a third of what it swings
        ('"40 W"', '"30 V"', '"25 mA"', 2.0, 2.1),
        ('"300 W"', '"90 V"', '"50 mA"', 5.5, 5.6),
    ],
)
def test_what_a_unit_draws_at_rated_power_holds_its_idle_current(
    power: str, rail: str, idle: str, least: float, most: float
) -> None:
    """Limits that go by it would end the run of a healthy headphone amplifier otherwise."""
    unit = sheet(rated_power=power, rail_voltage=rail, idle_current=idle)
    named = unit.names()["supply_at_rated_power"].value
    assert least < named < most
    assert named > unit.supply_current_at(unit.rated_power)
    assert named >= 1.2 * unit.expected_supply_current


HOT = {
    "rated_power": '"8 W"',
    "rated_load": '"4 Ω"',
    "rail_voltage": '"14 V"',
    "idle_current": '"200 mA"',
    "sink_rise_limit": '"50 K"',
}


def test_one_that_idles_hot_may_be_as_warm_at_rest_as_its_limit_allows() -> None:
    """Class A makes its heat at rest; one of 40 W in class AB makes a sixth of it there."""
    assert sheet().idle_rise_limit == pytest.approx(0.5 * 40.0)
    hot = sheet(**HOT)
    assert hot.idle_rise_limit == pytest.approx(50.0)
    assert 1.0 < hot.supply_at_eighth / hot.expected_supply_current < 1.1
    assert hot.rated_efficiency < 0.35 < 0.6 < sheet().rated_efficiency


def test_at_an_eighth_of_its_power_class_ab_draws_its_swing_and_little_more() -> None:
    swing = 2.0 * math.sqrt(2.0 * 5.0 / 8.0) / math.pi
    assert 1.0 < sheet().supply_at_eighth / swing < 1.05
