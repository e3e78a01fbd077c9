"""Bench files: instruments, leads, loads and sensors, and what does not fit together."""

import datetime
from pathlib import Path

import pytest

from seqrun.errors import FileError
from seqrun.files.bench.file import Bench
from seqrun.files.bench.load import bench_from_text, check_bench, load_bench
from seqrun.files.shipped import find
from seqrun.files.unit.sheet import load_unit

BENCH = """
name = "Corner bench"
[instrument.supply]
resource = "TCPIP0::192.0.2.10::5025::SOCKET"
driver = "generic-supply"
calibrated = 2026-05-11
calibration_due = 2027-05-11
[instrument.scope]
resource = "TCPIP0::192.0.2.11::5025::SOCKET"
driver = "generic-scope"
probe = 10
[[lead]]
from = "supply.1.pos"
to = "rail.pos"
[[lead]]
from = "scope.1"
to = "out.left"
[[lead]]
from = "scope.1.clip"
to = "ground"
[[load]]
name = "left"
point = "out.left"
resistance = "8.02 Ω"
tolerance = "0.5 %"
power = "100 W"
[[sensor]]
name = "sink"
point = "sensor.sink"
kind = "Pt100"
class = "B"
"""


def bench(*changes: tuple[str, str]) -> Bench:
    text = BENCH
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return bench_from_text(text)


def test_a_bench_file_is_read_in_base_units() -> None:
    read = bench()
    assert read.load[0].resistance == 8.02
    assert read.load[0].tolerance == pytest.approx(0.005)
    assert read.instrument["scope"].probe == (10, 10, 10, 10)
    assert read.terminals["supply.1.pos"] == "rail.pos"
    assert read.sensor[0].tolerance_class == "B"
    assert not read.simulated


def test_calibration_is_overdue_after_its_day_and_not_on_it() -> None:
    supply = bench().instrument["supply"]
    assert not supply.overdue(datetime.date(2027, 5, 11))
    assert supply.overdue(datetime.date(2027, 5, 12))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('from = "supply.1.pos"', 'from = "suply.1.pos"', "'supply', the nearest"),
        ('from = "supply.1.pos"', 'from = "supply"', "is not a terminal"),
        ('from = "supply.1.pos"', 'from = "load.left.1"', "[[load]] entry"),
        ('from = "scope.1"\n', 'from = "supply.1.pos"\n', "on rail.pos already"),
        ('"8.02 Ω"', '"8.02 V"', "is a voltage"),
        ('"8.02 Ω"', "8.02", "has no unit"),
        ('"0.5 %"', '"0.5 Ω"', "is a resistance"),
        ('tolerance = "0.5 %"', "", "'tolerance' is missing"),
        ('class = "B"', 'class = "C"', "class"),
        ("calibrated = 2026-05-11", 'calibrated = "last May"', "a date such as"),
        ("2027-05-11", "2025-05-11", "before it was calibrated"),
        ("TCPIP0::192.0.2.11::5025::SOCKET", "the scope", "not a VISA resource"),
        ("probe = 10", "prob = 10", "'probe'"),
        ("probe = 10", "probe = [10, 0]", "probe"),
        ('name = "Corner bench"', 'nam = "Corner bench"', "'name' is missing"),
    ],
)
def test_what_is_wrong_is_named_with_what_was_expected(old: str, new: str, says: str) -> None:
    with pytest.raises(FileError) as error:
        bench((old, new))
    assert says in str(error.value)


def test_a_scope_clip_goes_to_ground_and_nowhere_else() -> None:
    with pytest.raises(FileError, match="clips are earthed"):
        bench(('to = "ground"', 'to = "out.right"'))


def test_a_bench_that_fits_its_unit_passes() -> None:
    check_bench(bench(), load_unit("demo-2x40"))


def test_a_lead_on_a_node_that_the_unit_lacks_brings_the_nearest_node() -> None:
    with pytest.raises(FileError, match=r"'out\.left', the nearest"):
        check_bench(bench(('to = "out.left"', 'to = "out.lft"')), load_unit("demo-2x40"))


def test_a_load_across_an_output_that_the_unit_lacks_is_refused() -> None:
    with pytest.raises(FileError) as error:
        check_bench(bench(), load_unit("demo-mono"))
    assert "load 1 'left', point" in str(error.value)
    assert "one of out.mono" in str(error.value)


def test_a_single_probe_on_a_bridged_output_names_one_terminal() -> None:
    with pytest.raises(FileError, match=r"no node 'out\.left'"):
        check_bench(bench(), load_unit("demo-bridged"))


def test_a_driver_that_does_not_exist_is_found_when_the_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.replace("generic-supply", "./mine.toml"), encoding="utf-8")
    with pytest.raises(FileError) as error:
        load_bench(path)
    assert "instrument.supply, driver" in str(error.value)


