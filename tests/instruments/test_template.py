"""Command templates: what may stand in them and what comes out."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from seqrun.files.driver.template import Template, TemplateError, Word, number


@pytest.mark.parametrize(
    "text",
    [
        "VOLT {volts.__class__}",
        "VOLT {volts[0]}",
        "VOLT {volts!r}",
        "VOLT {0}",
        "VOLT {}",
        "VOLT {volts",
        "VOLT }",
        "VOLT {volts:{width}}",
        "VOLT {volts:999999999d}",
        "",
        "VOLT 1\nOUTP ON",
        "VOLT 1 µV",
    ],
)
def test_nothing_but_plain_names_and_number_formats(text: str) -> None:
    with pytest.raises(TemplateError):
        Template(text)


def test_a_number_without_format_shows_no_binary_dust() -> None:
    assert Template("VOLT {volts}")({"volts": number(0.1 + 0.2)}) == "VOLT 0.3"


def test_a_word_takes_the_place_of_a_number() -> None:
    assert Template("CONF:VOLT {range:.6g}")({"range": Word("AUTO")}) == "CONF:VOLT AUTO"


def test_doubled_braces_are_sent_single() -> None:
    assert Template("DATA {{{output}}}")({"output": 2}) == "DATA {2}"


def test_a_question_mark_in_a_text_is_no_query() -> None:
    assert not Template('DISP:TEXT "ready?"').asks
    assert Template("MEAS:VOLT? (@{output})").asks


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_what_is_sent_reads_back_to_nine_digits(value: float) -> None:
    sent = Template("{volts}")({"volts": number(value)})
    assert float(sent) == pytest.approx(value, rel=1e-8, abs=1e-300)


@given(st.text(max_size=40))
def test_any_text_is_a_template_or_refused_in_words(text: str) -> None:
    try:
        Template(text)
    except TemplateError as problem:
        assert str(problem)
