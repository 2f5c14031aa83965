"""The query about the newest trial of an instrument without a driver, and the ports that one can use."""

from typing import Any, Final

from daq.app.daemon.queries.desk_asked import Nothing
from daq.app.daemon.queries.query import Query, Sources
from daq.app.daemon.trials.free_ports import listed_ports
from daq.app.daemon.trials.trial_file import read_report
from daq.app.screens.text import utc_iso


def _trial(sources: Sources, _asked: Nothing) -> dict[str, Any]:
    """Return the listed ports, each with the instrument that has it, and the newest trial, or null."""
    ports = listed_ports(sources.catalogue().instruments.values())
    report = read_report(sources.reader.path.parent, sources.utc_ns)
    found = None if report is None else report.model_dump(mode="json") | {"began": utc_iso(report.began_utc_ns)}
    return {"ports": [{"name": name, "instrument": owner} for name, owner in ports.items()], "trial": found}


QUERIES: Final[tuple[Query[Any], ...]] = (Query("driver_trial", Nothing, "administer", _trial),)
