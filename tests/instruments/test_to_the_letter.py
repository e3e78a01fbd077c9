"""Small rules of the instruments' floor, each by itself: a mistake in one shows nowhere else."""

from __future__ import annotations

import importlib.util
import itertools
import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from pytest_mock import MockerFixture
from pyvisa_py.highlevel import PyVisaLibrary

from seqrun.errors import NotMeasured, UsageError
from seqrun.files.bench.parts import InstrumentEntry as BenchInstrument
from seqrun.files.driver.load import load_driver
from seqrun.files.shipped import find
from seqrun.instruments import discovery, preamble
from seqrun.instruments.answers import with_suffix
from seqrun.instruments.by_hand.base import ByHand
from seqrun.instruments.opening import open_instrument
from seqrun.instruments.roles import Capture
from seqrun.instruments.screen import POINTS, on_screen
from seqrun.instruments.selfcheck import SENT_ONLY, Tap, Trial, _near, handshake, self_check
from seqrun.values import budget_of, normal

# --- answers --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("prefix", "factor"),
    [
        *[("T", 1e12), ("G", 1e9), ("k", 1e3), ("K", 1e3), ("m", 1e-3), ("u", 1e-6), ("U", 1e-6)],
        *[("µ", 1e-6), ("μ", 1e-6), ("n", 1e-9), ("N", 1e-9), ("p", 1e-12), ("P", 1e-12)],
        *[("M", 1e-3), ("", 1.0)],  # a capital M before volts is milli (IEEE 488.2, 7.7.3)
    ],
)
def test_each_prefix_of_a_number_is_its_power_of_ten(prefix: str, factor: float) -> None:
    assert with_suffix(f"1.25 {prefix}V") == pytest.approx(1.25 * factor, rel=1e-12)
    assert with_suffix(f"-1.25{prefix}V") == pytest.approx(-1.25 * factor, rel=1e-12)


def test_before_hertz_samples_and_ohms_a_capital_m_is_a_million() -> None:
    assert [with_suffix(f"2 M{unit}") for unit in ("Hz", "Sa/s", "Ω", "ohm")] == [2e6] * 4


# --- what a scope says of its record --------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "seconds", "volts"),
    [
        ({"xincrement": 1e-6, "yincrement": 0.01}, 1e-6, 0.01),
        ({"sample_rate": 5e5, "volts_per_division": 1.0}, 2e-6, 0.04),
        ({"sample_rate": 5e5, "xincrement": 1e-6, "yincrement": 0.01}, 1e-6, 0.01),
        ({"xincrement": 1e-6, "yincrement": 0.01, "volts_per_division": 1.0}, 1e-6, 0.01),
        ({"xincrement": 1e-6, "volts_per_division": 1.0, "codes_per_division": 50.0}, 1e-6, 0.02),
    ],
)
def test_an_increment_that_is_told_goes_before_one_that_is_worked_out(
    fields: dict[str, float], seconds: float, volts: float
) -> None:
    settings = load_driver(find("driver", "generic-scope")).scope
    assert settings is not None
    found = preamble.scaling(fields, settings.model_copy(update={"codes_per_division": 25.0}))
    assert (found.xincrement, found.yincrement) == pytest.approx((seconds, volts))


@pytest.mark.parametrize(
    "fields",
    [
        {"xincrement": 1e-6},
        {"yincrement": 0.01},
        {"xincrement": 1e-6, "yincrement": 0.0},
        {"sample_rate": 0.0, "yincrement": 0.01},
        {"xincrement": math.inf, "yincrement": 0.01},
        {"xincrement": 1e-6, "yincrement": 9.9e37},
    ],
)
def test_a_record_without_increments_has_no_scale(fields: dict[str, float]) -> None:
    settings = load_driver(find("driver", "generic-scope")).scope
    assert settings is not None
    with pytest.raises(ValueError):
        preamble.scaling(fields, settings)


# --- a screen read from a record ------------------------------------------------------------------


