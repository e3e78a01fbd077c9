"""Every driver of a real family against a server of its manual's dialect: what all roles share."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from dialect_bench import FAMILIES, shipped
from dialects.gwinstek_gpd3303s import GwInstekGpd3303s
from dialects.owon_xdm1041 import OwonXdm1041

from seqrun.errors import InstrumentError, InstrumentRefused, InstrumentSilent, WrongInstrument

#: families with an error queue, or words of their own for a refusal
QUEUES = [
    "rigol-dp800", "siglent-spd3303x", "gwinstek-gpd3303s", "keysight-34461a", "siglent-sdm3055",
    "rigol-ds1000z", "tektronix-tds2000", "keysight-1000x", "rigol-dg1000z", "keysight-34970a",
    "keithley-2700",
    "agilent-34401a-serial",
]  # fmt: skip
DRIVERS = Path(__file__).parents[2] / "drivers"


def test_every_driver_of_a_real_family_has_a_dialect_and_is_in_the_table() -> None:
    real = {path.stem for path in DRIVERS.glob("*.toml")} - {
        path.stem
        for kind in ("generic", "handheld", "sound")
        for path in DRIVERS.glob(f"{kind}-*.toml")
    }
    table = (DRIVERS / "SUPPORTED.md").read_text(encoding="utf-8")
    assert real == set(FAMILIES)
    assert real == set(re.findall(r"`([a-z0-9-]+)\.toml`", table))


def rows_of_the_table() -> dict[str, list[str]]:
    """The cells of each driver's row in the table of supported instruments."""
    rows = {}
    for line in (DRIVERS / "SUPPORTED.md").read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if found := re.fullmatch(r"`([a-z0-9-]+)\.toml`", cells[0]):
            rows[found[1]] = cells
    return rows


@pytest.mark.parametrize("name", FAMILIES)
def test_the_table_says_of_each_driver_what_its_file_says(name: str) -> None:
    driver, (_, family, link, commands, figures, tested, hardware) = (
        shipped(name), rows_of_the_table()[name],
    )  # fmt: skip
    assert family and driver.manual is not None
    assert driver.manual.status in commands
    if not driver.accuracy:
        assert figures == "needs none"
    else:
        assert ("unverified" in figures) == any(row.unverified for row in driver.accuracy)
        if driver.data_sheet is not None and driver.data_sheet.status == "read":
            assert "read" in figures
        if all(row.unknown for row in driver.accuracy):
            assert "**unknown**" in figures
    serial = FAMILIES[name][2] == "pty"
    assert ("pseudo-terminal" in tested) == serial and ("TCP" in tested) != serial
    assert not serial or "serial" in link or "RS-232" in link
    assert hardware == "not yet tried"  # until somebody reports one


MAKERS = re.compile(
    r"rigol|siglent|keysight|agilent|keithley|tektronix|owon|korad|manson|juntek|feeltech|instek|"
    r"aim-tti|hewlett-packard(?! journal)",
    re.IGNORECASE,
)


def test_no_maker_is_named_but_in_drivers_their_table_and_their_dialects() -> None:
    root = DRIVERS.parent
    folders = ("seqrun", "demo_sim", "sequences", "tests/outside", "tests/demo_sim")
    files = [
        f for name in folders for kind in ("py", "toml") for f in (root / name).rglob(f"*.{kind}")
    ]
    files += [root / "README.md", root / "DEVELOPERS.md", DRIVERS / "README.md"]
    named = {
        str(file.relative_to(root)): found[0]
        for file in files
        if (found := MAKERS.search(file.read_text(encoding="utf-8")))
    }
    assert named == {}


def test_there_are_enough_families_of_each_role() -> None:
    roles = [role for role, _, _ in FAMILIES.values()]
    assert roles == [shipped(name).role for name in FAMILIES]
    for role, fewest in {"supply": 4, "meter": 4, "scope": 4, "generator": 4, "switch": 2}.items():
        assert roles.count(role) >= fewest


@pytest.mark.parametrize("name", FAMILIES)
def test_each_driver_says_where_its_commands_and_its_figures_come_from(name: str) -> None:
    driver = shipped(name)
    assert driver.manual is not None and driver.manual.title
    assert driver.role == "switch" or driver.data_sheet is not None
    if driver.data_sheet is not None and driver.data_sheet.status != "read":
        assert all(row.unverified or row.unknown for row in driver.accuracy)


@pytest.mark.parametrize("name", FAMILIES)
def test_it_is_identified_and_opening_switches_nothing_on(opener: Any, name: str) -> None:
    instrument, dialect = opener(name)
    if shipped(name).identity.tells == "identity":
        assert re.search(shipped(name).idn, instrument.identity)
    else:  # the link cannot tell one from another: the operator's word stands beside it
        assert instrument.identity.startswith("bench 1, serial 0042")
    assert not any(on for on in _on(dialect))


