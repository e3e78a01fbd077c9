"""Hands: whoever moves leads and confirms that a thing was done or read.

On a real bench the operator, asked in words, one hookup at a time; on a simulated one virtual
hands, reached over the bench's own control resource; where there is a switch, the switch.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from typing import Protocol

from seqrun.errors import Interrupted, NotMeasured, UsageError
from seqrun.instruments.desk import Question, Setting, Typed
from seqrun.plan.context import MAINS, Key
from seqrun.plan.needs import Hookup, Leads
from seqrun.runner.again import ReadAgain
from seqrun.runner.lead_drawing import drawn
from seqrun.runner.presses import Presses, no_presses, terminal_presses
from seqrun.runner.prompts import END, Asked, Kind, Prompt
from seqrun.runner.reading_by_hand import QUIT, ask_reading
from seqrun.runner.typed import discard_typed
from seqrun.values import SKIPPED

LIVE_WARNING = (
    "THE UNIT IS POWERED OR STILL CHARGED. Insulated clips only, one hand, metal is hot, and a "
    "slip between two pins destroys an output device."
)


class Hands(Protocol):
    """Moves leads. ``by`` names who, for the record; ``live`` is True while the unit is powered
    or has not been seen to be discharged.

    Asked to move a lead, to turn a control or to confirm a thing done, hands may raise
    :class:`seqrun.runner.again.ReadAgain`: what was read last is then read once more.
    """

    by: str
    looks: bool  # whether somebody is there who can look at a lead

    def connect(self, hookup: Hookup, live: bool) -> None: ...

    def disconnect(self, terminal: str, words: str, live: bool) -> None: ...

    def turn(self, control: str, position: str, live: bool, words: str = "") -> None: ...

    def acknowledge(self, text: str, done: str = "done", leads: Leads = ()) -> None:
        """Have a text read or a thing done; ``done`` is what is confirmed, "read" or "done", and
        ``leads`` those that the text is about, to be drawn."""
        ...

    def again(self, text: str) -> bool:
        """Show what looks like a lead on a wrong place: True when it has been put right and is to
        be read again, False when the reading stands."""
        ...

    def see_on(self, text: str, leads: Leads) -> bool:
        """Have somebody look whether leads are where they belong, after a reading that one which
        has come off would also give. True: they are, and the reading stands. False: they are not,
        or nobody is there who looks."""
        ...

    def presses(self) -> AbstractContextManager[Presses]:
        """See :meth:`seqrun.plan.context.Context.presses`."""
        ...

    def set_by_hand(self, setting: Setting) -> None:
        """See :class:`seqrun.instruments.desk.Attendant`."""
        ...

    def read_by_hand(self, question: Question) -> Typed:
        """See :class:`seqrun.instruments.desk.Attendant`."""
        ...

    def urge(self, setting: Setting) -> None:
        """See :class:`seqrun.instruments.desk.Attendant`."""
        ...


class Operator:
    """Asks the person at the terminal.

    Args:
        ask: shows a text and returns the answer typed; raises EOFError when there is nobody.
        say: shows a text.
        fresh: called before a question is shown: what was typed until then does not answer it.
        presses: reads single keys.
    """

    by = "operator"
    looks = True

    def __init__(
        self,
        ask: Callable[[str], str],
        say: Callable[[str], None],
        fresh: Callable[[], None] = discard_typed,
        presses: Callable[[], AbstractContextManager[Presses]] = terminal_presses,
    ) -> None:
        self._ask, self._say, self._fresh = ask, say, fresh
        self._presses = presses

    def connect(self, hookup: Hookup, live: bool) -> None:
        self._confirm(f"HOOKUP  {hookup.words}", live, skip=True, kind="lead", leads=hookup.leads)

    def disconnect(self, terminal: str, words: str, live: bool) -> None:
        self._confirm(f"TAKE OFF  {terminal} - {words}", live, kind="off")

    def turn(self, control: str, position: str, live: bool, words: str = "") -> None:
        # The plug comes out, or the run ends there: nobody skips what makes the unit safe.
        unplugs = control == MAINS and position == "off"
        self._confirm(f"SET  {_setting(control, position, words)}", skip=not unplugs, kind="set")

    def acknowledge(self, text: str, done: str = "done", leads: Leads = ()) -> None:
        self._confirm(text, done=done, again=done != "read", leads=leads)

    def again(self, text: str) -> bool:
        keys = (Key("", "put right: read it again"), Key("k", "keep the reading"), END)
        asked = Asked("note", text, keys, why=_WHY_AGAIN)
        line = "Enter when put right: it is read again, k keeps the reading, q to end the run: "
        try:
            self._fresh()
            self._say(text)
            while True:
                answer = self._ask(Prompt(line, asked)).strip().lower()
                if answer in ("", "r"):
                    return True
                if answer == "k":
                    return False
                if answer in QUIT:
                    raise Interrupted("the operator ended the run at a reading")
                self._fresh()
                self._say(_WHY_AGAIN if answer == "?" else f"'{answer}' is none of Enter, k and q.")
        except (EOFError, OSError, ValueError):
            raise Interrupted("the terminal was closed while a lead was asked for") from None

    def see_on(self, text: str, leads: Leads) -> bool:
        self._confirm(text, done="they are all there", leads=leads)
        return True

    def presses(self) -> AbstractContextManager[Presses]:
        return self._presses()

    def set_by_hand(self, setting: Setting) -> None:
        self._confirm(f"SET BY HAND  {setting.words}", kind="set", again=False)

    def read_by_hand(self, question: Question) -> Typed:
        try:
            return ask_reading(question, self._ask, self._say, self._fresh)
        except (EOFError, OSError, ValueError):
            raise Interrupted("the terminal was closed while a reading was asked for") from None

    def urge(self, setting: Setting) -> None:
        with suppress(Exception):  # a terminal that is gone: the report of the safe state says it
            self._say(f"DO IT NOW  {setting.words}")

    def _skipped(self, text: str) -> NotMeasured:
        """What depends on it is not measured, which holds the unit; with the reason given."""
        why = ""
        while not any(letter.isalnum() for letter in why):
            self._fresh()
            asked = Asked("why", f"Why is it skipped? {text}", ())
            why = self._ask(Prompt("Why is it skipped? ", asked)).strip()
        return NotMeasured(f"{SKIPPED} ({why}): {text.splitlines()[0]}")

    def _confirm(
        self,
        text: str,
        live: bool = False,
        *,
        skip: bool = False,
        again: bool = True,
        done: str = "done",
        kind: Kind = "note",
        leads: Leads = (),
    ) -> None:
        keys = (
            Key("", "read, and it is so" if kind == "note" else "done"),
            *([Key("r", "read again")] if again else []),
            *([Key("s", "skip it")] if skip else []),
            END,
        )
        why = _what_for(live, again, skip)
        asked = Asked(kind, text, keys, live, why, leads)
        drawing = drawn(leads)
        means = [
            f"Enter when {done}",
            "r read again",
            "? what for",
            "s to skip",
            "q to end the run",
        ]
        line = ", ".join(m for m in means if (again or m[0] != "r") and (skip or m[0] != "s"))
        try:
            self._fresh()
            if live:
                self._say(LIVE_WARNING)
            self._say(text)
            if kind == "note" and drawing and _fits(f"{text}\n{drawing}"):
                self._say(drawing)
            while True:
                answer = self._ask(Prompt(f"{line}: ", asked)).strip().lower()
                if answer == "":
                    return
                if answer in QUIT:
                    raise Interrupted("the operator ended the run at a hookup")
                if answer == "r" and again:
                    raise ReadAgain
                if answer == "s" and skip:
                    raise self._skipped(text)
                self._fresh()
                if answer == "?":
                    for told in filter(None, (text, drawing, why)):
                        self._say(told)
                else:
                    self._say(f"'{answer}' is none of {line}.")
        except (EOFError, OSError, ValueError):  # ValueError: a stream that is closed
            raise Interrupted("the terminal was closed while a hookup was asked for") from None


def _fits(text: str) -> bool:
    """Whether a text and the prompt under it stand on one screen."""
    return len(text.splitlines()) + 2 <= shutil.get_terminal_size().lines


_WHY_AGAIN = (
    "What was read stays on record either way. If it is read again, the first reading no longer "
    "counts; if it is kept, it is judged as it is, and the run ends."
)


def _what_for(live: bool, again: bool, skip: bool) -> str:
    """What an answer comes to, for whoever asks."""
    if not again:
        return "Press Enter once you have read it; the run goes on then."
    told = (
        "The next reading is taken there; a lead in the wrong place would look like a fault of the "
        "unit. r: a lead of the step before was in the wrong place and is right now, so that step "
        "is read again; its first reading stays on record and no longer counts."
    )
    if live:
        told += f" {LIVE_WARNING}"
    if skip:
        told += " If it is skipped, what depends on it is not measured, and the unit is held."
    return told


class Assumed:
    """``--yes``: the person said beforehand that all standing leads are where they belong.

    That can be true of a lead that stays where it is for the whole run. One that would have to
    move, or a knob that would have to be turned, is not taken as done: what depends on it is not
    measured.

    Args:
        say: shows a text.
        standing: terminal -> node of the leads that stay
            (:attr:`seqrun.plan.actions.Plan.standing`).
    """

    by = "assumed by --yes"
    looks = False

    def __init__(self, say: Callable[[str], None], standing: Mapping[str, str]) -> None:
        self._say = say
        self._standing = standing

    def connect(self, hookup: Hookup, live: bool) -> None:
        for terminal, node in hookup.leads:
            if self._standing.get(terminal) != node:
                raise _unattended(f"{terminal} would have to be put on {node}")
        self._say(f"HOOKUP (taken as made)  {hookup.words}")

    def disconnect(self, terminal: str, words: str, live: bool) -> None:
        raise _unattended(f"{terminal} would have to be taken off - {words}")

    def turn(self, control: str, position: str, live: bool, words: str = "") -> None:
        raise _unattended(f"somebody would have to set {_setting(control, position, words)}")

    def acknowledge(self, text: str, done: str = "done", leads: Leads = ()) -> None:
        self._say(text)

    def again(self, text: str) -> bool:
        return False

    def see_on(self, text: str, leads: Leads) -> bool:
        return False

    def presses(self) -> AbstractContextManager[Presses]:
        return no_presses()

    def set_by_hand(self, setting: Setting) -> None:
        raise _unattended(f"somebody would have to set {setting.words}")

    def read_by_hand(self, question: Question) -> Typed:
        raise _unattended(f"somebody would have to read {question.words}")

    def urge(self, setting: Setting) -> None:
        self._say(f"DO IT NOW  {setting.words}")


def _setting(control: str, position: str, words: str) -> str:
    return f"{control} to {position}" + (f" - {words}" if words else "")


def _unattended(what: str) -> NotMeasured:
    return NotMeasured(
        f"{what}, and with --yes nobody does",
        expected="an operator at the terminal, or a switch that reaches it",
    )


def refuse_to_assume(moving: Mapping[str, Sequence[str]]) -> UsageError:
    """The refusal of ``--yes`` when leads would have to move during the run."""
    terminal, nodes = next(iter(moving.items()))
    return UsageError(
        f"--yes says that every lead is where it belongs, but {len(moving)} of them must move: "
        f"{terminal} to {', then '.join(nodes[:3])}{' …' if len(nodes) > 3 else ''}",
        expected="leads that can stay where they are for the whole run",
        hint="leave --yes out and be asked, add instruments or a switch, or use a sequence that "
        "moves nothing",
    )


def refuse_without_operator(plan_hookups: int) -> UsageError:
    """The refusal when nobody can be asked and nobody said that all hookups are made."""
    return UsageError(
        "there is no terminal to ask the operator at",
        expected=f"somebody to make {plan_hookups} hookups and read the cautions",
        hint="run it from a terminal, or add --yes if every hookup is made and will stay right",
    )
