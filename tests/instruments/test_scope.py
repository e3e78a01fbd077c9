"""The scope: ranges, clipping, what is sent, and volts that are right."""

from __future__ import annotations

import math
import types
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import InstrumentError, InstrumentRefused, InstrumentSilent, NotMeasured
from seqrun.files.bench.parts import InstrumentEntry
from seqrun.files.dirt import Dirt
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find
from seqrun.instruments.opening import open_instrument
from seqrun.instruments.preamble import in_order
from seqrun.instruments.roles import Scope
from seqrun.instruments.scope import _two_figures_up
from seqrun.instruments.vertical import Scaling, Vertical, converter_step, snapped
from seqrun.values import rectangular


@pytest.fixture
def rail(bench: Any) -> Any:
    """The scope's fourth probe on the positive rail, which is up."""
    bench.demo.world.connect("scope.4", "rail.pos")
    for output in (1, 2):
        bench.supply.set_current_limit(output, 3.0)
        bench.supply.set_voltage(output, 20.0)
    bench.supply.enable(True)
    bench.demo.world.advance(2.0)
    return bench


def test_it_plays_its_role(bench: Any) -> None:
    assert isinstance(bench.scope, Scope)
    assert (bench.scope.channels, bench.scope.bits) == (4, 12)


def test_volts_are_at_the_probe_tip_within_gain_and_offset(rail: Any) -> None:
    got = rail.scope.acquire({4: 25.0}, sample_rate_hz=100e3, points=4000)
    volts = float(np.mean(got.volts[4])) * got.gain[4] + got.offset_v[4]
    truth = rail.supply.voltage(1).nominal_value
    assert volts.nominal_value == pytest.approx(truth, abs=2.2 * volts.std_dev)
    assert got.dt_s == pytest.approx(10e-6)
    assert got.volts[4].shape == (4000,)
    assert got.volts[4].dtype == np.float64


def test_a_signal_beyond_the_range_is_flagged_as_clipped(rail: Any) -> None:
    assert rail.scope.acquire({4: 10.0}, sample_rate_hz=1e5, points=1000).clipped[4]
    assert not rail.scope.acquire({4: 25.0}, sample_rate_hz=1e5, points=1000).clipped[4]


def test_the_range_holds_the_peak_with_little_to_spare(bench: Any) -> None:
    for peak in (0.05, 1.0, 7.3, 42.0, 300.0):
        vertical = bench.scope._vertical(1, peak)
        assert 1.05 <= vertical.full_scale / (2.0 * peak) <= 1.2


def test_an_offset_is_of_the_range_that_is_set(bench: Any) -> None:
    """Stated as a share of full scale: on a range set to half it is half as many volts."""
    taken = [bench.scope.acquire({1: v}, sample_rate_hz=1e5, points=200) for v in (2.0, 3.0, 4.0)]
    shares = [got.offset_v[1].std_dev / got.lsb_v[1] for got in taken]
    assert shares == pytest.approx([shares[0]] * 3, rel=1e-3)
    assert taken[2].lsb_v[1] > 1.5 * taken[0].lsb_v[1]


def test_after_a_scope_was_not_triggered_everything_is_set_anew(bench: Any) -> None:
    """Whether it took what it was sent before is not known any more."""

    def sets_the_range() -> bool:
        before = len(bench.sent("scope"))
        bench.scope.acquire({1: 2.0}, sample_rate_hz=1e5, points=200)
        return any("VOLT1:R" in message for message in bench.sent("scope")[before:])

    assert [sets_the_range(), sets_the_range()] == [True, False]
    with pytest.raises(NotMeasured, match="nothing triggered"):
        bench.scope.acquire({1: 2.0}, sample_rate_hz=1e5, points=200, trigger=1, time_out_s=0.5)
    assert sets_the_range()


def test_the_converter_step_is_full_scale_over_two_to_its_bits(bench: Any) -> None:
    got = bench.scope.acquire({1: 19.0}, sample_rate_hz=1e5, points=1000)
    full_scale = bench.scope._vertical(1, 19.0).full_scale
    assert got.lsb_v[1] == pytest.approx(full_scale / 2**12, rel=1e-6)


def test_high_resolution_has_finer_steps(bench: Any) -> None:
    plain = bench.scope.acquire({1: 1.0}, sample_rate_hz=1e5, points=2000)
    fine = bench.scope.acquire({1: 1.0}, sample_rate_hz=1e5, points=2000, high_resolution=True)
    assert fine.lsb_v[1] <= plain.lsb_v[1] / 4.0


