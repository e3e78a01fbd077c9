"""What the signal steps of an acceptance show is named: by its class, and in its channel."""

from __future__ import annotations

import pytest
from findings_cases import read

from seqrun.errors import FileError
from seqrun.files.findings.load import findings_for, findings_from_text, load_findings
from seqrun.files.findings.patterns import patterns_for
from seqrun.files.unit.sheet import load_unit
from seqrun.judge.evidence import evidence_of
from seqrun.judge.findings import Findings, weigh
from seqrun.values import Judged, Verdict

UNIT = load_unit("demo-2x40")
#: quantity -> unit, what a healthy unit reads, and what one with the fault in a channel does
TOLD: dict[str, tuple[str, float, float]] = {
    "own_channel": ("dB", 65.0, -65.0),
    "polarity": ("", 1.0, -1.0),
    "lower_corner": ("Hz", 2.0, 108.0),
    "channel_separation": ("dB", 75.0, 38.0),
    "drop_out_rate": ("Hz", 0.009, 0.05),
    "crackle_rate": ("Hz", 0.009, 0.06),
    "stray": ("V", 0.01, 0.7),
    "hum_driven": ("V", 1e-4, 0.013),
    "thump": ("V", 0.05, 3.2),
    "first_tone_lost": ("dB", 0.0, 20.0),
    "burst_rate": ("Hz", 0.029, 0.1),
    "noise": ("V", 2e-5, 5e-3),
    "relay_chatter": ("s", 1e-3, 0.2),
    "overload_sticks": ("s", 5e-6, 2e-4),
    "overload_change": ("V", 1e-4, 0.05),
    "low_rail_change": ("V", 1e-4, 0.05),
    "just_on_change": ("V", 1e-4, 0.05),
    "gain_with_level": ("dB", 0.0, -2.0),
    "beside_other": ("V", 1e-4, 0.05),
}


def weighed(*wrong: tuple[str, str]) -> Findings:
    """Of an acceptance in which these quantities failed in these channels."""
    judged: list[Judged] = []
    for stage in ("rested", "driven"):
        if stage == "driven":
            judged += [read("soak", "soak_power", 5.0, "W", c) for c in UNIT.channels]
        judged.append(read("soak", "sink_rise", 12.0, "K"))
        judged += _of("crackle_rate", wrong)
    for quantity in TOLD:
        judged += _of(quantity, wrong) if quantity != "crackle_rate" else []
    for step, watts in (("p20", 44.0), ("p20k", 43.0), ("p1k", 44.0)):
        judged += [read(step, "output_power", watts, "W", c) for c in UNIT.channels]
    reason = "fail: something" if wrong else "all limits are met"
    file = findings_for("acceptance")
    assert file is not None
    return weigh(patterns_for(file, UNIT), judged, reason, "acceptance")


def _of(quantity: str, wrong: tuple[tuple[str, str], ...]) -> list[Judged]:
    unit, good, bad = TOLD[quantity]
    found = []
    for channel in UNIT.channels:
        failed = (quantity, channel) in wrong
        other = next(c for c in UNIT.channels if c != channel)
        between = quantity in ("channel_separation", "beside_other")
        place = f"{other}/{channel}" if between else channel
        verdict = Verdict.FAIL if failed else Verdict.PASS
        found.append(read(quantity, quantity, bad if failed else good, unit, place, verdict))
    return found


def test_nothing_is_named_where_nothing_failed() -> None:
    assert not weighed().faulty


@pytest.mark.parametrize("channel", UNIT.channels)
@pytest.mark.parametrize(
    ("quantities", "cause"),
    [
        ("polarity", "inverted_polarity"),
        ("lower_corner", "loss_of_bass"),
        ("channel_separation", "crosstalk"),
        ("drop_out_rate", "dropouts"),
        ("drop_out_rate crackle_rate", "relay_chatter"),
        ("crackle_rate", "crackle"),
        ("crackle_rate burst_rate", "crackle"),
        ("burst_rate", "crackle_when_hot"),
        ("stray", "peak_oscillation"),
        ("hum_driven", "hum_when_driven"),
        ("thump", "thump"),
        ("first_tone_lost", "dry_relay"),
        ("relay_chatter", "bouncing_relay"),
        ("overload_sticks", "slow_recovery"),
        ("overload_change", "slow_recovery"),
        ("low_rail_change", "no_room"),
        ("just_on_change", "slow_to_settle"),
        ("gain_with_level", "squeezed"),
        ("beside_other", "common_return"),
    ],
)
def test_what_fails_alone_names_its_class_and_channel(
    quantities: str, cause: str, channel: str
) -> None:
    found = weighed(*((q, channel) for q in quantities.split()))
    assert found.likely[0].id == f"{cause}.{channel}"


@pytest.mark.parametrize(
    ("decibels", "cause"), [(30.5, "gain_raised.left"), (19.0, "loss_of_gain.left")]
)
def test_a_gain_off_its_rating_is_named_by_its_direction(decibels: float, cause: str) -> None:
    file = findings_for("acceptance")
    assert file is not None
    judged = [
        read("gain", "gain", decibels, "dB", "left", Verdict.FAIL),
        read("gain", "gain", 29.02, "dB", "right", Verdict.PASS),
        *(read("p1k", "output_power", 44.0, "W", c) for c in UNIT.channels),
    ]
    found = weigh(patterns_for(file, UNIT), judged, "fail: gain", "acceptance")
    assert found.likely[0].id == cause


def test_two_channels_that_hear_each_other_are_crossed() -> None:
    found = weighed(*(("own_channel", c) for c in UNIT.channels))
    assert found.likely[0].id == "crossed_channels"


def test_tired_reservoirs_are_told_from_a_weak_feed_by_the_frequency() -> None:
    file = findings_for("acceptance")
    assert file is not None
    for low, cause in ((24.0, "slow_rails"), (30.0, "weak_supply")):
        middle = 44.0 if cause == "slow_rails" else 30.5
        judged = [
            read(step, "output_power", watts, "W", c, Verdict.FAIL if watts < 40.0 else None)
            for step, watts in (("p20", low), ("p1k", middle))
            for c in UNIT.channels
        ]
        found = weigh(patterns_for(file, UNIT), judged, "fail: p20", "acceptance")
        assert found.likely[0].id == cause


def test_files_that_belong_together_are_read_as_one_whichever_is_asked_for() -> None:
    one, *others = (
        {c.id for c in patterns_for(load_findings(name), UNIT).causes}
        for name in ("signal", "power-stage", "heat-and-drive")
    )
    assert all(other == one for other in others)


def test_a_file_that_uses_what_does_not_ship_says_so() -> None:
    text = load_findings("signal").text.replace('uses = ["power-stage"', 'uses = ["power-stag"')
    with pytest.raises(FileError, match="power-stage"):
        findings_from_text(text)


@pytest.mark.parametrize("sequence", ["acceptance", "quick", "intake", "my own"])
def test_a_reading_that_fails_speaks_in_every_sequence(sequence: str) -> None:
    """A healthy unit hardly ever fails a limit, whatever the file that has it is called."""
    file = findings_for("acceptance")
    assert file is not None
    found = evidence_of(patterns_for(file, UNIT), [], "fail: treble", sequence)
    assert found["fails"].seen is True
