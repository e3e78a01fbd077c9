"""A unit's case at the command line: every next step that it prints runs as printed."""

from __future__ import annotations

import csv
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest
from next_steps import on_record
from PIL import Image
from shortened import HEARD, POWER, SOUND, SOUND_HOT, cut_short

from seqrun.case.onward import onward
from seqrun.case.stay import case_of
from seqrun.case.weighing import Weighed
from seqrun.errors import Interrupted
from seqrun.files.findings.file import Sign
from seqrun.report.unit.words import case_lines

Seqrun = Callable[..., tuple[int, str, str]]


def next_step(out: str) -> list[str]:
    (line,) = (x for x in out.splitlines() if x.startswith("Next: "))
    words = shlex.split(line.removeprefix("Next: "))
    assert words[0] == "seqrun"
    return words[1:]


def test_the_next_steps_alone_lead_from_complaint_to_owners_sheet(
    seqrun: Seqrun, tmp_path: Path
) -> None:
    """As printed; only that the simulated unit has a fault is added, as the world would, and the
    acceptance is a shorter one."""
    shorter = cut_short(tmp_path, "discharge", (*HEARD, *SOUND, *SOUND_HOT, *POWER))
    fault = ("--fault", "bias_high@left")
    code, out, err = seqrun("unit", "B-7", "--complaint", "gets hot on one side")
    assert code == 0, err
    done: list[str] = []
    costs: list[str] = []
    for _ in range(8):
        step = next_step(out)
        done.append(step[0] if step[0] != "run" else step[1])
        if step[0] != "unit" and len(done) == 1:
            step += fault
        code, out, err = seqrun(*(shorter if word == "acceptance" else word for word in step))
        assert code != 2, err
        if step[0] == "release":
            break
        if step[0] != "unit":
            code, out, err = seqrun("unit", "B-7")
            assert code == 0, err
            costs += [x for x in out.splitlines() if x.startswith("  repair")]
        assert len(done) < 2 or done[-1] != done[-2], "the step that was just done"
    assert done[0] == "intake"
    assert done[-4:] == ["unit", "intake", "acceptance", "release"]
    code, out, _ = seqrun("unit", "B-7")
    assert "mended: bias of the left channel set too high" in out
    assert "point to none of the faults" in out
    assert len(costs) > 1 and len(set(costs)) == 1  # what decided does not change by the repair
    assert "Cured: Idle supply current" in seqrun("compare", "B-7")[1].replace("\n", " ")
    sheets = list(Path("results").glob("*/release.html"))
    assert len(sheets) == 1
    assert "gets hot on one side" in sheets[0].read_text(encoding="utf-8")


def test_a_unit_that_nothing_is_known_of_is_told_how_its_case_begins(seqrun: Seqrun) -> None:
    code, _, err = seqrun("unit", "N-1")
    assert code == 2
    hint = next(x for x in err.splitlines() if "next: " in x).split("next: ")[1]
    words = shlex.split(hint.partition("' begins")[0].removeprefix("'"))
    assert seqrun(*words[1:]).code == 0  # type: ignore[attr-defined]


def test_what_is_said_is_on_record_and_in_a_text(seqrun: Seqrun) -> None:
    seqrun("unit", "N-1", "--complaint", "hums, even at zero", "--operator", "A. N.")
    with Path("results/cases.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["kind"], row["text"], row["by"]) == ("complaint", "hums, even at zero", "A. N.")
    assert "hums, even at zero" in Path("results/cases/N-1.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--complaint", "…"), "says nothing"),
        (("--complaint", "x" * 3000), "3000 characters"),
        (("--owner-answer", "owner_warm=perhaps"), "QUESTION=yes"),
        (("--owner-answer", "colour=yes"), "owner_warm"),
        (("--costs", "nowhere.toml"), "nowhere.toml"),
    ],
)
def test_what_cannot_go_on_record_is_refused_and_nothing_is_written(
    seqrun: Seqrun, words: tuple[str, ...], told: str
) -> None:
    code, _, err = seqrun("unit", "N-1", *words)
    assert code == 2 and told in err
    assert not Path("results/cases.csv").exists()