def test_only_what_changed_is_sent(bench: Any) -> None:
    settings = {"sample_rate_hz": 1e5, "points": 1000}
    bench.scope.acquire({1: 1.0}, **settings)
    before = len(bench.sent("scope"))
    bench.scope.acquire({1: 1.0}, **settings)
    again = bench.sent("scope")[before:]
    assert not any("RANG" in text or "TINT" in text for text in again)
    bench.scope.acquire({1: 2.0}, **settings)
    changed = [text for text in bench.sent("scope")[before + len(again) :] if "RANG" in text]
    assert len(changed) == 1
    assert "TINT" not in changed[0]


def test_settings_that_may_go_out_together_are_one_message(bench: Any) -> None:
    bench.scope.acquire({1: 1.0, 2: 5.0}, sample_rate_hz=1e5, points=1000)
    (together,) = (text for text in bench.sent("scope") if "TINT" in text)
    assert together.count("RANG") == 2


def test_nothing_is_taken_for_granted_after_a_refusal(bench: Any) -> None:
    scope = bench.scope
    scope.acquire({1: 1.0}, sample_rate_hz=1e5, points=1000)
    with pytest.raises(InstrumentRefused):
        scope.acquire({1: 1.0}, sample_rate_hz=1e-3, points=1000)  # slower than it goes
    scope.acquire({1: 1.0}, sample_rate_hz=1e5, points=1000)
    assert "TINT 1e-05" in " ".join(bench.sent("scope")[-6:])


def test_no_edge_is_not_measured(bench: Any) -> None:
    bench.demo.world.connect("scope.3", "ground")
    with pytest.raises(NotMeasured, match="triggered"):
        bench.scope.acquire({3: 10.0}, sample_rate_hz=1e5, points=1000, trigger=3, time_out_s=0.5)
    bench.scope.acquire({3: 10.0}, sample_rate_hz=1e5, points=1000)


@pytest.mark.parametrize(
    ("peaks", "points", "what"),
    [
        ({5: 1.0}, 1000, "no channel 5"),
        ({1: 1.0}, 3_000_000, "record of"),
        ({1: 1000.0}, 1000, "beyond its largest range"),
        ({}, 1000, "no channel to acquire"),
    ],
)
def test_what_it_does_not_have_is_refused(
    bench: Any, peaks: dict[int, float], points: int, what: str
) -> None:
    with pytest.raises(InstrumentRefused, match=what):
        bench.scope.acquire(peaks, sample_rate_hz=1e5, points=points)


def test_captures_on_one_range_share_the_channel_s_gain_error(bench: Any) -> None:
    first = bench.scope.acquire({1: 1.0, 2: 1.0}, sample_rate_hz=1e5, points=1000)
    second = bench.scope.acquire({1: 1.0, 2: 1.0}, sample_rate_hz=1e5, points=1000)
    assert (first.gain[1] / second.gain[1]).std_dev == 0.0
    assert (first.gain[1] / first.gain[2]).std_dev > first.gain[1].std_dev


def test_ranges_of_one_attenuator_step_share_its_gain_error(bench: Any) -> None:
    near = bench.scope.acquire({1: 6.0}, sample_rate_hz=1e5, points=1000)
    far = bench.scope.acquire({1: 9.0}, sample_rate_hz=1e5, points=1000)
    assert (near.gain[1] / far.gain[1]).std_dev == 0.0
    assert near.offset_v[1].std_dev < far.offset_v[1].std_dev


@given(st.floats(1.0, 1e8), st.sampled_from([(1.0, 2.0, 5.0), (1.0, 2.0, 4.0, 5.0, 8.0)]))
def test_an_available_rate_is_near_the_wanted_one(wanted: float, steps: tuple[float, ...]) -> None:
    rate = snapped(wanted, steps, 1e8)
    assert 0.6 < rate / wanted < 1.7
    assert rate <= 1e8 * (1.0 + 1e-9)


