"""Trips act on every quantity that a sequence may name, on whichever rail or output it is."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest
import pyvisa
from pytest_mock import MockerFixture
from pyvisa.resources import MessageBasedResource

from seqrun.errors import NotMeasured, Tripped
from seqrun.runner.events import Watcher
from seqrun.runner.hands import LIVE_WARNING, Operator
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.runner.trips import ArmedTrip
from seqrun.values import Disposition


def with_trip(path: str, quantity: str, above: str) -> str:
    text = Path(path).read_text(encoding="utf-8")
    trip = f'[[trip]]\nquantity = "{quantity}"\nabove = "{above}"\nwhy = "a test"\n[[step]]'
    Path(path).write_text(text.replace("[[step]]", trip, 1), encoding="utf-8")
    return path


def run(tmp_path: Path, sequence: str, *faults: str) -> Outcome:
    plan, files = prepare(sequence, "demo", None, faults=faults)
    options = Options("T-1", "", tmp_path / "r")
    return execute(plan, files, None, Watcher(), options, Interrupts())


@pytest.mark.parametrize("channel", ["left", "right"])
def test_dc_at_an_output_trips_whatever_its_sign(
    tmp_path: Path, short_sequence: Callable[..., str], channel: str
) -> None:
    sequence = with_trip(short_sequence(), "out_dc", "300 mV")
    outcome = run(tmp_path, sequence, f"dc_offset@{channel}=0.6")
    assert outcome.disposition is Disposition.ABORTED
    assert "out_dc" in outcome.reason
    assert outcome.safe.complete


def test_without_dc_the_same_trip_lets_the_run_go_on(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    outcome = run(tmp_path, with_trip(short_sequence(), "out_dc", "300 mV"))
    assert outcome.disposition is Disposition.ACCEPT


def trip(read: Callable[[], list[float]]) -> ArmedTrip:
    return ArmedTrip("supply_voltage", "V", 33.0, 25.0, "a rail", read)


@pytest.mark.parametrize("volts", [[30.0, 34.0], [34.0, 30.0], [24.0, 30.0], [30.0, 24.0]])
def test_one_rail_beyond_the_threshold_is_enough(volts: list[float]) -> None:
    with pytest.raises(Tripped):
        trip(lambda: volts).look()


def test_a_protective_quantity_without_a_number_trips() -> None:
    def overload() -> list[float]:
        raise NotMeasured("overload")

    with pytest.raises(Tripped, match="cannot be read"):
        trip(overload).look()


def test_the_trips_are_looked_at_while_the_operator_moves_a_lead(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    sequence = with_trip(short_sequence(), "supply_current", "2 A")
    plan, files = prepare(sequence, "demo", None)
    interrupts = Interrupts()
    heard: list[str] = []

    def somebody_switches_the_supply_off(prompt: str) -> str:
        with interrupts.prompt():
            if LIVE_WARNING in heard:
                device = pyvisa.ResourceManager(files.demo.visa_library).open_resource(
                    "TCPIP0::supply.demo::INSTR"
                )
                assert isinstance(device, MessageBasedResource)
                device.write("OUTP OFF")
            interrupts.meanwhile()
        return ""

    operator = Operator(somebody_switches_the_supply_off, heard.append)
    options = Options("T-1", "", tmp_path / "r")
    outcome = execute(plan, files, operator, Watcher(), options, interrupts)
    assert outcome.disposition is Disposition.ABORTED
    assert "by itself" in outcome.reason
    assert heard[-1].startswith("HOOKUP")  # and nothing more was asked


def test_a_supply_that_cannot_tell_its_trip_is_no_reason_to_trip(
    tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    sequence = with_trip(short_sequence(), "supply_current", "3 A")
    plan, files = prepare(sequence, "demo:plain_supply", None)
    outcome = execute(
        plan, files, None, Watcher(), Options("T-1", "", tmp_path / "r"), Interrupts()
    )
    assert outcome.disposition is not Disposition.ABORTED, outcome.reason


def test_an_output_that_is_off_trips_though_the_supply_tells_no_trip(
    tmp_path: Path, short_sequence: Callable[..., str], mocker: MockerFixture
) -> None:
    sequence = with_trip(short_sequence(), "supply_current", "3 A")
    plan, files = prepare(sequence, "demo:plain_supply", None)
    mocker.patch("seqrun.instruments.supply.DrivenSupply.enabled", return_value=False)
    mocker.patch("seqrun.instruments.supply.DrivenSupply.current_raw", return_value=0.0)
    outcome = execute(
        plan, files, None, Watcher(), Options("T-1", "", tmp_path / "r"), Interrupts()
    )
    assert outcome.disposition is Disposition.ABORTED


@pytest.mark.parametrize(
    ("above", "below", "value", "trips"),
    [
        (33.0, None, 33.0, False),
        (33.0, None, 33.001, True),
        (33.0, None, -40.0, False),
        (None, 25.0, 25.0, False),
        (None, 25.0, 24.999, True),
        (None, 25.0, 99.0, False),
        (33.0, 25.0, 30.0, False),
        (33.0, None, math.nan, True),
        (None, 25.0, math.nan, True),
    ],
)
def test_a_trip_acts_beyond_its_threshold_and_on_what_is_no_number(
    above: float | None, below: float | None, value: float, trips: bool
) -> None:
    armed = ArmedTrip("supply_voltage", "V", above, below, "a rail", lambda: [value])
    if not trips:
        armed.look()
        return
    with pytest.raises(Tripped) as error:
        armed.look()
    assert error.value.found.startswith("supply_voltage is ")
    assert error.value.found.endswith(": a rail")


def test_a_trip_on_what_cannot_be_read_now_is_silent() -> None:
    trip(list).look()
