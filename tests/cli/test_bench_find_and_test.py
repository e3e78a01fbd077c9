"""``bench find`` and ``bench test`` on the simulated bench over loopback TCP."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
import pyvisa
from pytest_mock import MockerFixture

import demo_sim
from seqrun.errors import FileError
from seqrun.files.bench.load import bench_from_text
from seqrun.files.writing import write_whole
from seqrun.instruments.link import Link
from seqrun.runner.proving import bench_file


@pytest.fixture
def resources() -> Iterator[dict[str, str]]:
    """The simulated bench's instruments over TCP, with nothing connected to the supply."""
    with (
        closing(demo_sim.open_bench(seed=2).serve()) as server,
        closing(pyvisa.ResourceManager("@py")) as manager,
    ):
        control = Link.open("control", server.resources["control"], manager, lambda *_: None)
        for terminal in ("1.pos", "1.neg", "2.pos", "2.neg"):
            control.write(f'HAND:DISC "supply.{terminal}"')
        control.close()
        yield dict(server.resources)


def bench_text(resources: dict[str, str], *keys: str) -> str:
    lines = ['name = "Loopback"']
    for key in keys:
        lines += [f"[instrument.{key}]", f'resource = "{resources[key]}"']
        lines += [f'driver = "generic-{key}"']
    lines += ["[simulator]", f'control = "{resources["control"]}"']
    return "\n".join(lines)


def test_what_answers_is_named_with_its_driver_and_only_asked_who_it_is(
    seqrun: Callable, resources: dict[str, str]
) -> None:
    answer = seqrun("bench", "find", resources["meter"], "TCPIP0::127.0.0.1::9::SOCKET")
    assert answer.code == 0
    fits = re.findall(r"^  driver: (.*)$", answer.out, re.MULTILINE)
    assert fits == ["generic-meter-two-wire, generic-meter"]  # and nothing that is never asked
    assert "takes no connection on that port" in answer.out


def test_where_nothing_answers_the_exit_is_3_and_nothing_is_written(
    seqrun: Callable, tmp_path: Path
) -> None:
    file = tmp_path / "mine.toml"
    asked = "TCPIP0::127.0.0.1::9::SOCKET"
    answer = seqrun("bench", "find", asked, "--write", str(file))
    assert answer.code == 3
    assert "nothing answers" in answer.out
    assert "not written" in answer.out
    assert not file.exists()


def test_a_bench_file_is_written_with_gaps_and_never_over_another(
    seqrun: Callable, resources: dict[str, str], tmp_path: Path
) -> None:
    file = tmp_path / "mine.toml"
    asked = [resources[key] for key in ("supply", "meter")]
    assert seqrun("bench", "find", *asked, "--write", str(file)).code == 0
    text = file.read_text(encoding="utf-8")
    bench = bench_from_text(text)
    assert [i.resource for i in bench.instrument.values()] == asked
    assert text.count("FILL IN") > 4
    again = seqrun("bench", "find", *asked, "--write", str(file))
    assert again.code == 2
    assert file.read_text(encoding="utf-8") == text


def test_without_a_word_only_what_reads_is_done(
    seqrun: Callable, resources: dict[str, str], tmp_path: Path
) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(bench_text(resources, "supply"), encoding="utf-8")
    answer = seqrun("bench", "test", str(file))
    assert answer.code == 3
    assert "self-check was not done" in answer.out
    sent = re.findall(r"^\s+> (.*)$", answer.out, re.MULTILINE)
    assert sent and all("?" in message for message in sent)


@pytest.mark.parametrize("key", ["supply", "meter", "generator", "scope"])
def test_each_operation_is_tried_and_shown(
    seqrun: Callable, resources: dict[str, str], tmp_path: Path, key: str
) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(bench_text(resources, key), encoding="utf-8")
    answer = seqrun("bench", "test", str(file), "--nothing-connected")
    assert answer.code == 0, answer.out
    assert "checks are right" in answer.out
    assert "WRONG" not in answer.out
    operations = set(re.findall(rf"^ok\s+{key}: (\w+)", answer.out, re.MULTILINE))
    expected = {
        "supply": {"set_voltage", "voltage", "over_voltage_protection", "constant_current"},
        "meter": {"configure_dc_voltage", "read", "read_many"},
        "generator": {"sine", "square", "burst", "two_tone", "enable"},
        "scope": {"acquire", "average", "trigger"},
    }
    assert expected[key] <= operations


