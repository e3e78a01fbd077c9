"""A connection that the instrument closes: told as that, and opened again on the way to the safe
state, where the same instrument has to answer. What a line says when it says something else."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
import pyvisa

from seqrun.errors import InstrumentError, InstrumentSilent, WrongInstrument
from seqrun.files.driver.manners import Manners
from seqrun.instruments.link import Link

Serve = Callable[[Callable[[bytes], bytes | None]], Any]


@pytest.mark.parametrize("name", ["rigol-dp800", "siglent-spd3303x"])
def test_a_supply_whose_connection_was_closed_is_switched_off_over_a_new_one(
    opener: Any, name: str
) -> None:
    supply, dialect = opener(name, time_out_s=0.5)
    supply.set_voltage(1, 5.0)
    supply.set_current_limit(1, 0.5)
    supply.enable(True)
    assert supply.enabled(1)
    dialect.hangs_up = True
    with pytest.raises(InstrumentSilent, match=r"closed the link|the link broke"):
        supply.voltage(1)
    supply.make_safe()
    assert not supply.enabled(1)
    assert "<opened again>" in [text for _, _, text in opener.log]


@pytest.mark.parametrize("name", ["rigol-dp800", "siglent-spd3303x"])
def test_one_that_is_closed_at_the_very_message_that_switches_off_is_switched_off_too(
    opener: Any, name: str
) -> None:
    supply, dialect = opener(name, time_out_s=0.5)
    supply.set_voltage(1, 5.0)
    supply.set_current_limit(1, 0.5)
    supply.enable(True)
    dialect.hangs_up = True
    supply.make_safe()
    assert not supply.enabled(1)


def test_a_generator_too(opener: Any) -> None:
    generator, dialect = opener("rigol-dg1000z", time_out_s=0.5)
    generator.sine(1, 1000.0, 0.1)
    generator.enable(1, True)
    dialect.hangs_up = True
    generator.make_safe()
    assert not generator.enabled(1)


def test_another_instrument_at_the_address_afterwards_is_told_and_not_called_safe(
    opener: Any, mocker: Any
) -> None:
    supply, dialect = opener("rigol-dp800", time_out_s=0.5)
    dialect.hangs_up = True
    line = dialect.line
    mocker.patch.object(
        dialect, "line", lambda text: "ACME,OTHER,7,1" if text == "*IDN?" else line(text)
    )
    with pytest.raises(InstrumentError) as told:
        supply.make_safe()
    assert isinstance(told.value, WrongInstrument | InstrumentSilent)


@pytest.fixture
def ask(serve: Serve, sockets: pyvisa.ResourceManager) -> Callable[..., str]:
    """What is told of a server that answers one question so."""

    def told(answer: bytes | None, **manners: Any) -> str:
        how = Manners.model_validate({"time_out": "0.2 s", "error_check": "none", **manners})
        link = Link.open("meter", serve(lambda _: answer).resource, sockets, lambda *_: None, how)
        with pytest.raises(InstrumentSilent) as error:
            link.query("VOLT?")
        link.close()
        return str(error.value)

    return told


def test_a_closed_connection_is_told_as_that(ask: Callable[..., str]) -> None:
    told = ask(None)
    assert "closed the link at 'VOLT?'" in told
    assert "no answer" not in told


def test_an_echo_is_told_as_that(ask: Callable[..., str]) -> None:
    told = ask(b"VOLT?\r", read_termination="\n")
    assert "echoes 'VOLT?'" in told
    assert "switch the echo off" in told


def test_a_line_that_ends_otherwise_is_told_as_that(ask: Callable[..., str]) -> None:
    told = ask(b"+5.0\r", read_termination="\n")
    assert 'answered "+5.0' in told
    assert r"the line did not end in '\n'" in told
    assert "read_termination" in told


def test_silence_alone_is_no_answer(ask: Callable[..., str]) -> None:
    assert "no answer within 0.2 s" in ask(b"")
