"""One number asked of a person: shown again, explained, refused when it cannot be, corrected."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from seqrun.errors import Interrupted, NotMeasured
from seqrun.files.bench.file import Bench
from seqrun.instruments.desk import Impossible, Question, Typed
from seqrun.plan.context import Key
from seqrun.runner.prompts import AGAIN, END, Asked, Prompt
from seqrun.values import TYPED, Reading

QUIT = ("q", "quit")
CANNOT = "-"


def ask_reading(
    question: Question,
    ask: Callable[[str], str],
    say: Callable[[str], None],
    fresh: Callable[[], None],
) -> Typed:
    """Ask until what is typed can be what the instrument shows, and was kept.

    Args:
        ask: shows a prompt and returns what was typed.
        say: shows a text.
        fresh: called before each prompt: what was typed until then does not answer it.

    Raises:
        Interrupted: the person ended the run.
        NotMeasured: it cannot be read, or shows overload.
    """

    def show() -> None:
        say(f"READ  {question.words}")

    def prompted(prompt: str) -> str:
        fresh()
        text = ask(prompt).strip()
        if text.lower() in QUIT:
            raise Interrupted("the operator ended the run at a reading")
        return text

    line = f"what it shows{f' ({question.unit})' if question.unit else ' (y or n)'}, ? for help: "
    yes_or_no = () if question.unit else (Key("y", "yes"), Key("n", "no"))
    keys = (*yes_or_no, AGAIN, Key(CANNOT, "it cannot be read"), END)
    prompt = Prompt(
        line, Asked("read", question.words, keys, why=_help(question), question=question)
    )
    show()
    text = prompted(prompt)
    while True:
        if text == "?":
            say(_help(question))
        elif text.lower() in ("", "r"):
            show()
        elif text == CANNOT:
            raise NotMeasured("the operator could not read it", expected=question.words)
        else:
            try:
                typed = question.understand(text)
            except Impossible as problem:
                say(f"{problem.found}; expected {problem.wanted}")
            else:
                doubt = question.doubt(typed)
                taken = question.shown(typed.value)
                if typed.range is not None:
                    taken += f" on {question.shown(typed.range)}"
                if doubt:
                    say(f"LOOK AGAIN  {taken} is {doubt}.")
                look = f"LOOK AGAIN  {taken} is {doubt}." if doubt else f"{taken}: is that right?"
                keep = Asked("keep", look, (Key("", f"keep {taken}"), END), question=question)
                text = prompted(Prompt(f"{taken}: Enter to keep it, or type it again: ", keep))
                if text == "":
                    return typed
                continue
        text = prompted(prompt)


def _help(question: Question) -> str:
    lines = [f"Type what it shows, with its unit: {question.example}."]
    if not question.unit:
        lines = ["Type y or n."]
    if question.ranges:
        ranges = ", ".join(question.shown(one) for one in question.ranges)
        lines.append(f'The range may follow ("on ..."): {ranges}. OL when it shows overload.')
    lines.append("r shows the question again, - when it cannot be read, q ends the run.")
    return "\n".join(lines)


def marked(reading: Reading, bench: Bench) -> Reading:
    """A reading whose instruments tell which of them was read or set by hand."""
    by_hand = {key for key, entry in bench.instrument.items() if entry.by_hand}
    if by_hand.isdisjoint(reading.instruments):
        return reading
    names = (f"{name}{TYPED}" if name in by_hand else name for name in reading.instruments)
    return replace(reading, instruments=tuple(names))