def screen_of(volts: np.ndarray, clipped: bool = False) -> Any:
    """A scope whose one record holds this, with gain and offset of known uncertainty."""

    def acquire(peak_v: dict[int, float], *, coupling: str, **more: Any) -> Capture:
        seen = volts - volts.mean() if coupling == "AC" else volts
        return Capture(
            0.0, 1e-5, {1: seen}, {1: 0.03}, {1: clipped},
            {1: normal(1.0, 0.01, "gain")}, {1: normal(0.0, 0.02, "offset")},
        )  # fmt: skip

    return SimpleNamespace(acquire=acquire)


TIME = np.arange(POINTS) * 1e-5
SINE = 3.0 + 2.0 * np.sin(2.0 * np.pi * 500.0 * TIME + 0.3)


@pytest.mark.parametrize(
    ("what", "value", "u"),
    [
        ("peak_to_peak", 4.0, math.hypot(4.0 * 0.01, 0.03 / math.sqrt(3.0))),
        ("dc", 3.0, math.hypot(3.0 * 0.01, 0.02)),
        ("rms", math.sqrt(2.0), math.hypot(math.sqrt(2.0) * 0.01, 0.015 / math.sqrt(3.0))),
        ("frequency", 500.0, 500.0 * 1e-5 / 0.018 / math.sqrt(3.0)),  # nine periods
    ],
)
def test_what_a_screen_shows_and_how_sure_it_is(what: Any, value: float, u: float) -> None:
    found = on_screen(screen_of(SINE), what, 1, 6.0)
    assert found.nominal_value == pytest.approx(value, rel=2e-3)
    assert found.std_dev == pytest.approx(u, rel=5e-3)
    assert budget_of(found)


def test_flat_tops_are_clipped_and_a_sine_is_not() -> None:
    flat = np.clip(SINE, 3.0 - 1.6, 3.0 + 1.6)
    assert on_screen(screen_of(SINE), "clipped", 1, 6.0).nominal_value == 0.0
    assert on_screen(screen_of(flat), "clipped", 1, 6.0).nominal_value == 1.0


@pytest.mark.parametrize("high", [1.0, 100.0])
@pytest.mark.parametrize(("flat", "clipped"), [(0.22, 0.0), (0.28, 1.0)])
def test_a_quarter_of_its_time_at_its_tops_makes_a_waveform_clipped(
    high: float, flat: float, clipped: float
) -> None:
    """Within a fiftieth of its height: a ramp up and down that stands still at both ends."""
    still = np.full(round(flat * POINTS / 2.0), 0.99)  # within a fiftieth of 2
    ramp = np.linspace(-0.9, 0.9, POINTS - 2 * still.size - 2)
    wave = np.concatenate([[-1.0, 1.0], still, ramp, -still])
    assert on_screen(screen_of(high * wave), "clipped", 1, high).nominal_value == clipped
    low = np.concatenate([[-1.0, 1.0], still - 0.06, ramp, 0.06 - still])  # further from the ends
    assert on_screen(screen_of(high * low), "clipped", 1, high).nominal_value == 0.0


def test_what_a_screen_does_not_hold_is_not_read_off_it() -> None:
    with pytest.raises(NotMeasured, match="leaves the screen"):
        on_screen(screen_of(SINE, clipped=True), "dc", 1, 1.0)
    with pytest.raises(NotMeasured, match="less than one period"):
        on_screen(screen_of(np.sin(2.0 * np.pi * 20.0 * TIME)), "frequency", 1, 1.0)


# --- how long a meter integrates ------------------------------------------------------------------


def test_a_meter_integrates_for_as_long_as_was_asked_or_the_next_longer_time(bench: Any) -> None:
    steps = sorted(bench.meter.driver.meter.nplc)
    assert len(steps) > 2
    for shorter, longer in itertools.pairwise(steps):
        assert bench.meter._cycles(shorter) == shorter
        assert bench.meter._cycles(1.01 * shorter) == longer
    assert bench.meter._cycles(0.5 * steps[0]) == steps[0]
    assert bench.meter._cycles(10.0 * steps[-1]) == steps[-1]
    falling = {"nplc": tuple(reversed(steps))}  # as some driver files list them
    bench.meter._settings = bench.meter._settings.model_copy(update=falling)
    assert bench.meter._cycles(1.01 * steps[0]) == steps[1]
    assert bench.meter._cycles(10.0 * steps[-1]) == steps[-1]
    bench.meter._settings = bench.meter._settings.model_copy(update={"nplc": ()})
    assert bench.meter._cycles(3.3) == 3.3


