"""What a bench cannot do is left out, told before power, and holds the unit; the rest is done."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from demo_sim.bench import Bench
from seqrun.errors import SeqrunError
from seqrun.plan.actions import Plan
from seqrun.runner.events import Watcher
from seqrun.runner.opening import BenchFiles
from seqrun.runner.preparation import prepare
from seqrun.runner.run import Options, Outcome, execute
from seqrun.runner.signals import Interrupts
from seqrun.steps.common.contact import BY_TONE
from seqrun.values import Disposition, Verdict

MORE = """
[[step]]
id = "offset.{channel}"
each = "channel"
do = "dc_voltage"
at = "out.{channel}"
limit = { between = ["-50 mV", "50 mV"] }
[[step]]
id = "gain"
do = "gain"
limit = { between = ["gain - 1 dB", "gain + 1 dB"] }
[[step]]
id = "warm"
do = "temperature"
at = "sensor.sink"
limit = { at_most = "60 °C" }
[[step]]
id = "distorts"
do = "thd"
power = "10 W"
only_if = "gain passed"
limit = { at_most = "1 %" }
[[step]]
id = "again"
do = "dc_voltage"
at = "out.left"
limit = { between = ["-50 mV - 0 * gain.left / 1 dB * 1 mV", "50 mV"] }
"""


def without(*keys: str) -> Callable[[str], str]:
    """The bench file less instruments and the leads from them."""

    def change(text: str) -> str:
        for key in keys:
            text = re.sub(rf"\[instrument\.{key}\]\n(?:[^\[\n].*\n)*", "", text)
            text = re.sub(rf'\[\[lead\]\]\nfrom = "{key}\.[^"]*"\nto = "[^"]*"\n', "", text)
        return text

    return change


@pytest.fixture
def planned(
    tmp_path: Path, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., tuple[Plan, BenchFiles]]:
    """``planned(change, steps)``: the short sequence on the demo bench, its file changed."""

    def plan(
        change: Callable[[str], str] = str,
        steps: str = MORE,
        *,
        only_complete: bool = False,
        scope: Callable[[str], str] = str,
        meter: Callable[[str], str] = str,
    ) -> tuple[Plan, BenchFiles]:
        real = Bench.bench_toml

        def changed(self: Bench) -> str:
            text = change(real(self))
            for name, alter in (("scope", scope), ("meter", meter)):
                driver = (Path("drivers") / f"generic-{name}.toml").read_text(encoding="utf-8")
                if alter(driver) != driver:
                    path = tmp_path / f"{name}.toml"
                    path.write_text(alter(driver), encoding="utf-8")
                    text = text.replace(f'"generic-{name}"', f'"{path}"')
            return text

        monkeypatch.setattr(Bench, "bench_toml", changed)
        return prepare(short_sequence(steps), "demo", None, only_complete=only_complete)

    return plan


def done(planned: tuple[Plan, BenchFiles], folder: Path) -> Outcome:
    plan, files = planned
    return execute(plan, files, None, Watcher(), Options("T-1", "", folder), Interrupts())


def out(plan: Plan) -> dict[str, str]:
    return {one.id: one.reason for one in plan.left_out}


def test_a_bench_that_has_everything_leaves_nothing_out(
    planned: Callable[..., tuple[Plan, BenchFiles]],
) -> None:
    assert planned()[0].left_out == ()


@pytest.mark.parametrize(
    ("missing", "left"),
    [
        ("generator", {"gain", "distorts", "again"}),
        ("scope", {"gain", "distorts", "again"}),
    ],
)
def test_without_an_instrument_the_rest_is_done_and_the_unit_is_held(
    planned: Callable[..., tuple[Plan, BenchFiles]], tmp_path: Path, missing: str, left: set[str]
) -> None:
    both = planned(without(missing))
    reasons = out(both[0])
    assert set(reasons) == left
    assert f"the bench has no {missing}" in reasons["gain"]
    outcome = done(both, tmp_path / "r")
    assert outcome.disposition is Disposition.HOLD
    verdicts = {j.step: j.verdict for j in outcome.judged}
    if missing != "generator":  # whose tone proves that the meter's lead is on its point
        assert verdicts["offset.left"] is Verdict.PASS
    assert verdicts["warm"] is Verdict.PASS
    assert verdicts["gain"] is Verdict.NOT_MEASURED
    assert outcome.safe.complete


@pytest.mark.parametrize("missing", ["generator", "scope", "supply", "meter"])
def test_only_complete_refuses_what_would_be_left_out(
    planned: Callable[..., tuple[Plan, BenchFiles]], missing: str
) -> None:
    with pytest.raises(SeqrunError, match=f"the bench has no {missing}") as error:
        planned(without(missing), only_complete=True)
    assert error.value.exit_code == 2


def test_a_step_that_leans_on_one_that_is_left_out_goes_with_it(
    planned: Callable[..., tuple[Plan, BenchFiles]],
) -> None:
    reasons = out(planned(without("generator"))[0])
    assert reasons["again"] == "it needs 'gain', which is left out"
    assert "the bench has no generator" in reasons["distorts"]


def test_a_meter_without_ohms_says_so_before_power_and_the_loads_get_none(
    planned: Callable[..., tuple[Plan, BenchFiles]], tmp_path: Path
) -> None:
    """A driver without the four-wire command and row: a traceback once, then learnt at 30 V."""

    def volts_only(text: str) -> str:
        text = re.sub(r"(?m)^configure_resistance_[24]w = .*\n", "", text)
        row = r"\[\[accuracy\]\]\nfunction = \"resistance_[24]w\"\n(?:[^\[\n].*\n)*"
        return re.sub(row, "", text)

    both = planned(meter=volts_only)
    reasons = out(both[0])
    assert "no command for resistance by four wires" in reasons["loads"]
    assert "no command for resistance by four wires" in reasons["warm"]
    assert reasons["distorts"].startswith("its load is not measured")
    assert "offset.left" not in reasons
    outcome = done(both, tmp_path / "r")
    assert outcome.disposition is Disposition.HOLD
    assert outcome.failure is None


RELAYS = '[[step]]\nid = "relays"\ndo = "await_output"\n'
LISTENING = (
    RELAYS
    + MORE.replace("10 W", "1 W")  # within the current limit that is left after the bring-up
    + """
