"""From what a scope tells to volts and seconds: preambles of every kind, codes, records, rates."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest

from seqrun.files.driver.equipment import ScopeSettings
from seqrun.instruments import preamble
from seqrun.instruments.record import (
    longest_record,
    numbers_of,
    rate_near,
    record_for,
    samples_of,
    share_of_memory,
)
from seqrun.instruments.vertical import Scaling, converter_step, snapped, snapped_up


def settings(**keys: Any) -> ScopeSettings:
    return ScopeSettings.model_validate(
        {"channels": 4, "bits": 8, "max_points": 1000, "ranges": ["8 V"], **keys}
    )


TEN = (
    "format", "type", "points", "count", "xincrement", "xorigin", "xreference", "yincrement",
    "yorigin", "yreference",
)  # fmt: skip


def test_ten_fields_in_order_are_taken_by_their_places() -> None:
    its = settings(preamble=TEN)
    said = "0,2,6000000,1,1.0e-09,-3.0e-03,0,4.132813e-01,0,122"
    fields = preamble.in_order(said, its, headers=False)
    assert fields["xincrement"] == 1e-9 and fields["yreference"] == 122.0
    assert "points" not in fields
    assert preamble.in_order(f":WAV:PRE {said}", its, headers=True) == fields
    its = settings(preamble=TEN, preamble_separator=";")
    assert preamble.in_order(said.replace(",", ";"), its, headers=False) == fields


@pytest.mark.parametrize("said", ["1,2,3", "0,2,6,1,x,0,0,0.4,0,122"])
def test_ten_fields_of_which_one_is_missing_or_no_number_are_refused(said: str) -> None:
    with pytest.raises(ValueError):
        preamble.in_order(said, settings(preamble=TEN), headers=False)


def test_keyed_fields_may_come_in_any_order_with_units_and_headers() -> None:
    its = settings(keys={"xincrement": "XIN", "yincrement": "YMU", "yoffset": "YOF"})
    said = ':WFMPRE:WFID "Ch1, DC coupling";YMU 4.0E-2;:WFMP:XIN 2us;YOF "-5.0E-1"'
    fields = preamble.by_keyword(said, its)
    assert fields == {"xincrement": 2e-6, "yincrement": 0.04, "yoffset": -0.5}
    with pytest.raises(ValueError, match="no XIN"):
        preamble.by_keyword("YMU 1;YOF 0", its)


def test_a_descriptor_is_read_at_its_places_in_its_order_of_bytes() -> None:
    fields = {
        "xincrement": {"at": 4, "as": "float64"},
        "volts_per_division": {"at": 12, "as": "float32", "scale": 0.001},
        "codes_per_division": {"at": 0, "as": "int16"},
        "points": {"at": 2, "as": "uint16"},
    }
    for order, sign in (("little", "<"), ("big", ">")):
        data = struct.pack(sign + "hHdf", 25, 1000, 1e-6, 500.0)
        found = preamble.from_descriptor(data, settings(descriptor=fields, byte_order=order))
        expected = {"xincrement": 1e-6, "volts_per_division": 0.5, "codes_per_division": 25.0}
        assert found == expected
        with pytest.raises(ValueError, match="15 bytes, and volts_per_division at 12"):
            preamble.from_descriptor(data[:15], settings(descriptor=fields, byte_order=order))


def test_the_origin_counts_in_volts_or_in_codes() -> None:
    fields = {"xincrement": 1e-6, "yincrement": 0.04, "yorigin": 10.0, "yreference": 127.0}
    volts = preamble.scaling(fields, settings(yorigin_in="volts"))
    assert volts.volts(np.array([127])).tolist() == [10.0]
    codes = preamble.scaling(fields, settings(yorigin_in="codes"))
    assert codes.volts(np.array([127])) == pytest.approx([-0.4])
    assert codes.volts(np.array([137])) == pytest.approx([0.0])


def test_volts_a_division_and_codes_a_division_make_an_increment() -> None:
    fields = {"sample_rate": 1e6, "volts_per_division": 0.5, "yoffset": -0.5}
    found = preamble.scaling(fields, settings(codes_per_division=25))
    assert (found.xincrement, found.yincrement, found.yorigin) == (1e-6, 0.02, 0.5)
    found = preamble.scaling(fields | {"codes_per_division": 50.0}, settings(codes_per_division=25))
    assert found.yincrement == 0.01


def test_a_probe_counts_once_on_increment_and_origin() -> None:
    fields = {"xincrement": 1e-6, "yincrement": 0.01, "yorigin": 0.2, "probe_factor": 10.0}
    found = preamble.scaling(fields, settings())
    assert (found.yincrement, found.yorigin) == pytest.approx((0.1, 2.0))
    found = preamble.scaling(fields, settings(), probe=2.0)
    assert (found.yincrement, found.yorigin) == pytest.approx((0.2, 4.0))


def test_the_time_of_the_first_sample_or_of_the_middle() -> None:
    fields = {"xincrement": 1e-6, "yincrement": 0.01, "xorigin": 1e-3}
    assert preamble.scaling(fields, settings(), points=1000).xorigin == 1e-3
    its = settings(xorigin_of="middle")
    assert preamble.scaling(fields, its, points=1000).xorigin == pytest.approx(5e-4)


@pytest.mark.parametrize(
    "fields",
    [
        {"xincrement": 1e-6, "yincrement": 0.0}, {"xincrement": 0.0, "yincrement": 0.01},
        {"xincrement": -1e-6, "yincrement": 0.01}, {"yincrement": 0.01},
        {"xincrement": 1e-6}, {"xincrement": 1e-6, "yincrement": 9.9e37},
        {"xincrement": float("nan"), "yincrement": 0.01},
        {"xincrement": 1e-6, "yincrement": 0.01, "yorigin": -9.91e37},
        {"sample_rate": 0.0, "yincrement": 0.01}, {"xincrement": 1e-6, "volts_per_division": 1.0},
    ],
)  # fmt: skip
def test_fields_that_make_no_scaling_are_refused(fields: dict[str, float]) -> None:
    with pytest.raises(ValueError):
        preamble.scaling(fields, settings())


def test_samples_in_volts_need_no_increment() -> None:
    found = preamble.scaling({"xincrement": 1e-6}, settings(sample="ascii"))
    assert found.volts(np.array([1.5])).tolist() == [1.5]


GOOD = Scaling(xincrement=1e-6, yincrement=8.0 / 256, yreference=128.0)
BYTES = settings(sample="uint8", code_bits=8)


@pytest.mark.parametrize(
    ("found", "rate"),
    [
        (GOOD, 1e6), (GOOD, 1.19e6), (GOOD, 0.81e6),
        (Scaling(1e-6, 3.0 * 8.0 / 256, yreference=128.0), 1e6),
        (Scaling(1e-6, 0.41 * 8.0 / 256, yreference=128.0), 1e6),
        (Scaling(1e-6, -8.0 / 256, yreference=128.0), 1e6),
        (Scaling(1e-6, 8.0 / 256, yreference=0.0, yorigin=-4.0), 1e6),
    ],
)  # fmt: skip
def test_a_scaling_that_can_be_that_of_what_was_set_passes(found: Scaling, rate: float) -> None:
    preamble.plausible(found, BYTES, 8.0, rate)


@pytest.mark.parametrize(
    ("found", "rate"),
    [
        (GOOD, 1.21e6), (GOOD, 0.79e6),
        (Scaling(1e-6, 3.1 * 8.0 / 256, yreference=128.0), 1e6),
        (Scaling(1e-6, 0.39 * 8.0 / 256, yreference=128.0), 1e6),
        (Scaling(1e-6, 8.0 / 256, yreference=128.0, yorigin=8.1), 1e6),
        (Scaling(1e-6, 8.0 / 256, yreference=128.0, xorigin=float("inf")), 1e6),
    ],
)  # fmt: skip
def test_a_scaling_that_cannot_be_that_of_what_was_set_is_refused(
    found: Scaling, rate: float
) -> None:
    with pytest.raises(ValueError):
        preamble.plausible(found, BYTES, 8.0, rate)


def test_signed_codes_have_their_middle_at_zero() -> None:
    signed = settings(sample="int8", code_bits=8)
    preamble.plausible(Scaling(1e-6, 8.0 / 256), signed, 8.0, 1e6)
    with pytest.raises(ValueError, match="at the middle"):
        preamble.plausible(Scaling(1e-6, 8.0 / 256, yreference=300.0), signed, 8.0, 1e6)


def test_where_time_per_division_is_set_the_rate_may_be_far_off() -> None:
    its = settings(sample="uint8", code_bits=8, sets="time per division", time_steps=[1, 2, 5])
    preamble.plausible(GOOD, its, 8.0, 19e6)
    preamble.plausible(GOOD, its, 8.0, 0.051e6)
    for rate in (21e6, 0.049e6):
        with pytest.raises(ValueError):
            preamble.plausible(GOOD, its, 8.0, rate)


# --- records and rates ---------------------------------------------------------------------------


def test_shared_memory_is_cut_in_halves_and_quarters() -> None:
    its = settings(memory="shared", max_points=12_000, records=[1200, 12_000])
    assert [share_of_memory(its, n) for n in (0, 1, 2, 3, 4)] == [1, 1, 2, 4, 4]
    assert [longest_record(its, n) for n in (1, 2, 3)] == [12_000, 6_000, 3_000]
    assert record_for(its, 600, 2) == 600
    assert record_for(its, 601, 2) == 6_000
    assert record_for(its, 99_999, 1) == 12_000
    own = settings(max_points=12_000)
    assert [longest_record(own, n) for n in (1, 4)] == [12_000, 12_000]
    assert record_for(own, 777, 4) == 777


def test_the_nearest_rate_in_ratio_is_taken_and_none_above_the_highest() -> None:
    assert snapped(1.4e6, [1, 2, 5], 1e9) == 1e6
    assert snapped(1.5e6, [1, 2, 5], 1e9) == 2e6
    assert snapped(7.5e5, [1, 2, 5], 1e9) == 1e6
    assert snapped(9e9, [1, 2, 5], 5e8) == 5e8
    assert snapped(123.0, [], 1e9) == 123.0
    assert snapped_up(1.1e-3, [1, 2, 5]) == pytest.approx(2e-3)
    assert snapped_up(1e-3, [5, 1, 2]) == pytest.approx(1e-3)
    assert snapped_up(6e-3, [1, 2, 5]) == pytest.approx(1e-2)


def test_where_time_per_division_is_set_the_record_is_no_shorter_in_time_than_wanted() -> None:
    its = settings(sets="time per division", time_steps=[1, 2, 5], time_divisions=10)
    assert rate_near(its, 1e6, 1000) == pytest.approx(1e6)  # 100 µs a division
    assert rate_near(its, 0.9e6, 1000) == pytest.approx(0.5e6)  # 111 µs: 200 µs
    assert rate_near(settings(max_rate="1 MHz"), 5e6, 1000) == 1e6


def test_samples_are_of_their_type_and_order() -> None:
    assert samples_of(settings(sample="int16", byte_order="big")) == np.dtype(">i2")
    assert samples_of(settings(sample="uint16", byte_order="little")) == np.dtype("<u2")
    assert samples_of(settings(sample="ascii")) is None


@pytest.mark.parametrize(
    ("text", "values"),
    [("1.5,-2,3e-1", [1.5, -2.0, 0.3]), ("#9000000007 1.5, 2", [1.5, 2.0]), ("1 2;3", [1, 2, 3]),
     (" 4 ,\n", [4.0]), ("#0 1,2", None), ("", None), ("1,x", None)],
)  # fmt: skip
def test_samples_as_text(text: str, values: list[float] | None) -> None:
    if values is None:
        with pytest.raises(ValueError):
            numbers_of(text)
    else:
        assert numbers_of(text).tolist() == values


def test_codes_lie_whole_steps_of_the_converter_apart() -> None:
    stretched = np.rint(np.arange(3000, 3200) * 17.3)  # 12 bits spread over 16, not by a power of 2
    assert converter_step(stretched, 16) == pytest.approx(17.3, rel=1e-3)
    assert converter_step(np.array([3000, 3000]), 16) == 16
    assert converter_step(np.array([-512, -256, 0, 768]), 256) == 256
    assert converter_step(np.array([0, 256, 512]), 256) == 256
    assert converter_step(np.array([0, 64, 512]), 256) == 64
    assert converter_step(np.array([3, 4]), 16) == 1
    assert converter_step(np.array([0, 1024]), 256) == 256


@pytest.mark.parametrize(
    ("yorigin", "yreference", "possible"),
    [
        (0.0, 128.0, True),  # the middle of the codes is nothing
        (4.0, 128.0, True),  # and may lie as far off as the screen is wide: 8 V
        (-7.9, 128.0, True),
        (8.1, 128.0, False),
        (-8.1, 128.0, False),
        (0.0, -72.0, True),  # 200 codes of 0.04 V: 8 V
        (0.0, -80.0, False),
        (4.0, -80.0, False),  # both add up
        (-4.0, -80.0, True),
    ],
)
def test_the_middle_of_a_converter_is_no_further_off_than_its_range_is_wide(
    yorigin: float, yreference: float, possible: bool
) -> None:
    its = settings(code_bits=8, sample="uint8")
    found = Scaling(1e-6, 0.04, 0.0, 0.0, yorigin, yreference)
    if possible:
        preamble.plausible(found, its, 8.0, 1e6)
        return
    with pytest.raises(ValueError, match="V at the middle of the converter, 8 V wide"):
        preamble.plausible(found, its, 8.0, 1e6)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"xincrement": 1.19e-6}, ""),  # a scope whose rate is set keeps it to a fifth
        ({"xincrement": 1.21e-6}, "a sample every 1.21e-06 s where 1e-06 s was set"),
        ({"xincrement": 0.79e-6}, "a sample every"),
        ({"yincrement": 0.0126}, ""),  # 256 codes over two fifths of 8 V to three times
        ({"yincrement": 0.0124}, "codes that span 3.17"),
        ({"yincrement": -0.09}, ""),
        ({"yincrement": -0.095}, "codes that span 24.3"),
        ({"xorigin": float("inf")}, "at the middle"),
    ],
)
def test_a_scale_that_cannot_be_that_of_what_was_set_is_refused(
    change: dict[str, float], words: str
) -> None:
    its = settings(code_bits=8, sample="uint8", sets="rate")
    fields = {"xincrement": 1e-6, "yincrement": 0.04, "yreference": 128.0, **change}
    if not words:
        preamble.plausible(Scaling(**fields), its, 8.0, 1e6)
        return
    with pytest.raises(ValueError, match=words):
        preamble.plausible(Scaling(**fields), its, 8.0, 1e6)
