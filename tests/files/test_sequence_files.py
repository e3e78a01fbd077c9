"""Sequences: steps, repetition, limits, trips, and what is wrong between them."""

from typing import ClassVar

import pytest
from pydantic import Field

from seqrun.errors import FileError
from seqrun.files.expression import VoltsExpression
from seqrun.files.sequence.expand import expand, expand_all
from seqrun.files.sequence.file import Sequence, StepFields
from seqrun.files.sequence.load import sequence_from_text
from seqrun.files.unit.sheet import load_unit
from seqrun.quantity import Hertz
from seqrun.values import Limit


class Voltage(StepFields):
    unit: ClassVar[str] = "V"
    at: str


class Ramp(StepFields):
    to: VoltsExpression
    then: VoltsExpression | None = None
    stages: int = Field(default=10, ge=2)


class Power(StepFields):
    unit: ClassVar[str] = "W"
    frequency: Hertz = 1000.0


class Temperature(StepFields):
    unit: ClassVar[str] = "°C"


class Share(StepFields):
    unit: ClassVar[str] = "%"
    of: str


KINDS: dict[str, type[StepFields]] = {
    "voltage": Voltage,
    "ramp": Ramp,
    "power": Power,
    "temperature": Temperature,
    "share": Share,
}
HEAD = 'title = "Bench check"\nrevision = "A"\n'
UNIT = load_unit("demo-2x40")


def sequence(text: str, head: str = HEAD) -> Sequence:
    return sequence_from_text(head + text, KINDS)


def steps(text: str, unit: str = "demo-2x40") -> list[StepFields]:
    return expand_all(sequence(text), load_unit(unit))


def complaint(text: str, unit: str = "demo-2x40") -> str:
    with pytest.raises(FileError) as error:
        steps(text, unit)
    return str(error.value)


OFFSET = """
[[step]]
id = "offset.{channel}"
each = "channel"
do = "voltage"
at = "out.{channel}"
limit = { between = ["-50 mV", "50 mV"] }
settle = { within = "2 mV", for = "3 s", at_most = "60 s" }
"""


def test_a_step_is_repeated_over_the_channels_in_order() -> None:
    made = steps(OFFSET)
    assert [step.id for step in made] == ["offset.left", "offset.right"]
    assert [getattr(step, "at", "") for step in made] == ["out.left", "out.right"]
    assert made[1].bindings == {"channel": "right"}


def test_one_entry_can_be_expanded_alone() -> None:
    file = sequence(OFFSET)
    pairs = expand(file, file.step[0], UNIT)
    assert [(s.id, b) for s, b in pairs] == [
        ("offset.left", {"channel": "left"}),
        ("offset.right", {"channel": "right"}),
    ]


def test_the_first_name_changes_slowest() -> None:
    made = steps(
        """
        [[step]]
        id = "idle.{channel}.{half}.{device}"
        each = ["channel", "half", "device"]
        do = "voltage"
        at = "ballast.{channel}.{half}.{device}"
        """
    )
    assert [step.id for step in made][:3] == [
        "idle.left.upper.1",
        "idle.left.upper.2",
        "idle.left.lower.1",
    ]
    assert len(made) == 8


BALLASTS = """
[[step]]
id = "idle.{ballast}"
each = "ballast"
do = "voltage"
at = "ballast.{ballast}"
"""


@pytest.mark.parametrize(
    ("unit", "count", "first"),
    [
        ("demo-2x40", 8, "idle.left.upper.1"),
        ("demo-bridged", 16, "idle.left.pos.upper.1"),
        ("demo-mono", 6, "idle.mono.upper.1"),
    ],
)
def test_one_line_reaches_every_ballast_of_any_topology(unit: str, count: int, first: str) -> None:
    made = steps(BALLASTS, unit)
    assert len(made) == count
    assert made[0].id == first
    assert made[0].bindings["channel"] in load_unit(unit).channels


def test_ballasts_after_channel_are_those_of_the_channel() -> None:
    made = steps(BALLASTS.replace('each = "ballast"', 'each = ["channel", "ballast"]'))
    assert len(made) == 8


def test_values_are_given_in_the_sequence_and_lose_their_spaces_in_ids() -> None:
    made = steps(
        """
        [[step]]
        id = "power.{frequency}.{level}"
        each = [{ frequency = ["20 Hz", "1 kHz"] }, { level = ["-80 dB"] }]
        do = "power"
        frequency = "{frequency}"
        """
    )
    assert [step.id for step in made] == ["power.20Hz.minus80dB", "power.1kHz.minus80dB"]
    assert [getattr(step, "frequency", 0) for step in made] == [20.0, 1000.0]


def test_a_limit_follows_the_ratings_of_the_unit() -> None:
    (step,) = steps('[[step]]\nid = "p"\ndo = "power"\nlimit = { at_least = "0.9 * rated_power" }')
    assert step.limit is not None
    assert step.limit.resolve("W", UNIT.names()) == Limit(low=pytest.approx(36.0))