[[step]]
id = "noise"
do = "output_noise"
at = "out.left"
limit = { at_most = "2 mV" }
[[step]]
id = "hum"
do = "hum"
at = "out.left"
limit = { at_most = "1 mV" }
[[step]]
id = "bursts"
do = "noise_bursts"
at = "out.left"
watch = "5 s"
limit = { at_most = "1 Hz" }
[[step]]
id = "contacts"
do = "source_impedance"
limit = { at_most = "0.3 Ω" }
"""
)


def keeps(points: int, *, shared: bool = False) -> Callable[[str], str]:
    def change(text: str) -> str:
        kept = f"max_points = {points}" + ('\nmemory = "shared"' if shared else "")
        return re.sub(r"max_points = \d+", kept, text)

    return change


ALL = {"gain", "again", "contacts", "noise", "hum", "bursts", "distorts", "relays"}


@pytest.mark.parametrize(
    ("scope", "left"),
    [
        (keeps(500), ALL),
        (keeps(10_000, shared=True), {"noise", "hum", "bursts", "distorts"}),
        (keeps(18_400, shared=True), {"bursts"}),
        (keeps(12_500), set()),
    ],
    ids=["500", "four share 10000", "four share 18400", "12500"],
)
def test_what_a_memory_is_too_short_for_is_told_in_the_plan(
    planned: Callable[..., tuple[Plan, BenchFiles]], scope: Callable[[str], str], left: set[str]
) -> None:
    assert set(out(planned(scope=scope, steps=LISTENING)[0])) == left


@pytest.mark.parametrize(
    ("points", "left"), [(2_500, {"noise", "hum", "bursts", "distorts"}), (4_600, {"bursts"})]
)
def test_what_is_not_told_to_be_left_out_is_measured(
    planned: Callable[..., tuple[Plan, BenchFiles]], tmp_path: Path, points: int, left: set[str]
) -> None:
    both = planned(scope=keeps(points), steps=LISTENING)
    assert set(out(both[0])) == left
    outcome = done(both, tmp_path / "r")
    assert outcome.failure is None
    missing = {j.step for j in outcome.judged if j.verdict is Verdict.NOT_MEASURED}
    assert missing == left, [j.reading.note for j in outcome.judged if j.step in missing - left]
    assert outcome.disposition is Disposition.HOLD


def test_a_level_in_a_short_record_is_that_of_a_long_one(
    planned: Callable[..., tuple[Plan, BenchFiles]], tmp_path: Path
) -> None:
    gain = '[[step]]\nid = "gain"\ndo = "gain"\nlimit = { at_least = "20 dB" }\n'

    def gains(points: int) -> list[tuple[float, float]]:
        outcome = done(planned(scope=keeps(points), steps=RELAYS + gain), tmp_path / str(points))
        found = [j.reading for j in outcome.judged if j.step == "gain"]
        assert all(r.value is not None and r.expanded_uncertainty is not None for r in found)
        return [(r.value or 0.0, r.expanded_uncertainty or 0.0) for r in found]

    for (short, u), (long, _) in zip(gains(1_000), gains(100_000), strict=True):
        assert short == pytest.approx(long, abs=0.1 * u)


def test_a_probe_that_cannot_show_the_peak_is_told_in_the_plan(
    planned: Callable[..., tuple[Plan, BenchFiles]],
) -> None:
    def straight(text: str) -> str:
        return text.replace("probe = 10", "probe = 0.1")

    assert "the scope shows peaks of" in out(planned(straight)[0])["distorts"]


@pytest.mark.parametrize("missing", ["meter", "supply"])
def test_nothing_is_powered_that_cannot_be_protected_or_seen_discharged(
    planned: Callable[..., tuple[Plan, BenchFiles]], missing: str
) -> None:
    try:
        plan = planned(without(missing))[0]
    except SeqrunError as error:
        assert f"the bench has no {missing}" in str(error)
    else:
        assert not any(action.needs.energises or action.needs.live for action in plan.actions)


def test_without_the_supply_what_needs_no_power_is_done(
    planned: Callable[..., tuple[Plan, BenchFiles]], tmp_path: Path
) -> None:
    limited = '[[step]]\nid = "look"\ndo = "temperature"\nat = "sensor.ambient"\n'
    both = planned(without("supply"), limited + 'limit = { at_most = "40 °C" }\n' + MORE)
    assert [action.id for action in both[0].actions] == ["loads", "look", "warm"]
    assert "the bench has no supply" in out(both[0])["offset.left"]
    outcome = done(both, tmp_path / "r")
    assert outcome.disposition is Disposition.HOLD
    assert outcome.failure is None


QUIET = """
[[step]]
id = "noise"
do = "output_noise"
at = "out.left"
limit = { at_most = "2 mV" }
[[step]]
id = "offset"
do = "dc_voltage"
at = "out.right"
limit = { between = ["-50 mV", "50 mV"] }
[[step]]
id = "rail"
do = "dc_voltage"
at = "rail.pos"
limit = { at_least = "20 V" }
"""


def test_quiet_readings_that_no_tone_can_prove_are_told_before_power(
    planned: Callable[..., tuple[Plan, BenchFiles]],
) -> None:
    assert not any("no tone" in line for line in planned(steps=QUIET)[0].warnings)
    plan = planned(without("generator"), QUIET)[0]
    (line,) = [line for line in plan.warnings if "no tone" in line]
    assert line.startswith("noise, offset: ")
    assert "the bench has no generator" in line
    assert "You are asked to look" in line


def test_a_channel_whose_input_no_generator_feeds_is_told_with_its_quiet_readings(
    planned: Callable[..., tuple[Plan, BenchFiles]],
) -> None:
    lead = '[[lead]]\nfrom = "generator.2"\nto = "in.right"\n'
    unfed = planned(lambda text: text.replace(lead, ""), QUIET)
    (line,) = [line for line in unfed[0].warnings if "no tone" in line]
    assert line.startswith("offset: ")
    assert "in.right" in line


@pytest.mark.parametrize("name", ["acceptance", "quick", "isolate", "noise-hunt", "meter-only"])
def test_every_reading_that_a_tone_proves_is_known_to_the_plan(name: str) -> None:
    plan, _ = prepare(name, "demo", None)
    for action in plan.actions:
        at = str(getattr(action.step, "at", ""))
        proved = any(of.contact == BY_TONE for of in action.step.judges)
        if proved and at.startswith("out.") and action.step.do != "dc_voltage":
            assert action.needs.proved_on == (at.split(".")[1],), action.id


def test_a_soak_that_listens_needs_its_leads_proved_too(
    planned: Callable[..., tuple[Plan, BenchFiles]],
) -> None:
    soak = (
        '[[step]]\nid = "room"\ndo = "temperature"\nat = "sensor.ambient"\n'
        '[[step]]\nid = "heat"\ndo = "soak"\nambient = "room"\nat_most = "20 min"\n'
        'listen = "60 s"\nlimit = { at_most = "40 K" }\n'
    )
    plan = planned(without("generator"), soak)[0]
    assert any(line.startswith("heat: no tone can show") for line in plan.warnings)
    deaf = planned(without("generator"), soak.replace('listen = "60 s"\n', ""))[0]
    assert not any("no tone" in line for line in deaf.warnings)


def test_a_meter_that_cannot_hear_the_proof_is_told_before_power(
    planned: Callable[..., tuple[Plan, BenchFiles]], tmp_path: Path
) -> None:
    text = (Path("drivers") / "generic-meter.toml").read_text(encoding="utf-8")
    dc_only = re.sub(r"(?m)^configure_ac_voltage = .*\n", "", text)
    dc_only = re.sub(r'\[\[accuracy\]\]\nfunction = "ac_voltage"\n(?:[^\[\n].*\n)*', "", dc_only)
    (tmp_path / "dc-only.toml").write_text(dc_only, encoding="utf-8")
    driver = str(tmp_path / "dc-only.toml")
    both = planned(lambda bench: bench.replace('"generic-meter"', f'"{driver}"'), QUIET)
    (line,) = [line for line in both[0].warnings if "no tone" in line]
    assert line.startswith("offset: ") and "has no AC volts" in line
    outcome = done(both, tmp_path / "r")
    notes = [j.reading.note for j in outcome.judged if j.step == "offset"]
    assert outcome.failure is None and all("no ac_voltage" in note for note in notes) and notes


def test_a_splitter_hides_crossed_channels_and_the_plan_says_so() -> None:
    warned = prepare("quick", "demo:one_generator_output", None)[0].warnings
    (line,) = [line for line in warned if "crossed" in line]
    assert "in.left and in.right" in line
    assert not any("crossed" in line for line in prepare("quick", "demo", None)[0].warnings)


def test_a_scope_of_few_bits_is_told_what_it_decides_and_what_would_help(
    planned: Callable[..., tuple[Plan, BenchFiles]],
) -> None:
    bursts = (
        '[[step]]\nid = "{n}"\ndo = "noise_bursts"\nat = "out.left"\nwatch = "60 s"\n'
        'faintest = "{v}"\nlimit = {{ at_most = "0.5 Hz" }}\n'
    )
    steps = bursts.format(n="far", v="30 µV") + bursts.format(n="near", v="0.3 mV")
    eight = lambda text: text.replace('"generic-scope"', '"generic-scope-8bit"')  # noqa: E731
    left = out(planned(eight, MORE + steps)[0])
    assert "probes at ×1" in left["near"] and "sound interface" in left["near"]
    assert "probes at ×1" not in left["far"]
    assert 'with faintest = "' in left["near"]


SIX = """
model = "Six channels"
channels = [CHANNELS]
topology = "single_ended"
rails = "split"
rail_voltage = "20 V"
rated_power = "12 W"
rated_load = "8 Ω"
gain = "28 dB"
output_devices = 1
ballast = "0.33 Ω"
idle_current = "30 mA"
sink_rise_limit = "40 K"
"""


@pytest.mark.parametrize(("channels", "told"), [("abcdef", True), ("ab", False)])
def test_more_outputs_than_the_scope_has_probes_are_tested_a_few_at_a_time(
    tmp_path: Path, channels: str, told: bool
) -> None:
    """A receiver of six channels at a scope of four: the plan says how, before anything is done."""
    sheet = tmp_path / "six.toml"
    names = ", ".join(f'"{c}"' for c in channels)
    sheet.write_text(SIX.replace("CHANNELS", names), encoding="utf-8")
    plan, *_ = prepare("acceptance", "demo:one_generator_output", str(sheet))
    assert ("gain" in {out.id for out in plan.left_out}) == told
    lines = [w for w in plan.warnings if "more outputs than the scope has probes" in w]
    assert len(lines) == told
    assert all("6 channels" in line and "'channels'" in line for line in lines)
