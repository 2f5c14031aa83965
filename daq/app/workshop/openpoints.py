"""The points of a description that a person has not filled in yet, as a finding of the conformance kit."""

from collections.abc import Sequence

from daq.descriptions.guessing.remarks import open_points
from daq.testing.report import Finding


def open_finding(text: str) -> Sequence[Finding]:
    """Return the failed check of a description file with open points; nothing where it has none."""
    points = [f"line {number}: {what}" for number, what in open_points(text)]
    if not points:
        return ()
    what = "1 point is" if len(points) == 1 else f"{len(points)} points are"
    message = f"{what} not filled in, and no check can decide on them"
    do = "fill in each point and remove its remark; the file is refused in a configuration until then"
    return (Finding("filled in", "failed", message, tuple(points), do),)