# --- the self-check -------------------------------------------------------------------------------


def test_a_read_back_is_near_from_neither_side_when_it_is_far() -> None:
    """A supply that stays at nothing has not gone to what it was told."""
    near = _near(2.0, 0.05)
    assert [near(found) for found in (0.0, 1.89, 1.91, 2.09, 2.11, 4.0)] == [
        *[False, False, True, True, False, False],
    ]


def test_what_was_said_before_is_not_shown_with_a_check() -> None:
    tap = Tap()

    def tell() -> None:
        tap("supply", ">", "VOLT 1")

    def ask() -> float:
        tap("supply", ">", "VOLT?")
        tap("supply", "<", "1.0")
        return 1.0

    for act, sent, taken in ((tell, "VOLT 1", SENT_ONLY), (ask, "VOLT?", "1")):
        tap("supply", ">", "*CLS")
        tap("supply", "<", "of another check")
        trial = Trial("supply", tap)
        trial.do("voltage", lambda _: True, act)
        trial.may_have_none("voltage", act)
        assert [check.sent for check in trial.checks] == [(sent,), (sent,)]
        assert trial.checks[0].taken == taken


def test_a_handshake_asks_every_output_of_a_supply(bench: Any) -> None:
    supply = bench.supply
    asked = [one.operation for one in handshake("supply", supply.driver, supply._link, Tap())]
    for n in range(1, supply.driver.outputs + 1):
        assert {f"voltage {n}", f"current {n}", f"protection_tripped {n}"} <= set(asked)
    assert "voltage 0" not in asked and f"voltage {supply.driver.outputs + 1}" not in asked


def checks(instrument: Any) -> list[str]:
    tap = Tap()
    instrument._link.listen(tap)
    tried = self_check(instrument, tap)
    assert all(check.ok for check in tried)
    return [check.operation for check in tried]


def test_a_self_check_of_a_supply_tries_all_that_it_claims_and_ends_with_all_off(
    bench: Any,
) -> None:
    guards = ("set_over_voltage_protection", "over_voltage_protection")
    guards += ("set_over_current_protection", "over_current_protection")
    told = ("enabled", "voltage", "current", "constant_current", "protection_tripped")
    assert checks(bench.supply) == [
        *(f"{do} {n}" for n in (1, 2) for do in ("set_current_limit", *guards, "set_voltage")),
        "enable on",
        *(f"{what} {n}" for n in (1, 2) for what in told),
        *("enable off", "enabled", "make_safe"),
    ]


def test_a_self_check_of_a_generator_ends_each_output_off(bench: Any) -> None:
    told = ("sine {}", "enable {} on", "enabled {}", "level {}", "no signal {}", "square {}")
    told += ("two_tone {}", "burst {}", "enable {} off", "enabled {}")
    every = [words.format(n) for n in (1, 2) for words in told]
    assert checks(bench.generator) == [*every, "make_safe"]


def test_a_self_check_of_a_meter_reads_in_every_function_once_and_many_times(bench: Any) -> None:
    functions = ("dc_voltage", "ac_voltage", "dc_current", "resistance_2w", "resistance_4w")
    ways = ("configure_{}", "read, {}", "read_many, {}", "read after read_many, {}")
    assert checks(bench.meter) == [way.format(of) for of in functions for way in ways]


def test_a_self_check_of_a_scope_takes_a_record_of_each_channel_and_in_each_way(bench: Any) -> None:
    channels = [f"acquire, channel {n}" for n in (1, 2, 3, 4)]
    ways = ["acquire, AC", "average", "high_resolution", "trigger", "make_safe"]
    assert checks(bench.scope) == channels + ways


