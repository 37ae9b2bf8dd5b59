"""Reading one finding."""

from __future__ import annotations

from core.problems import NotFound
from faults.models.trace import Finding
from faults.selectors.traces import finding_list


def finding_get(public_id: str) -> Finding:
    """A finding, superseded or not; trace and path joined: one query. Raises NotFound."""
    found = finding_list(with_superseded=True).filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no finding {public_id}.")
    return found
