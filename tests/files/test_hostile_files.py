"""Files that nobody would write on purpose: whatever they hold, the answer is an explanation."""

import json

from hypothesis import given
from hypothesis import strategies as st
from ratings import RATINGS

from seqrun.errors import FileError
from seqrun.files.bench.file import Bench
from seqrun.files.bench.load import bench_from_text
from seqrun.files.common import known_keys
from seqrun.files.sequence.expand import expand_all
from seqrun.files.sequence.fields import StepFields
from seqrun.files.sequence.file import Sequence
from seqrun.files.sequence.load import sequence_from_text
from seqrun.files.unit.sheet import Unit, load_unit

_scalars = st.one_of(
    st.sampled_from(
        [
            *('"50 mV"', '"30 V"', '"40 W"', '"8 Ω"', '"left"', '"{channel}"', '"out.{x}"', '""'),
            *("1", "-1", "0.5", "nan", "inf", "true", "[]", "{}", '"="'),
            *("2026-05-11", "1979-05-27T07:32:00Z"),
        ]
    ),
    st.text(max_size=12).map(lambda t: json.dumps(t.replace("\x7f", ""))),
    st.integers(-(2**63), 2**63 - 1).map(str),
)
_values = st.one_of(
    _scalars,
    st.lists(_scalars, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
    st.tuples(st.sampled_from(["between", "at_most", "within", "for", "a", "x"]), _scalars).map(
        lambda pair: f"{{ {pair[0]} = {pair[1]} }}"
    ),
)


UNIT = {**RATINGS, "topology": '"bridged"'}
INSTRUMENT = {"resource": '"TCPIP0::192.0.2.1::INSTR"', "driver": '"generic-meter"'}
LEAD = {"from": '"meter.hi"', "to": '"out.left"'}
LOAD = {
    "name": '"left"',
    "point": '"out.left"',
    "resistance": '"8 Ω"',
    "tolerance": '"1 %"',
    "power": '"90 W"',
}
STEP = {"id": '"x.{channel}"', "do": '"voltage"', "at": '"out.{channel}"', "each": '"channel"'}
TRIP = {"quantity": '"supply_current"', "above": '"3 A"'}


class Voltage(StepFields):
    at: str


def spoilt(right: dict[str, str], keys: tuple[str, ...]) -> st.SearchStrategy[str]:
    """A table that is right but for a few keys, which hold anything or are left out."""
    names = st.sampled_from((*keys, "other"))
    changes = st.dictionaries(names, st.none() | _values, max_size=2)
    return changes.map(
        lambda change: "\n".join(f"{k} = {v}" for k, v in {**right, **change}.items() if v)
    )


@given(spoilt(UNIT, known_keys(Unit, ())))
def test_any_unit_sheet_is_read_or_explained(text: str) -> None:
    try:
        unit = Unit.from_text(text)
    except FileError as problem:
        assert "unit sheet" in str(problem)
    else:
        assert unit.points()


@given(
    spoilt({"name": '"b"'}, known_keys(Bench, ())),
    spoilt(INSTRUMENT, known_keys(Bench, ("instrument",))),
    spoilt(LEAD, known_keys(Bench, ("lead",))),
    spoilt(LOAD, known_keys(Bench, ("load",))),
)
def test_any_bench_file_is_read_or_explained(head: str, item: str, lead: str, load: str) -> None:
    text = f"{head}\n[instrument.meter]\n{item}\n[[lead]]\n{lead}\n[[load]]\n{load}"
    try:
        read = bench_from_text(text)
    except FileError as problem:
        assert "bench file" in str(problem)
    else:
        assert read.instrument["meter"].resource


@given(
    spoilt({"title": '"t"', "revision": '"A"'}, known_keys(Sequence, ())),
    spoilt(TRIP, known_keys(Sequence, ("trip",))),
    st.lists(spoilt(STEP, known_keys(Voltage, ())), min_size=1, max_size=2),
)
def test_any_sequence_is_read_or_explained(head: str, trip: str, steps: list[str]) -> None:
    text = "\n".join([head, "[[trip]]", trip, *(f"[[step]]\n{step}" for step in steps)])
    try:
        read = sequence_from_text(text, {"voltage": Voltage})
        made = expand_all(read, load_unit("demo-2x40"))
    except FileError as problem:
        assert "sequence" in str(problem)
    else:
        assert len({step.id for step in made}) == len(made)


def test_the_files_that_are_spoilt_here_are_right_before() -> None:
    def plain(table: dict[str, str]) -> str:
        return "\n".join(f"{key} = {value}" for key, value in table.items())

    assert Unit.from_text(plain(UNIT))
    bench = f'name = "b"\n[instrument.meter]\n{plain(INSTRUMENT)}\n[[lead]]\n{plain(LEAD)}'
    assert bench_from_text(f"{bench}\n[[load]]\n{plain(LOAD)}")
    steps = f"[[trip]]\n{plain(TRIP)}\n[[step]]\n{plain(STEP)}"
    read = sequence_from_text(f'title = "t"\nrevision = "A"\n{steps}', {"voltage": Voltage})
    assert len(expand_all(read, load_unit("demo-2x40"))) == 2
