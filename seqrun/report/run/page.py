"""One self-contained HTML page per run: no network, no script, printable on A4."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from seqrun.report.shared.assets import rendered, write
from seqrun.report.shared.glossary import explained
from seqrun.report.shared.summary import Summary, summarise
from seqrun.report.shared.verdicts import DISPOSITION_MARKS, counts, kept, tight, worst_first
from seqrun.values import Disposition, Verdict

if TYPE_CHECKING:
    from seqrun.record import RunData


def render_page(run: RunData | Summary, beside: Path | None = None) -> str:
    """The report on one run as HTML text. All text from files and people is escaped.

    Args:
        beside: folder that the page will lie in: what it plays is linked from there.
    """
    from markupsafe import Markup

    from seqrun.report.findings.words import section as findings_section
    from seqrun.report.run.curves import figures
    from seqrun.report.run.pictured import within
    from seqrun.report.run.playing import played
    from seqrun.report.shared import drawings

    summary = run if isinstance(run, Summary) else summarise(run)
    against = worst_first(summary.rows)
    disposition = summary.disposition or Disposition.ABORTED
    return rendered(
        "run/page.html.j2",
        "shared/page.css",
        s=summary,
        legend=Markup(drawings.legend_bar()),
        look=DISPOSITION_MARKS[disposition],
        disposition_svg=Markup(drawings.disposition_svg(disposition)),
        marks={verdict: Markup(drawings.mark_svg(verdict)) for verdict in Verdict},
        counts=counts(summary.rows),
        against=against,
        deciding=[
            (said, Markup(drawings.limit_bar(said.row)) if said.row else "")
            for said in summary.deciding
        ],
        tight=[(row, Markup(drawings.limit_bar(row))) for row in tight(summary.limits)],
        kept=[
            (words, nearest, [(row, Markup(drawings.limit_bar(row))) for row in rows])
            for words, nearest, rows in kept(summary.limits)
        ],
        words=explained(summary.rows, summary.coverage, summary.notes, times_u=True),
        findings=Markup(findings_section(summary)),
        figures=[
            (figure, played(figure.trace, summary, beside))
            for figure in figures(summary.traces, summary.facts, summary.rows)
        ],
        photos=within(summary.photos),
        conditions=summary.conditions,
        budgets=[row for row in summary.rows if row.budget],
    )


def write_page(run: RunData | Summary, path: Path) -> Path:
    """Write the page to ``path`` (UTF-8) and return it.

    Raises:
        FileError: the file cannot be written.
    """
    return write(render_page(run, path.parent), path)
