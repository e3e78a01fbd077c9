"""What differs by output or channel in one instrument: bits, characters, registers, memory; and
what `check` says when a driver file has it wrong."""

from __future__ import annotations

import pytest
from dialect_bench import shipped

from seqrun.errors import FileError
from seqrun.files.driver.file import Driver
from seqrun.files.driver.load import driver_from_text
from seqrun.files.shipped import find
from seqrun.instruments.record import longest_record, record_for


def _changed(name: str, old: str, new: str) -> Driver:
    text = find("driver", name).read_text(encoding="utf-8")
    assert old in text
    return driver_from_text(text.replace(old, new))


@pytest.mark.parametrize(
    ("name", "old", "new", "told"),
    [
        ("siglent-spd3303x", "bit = [0, 1]", "bit = [0, 1, 2]", "bit is a list of 3"),
        ("gwinstek-gpd3303s", "character = [0, 1]", "character = [0]", "list of 1"),
        ("siglent-spd3303x", "bit = [0, 1]", "bit = [0, 48]", "bit"),
        ("lcus-relay", 'match = "{path}', 'match = "{pith}', "unknown placeholder '{pith}'"),
        ("juntek-jds6600", "[words.tune]\nof = ", "[words.tune]\nwhich = ", "{tune}"),
        ("juntek-jds6600", 'of = "output"', 'of = "outlet"', "outlet"),
    ],
)
def test_what_cannot_be_is_told_before_a_run(name: str, old: str, new: str, told: str) -> None:
    with pytest.raises(FileError, match=told.replace("{", r"\{").replace("}", r"\}")):
        _changed(name, old, new)


def test_a_way_to_acquire_at_once_has_to_tell_when_it_is_done() -> None:
    with pytest.raises(FileError, match="acquire_now"):
        _changed("rigol-ds1000z", "[operation.acquired]", "[operation.preamble_]")


@pytest.mark.parametrize(("channels", "share"), [(1, 1), (2, 2), (3, 4), (4, 4)])
def test_shared_memory_is_halved_and_quartered(channels: int, share: int) -> None:
    scope = shipped("rigol-ds1000z").scope
    assert scope is not None
    assert longest_record(scope, channels) == 24_000_000 // share
    assert record_for(scope, 1000, channels) == 12_000 // share
    assert record_for(scope, 12_000 // share + 1, channels) == 120_000 // share
    assert record_for(scope, 10**9, channels) == 24_000_000 // share


def test_memory_of_each_channels_own_stays_whole() -> None:
    scope = shipped("siglent-sds1000xe").scope
    assert scope is not None
    assert [record_for(scope, 5000, n) for n in (1, 2, 3, 4)] == [7000] * 4