def test_a_limit_may_use_an_earlier_reading() -> None:
    made = steps(
        OFFSET + '[[step]]\nid = "later.{channel}"\neach = "channel"\ndo = "voltage"\n'
        'at = "out.{channel}"\nlimit = { at_most = "2 * offset.{channel}" }'
    )
    assert made[-1].limit is not None
    assert made[-1].limit.names() == {"offset.right"}


def test_the_settling_band_of_a_temperature_is_in_kelvin() -> None:
    settle = 'settle = { within = "0.2 K", for = "30 s", at_most = "10 min" }'
    (step,) = steps(f'[[step]]\nid = "t"\ndo = "temperature"\n{settle}')
    assert step.settle is not None
    assert step.settle.at_most == 600.0


def test_ids_may_be_referred_to_by_their_beginning() -> None:
    made = steps(OFFSET + '[[step]]\nid = "s"\ndo = "share"\nof = "offset"')
    assert made[-1].id == "s"


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('do = "voltage"', 'do = "voltge"', "'voltage', the nearest known name"),
        ('do = "voltage"', "", "'do' is missing"),
        ('id = "offset.{channel}"', "", "'id' is missing"),
        ('id = "offset.{channel}"', 'id = "offset"', "does not name {channel}"),
        ('id = "offset.{channel}"', 'id = "a b.{channel}"', "letters, digits"),
        ('at = "out.{channel}"', 'at = "out.{chanel}"', "'channel', the nearest"),
        ('at = "out.{channel}"', 'at = "oot.{channel}"', "no point 'oot.left'"),
        ('each = "channel"', 'each = "chanel"', "'channel', the nearest"),
        ('each = "channel"', 'each = ["channel", "channel"]', "stands twice"),
        ('each = "channel"', 'each = "level"', "without values"),
        ('each = "channel"', "each = { channel = [] }", "a list such as"),
        ('each = "channel"', 'each = ["channel", "side"]', "does not name {side}"),
        ("limit =", "limits =", "'limit', the nearest"),
        ("between", "betwen", "'between', the nearest"),
        ('"50 mV"]', '"50 mA"]', "two quantities of the same kind"),
        ('["-50 mV", "50 mV"]', '["50 mV", "-50 mV"]', "the lower limit first"),
        ('["-50 mV", "50 mV"]', '["-50 mV"]', "limit.between"),
        ('{ between = ["-50 mV", "50 mV"] }', "{}", "an empty limit"),
        ('between = ["-50 mV", "50 mV"]', 'at_most = "50 mA"', "is a current"),
        ('between = ["-50 mV", "50 mV"]', 'at_most = "rated_power"', "comes to a power"),
        ('between = ["-50 mV", "50 mV"]', 'at_most = "rail_volt"', "'rail_voltage', the nearest"),
        ('between = ["-50 mV", "50 mV"]', 'at_least = "2 V", at_most = "1 V"', "lower limit first"),
        ('within = "2 mV"', 'within = "2 mA"', "is a current"),
        ('for = "3 s"', 'for = "3 V"', "is a voltage"),
        ('for = "3 s"', 'for = "3 min"', "for is longer than at_most"),
        (", for =", ", fro =", "'for'"),
    ],
)
def test_what_is_wrong_in_a_step_is_named_with_what_was_expected(
    old: str, new: str, says: str
) -> None:
    assert old in OFFSET
    text = complaint(OFFSET.replace(old, new, 1))
    assert says in text
    assert "step 1" in text


def test_a_single_ended_output_has_no_sides_to_repeat_over() -> None:
    text = OFFSET.replace('each = "channel"', 'each = ["channel", "side"]')
    text = text.replace('id = "offset.{channel}"', 'id = "offset.{channel}.{side}"')
    assert "has no side" in complaint(text)
    both = text.replace("out.{channel}", "out.{channel}.{side}")
    assert [step.id for step in steps(both, "demo-bridged")][:2] == [
        "offset.left.pos",
        "offset.left.neg",
    ]


def test_a_step_that_needs_a_later_reading_is_refused() -> None:
    first = '[[step]]\nid = "first"\ndo = "voltage"\nat = "rail.pos"\n'
    assert "a later step" in complaint(first + 'limit = { at_most = "offset.left" }' + OFFSET)
    assert "a later step" in complaint('[[step]]\nid = "s"\ndo = "share"\nof = "offset"' + OFFSET)
    assert "a later step" in complaint(first + 'only_if = "offset.left passed"' + OFFSET)


def test_the_same_id_twice_is_refused() -> None:
    assert "stands in step 1 and again" in complaint(OFFSET + OFFSET)


def test_only_if_names_a_step_and_a_state() -> None:
    step = OFFSET + '[[step]]\nid = "x"\ndo = "voltage"\nat = "rail.pos"\nonly_if = '
    assert steps(step + '"offset.* passed"')[-1].only_if
    assert "'offset.left'" in complaint(step + '"offset.lefft passed"')
    assert "passed, failed" in complaint(step + '"offset.left fine"')


