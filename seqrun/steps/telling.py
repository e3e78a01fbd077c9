"""A step that measures nothing: it tells the person what to do next, when it applies."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar, Self

from pydantic import Field, model_validator

from seqrun.files.work import Work, contradiction
from seqrun.plan.cautions import OFF, POWERED
from seqrun.plan.context import Context
from seqrun.plan.contract import Step, Yielded
from seqrun.plan.needs import Needs
from seqrun.plan.view import BenchView
from seqrun.quantity import custom_error


class Tell(Step):
    """Say a text and keep it among the run's notes; ``only_if`` says when it applies."""

    kind: ClassVar[str] = "tell"
    yields: ClassVar = ()

    text: str = Field(min_length=1, max_length=400)
    work: Work | None = Field(
        None, description="what it sends somebody to: a unit that is off, or one that is powered"
    )

    @model_validator(mode="after")
    def _as_declared(self) -> Self:
        if words := contradiction(self.text, self.work):
            raise custom_error(f"work = \"off\", and the text says '{words}'", 'work = "powered"')
        return self

    def needs(self, view: BenchView) -> Needs:
        return Needs(seconds=0.0)

    def perform(self, ctx: Context) -> Iterator[Yielded]:
        told = {"off": OFF, "powered": f"{POWERED} {OFF}"}.get(self.work or "")
        ctx.say(self.text)
        if told and not ctx.kept(told):  # once a run
            ctx.say(f"CAUTION  {told}")
            ctx.keep(told, True)
        yield from ()
