"""Every quantity that a step yields is explained, in words that fit a technician's terminal."""

from __future__ import annotations

import textwrap

import pytest

from seqrun.steps.base import measurands, title_of, yielded_by

KNOWN = measurands()


@pytest.mark.parametrize("name", sorted(KNOWN))
def test_an_explanation_is_short(name: str) -> None:
    text = KNOWN[name]
    for words in (text.what, text.how, text.fooled_by):
        assert len(textwrap.wrap(words, 71)) <= 6


def test_a_quantity_of_two_steps_is_one_and_the_same() -> None:
    kinds = [kind for kind, _ in yielded_by()["sink_temperature"]]
    assert kinds == ["temperature", "soak"]  # the one that judges it first


def test_a_quantity_of_an_old_record_that_no_step_yields_keeps_its_name() -> None:
    assert title_of("wow_and_flutter") == "wow and flutter"