def test_a_driver_that_says_what_is_not_so_is_found_out(
    seqrun: Callable, resources: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from seqrun.files.shipped import find

    monkeypatch.setattr("seqrun.instruments.selfcheck.RISE_S", 0.2)  # it never comes near
    text = find("driver", "generic-supply").read_text(encoding="utf-8")
    wrong = re.sub(
        r'^voltage = "(.*)"$', r"voltage = { send = '\1', scale = 0.5 }", text, flags=re.M
    )
    assert wrong != text
    (tmp_path / "wrong.toml").write_text(wrong, encoding="utf-8")
    file = tmp_path / "bench.toml"
    bench = bench_text(resources, "supply").replace('"generic-supply"', '"wrong.toml"')
    file.write_text(bench, encoding="utf-8")
    answer = seqrun("bench", "test", str(file), "--nothing-connected")
    assert answer.code == 3
    assert re.search(r"^WRONG\s+supply: voltage 1", answer.out, re.MULTILINE)


BY_HAND = '[instrument.handheld]\nresource = "by hand"\ndriver = "handheld-meter"\n'


def test_what_hands_set_and_read_is_told_and_the_rest_is_tried(
    seqrun: Callable, resources: dict[str, str], tmp_path: Path
) -> None:
    file = tmp_path / "bench.toml"
    text = bench_text(resources, "supply").replace("[simulator]", f"{BY_HAND}[simulator]")
    panel = f'[simulator.panel.handheld]\nresource = "{resources["meter"]}"\n'
    file.write_text(f'{text}\n{panel}driver = "generic-meter"\n', encoding="utf-8")
    answer = seqrun("bench", "test", str(file), "--nothing-connected")
    assert answer.code == 0, answer.out
    assert "handheld: by hand = nothing is sent to it" in answer.out
    assert re.search(r"^ok\s+supply: voltage 1", answer.out, re.MULTILINE)


def test_a_bench_of_nothing_but_hands_has_nothing_to_prove(
    seqrun: Callable, tmp_path: Path
) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(f'name = "Drawer"\n{BY_HAND}', encoding="utf-8")
    answer = seqrun("bench", "test", str(file), "--nothing-connected")
    assert answer.code == 0
    assert "unverified until you have compared them" in answer.out
    assert "nothing to try" in answer.out


def test_what_a_library_leaves_open_is_no_note(monkeypatch: pytest.MonkeyPatch) -> None:
    import warnings

    from seqrun.instruments import discovery

    class Library:
        visalib = None

        def list_resources(self, _query: str) -> tuple[str, ...]:
            warnings.warn("unclosed <socket.socket fd=7>", ResourceWarning, stacklevel=2)
            warnings.warn("USB needs pyusb", UserWarning, stacklevel=2)
            return ("USB0::1::2::INSTR",)

    monkeypatch.setattr(discovery, "_raw_sockets", lambda _notes: [])
    notes: list[str] = []
    assert discovery.resources(Library(), notes) == ["USB0::1::2::INSTR"]
    assert "USB needs pyusb" in notes
    assert not any("unclosed" in note for note in notes)


@pytest.mark.parametrize(
    "hostile",
    ['M"1\n[simulator]\ncontrol = "x', "M\x1b[2J\x1b]0;gone\x07", "M\\u0000", "M\x7f\x85\u2028é"],
)
def test_what_an_instrument_says_of_itself_breaks_no_bench_file(hostile: str) -> None:
    text = bench_file([("meter", f"TCPIP0::{hostile}::INSTR", f"{hostile}.toml", hostile)])
    bench = bench_from_text(text)
    assert bench.simulator is None
    assert bench.instrument["meter"].resource == f"TCPIP0::{hostile}::INSTR"
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f]", text)


def test_a_file_is_written_whole_or_stays_as_it_was(tmp_path: Path, mocker: MockerFixture) -> None:
    file = tmp_path / "bench.toml"
    file.write_text("before", encoding="utf-8")
    file.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to(file)
    write_whole(link, "after")
    assert file.read_text(encoding="utf-8") == "after" and link.is_symlink()
    assert file.stat().st_mode & 0o777 == 0o640
    mocker.patch("os.fsync", side_effect=OSError(28, "No space left on device"))
    with pytest.raises(FileError, match="No space left"):
        write_whole(file, "half")
    assert file.read_text(encoding="utf-8") == "after"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bench.toml", "link.toml"]


def test_a_folder_that_is_not_there_is_told(
    seqrun: Callable, resources: dict[str, str], tmp_path: Path
) -> None:
    asked = resources["meter"]
    answer = seqrun("bench", "find", asked, "--write", str(tmp_path / "no" / "mine.toml"))
    assert answer.code == 2
    assert "cannot be written" in answer.err
