"""Serial numbers end up in file names and spreadsheets."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.errors import UsageError
from seqrun.files.serial import LONGEST_SERIAL, check_serial


@pytest.mark.parametrize("serial", ["DEMO-001", "A123 (rev B)", "0042", "x"])
def test_an_ordinary_serial_number_is_taken_as_it_is(serial: str) -> None:
    assert check_serial(serial) == serial


@pytest.mark.parametrize(
    ("serial", "why"),
    [
        ("../../x", "path"),
        ("a/b", "path"),
        ("C:\\x", "path"),
        ("~root", "path"),
        (".hidden", "path"),
        ("=cmd()", "formula"),
        ("+1", "formula"),
        ("-1", "formula"),
        ("@x", "formula"),
        ("  =1", "formula"),
        ("", "empty"),
        ("   ", "empty"),
        ("a\nb", "control"),
        ("a\x00b", "control"),
        ("a\u202eb", "control"),
        ("x" * (LONGEST_SERIAL + 1), "65 characters"),
        ("a,b", "','"),
        ('a"b', "'\"'"),
        ("a;b", "';'"),
    ],
)
def test_a_serial_number_that_could_do_harm_is_refused_with_the_reason(
    serial: str, why: str
) -> None:
    with pytest.raises(UsageError, match="serial number") as error:
        check_serial(serial)
    assert why in error.value.found


@given(st.text(max_size=80))
def test_what_passes_is_safe_in_a_file_name_and_in_a_cell(text: str) -> None:
    try:
        serial = check_serial(text)
    except UsageError:
        return
    assert 0 < len(serial) <= LONGEST_SERIAL
    assert serial[0] not in "=+-@."
    assert not set(serial) & set("/\\\"',;\n\r\t:*?<>|")
    assert serial.isprintable()
