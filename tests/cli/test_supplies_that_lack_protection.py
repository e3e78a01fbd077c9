"""A supply that does not switch off by itself is said to be one, and nothing is accepted on it."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import demo_sim
from seqrun.files.shipped import find


def test_what_is_not_protected_in_hardware_is_told_and_not_accepted(
    seqrun: Callable, tmp_path: Path, short_sequence: Callable[..., str]
) -> None:
    text = find("driver", "generic-supply").read_text(encoding="utf-8")
    text = re.sub(r"^(set_)?over_voltage_protection = .*\n", "", text, flags=re.MULTILINE)
    text = text.replace("[supply]\n", '[supply]\nabsent = ["over_voltage_protection"]\n')
    (tmp_path / "bare.toml").write_text(text, encoding="utf-8")
    with closing(demo_sim.open_bench(seed=2).serve()) as server:
        bench = server.bench_toml().replace('"generic-supply"', '"bare.toml"')
        (tmp_path / "bench.toml").write_text(bench, encoding="utf-8")
        answer = seqrun(
            "run", short_sequence(), "--bench", str(tmp_path / "bench.toml"), "--serial", "S-1"
        )
    assert answer.code == 3, answer.out
    said = " ".join(answer.out.split())
    assert "no over-voltage protection" in said
