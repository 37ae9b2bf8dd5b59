"""An audit on paper, as the HTML that is set as a PDF."""

from __future__ import annotations

from django.template.loader import render_to_string

from core.models.accounts import Contractor
from faults.models.audit import AuditReport
from faults.pages.audit_view import figure_view, plot_views, question_words
from faults.selectors.audit import Audited

MOST_ROWS = 60
"""Of a figure on paper; the rest is in its CSV."""


def audit_paper(report: AuditReport, audited: Audited) -> str:
    """The whole report as one page of HTML that needs nothing from elsewhere. One query."""
    context = {
        "report": report,
        "contractor": Contractor.objects.get(pk=report.contractor_id),
        "asked": question_words(audited),
        "as_of": f"{report.as_of.astimezone(audited.zone):%-d %b %Y, %H:%M %Z}",
        "figures": [figure_view(one, MOST_ROWS) for one in audited.found.figures],
        "plots": plot_views(audited),
    }
    return render_to_string("faults/audit_paper.html", context)