def test_a_bench_file_is_checked_against_the_unit_that_it_names(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text('unit = "demo-2x4"\n' + BENCH, encoding="utf-8")
    with pytest.raises(FileError, match="'demo-2x40'"):
        load_bench(path)


def _written(folder: Path, text: str, **drivers: str) -> Path:
    for name, driver in drivers.items():
        (folder / f"{name}.toml").write_text(driver, encoding="utf-8")
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


def _own(name: str, changes: tuple[tuple[str, str], ...] = ()) -> str:
    """A shipped generic driver as if its figures were those of an instrument."""
    text = find("driver", name).read_text(encoding="utf-8")
    for old, new in (('accuracy_of = "simulated bench"\n', ""), *changes):
        assert old in text
        text = text.replace(old, new, 1)
    return text


TWO_ROLES = """
name = "Corner bench"
[instrument.scope]
resource = "TCPIP0::192.0.2.11::5025::SOCKET"
driver = "scope.toml"
[instrument.generator]
resource = "TCPIP0::192.0.2.11::5025::SOCKET"
driver = "generator.toml"
"""


def test_a_scope_with_a_generator_in_it_is_two_entries_on_one_resource(tmp_path: Path) -> None:
    path = _written(
        tmp_path, TWO_ROLES, scope=_own("generic-scope"), generator=_own("generic-generator")
    )
    assert set(load_bench(path).instrument) == {"scope", "generator"}


def test_two_instruments_of_one_role_do_not_share_a_resource(tmp_path: Path) -> None:
    path = _written(
        tmp_path, TWO_ROLES, scope=_own("generic-scope"), generator=_own("generic-scope-8bit")
    )
    with pytest.raises(FileError, match="resource of 'scope' again"):
        load_bench(path)


def test_roles_on_one_resource_have_one_link(tmp_path: Path) -> None:
    other = _own("generic-generator", (('time_out = "5 s"', 'time_out = "6 s"'),))
    path = _written(tmp_path, TWO_ROLES, scope=_own("generic-scope"), generator=other)
    with pytest.raises(FileError, match=r"\[link\]"):
        load_bench(path)


def test_the_figures_of_the_simulated_bench_judge_no_real_unit(tmp_path: Path) -> None:
    path = _written(tmp_path, BENCH)
    with pytest.raises(FileError, match="simulated bench") as caught:
        load_bench(path)
    assert "data sheet" in str(caught.value)
    simulated = BENCH + '[simulator]\ncontrol = "TCPIP0::127.0.0.1::6000::SOCKET"\n'
    assert load_bench(_written(tmp_path, simulated)).simulated


def test_who_checked_the_accuracy_comes_with_the_day() -> None:
    checked = ("calibration_due", 'accuracy_checked_by = "A. B."\ncalibration_due')
    with pytest.raises(FileError, match="belong together"):
        bench(checked)
    both = bench(checked, ("calibration_due", "accuracy_checked_on = 2026-05-12\ncalibration_due"))
    assert both.instrument["supply"].accuracy_checked
    assert not bench().instrument["supply"].accuracy_checked


SPLITTER = """
name = "Corner bench"
[instrument.gen]
resource = "TCPIP0::192.0.2.4::5025::SOCKET"
driver = "generic-generator"
[[lead]]
from = "gen.1"
to = %s
"""


def test_a_lead_with_a_splitter_is_one_for_each_of_its_ends() -> None:
    bench = bench_from_text(SPLITTER % '["in.left", "in.right"]')
    assert bench.terminals == {"gen.1": "in.left", "gen.1.2": "in.right"}


@pytest.mark.parametrize("to", ['["in.left"]', '["in.left", "in.left"]', "[]", "[1, 2]"])
def test_a_splitter_has_ends_on_different_nodes(to: str) -> None:
    with pytest.raises(FileError) as refused:
        bench_from_text(SPLITTER % to)
    assert "to" in str(refused.value)


def test_a_factor_for_each_probe_is_one_for_each_channel(tmp_path: Path) -> None:
    file = tmp_path / "bench.toml"
    for probe, found in (("[10, 1]", "2 factors"), ("[1, 1, 1, 1, 10]", "5 factors")):
        file.write_text(BENCH.replace("probe = 10", f"probe = {probe}"), encoding="utf-8")
        with pytest.raises(FileError, match=f"{found} for the 4 channels"):
            load_bench(file)


def test_a_driver_that_is_another_kind_of_file_is_one_message(tmp_path: Path) -> None:
    (tmp_path / "other.toml").write_text(BENCH, encoding="utf-8")
    file = tmp_path / "bench.toml"
    file.write_text(BENCH.replace('"generic-scope"', '"other.toml"'), encoding="utf-8")
    with pytest.raises(FileError) as refused:
        load_bench(file)
    assert "'other.toml' is a bench file" in str(refused.value)
    assert "unknown key" not in str(refused.value)