def test_a_row_that_was_changed_or_taken_out_shows(seqrun: Seqrun) -> None:
    for text in ("one thing", "another thing", "a third thing"):
        seqrun("unit", "N-1", "--complaint", text)
    table = Path("results/cases.csv")
    whole = table.read_bytes()
    assert "LOST" not in seqrun("unit", "N-1")[1]
    table.write_bytes(whole.replace(b"another", b"no other"))
    assert "not as it was written" in seqrun("unit", "N-1")[1]
    lines = whole.splitlines(keepends=True)
    table.write_bytes(b"".join(lines[:2] + lines[3:]))
    assert "is gone" in seqrun("unit", "N-1")[1]


def test_costs_are_called_invented_until_the_users_own_sheet_is_there(seqrun: Seqrun) -> None:
    assert "invented" in seqrun("unit", "N-1", "--complaint", "dead")[1]
    from seqrun.files.shipped import find

    text = find("costs", "example").read_text(encoding="utf-8")
    Path("copy.toml").write_text(text, encoding="utf-8")
    assert "invented" in seqrun("unit", "N-1", "--costs", "copy.toml")[1]
    Path("mine.toml").write_text(text.replace("= 40", "= 55"), encoding="utf-8")
    assert "invented" not in seqrun("unit", "N-1", "--costs", "mine.toml")[1]


def test_two_benches_words_are_merged_without_loss_or_doubles(seqrun: Seqrun) -> None:
    for folder, text in (("a", "hums"), ("b", "crackles")):
        seqrun("unit", "N-1", "--complaint", text, "--results", folder)
        Path(folder, "runs.csv").write_text("", encoding="utf-8")
    for _ in range(2):
        code, _, err = seqrun("merge", "b", "--results", "a")
        assert code == 0, err
    out = seqrun("unit", "N-1", "--results", "a")[1]
    assert out.count("hums") == 1 and out.count("crackles") == 1 and "LOST" not in out


def test_an_interrupted_run_is_gone_on_with_as_the_next_step_says(
    seqrun: Seqrun, short_sequence: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: object) -> None:
        raise Interrupted("the run was interrupted by Ctrl-C")

    with monkeypatch.context() as patched:
        patched.setattr("seqrun.steps.levels.DcVoltage.perform", stopped)
        code, _, err = seqrun("run", short_sequence(), "--bench", "demo", "--serial", "R-1")
    assert code == 4, err
    words = next_step(seqrun("unit", "R-1")[1])
    assert words[:2] == ["run", "--resume"]
    code, out, err = seqrun(*words)
    assert code == 0, err
    assert "kept as read then" in out
    code, _, err = seqrun("run", "--resume", "last")
    assert code == 2 and "came to its end" in err
    code, _, err = seqrun("run", "--resume", "last", "--bench", "demo")
    assert code == 2 and "--bench" in err
    code, _, err = seqrun("run", "quick")
    assert code == 2 and "--serial" in err


def test_a_question_to_the_owner_is_answered_as_it_is_printed(seqrun: Seqrun) -> None:
    """A serial number with a space, and a results folder of its own."""
    on_record(Path("mine"), "N 1", "intake", "reject")
    case = case_of(Path("mine"), "N 1")
    found = Weighed(None, "", (Sign(id="owner_warm", words="w", ask="Only when warm?"),))
    lines = case_lines(case, found, None, "", onward(case, found))
    asked = [line.strip() for line in lines if "--owner-answer" in line]
    code, _, err = seqrun(*shlex.split(asked[0])[1:])
    assert code == 0, err
    assert "owner_warm=yes" in Path("mine/cases.csv").read_text(encoding="utf-8")


def test_photos_are_kept_with_the_case_all_of_them_or_none(seqrun: Seqrun) -> None:
    Image.new("RGB", (40, 30), "brown").save("one.jpg")
    Path("bad.jpg").write_bytes(b"<svg xmlns='http://www.w3.org/2000/svg'/>")
    code, _, err = seqrun("unit", "P-1", "--photo", "one.jpg", "--photo", "bad.jpg")
    assert code == 2 and "bad.jpg" in err and not Path("results/cases.csv").exists()
    code, _, err = seqrun("unit", "P-1", "--note", "nothing to see")
    assert code == 2 and "--photo" in err
    code, out, err = seqrun("unit", "P-1", "--photo", "one.jpg", "--note", "the fuse is black")
    assert code == 0 and "the fuse is black" in out, err
    assert len(list(Path("results/cases/photos").iterdir())) == 1
    assert "the fuse is black" in Path("results/cases/P-1.txt").read_text(encoding="utf-8")