def test_expressions_with_a_declared_unit_are_checked_before_power() -> None:
    text = '[[step]]\nid = "up"\ndo = "ramp"\nto = "rated_power"\nthen = "2 A"'
    assert "comes to a power" in complaint(text)
    assert '"2 A" is a current' in complaint(text)


@pytest.mark.parametrize(
    ("trip", "says"),
    [
        ('quantity = "suply_current"\nabove = "3 A"', "'supply_current', the nearest"),
        ('quantity = "supply_current"\nabove = "3 V"', "is a voltage"),
        ('quantity = "supply_current"', "neither above nor below"),
        ('quantity = "sink_temperature"\nabove = "85 K"', "temperatures in °C"),
        ('quantity = "supply_current"\nabove = "2 * offset.left"', "unknown name"),
        ('quantity = "supply_current"\nabov = "3 A"', "'above', the nearest"),
    ],
)
def test_a_wrong_trip_is_refused(trip: str, says: str) -> None:
    text = complaint(OFFSET + "[[trip]]\n" + trip)
    assert says in text
    assert "trip 1" in text


def test_a_trip_is_resolved_in_its_own_unit() -> None:
    file = sequence(OFFSET + '[[trip]]\nquantity = "supply_current"\nabove = "3 * supply_idle"')
    assert file.trip[0].resolve(UNIT.names()).high == pytest.approx(0.3)


def test_everything_wrong_is_listed_even_behind_a_wrong_head() -> None:
    with pytest.raises(FileError) as error:
        sequence(OFFSET.replace('"50 mV"', '"50 mA"') + "[[step]]\nfoo = 1", 'titel = "x"\n')
    text = str(error.value)
    for part in ("'titel'", "'title' is missing", "'revision' is missing", "50 mA", "'foo'"):
        assert part in text


def test_what_refers_to_a_broken_step_is_not_called_wrong_too() -> None:
    text = complaint(
        OFFSET.replace('"2 mV"', '"2 mA"').replace("limit", "limmit")
        + '[[step]]\nid = "s"\ndo = "share"\nof = "offset.left"\n'
        'limit = { at_most = "100 * offset.left / rail_voltage" }'
    )
    assert "'s'" not in text


def test_a_sequence_without_its_unit_is_checked_as_far_as_it_goes() -> None:
    text = BALLASTS + '[[step]]\nid = "s"\ndo = "share"\nof = "idle.mono.upper"'
    assert sequence(text)
    assert expand_all(sequence(text), load_unit("demo-mono"))


def test_an_entry_that_repeats_without_end_is_refused() -> None:
    values = ", ".join(f'"{n} V"' for n in range(60))
    text = f"""
    [[step]]
    id = "x.{{a}}.{{b}}"
    each = [{{ a = [{values}] }}, {{ b = [{values}] }}]
    do = "voltage"
    at = "rail.pos"
    """
    assert "more than 2000" in complaint(text)


@pytest.mark.parametrize(
    "text", ["step = 3", "step = []", "[step]", "", "[[step]]\nid = 3\ndo = []"]
)
def test_a_sequence_without_steps_is_refused(text: str) -> None:
    with pytest.raises(FileError):
        sequence(text)


@pytest.mark.parametrize(
    ("unit", "banks"),
    [
        ("demo-2x40", ["left.upper", "left.lower", "right.upper", "right.lower"]),
        ("demo-mono", ["mono.upper", "mono.lower"]),
        (
            "demo-bridged",
            [
                f"{c}.{s}.{h}"
                for c in ("left", "right")
                for s in ("pos", "neg")
                for h in ("upper", "lower")
            ],
        ),
    ],
)
def test_devices_in_parallel_form_one_bank_in_each_half_of_any_topology(
    unit: str, banks: list[str]
) -> None:
    made = steps(
        '[[step]]\nid = "share.{bank}"\ndo = "voltage"\nat = "ballast.{bank}.1"\neach = "bank"\n',
        unit,
    )
    assert [step.id for step in made] == [f"share.{bank}" for bank in banks]


def test_a_step_for_what_the_unit_lacks_is_left_out() -> None:
    text = (
        '[[step]]\nid = "a.{channel}"\ndo = "voltage"\nat = "phones.{channel}"\neach = "channel"\n'
        'if_unit_has = "headphones"\n'
        '[[step]]\nid = "b"\ndo = "voltage"\nat = "rail.pos"\nonly_if = "a.* passed"\n'
    )
    assert [step.id for step in steps(text, "demo-2x40")] == ["b"]
    assert [step.id for step in steps(text, "demo-receiver")] == [
        "a.left",
        "a.right",
        "b",
    ]


def test_an_unknown_feature_is_refused_with_the_nearest_known_one() -> None:
    text = '[[step]]\nid = "a"\ndo = "voltage"\nat = "rail.pos"\nif_unit_has = "headphone"\n'
    assert "headphones" in complaint(text)


def test_a_sequence_for_units_of_a_kind_names_a_kind_that_there_is() -> None:
    with pytest.raises(FileError, match="for_units_with") as told:
        sequence('for_units_with = "a line inputs"\n[[step]]\nid = "t"\ndo = "temperature"\n')
    assert "a line input" in str(told.value)
