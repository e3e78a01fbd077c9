"""The switch: leads that move without hands, break before make."""

from __future__ import annotations

from typing import Any

import pytest

from seqrun.errors import UsageError
from seqrun.files.bench.parts import InstrumentEntry as BenchInstrument
from seqrun.files.driver.load import driver_from_text
from seqrun.files.shipped import find
from seqrun.instruments.opening import open_instrument
from seqrun.instruments.roles import Switch


def test_it_plays_its_role(bench: Any) -> None:
    assert isinstance(bench.switch, Switch)


def test_a_lead_goes_where_it_is_sent_and_comes_off_again(bench: Any) -> None:
    bench.switch.connect("meter.hi", "rail.pos")
    assert bench.demo.world.node_of("meter.hi") == "rail.pos"
    bench.switch.connect("meter.hi", "out.left")
    assert bench.demo.world.node_of("meter.hi") == "out.left"
    bench.switch.disconnect("meter.hi")
    assert bench.demo.world.node_of("meter.hi") is None


def test_made_safe_every_relay_is_open(bench: Any) -> None:
    bench.switch.connect("meter.hi", "rail.pos")
    bench.switch.make_safe()
    assert bench.demo.world.node_of("meter.hi") is None
    bench.switch.connect("meter.hi", "rail.pos")  # and it knows that it has to close it again
    assert bench.demo.world.node_of("meter.hi") == "rail.pos"


def test_a_matrix_that_knows_relays_by_number_needs_no_other_driver(bench: Any) -> None:
    nodes = bench.demo.devices["switch"].columns
    text = find("driver", "generic-switch").read_text(encoding="utf-8")
    text = text.replace("""'ROUT:CONN "{terminal}","{node}"'""", '"ROUT:CLOS (@{terminal}{node})"')
    text = text.replace("""'ROUT:DISC "{terminal}"'""", '"ROUT:OPEN (@{terminal}{node})"')
    text += '[words.terminal]\n"meter.hi" = "1"\n"meter.lo" = "2"\n[words.node]\n'
    text += "".join(f'"{node}" = "{n:02d}"\n' for n, node in enumerate(nodes, 1))
    entry = BenchInstrument(resource=bench.demo.resources["switch"], driver="own.toml")
    switch = open_instrument(
        "switch", entry, driver_from_text(text, "own.toml"), bench.manager, bench.note
    )
    switch.connect("meter.lo", "ground")
    switch.connect("meter.hi", "rail.pos")
    switch.connect("meter.hi", "out.right")
    assert bench.demo.world.node_of("meter.hi") == "out.right"
    assert bench.demo.world.node_of("meter.lo") == "ground"
    with pytest.raises(UsageError, match="not wired"):
        switch.connect("scope.1", "rail.pos")
