"""What is said on a link, message by message, against an instrument in memory: nothing is waited
for. What the wire itself does is in test_link.py and test_out_of_step.py, over real sockets."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

import pytest
from memory import EMPTY, NAME, Said, link_to, table

from seqrun.errors import (
    InstrumentError,
    InstrumentRefused,
    InstrumentSilent,
    WrongInstrument,
)
from seqrun.files.driver.manners import Identity
from seqrun.instruments.checking import joined
from seqrun.instruments.error_queue import QueueError
from seqrun.instruments.failing import Broken, LinkFailure, TimedOut
from seqrun.instruments.talk import ADDRESS, ECHO, SERIAL, Form, short

# --- the error queue at the end of each message ---------------------------------------------------


@pytest.mark.parametrize("entry", [EMPTY, '+0,"No error"', ' 0,"No error"', "0,", '-0,"none"'])
def test_an_answer_is_taken_without_the_entry_at_its_end(entry: str) -> None:
    link = link_to(lambda m: [f"1.5;{entry}"] if m.startswith("VOLT?") else [entry])
    assert link.query("VOLT?") == "1.5"
    link.write("VOLT 1", ":CURR 2", "*TRG")
    assert link.wire.sent == ["VOLT?;:SYST:ERR?", "VOLT 1;:CURR 2;*TRG;:SYST:ERR?"]


def test_an_entry_that_is_an_error_is_told_with_its_number_and_what_was_sent() -> None:
    queue = iter(['-222,"Data out of range; VOLT"', '-113,"Undefined header"', EMPTY])
    link = link_to(lambda m: [next(queue)])
    with pytest.raises(QueueError) as refused:
        link.write("VOLT 99")
    assert (refused.value.number, refused.value.where) == (-222, "meter (memory)")
    assert "after 'VOLT 99' (and 1 more: -113" in refused.value.found
    assert refused.value.hint is not None and "programming manual" in refused.value.hint


@pytest.mark.parametrize("asks", [True, False])
def test_an_answer_too_many_or_too_few_is_said_once_more_in_step(asks: bool) -> None:
    """One to a write, or only an entry to a query: it is of another message."""
    first = [EMPTY] if asks else [f"1.5;{EMPTY}"]
    right = [f"2.5;{EMPTY}"] if asks else [EMPTY]
    said = iter([first, right])
    link = link_to(lambda m: next(said) if "VOLT" in m else [])
    if asks:
        assert link.query("VOLT?") == "2.5"
    else:
        link.write("VOLT 1")
    message = "VOLT?;:SYST:ERR?" if asks else "VOLT 1;:SYST:ERR?"
    assert link.wire.sent == [message, "*IDN?", "*CLS", message]
    assert not link.talk.owed


def test_one_that_is_out_of_step_again_is_given_up() -> None:
    link = link_to(lambda m: [EMPTY] if "VOLT" in m else [])
    with pytest.raises(InstrumentError, match="nobody asked for, about 'VOLT\\?'"):
        link.query("VOLT?")
    assert link.talk.owed


# --- the error queue by itself --------------------------------------------------------------------


def test_a_separate_error_query_follows_each_group() -> None:
    link = link_to(table(VOLT_=["1.5"], SYST=[EMPTY]), error_check="separate")
    assert link.query("VOLT?") == "1.5"
    link.write("CURR 1", "CURR 2")
    assert link.wire.sent == ["VOLT?", "SYST:ERR?", "CURR 1", "CURR 2", "SYST:ERR?"]


def test_an_empty_queue_says_the_same_each_time() -> None:
    """ "0" may be the answer to something else."""
    said = iter([EMPTY, "0", EMPTY, EMPTY])
    link = link_to(lambda m: [next(said)] if "ERR" in m else [], error_check="separate")
    link.write("A")
    link.write("B")
    assert link.wire.sent == ["A", "SYST:ERR?", "B", "SYST:ERR?", "*IDN?", "*CLS", "B", "SYST:ERR?"]


@pytest.mark.parametrize(("of", "blamed"), [(("VOLT 1",), "VOLT 1"), ((), "SYST:ERR?")])
def test_the_queue_is_looked_at_twice_before_a_link_is_given_up(
    of: tuple[str, ...], blamed: str
) -> None:
    said = iter(["1.5", "1.5"])
    link = link_to(lambda m: [next(said)] if "ERR" in m else [], error_check="separate")
    with pytest.raises(InstrumentError) as problem:
        link.check(of)
    assert f"nobody asked for, about '{blamed}'" in problem.value.found
    assert link.wire.sent == ["SYST:ERR?", "*IDN?", "*CLS", "SYST:ERR?"]
    said = iter(["1.5", EMPTY])
    link.talk.owed = False
    link.check(of)


@pytest.mark.parametrize(("held", "ends"), [(0, True), (3, True), (99, True), (100, False)])
def test_what_the_queue_holds_is_read_until_it_is_empty_and_no_more_than_a_hundred(
    held: int, ends: bool
) -> None:
    queue = deque([f'-222,"{n}"' for n in range(held)])
    link = link_to(lambda m: [queue.popleft() if queue else EMPTY])
    if ends:
        assert len(link.errors()) == held
        return
    with pytest.raises(InstrumentRefused, match="has 100 answers and does not come to an end"):
        link.errors()


def test_without_a_queue_nothing_is_asked_and_a_second_answer_is_out_of_step() -> None:
    said = iter([["1.5", "2.5"], ["3.5"]])
    link = link_to(lambda m: next(said) if m == "VOLT?" else [], error_check="none")
    assert link.query("VOLT?") == "3.5"
    assert link.wire.sent == ["VOLT?", "*IDN?", "VOLT?"]
    link.check(("VOLT?",))
    assert link.errors() == [] and len(link.wire.sent) == 3


def test_two_messages_are_joined_from_the_root_of_the_tree() -> None:
    assert [joined("", "A"), joined("A", "B"), joined("A", ":B"), joined("A", "*B")] == [
        "A", "A;:B", "A;:B", "A;*B",
    ]  # fmt: skip


# --- acknowledgements -----------------------------------------------------------------------------


@pytest.mark.parametrize("acknowledged", ["writes", "all"])
def test_an_acknowledgement_is_read_after_writes_or_after_queries_too(acknowledged: str) -> None:
    every = acknowledged == "all"
    answers = table(VOLT_=["1.5", "OK"] if every else ["1.5"], CURR=["OK"])
    link = link_to(answers, error_check="none", acknowledge="^OK$", acknowledged=acknowledged)
    assert link.query("VOLT?") == "1.5"
    link.write("CURR 1")
    assert not link.wire.waiting and not link.talk.owed


def test_finding_back_into_step_takes_the_acknowledgement_of_the_identity_along() -> None:
    how = {"error_check": "none", "acknowledge": "^OK$", "acknowledged": "all"}
    link = link_to(table(), **how)
    link.wire._answers = lambda m: ["old", NAME, "OK"]
    link.talk.owed = True
    link.talk.into_step()
    assert not link.wire.waiting and not link.talk.owed


@pytest.mark.parametrize(("said", "echo"), [("NO", False), ("CURR 1", True), ("", False)])
def test_something_else_than_an_acknowledgement_is_a_refusal(said: str, echo: bool) -> None:
    link = link_to(table(CURR=[said]), error_check="none", acknowledge="^OK$")
    with pytest.raises(InstrumentRefused) as refused:
        link.write("CURR 1")
    assert refused.value.found == f"answered \"{said}\" to 'CURR 1'"
    assert refused.value.expected == "an acknowledgement that matches ^OK$"
    assert (refused.value.hint == ECHO) is echo
    assert not link.talk.owed


def test_firmware_that_acknowledges_nothing_is_waited_for_once() -> None:
    how = {"error_check": "none", "acknowledge": "^OK$", "acknowledged": "try"}
    link = link_to(table(), **how)
    link.write("CURR 1")
    link.write("CURR 2")
    assert link.wire.times == [0.5]
    with pytest.raises(InstrumentSilent, match="no acknowledgement within 5 s of 'CAL'"):
        link.exchange(("CAL",), False, form=Form(acknowledge="^DONE$"))  # that has one of its own
    link = link_to(table(CURR=["OK"]), **how)
    link.write("CURR 1")
    link.write("CURR 2")
    assert link.wire.times == [0.5]
    with pytest.raises(InstrumentSilent, match="no acknowledgement within 5 s of 'VOLT 1'"):
        link.write("VOLT 1")


# --- silence --------------------------------------------------------------------------------------


def cut(part: str, length: int | None = None, closed: bool = False) -> TimedOut:
    failure = TimedOut("time-out", part, closed)
    failure.length = length
    return failure


@pytest.mark.parametrize(
    ("failure", "found", "expected", "hint"),
    [
        (cut(""), "no answer within 5 s to 'VOLT?'", "an answer", ADDRESS),
        (cut("VOLT?"), "echoes 'VOLT?' and says nothing more", "an answer", ECHO),
        (cut("1.2", 8), "answered \"1.2\" to 'VOLT?': 3 bytes", "8 bytes", "length of that"),
        (cut("1.2"), "but the line did not end in '\\n'", "an answer", "read_termination"),
        (cut("1.2", closed=True), "closed the link at 'VOLT?'", "an answer", "another program"),
        (Broken("reset by peer"), "the link broke at 'VOLT?': reset by peer", "an answer", "cable"),
    ],
)
def test_why_no_answer_came_is_told_from_what_did_come(
    failure: LinkFailure, found: str, expected: str, hint: str
) -> None:
    link = link_to(lambda m: [failure] if m == "VOLT?" else [], error_check="none")
    with pytest.raises(InstrumentSilent) as silent:
        link.query("VOLT?")
    assert found in silent.value.found
    assert silent.value.expected == expected
    assert silent.value.hint is not None and hint in silent.value.hint
    assert link.talk.owed
    link.wire.serial = True
    if hint is ADDRESS:
        with pytest.raises(InstrumentSilent) as silent:
            link.talk.silent(("VOLT?",), failure)
        assert silent.value.hint == SERIAL


def test_what_speaks_by_itself_is_not_said_to_have_been_asked() -> None:
    link = link_to(table(), error_check="none")
    with pytest.raises(InstrumentSilent, match="within 5 s, and it should speak by itself"):
        link.overheard()


@pytest.mark.parametrize(("longest", "shown"), [(120, "x" * 120), (121, "x" * 117 + "…")])
def test_a_long_message_is_cut_in_errors(longest: int, shown: str) -> None:
    assert short("x" * longest) == shown


def test_a_time_out_of_ones_own_counts_when_it_is_longer() -> None:
    link = link_to(table(VOLT=["1.5"]), error_check="none")
    for given, used in ((None, []), (4.0, []), (5.0, []), (6.0, [6.0])):
        link.wire.times.clear()
        assert link.query("VOLT?", time_out_s=given) == "1.5"
        assert link.wire.times == used


# --- on the way to safety -------------------------------------------------------------------------


def test_what_has_to_get_out_goes_out_at_once_and_again_in_step() -> None:
    link = link_to(lambda m: [EMPTY] if "ERR" in str(m) else [])
    off = link.compose(("OUTP OFF",))
    link.urgent(off)
    assert link.wire.sent == ["OUTP OFF;:SYST:ERR?"]
    link.wire.sent.clear()
    link.talk.owed = True
    link.urgent(off)
    assert link.wire.sent == [
        "<end>", "OUTP OFF;:SYST:ERR?", "*IDN?", "*CLS", "OUTP OFF;:SYST:ERR?",
    ]  # fmt: skip


def test_an_error_from_before_is_not_held_against_what_has_to_get_out() -> None:
    said = iter(['-222,"from before"', EMPTY, EMPTY])
    link = link_to(lambda m: [next(said)] if "ERR" in str(m) else [])
    off = link.compose(("OUTP OFF",))
    link.urgent(off)
    assert link.wire.sent == [*off, "SYST:ERR?", "*CLS", *off]
    said = iter(['-222,"a"', EMPTY, '-113,"b"', EMPTY])
    with pytest.raises(QueueError, match="-113"):
        link.urgent(off)


# --- finding back into step -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stream", "terminator", "known", "cleared"),
    [
        (True, "\n", True, 0),  # what is still to come ends with the identity: nothing to wait for
        (True, "", True, 1),  # an answer without an end has to be waited for
        (False, "\n", True, 1),  # such a link has a device clear
        (True, "\n", False, 1),  # nobody has said yet who is there
    ],
)
def test_what_may_still_come_is_cleared_unless_the_identity_ends_it(
    stream: bool, terminator: str, known: bool, cleared: int
) -> None:
    link = link_to(table(), known=known, read_termination=terminator, error_check="none")
    link.wire.stream = stream
    count: list[int] = []
    link.wire.clear = lambda: count.append(1)
    link.talk.owed = True
    link.talk.into_step()
    assert len(count) == cleared
    assert link.wire.sent == (["*IDN?"] if known else [])
    assert not link.talk.owed


@pytest.mark.parametrize(
    ("tells", "terminator", "taken"),
    [
        ("fingerprint", "", True),  # it may be a state, which changes
        ("fingerprint", "\n", False),  # here an older answer may still lie before it
        ("identity", "", False),
    ],
)
def test_only_a_fingerprint_that_nothing_can_lie_before_may_have_changed(
    tells: str, terminator: str, taken: bool
) -> None:
    identity = Identity.model_validate({"ask": "STAT?", "tells": tells})
    how = {"read_termination": terminator, "error_check": "none"}
    link = link_to(table(STAT=["state 2"]), identity, **how)
    link.talk.identity = "state 1"
    link.talk.owed = True
    if taken:
        link.talk.into_step()
    else:
        with pytest.raises(InstrumentSilent):
            link.talk.into_step()
    assert link.talk.owed is not taken
    assert link.wire.sent == ["STAT?"]


def test_an_acknowledgement_of_writes_alone_is_not_waited_for_after_the_identity() -> None:
    link = link_to(table(CURR=["OK"]), error_check="none", acknowledge="^OK$")
    link.talk.owed = True
    link.talk.into_step()
    assert not link.talk.owed
    with pytest.raises(InstrumentSilent, match="no acknowledgement"):
        link.write("VOLT 1")
    assert link.talk.owed


def test_an_error_that_lies_there_after_finding_back_into_step_is_told() -> None:
    said = iter([EMPTY, '1.5;-222,"Data out of range"', EMPTY])
    link = link_to(lambda m: [next(said)] if "ERR" in m else [])
    with pytest.raises(QueueError, match="-222"):
        link.query("VOLT?")


# --- error queues that are none, and instruments that take one command at a time ------------------


@pytest.mark.parametrize(
    ("known", "failure", "named"),
    [
        (True, cut(""), True),
        (True, cut("", closed=True), False),
        (True, Broken("reset"), False),
        (False, cut(""), False),
    ],
)
def test_a_queue_that_does_not_answer_may_be_none_where_the_instrument_is_there(
    known: bool, failure: LinkFailure, named: bool
) -> None:
    link = link_to(lambda m: [failure], known=known, error_check="separate")
    with pytest.raises(InstrumentSilent) as silent:
        link.errors()
    assert ('error_check = "none"' in str(silent.value.hint)) is named
    assert silent.value.expected == ("an entry of the error queue" if named else "an answer")


def test_the_header_of_an_error_query_is_taken_off_where_answers_have_headers() -> None:
    said = [":SYST:ERR " + EMPTY]
    link = link_to(lambda m: said if "ERR" in m else [], error_check="separate", headers=True)
    link.write("VOLT 1")
    assert link.errors() == []
    link = link_to(lambda m: said if "ERR" in m else [], error_check="separate")
    with pytest.raises(InstrumentError):
        link.write("VOLT 1")


def test_an_error_is_told_though_the_queue_falls_silent_or_never_ends() -> None:
    said = iter(['-222,"Data out of range"'])
    link = link_to(lambda m: [next(said, cut(""))] if "ERR" in str(m) else [])
    with pytest.raises(QueueError) as refused:
        link.write("VOLT 99")
    assert refused.value.hint is not None and "programming manual" in refused.value.hint
    link = link_to(lambda m: ['-222,"again and again"'])
    with pytest.raises(QueueError) as refused:
        link.write("VOLT 99")
    assert refused.value.hint is not None and "no_error under [link]" in refused.value.hint


def test_messages_that_are_not_checked_carry_no_error_query() -> None:
    link = link_to(table())
    assert link.compose(("A", "B"), check=False) == ("A;:B",)
    assert link.compose(("A", "B")) == ("A;:B;:SYST:ERR?",)
    assert link.compose(()) == ()
    link.talk.tail = ""
    assert link.compose(("A", "B")) == ("A;:B",)
    assert link_to(table(), error_check="separate").compose(("A", "B")) == ("A", "B")


def one_at_a_time(message: Any) -> Said:
    """Answers the first command of a message, and nothing of what follows it."""
    first = message.split(";")[0]
    return {"*IDN?": [NAME], "VOLT?": ["1.5"], "SYST:ERR?": [EMPTY]}.get(first, [])


@pytest.mark.parametrize(
    ("say", "found"),
    [
        (lambda link: link.query("VOLT?"), "answered \"1.5\" to 'VOLT?'"),
        (lambda link: link.write("VOLT 1"), "no answer to 'VOLT 1'"),
    ],
)
def test_an_instrument_that_takes_one_command_at_a_time_is_told_as_that(
    say: Callable[[Any], object], found: str
) -> None:
    link = link_to(one_at_a_time)
    link.wire._answers = one_at_a_time
    with pytest.raises(InstrumentRefused) as refused:
        say(link)
    assert refused.value.found == found
    assert refused.value.hint is not None and '"separate"' in refused.value.hint


def test_one_that_answers_joined_messages_is_not_taken_for_one_that_does_not() -> None:
    """Whether it does is asked beside its identity, and not again once it has answered one."""
    both = {"*IDN?;:SYST:ERR?": [f"{NAME};{EMPTY}"], "SYST:ERR?": [EMPTY], "*IDN?": [NAME]}
    link = link_to(lambda m: both.get(m, []))
    link.wire._answers = lambda m: both.get(m, [])
    with pytest.raises(InstrumentSilent, match="no answer within 5 s to 'VOLT\\?'"):
        link.query("VOLT?")
    assert "*IDN?;:SYST:ERR?" in link.wire.sent
    assert link._errors.hint == ""
    link.wire.sent.clear()
    with pytest.raises(InstrumentSilent):
        link.query("VOLT?")
    assert "*IDN?;:SYST:ERR?" not in link.wire.sent
    assert "separate" in link_to(table())._errors.hint


@pytest.mark.parametrize(("answers", "refuses"), [(2, True), (1, False)])
def test_one_that_falls_silent_at_two_commands_is_asked_whether_its_queue_answers_at_all(
    answers: int, refuses: bool
) -> None:
    entries = iter([EMPTY] * answers)
    link = link_to(lambda m: [next(entries, cut(""))] if m == "SYST:ERR?" else [])
    assert link._errors.refuses_two() is refuses
    assert link.wire.sent == ["SYST:ERR?", "*IDN?;:SYST:ERR?", "*IDN?", "SYST:ERR?"]
    assert link.wire.times == [1.0, 1.0]  # no longer than a second for what may not come


def test_one_that_is_not_there_at_all_is_silent() -> None:
    link = link_to(table())
    link.wire._answers = table()
    with pytest.raises(InstrumentSilent):
        link._errors.refuses_two()


# --- speaking by itself, and two roles on one link ------------------------------------------------


def test_what_an_instrument_says_by_itself_is_the_next_whole_line_from_now_on() -> None:
    link = link_to(table(), error_check="none", time_out="2 s")
    lines = iter(["…rest of a line", "1.5", "1.6"])
    forgotten: list[int] = []
    link.wire.forget_what_came = lambda: forgotten.append(1)
    link.wire.receive = lambda length=None: next(lines)
    assert link.overheard() == "1.5"
    assert (forgotten, link.wire.times) == ([1], [2.0])
    lines = iter(["cut", "1.7"] * 2)
    link.overheard(0.5)
    link.overheard(3.0)
    assert link.wire.times == [2.0, 2.0, 3.0]


def test_a_link_that_two_roles_share_is_given_back_by_the_second() -> None:
    closed: list[int] = []
    link = link_to(table())
    link.wire.close = lambda: closed.append(1)
    assert link.share() is link
    link.close()
    assert closed == []
    link.close()
    assert closed == [1]


@pytest.mark.parametrize("now", [NAME, "ACME,SUPPLY,9,1.0"])
def test_a_link_that_is_opened_again_leads_to_the_same_instrument_or_is_not_used(now: str) -> None:
    link = link_to(table())
    reopened: list[int] = []
    link.wire.reopen = lambda: reopened.append(1)
    link.wire._answers = lambda m: [now] if m == "*IDN?" else []
    link.talk.owed = True
    if now == NAME:
        link.reopen()
        assert link.wire.sent == ["*IDN?", "*CLS"]
    else:
        with pytest.raises(WrongInstrument, match="ACME,SUPPLY,9"):
            link.reopen()
        assert link.wire.sent == ["*IDN?"]
    assert link.talk.owed is (now != NAME)
    assert (link.identity, reopened) == (NAME, [1])