@pytest.mark.parametrize(
    "name",
    [n for n in FAMILIES if shipped(n).outputs > 1 and "enabled" in shipped(n).operation],
)
def test_the_last_output_alone_is_seen_to_be_on(opener: Any, name: str) -> None:
    """One word may tell of all outputs: "off" is only true when it is true of each."""
    source, _ = opener(name)
    last = min(source.outputs, 2)
    if shipped(name).role == "supply":
        source.set_voltage(last, 1.0)
        source.enable(True)
    else:
        source.sine(last, 1000.0, 0.1)
        source.enable(last, True)
    assert source.enabled(last)
    assert source.enabled()
    if "output" in shipped(name).operation["enable"].names or shipped(name).role == "generator":
        assert not source.enabled(1)


def _on(dialect: Any) -> list[bool]:
    """Whatever could be on at this instrument's terminals, as the instrument itself knows it."""
    if hasattr(dialect, "output"):
        outputs = dialect.output if isinstance(dialect.output, list) else [dialect.output]
        return [output.on for output in outputs]
    if hasattr(dialect, "main"):
        return [dialect.main.on, dialect.auxiliary.on]
    closed = getattr(dialect, "closed", ())
    return list(closed) if isinstance(closed, list) else [bool(closed)]


@pytest.mark.usefixtures("nothing_late")
@pytest.mark.parametrize("name", FAMILIES)
def test_another_instrument_there_gets_nothing_but_the_question_of_identity(
    opener: Any, name: str
) -> None:
    other = "korad-ka3005p" if name != "korad-ka3005p" else "gwinstek-gpd3303s"
    if FAMILIES[name][2] != "pty":
        other = "rigol-dp800" if name != "rigol-dp800" else "siglent-sdm3055"
    dialect: Any = FAMILIES[other][1]()
    with pytest.raises((WrongInstrument, InstrumentSilent)):
        opener(name, dialect, time_out_s=0.2)
    assert len({*dialect.received}) <= 2  # the question, and the link's own coming into step


@pytest.mark.parametrize("name", QUEUES)
def test_what_it_refuses_is_told_with_its_own_words(opener: Any, name: str) -> None:
    instrument, _ = opener(name, time_out_s=1.0)
    with pytest.raises(InstrumentRefused) as told:
        instrument.link.write("BOGUS 1")
    assert "BOGUS" in str(told.value)


@pytest.mark.usefixtures("nothing_late")
@pytest.mark.parametrize(
    "name", ["rigol-dp800", "keysight-34461a", "siglent-sdg1000x", "korad-ka3005p", "lcus-relay"]
)
def test_an_instrument_that_falls_silent_is_told_and_nothing_hangs(opener: Any, name: str) -> None:
    instrument, dialect = opener(name, time_out_s=0.1)
    dialect.mute = True
    with pytest.raises(InstrumentError):
        instrument.link.identify()


@pytest.mark.parametrize("name", ["rigol-dp800", "siglent-spd3303x", "korad-ka3005p"])
def test_a_link_that_breaks_is_told_and_the_outputs_are_not_called_safe(
    opener: Any, name: str
) -> None:
    supply, _ = opener(name, time_out_s=0.2)
    opener.stack.pop_all().close()  # the cable is pulled, or the instrument switched off
    with pytest.raises(InstrumentError):
        supply.voltage(1)
    with pytest.raises(InstrumentError):
        supply.make_safe()


@pytest.mark.parametrize("name", FAMILIES)
def test_a_dialect_has_no_command_that_its_manual_has_not(name: str) -> None:
    dialect: Any = FAMILIES[name][1]()
    end = getattr(dialect, "ends", b"")
    said = dialect.receive(b"BOGUS? 1" + end)
    assert said in (b"", b"nOK\n", b"\n")  # one acknowledges everything, and says so
    if hasattr(dialect, "errors"):
        assert len(dialect.errors) == 1


def test_old_and_new_firmware_of_the_serial_supply_end_their_answers_differently(
    opener: Any,
) -> None:
    for firmware in (1, 2):
        supply, dialect = opener("gwinstek-gpd3303s", GwInstekGpd3303s(firmware=firmware))
        supply.set_voltage(2, 12.345)
        assert dialect.output[1].volts == 12.345
        supply.set_current_limit(2, 1.0)
        supply.enable(True)
        assert supply.voltage(2).nominal_value == pytest.approx(12.345)
        assert supply.enabled()


def test_the_cheap_meter_works_with_and_without_its_acknowledgements(opener: Any) -> None:
    for acknowledges in (True, False):
        meter, _ = opener("owon-xdm1041", OwonXdm1041(acknowledges))
        for _ in range(3):  # an unread "OK" would make the second reading stale
            meter.configure("dc_voltage", 4.0)
            assert meter.read_raw() == pytest.approx(1.2345)
            meter.configure("resistance_2w", 300.0)
            assert meter.read_raw() == pytest.approx(8.15)


def test_a_refusal_by_acknowledgement_is_told(opener: Any) -> None:
    meter, _ = opener("owon-xdm1041")
    with pytest.raises(InstrumentRefused, match="nOK"):
        meter.link.write("CONF:VOLT:DC 7")
