"""The query about the tokens of programs."""

from datetime import UTC, datetime
from typing import Any, Final

from daq.app.daemon.queries.asked import MOST_ROWS
from daq.app.daemon.queries.desk_asked import Nothing
from daq.app.daemon.queries.query import Query, Sources
from daq.app.laboratory.programs.tokens import list_tokens


def _tokens(sources: Sources, _asked: Nothing) -> dict[str, Any]:
    """Return the tokens by name without their hashes; `more`: there are further ones (`daq token list`)."""
    day = datetime.fromtimestamp(sources.utc_ns / 1e9, UTC).astimezone().date().isoformat()
    rows = list_tokens(sources.reader, day, limit=MOST_ROWS + 1)
    return {"tokens": rows[:MOST_ROWS], "more": len(rows) > MOST_ROWS}


QUERIES: Final[tuple[Query[Any], ...]] = (Query("tokens", Nothing, "administer", _tokens),)