@given(st.integers(0, 4), st.integers(1, 1000), st.integers(1, 2**31))
def test_the_step_of_a_converter_shows_in_its_codes(fewer: int, count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    step = 1 << fewer
    few = (rng.integers(0, 65536 // step, count) * step).astype(np.uint16)
    assert step <= converter_step(few, 16) < 24  # never finer than it is, whatever is missing
    dense = (rng.integers(100, 164, 100 + count) * step).astype(np.uint16)
    assert converter_step(dense, 16) == step


def test_a_preamble_with_too_few_fields_is_refused(bench: Any) -> None:
    fields = ("xincrement", "xorigin", "yincrement")
    settings = bench.scope.driver.scope.model_copy(
        update={"preamble": fields, "preamble_separator": ","}
    )
    with pytest.raises(ValueError, match="2 fields"):
        in_order("1,2", settings, False)


def test_a_device_clear_stands_in_the_log_with_what_was_sent(bench: Any) -> None:
    bench.scope.acquire({1: 1.0}, sample_rate_hz=1e5, points=1000)
    bench.scope._link.wire.clear()
    assert bench.sent("scope")[-1] == "<clear>"


# --- by value ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "up"), [(1.234, 1.3), (1.3, 1.3), (0.0991, 0.1), (99.1, 100.0), (12.0, 12.0), (0, 0)]
)
def test_a_range_is_set_to_two_figures_and_never_to_less_than_is_needed(
    value: float, up: float
) -> None:
    assert _two_figures_up(value) == pytest.approx(up)


def test_a_range_is_the_next_step_or_less_where_it_can_be_set_to_less(bench: Any) -> None:
    """Steps of 1, 2, 5 at the scope's own input, headroom of 5 %, probes of ×10 and ×1."""
    scope = bench.scope
    scope._probe = {1: 10.0, 2: 1.0, 3: 10.0, 4: 10.0}
    for peak in (4.7, -4.7):  # 2·4.7 V·1.05 = 9.87 V: 0.987 V at the scope
        assert (scope._vertical(1, peak).step, scope._vertical(1, peak).full_scale) == (
            pytest.approx(10.0),
            pytest.approx(9.9),
        )
    assert scope._vertical(2, 4.7).step == pytest.approx(10.0)
    assert scope._vertical(2, 1e-3).full_scale == pytest.approx(10e-3)  # no less than the least
    scope._settings = scope._settings.model_copy(update={"vernier": False})
    assert scope._vertical(1, 4.7).full_scale == pytest.approx(10.0)
    assert scope._vertical(1, 4.77).full_scale == pytest.approx(20.0)  # 10.02 V
    with pytest.raises(InstrumentRefused, match=r"at most 476\.2 V with a probe of ×10"):
        scope._vertical(1, 477.0)


def test_a_scope_acquires_one_point_and_one_average_and_not_none(bench: Any) -> None:
    scope = bench.scope
    scope._possible({1: 1.0, 4: 1.0}, 1, 1, 4)
    longest = 2_000_000
    scope._possible({1: 1.0}, longest, 1, None)
    for peaks, points, averages, trigger, words in (
        ({1: 1.0}, 0, 1, None, "a record of 0 points"),
        ({1: 1.0}, longest + 1, 1, None, "1 to 2000000"),
        ({1: 1.0}, 1, 0, None, "0 averages"),
        ({1: 1.0}, 1, 1, 5, "no channel 5"),
        ({0: 1.0}, 1, 1, None, "no channel 0"),
    ):
        with pytest.raises(InstrumentRefused) as refused:
            scope._possible(peaks, points, averages, trigger)
        assert words in str(refused.value)


def test_the_errors_of_a_channel_are_those_of_its_step_its_set_range_and_its_probe(
    bench: Any,
) -> None:
    """The row's gain and its share of full scale, over √3; a probe that divides has its own."""
    scope = bench.scope
    v = Vertical(10.0, 8.0)
    row = scope.driver.row("voltage", 10.0)
    gain, offset = scope._errors(2, v)
    assert (gain.nominal_value, offset.nominal_value) == (1.0, 0.0)
    assert offset.std_dev == pytest.approx(row.zero(10.0) * 0.8 / 3**0.5)
    scope._ratios = {1: rectangular(1.0, 0.02, "probe ratio")}
    probed, _ = scope._errors(1, v)
    assert gain.std_dev == pytest.approx(row.gain / 3**0.5)
    assert probed.std_dev == pytest.approx(math.hypot(row.gain, 0.02) / 3**0.5)
    assert scope._errors(2, v)[0] is gain


def test_a_scope_that_is_not_done_is_asked_again_and_given_up(bench: Any, mocker: Any) -> None:
    answers = iter([False, False, True])
    slept = mocker.patch("seqrun.instruments.scope.time.sleep")
    scope = bench.scope
    scope._ops = {"acquired": types.SimpleNamespace(boolean=lambda: next(answers))}
    scope._poll(60.0)
    assert next(answers, None) is None
    assert [call.args for call in slept.call_args_list] == [(0.01,)] * 2  # it is not hurried
    scope._ops = {"acquired": types.SimpleNamespace(boolean=lambda: False)}
    with pytest.raises(InstrumentSilent, match=r"not complete within 0\.01 s"):
        scope._poll(0.01)


def test_a_scope_that_is_not_told_of_its_probe_is_told_the_volts_at_its_own_input(
    bench: Any,
) -> None:
    """4.7 V of peak through a probe of ×10: 0.99 V are set, and 9.9 V stand at the tip."""
    scope = bench.scope
    scope._probe[1] = 10.0
    before = len(bench.sent("scope"))
    scope._knows_probes = False
    vertical = {1: scope._vertical(1, 4.7)}
    scope._set_up(vertical, 1e5, 1000, "DC", None, 1, False, 1.0)
    assert "PTP 0.99" in " ".join(bench.sent("scope")[before:])
    assert scope._here(1) == 10.0
    scope._knows_probes = True
    scope._set_up(vertical, 1e5, 1000, "DC", None, 1, False, 1.0)
    assert "PTP 9.9" in " ".join(bench.sent("scope")[before:])
    assert scope._here(1) == 1.0


def test_a_record_is_fetched_in_pieces_that_are_counted_from_nought_or_from_one(
    bench: Any,
) -> None:
    scope, record = bench.scope, np.arange(10, 20)
    asked: list[dict[str, int]] = []

    def piece(channel: int, count: int, place: dict[str, int]) -> Any:
        asked.append(place)
        assert count == place["count"]
        return record[place["start"] :][:count]

    scope._piece = piece
    scope._settings = scope._settings.model_copy(update={"piece": 4})
    for names in ({"first", "last"}, {"start", "count"}):
        asked.clear()
        scope._ops = {"waveform": types.SimpleNamespace(names=names)}
        assert scope._codes(1, 10).tolist() == record.tolist()
        assert [(p["first"], p["last"], p["start"], p["count"]) for p in asked] == [
            (1, 4, 0, 4), (5, 8, 4, 4), (9, 10, 8, 2),
        ]  # fmt: skip
    with pytest.raises(InstrumentError, match="2 samples came of the 4 from 9 on"):
        scope._codes(1, 12)
    scope._ops = {"waveform": types.SimpleNamespace(names=set())}  # it sends all there is
    asked.clear()
    assert scope._codes(1, 12).tolist() == record.tolist()
    assert len(asked) == 1
    assert scope._codes(1, 3).tolist() == [10, 11, 12]


def test_samples_that_are_no_numbers_or_no_whole_samples_are_refused(
    bench: Any, mocker: Any
) -> None:
    scope = bench.scope
    call = mocker.Mock(return_value="1,2,x", names=set())
    scope._ops = {"waveform": call}
    size = scope._sample.itemsize
    for data, fine in ((b"", False), (bytes(size + 1), False), (bytes(2 * size), True)):
        call.block.return_value = data
        if fine:
            assert scope._piece(1, 2, {}).tolist() == [0, 0]
            continue
        with pytest.raises(InstrumentError, match=f"{len(data)} bytes came for channel 1"):
            scope._piece(1, 2, {})
    assert call.block.call_args.args == (2 * size,)
    scope._sample = None
    with pytest.raises(InstrumentError, match="for channel 1"):
        scope._piece(1, 3, {})
    call.return_value = "1,2,-3"
    assert scope._piece(1, 3, {}).tolist() == [1, 2, -3]


def test_a_scope_waits_for_an_upward_edge_through_nothing(bench: Any) -> None:
    with pytest.raises(NotMeasured, match="nothing triggered"):
        bench.scope.acquire({1: 2.0}, sample_rate_hz=1e5, points=200, trigger=2, time_out_s=0.25)
    (set_to,) = (text for text in bench.sent("scope") if "ATR OFF" in text)
    assert "TRIG:SOUR INT2;LEV 0;SLOP POS;ATR OFF;PAT 0.25" in set_to


def test_probes_are_told_to_a_scope_that_asks_for_them_and_only_dividers_are_in_doubt(
    bench: Any,
) -> None:
    """Channels 1 and 2 with a probe of ×10 and ×1; of the others nothing is said."""
    entry = InstrumentEntry(
        resource=bench.demo.resources["scope"], driver="generic-scope", probe=(10.0, 1.0)
    )
    driver = load_driver(find("driver", "generic-scope"))
    scope: Any = open_instrument(
        "scope",
        entry,
        driver,
        bench.manager,
        bench.note,
        dirt=Dirt.model_validate({"probe_ratio": "2 %"}),
    )
    assert scope._probe == {1: 10.0, 2: 1.0, 3: 1.0, 4: 1.0}
    told = [text for text in bench.sent("scope") if "PROB" in text]
    assert [text.split(";")[0] for text in told] == [
        "INP1:PROB 10", "INP2:PROB 1", "INP3:PROB 1", "INP4:PROB 1",
    ]  # fmt: skip
    assert list(scope._ratios) == [1]
    assert scope._ratios[1].nominal_value == 1.0
    assert scope._ratios[1].std_dev == pytest.approx(0.02 / 3**0.5)
    sure: Any = open_instrument("scope", entry, driver, bench.manager, bench.note)
    assert sure._ratios == {}


def test_an_acquisition_is_waited_for_as_long_as_it_takes(bench: Any, mocker: Any) -> None:
    """The time-out, two seconds to get ready, and half more than the records of the averages."""
    run = mocker.spy(bench.scope, "_run")
    bench.scope.acquire({1: 2.0}, sample_rate_hz=1e5, points=1000)
    bench.scope.acquire({1: 2.0}, sample_rate_hz=1e5, points=1000, averages=8, time_out_s=3.0)
    assert [call.args for call in run.call_args_list] == [
        (pytest.approx(10.0 + 2.0 + 0.015), False),
        (pytest.approx(3.0 + 2.0 + 0.12), False),
    ]


def test_settings_of_a_scope_are_per_division_and_per_screen_as_well(
    bench: Any, mocker: Any
) -> None:
    send = mocker.patch.object(bench.scope, "_send_changes")
    v = bench.scope._vertical(2, 4.7)
    its = bench.scope._settings
    for how in ({}, {"averages": 4}, {"high_resolution": True}, {"trigger": 3}):
        given = {"trigger": None, "averages": 1, "high_resolution": False, **how}
        bench.scope._set_up({2: v}, 1e5, 1000, "AC", given["trigger"], given["averages"],
                            given["high_resolution"], 1.5)  # fmt: skip
        (wanted,) = send.call_args.args
        assert wanted["show 1"] == ("show", {"channel": 1, "on": False})
        assert wanted["show 2"] == ("show", {"channel": 2, "on": True})
        _, at = wanted["range 2"]
        assert at["volts_per_division"] == pytest.approx(v.full_scale / its.divisions)
        _, base = wanted["timebase"]
        assert (base["rate"], base["interval"], base["points"]) == (1e5, pytest.approx(1e-5), 1000)
        assert base["duration"] == pytest.approx(0.01)
        assert base["seconds_per_division"] == pytest.approx(0.01 / its.time_divisions)
        modes = {"averages": ("average", {"count": 4}), "high_resolution": ("high_resolution", {})}
        (key,) = how or ("",)
        assert wanted["mode"] == modes.get(key, ("normal", {}))
        level = {"channel": 3, "level": 0.0, "time_out": 1.5}
        plain = ("free_run", {"channel": 2})
        assert wanted["trigger"] == (("trigger", level) if key == "trigger" else plain)


@pytest.mark.parametrize(
    ("largest", "clipped"), [(0.48, False), (-0.48, False), (0.4845, True), (-0.4845, True)]
)
def test_a_scope_that_sends_volts_is_clipped_within_a_step_of_half_its_range(
    bench: Any, largest: float, clipped: bool
) -> None:
    """Full scale 10 V at the tip, 1 V at the scope, 6 bits: steps of 0.156 V at the tip."""
    scope = bench.scope
    its = {"sample": "float32", "bits": 6}
    scope._settings = scope._settings.model_copy(update=its)
    scope._knows_probes, scope._probe[1] = False, 10.0
    samples = np.array([0.0, largest, 0.1])
    scope._scaling = lambda *_: Scaling(1e-6, 10.0, -1e-3, 0.0)
    scope._codes = lambda *_: samples
    got = scope._fetch({1: Vertical(10.0, 10.0)}, 3, 3, 1e6)
    assert got.volts[1].tolist() == pytest.approx((10.0 * samples).tolist())
    assert got.lsb_v[1] == pytest.approx(10.0 / 64.0)
    assert got.clipped == {1: clipped}
    assert (got.t0_s, got.dt_s, got.constant) == (-1e-3, 1e-6, {1: False})


def test_channels_of_one_record_share_its_time_axis(bench: Any) -> None:
    scope = bench.scope
    axes = iter([Scaling(1e-6, 0.01), Scaling(1.1e-6, 0.01)])
    scope._scaling = lambda *_: next(axes)
    scope._codes = lambda *_: np.array([5, 5, 5])
    with pytest.raises(NotMeasured, match="another time axis than the channel before"):
        scope._fetch({1: Vertical(10.0, 10.0), 2: Vertical(10.0, 10.0)}, 3, 3, 1e6)
    axes = iter([Scaling(1e-6, 0.01), Scaling(1e-6, 0.02)])
    got = scope._fetch({1: Vertical(10.0, 10.0), 2: Vertical(10.0, 10.0)}, 3, 3, 1e6)
    assert got.constant == {1: True, 2: True}