@pytest.mark.parametrize(
    ("role", "what"),
    [
        ("generator", "enabled"),
        ("supply", "enabled"),
        ("supply", "protection_tripped"),
        ("supply", "constant_current"),
    ],
)
def test_what_a_driver_has_no_command_for_is_not_told_and_never_guessed(
    bench: Any, role: str, what: str
) -> None:
    driver = load_driver(find("driver", f"generic-{role}"))
    less = {name: one for name, one in driver.operation.items() if name != what}
    entry = BenchInstrument(resource=bench.demo.resources[role], driver=f"generic-{role}")
    quiet = driver.changed(operation=less)
    one: Any = open_instrument(role, entry, quiet, bench.manager, bench.note)
    asked = len(bench.sent(role))
    with pytest.raises((NotMeasured, UsageError), match=r"does not tell|no commands for"):
        getattr(one, what)(1)
    assert len(bench.sent(role)) == asked


# --- who is there ---------------------------------------------------------------------------------


def test_an_instrument_that_no_driver_fits_is_told_by_what_it_answers(bench: Any) -> None:
    found = discovery.identify(bench.demo.resources["meter"], bench.manager, {})
    assert found.identity and not found.drivers and not found.trouble


def test_a_library_that_cannot_list_is_told_and_keeps_no_other_from_being_asked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def none(_query: str) -> list[str]:
        raise RuntimeError("no backend")

    socket = "TCPIP0::192.0.2.10::5025::SOCKET"
    monkeypatch.setattr(discovery, "_raw_sockets", lambda _notes: [socket])
    monkeypatch.setattr(discovery, "missing_libraries", lambda _manager, _there: [])
    notes: list[str] = []
    manager: Any = SimpleNamespace(list_resources=none)
    assert discovery.resources(manager, notes) == [socket]
    assert notes == ["the VISA library lists nothing: no backend"]


def test_what_a_library_lacks_is_told_of_ours_and_not_of_a_maker_s(
    bench: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _name: None)
    ours: Any = SimpleNamespace(visalib=PyVisaLibrary.__new__(PyVisaLibrary))
    told = discovery.missing_libraries(ours, {"USB"})
    assert [line.partition(":")[0] for line in told] == ["ASRL", "GPIB"]
    assert discovery.missing_libraries(bench.manager) == []


def test_who_is_set_by_hand_says_so() -> None:
    desk: Any = SimpleNamespace()
    assert ByHand("meter", load_driver(find("driver", "handheld-meter")), desk).by_hand


# --- what a reading holds besides -----------------------------------------------------------------


def test_a_preamble_that_does_not_fit_what_was_set_is_no_record(
    bench: Any, mocker: MockerFixture
) -> None:
    """Ten times the volts of the range that was set: another instrument's scale, or a probe's."""
    real = preamble.in_order

    def tenfold(*given: Any) -> dict[str, float]:
        fields = real(*given)
        return {**fields, "yincrement": 10.0 * fields["yincrement"]}

    bench.scope.acquire({1: 1.0}, sample_rate_hz=1e5, points=100)
    mocker.patch.object(preamble, "in_order", tenfold)
    with pytest.raises(NotMeasured, match="the scaling of channel 1 cannot be"):
        bench.scope.acquire({1: 1.0}, sample_rate_hz=1e5, points=100)


@pytest.mark.parametrize("ohms", [0.0, 0.2])
def test_two_wires_that_were_not_nulled_add_what_leads_may_have(bench: Any, ohms: float) -> None:
    meter = bench.meter
    meter._settings = meter._settings.model_copy(update={"lead_resistance": ohms})
    for function in ("resistance_2w", "resistance_4w"):
        meter.configure(function, 100.0, 1.0)
        found = meter.accuracy(8.0)
        lines = [c for c in budget_of(found) if "not nulled" in c.source.name]
        assert found.nominal_value == pytest.approx(8.0)
        assert [c.standard_uncertainty for c in lines] == pytest.approx(
            [ohms / math.sqrt(3.0)] if ohms and function == "resistance_2w" else []
        )
