"""Results that count in no report, by what the result itself states.

Lists ask here, so this imports nothing of what a reportable result is computed with.
"""

from typing import Any, Final

from daq.methods.parts.statement import Statement, state

NOT_AUTHORISED: Final = "operator_not_authorised"
"""Code of the warning of a run by a person without an authorisation for its method."""


def never_counts(data: dict[str, Any]) -> tuple[Statement, ...]:
    """Return why a result counts in no report, whatever the other runs are; empty where it may count."""
    if data.get("verification"):
        return (state("is_verification"),)
    if data["sample"].get("sheared"):
        return (state("fill_was_sheared"),)
    origin = data.get("origin") or {}
    if origin.get("attribution") == "not_authorised":
        # The result names the persons: after a correction of the operator it may be the one who measured.
        stated = [w for w in data.get("warnings") or () if w["code"] == NOT_AUTHORISED]
        if stated:
            return tuple(Statement.model_validate(w) for w in stated)
        return (state(NOT_AUTHORISED, operator=origin["operator"] or "", method=data["method"]["id"]),)
    return ()
