"""Search of runs by any combination of conditions, newest first, in a time that does not grow with the database."""

import sys
from dataclasses import dataclass
from typing import Any, Final

from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.adapters.store.schema import VERDICT
from daq.app.screens.text import local_time, plain

MOST_EXAMINED: Final = 5_000
"""Greatest number of runs that one search of a list examines: 50 ms of the processor."""
ALL: Final = sys.maxsize
"""The bound of a search that examines all runs of its conditions, for a sheet of one day or a notebook."""
AT_FIRST: Final = 20
"""Number of runs that the first statement of a search examines, or the number that is asked; each next takes twice."""
AT_ONCE: Final = 500
"""Greatest number of runs that one statement examines."""
MOST_NAMES: Final = 20
"""Greatest number of names that are listed where a search found nothing."""
RUNNING: Final = "running"
"""The outcome by which a person asks for runs that have none yet."""
OUTCOMES: Final = ("complete", "stopped", "interrupted", "failed", RUNNING)
DECLARED: Final = ("sample", "lot", "product", "operator")
"""Conditions on what a correction may declare anew."""
FEW: Final = 1_000
"""Number of runs or results up to which those of one condition are counted, to walk along the rarest condition."""
_LAST: Final = 2**63 - 1
"""Largest integer of SQLite."""
_OF_VERDICT: Final = (
    f"EXISTS (SELECT 1 FROM results AS v WHERE v.run = r.id AND {VERDICT.replace('data', 'v.data')} = ? "  # noqa: S608 - our names
    "AND NOT EXISTS (SELECT 1 FROM results AS c WHERE c.supersedes = v.id))"
)
"""Condition on a run ``r``: the verdict of its newest result."""
_INDEXED: Final = ("sample", "lot", "outcome", "product", "operator", "instrument")
"""Columns with an index by value and time, those with few runs of a value first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSearch:
    """Conditions on runs, all of which hold; "" and None mean no condition.

    Attributes:
        sample, lot, product, operator, instrument: text of the run, exactly.
        outcome: ``complete``, ``stopped``, ``interrupted``, ``failed``, or ``running`` for runs without one yet.
        verdict: verdict of the newest result, as the data have it: ``outside``.
        since_utc_ns, until_utc_ns: the start of the run lies between them, both included.
    """

    sample: str = ""
    lot: str = ""
    product: str = ""
    operator: str = ""
    instrument: str = ""
    outcome: str = ""
    verdict: str = ""
    since_utc_ns: int | None = None
    until_utc_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Condition:
    """A search in SQL, on a table `runs` with the name ``r``.

    Attributes:
        walked: condition that an index answers, with the time and the place to go on from.
        found: condition on each run that the index gives.
        parameters: of `found`, then of `walked` without time and place.
    """

    walked: str
    found: str
    parameters: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """Runs that a search found, newest first.

    Attributes:
        examined: number of runs that were examined.
        reached_utc_ns: start of the last one examined, where the search ended at its bound and older runs were
            not examined; None where all were.
    """

    runs: list[RunRecord]
    examined: int
    reached_utc_ns: int | None


def rarest(reader: Reader, asked: RunSearch) -> str:
    """Return the column with the fewest runs, or ``verdict`` where few results have it; "" where no condition has few.

    Without this, two conditions that many runs satisfy but no run satisfies both would examine all runs of one.
    """
    since, until = _span(asked)
    counts = {}
    for name in _INDEXED:
        value = getattr(asked, name)
        if value:
            sql = f"SELECT count(*) FROM (SELECT 1 FROM runs WHERE {name} = ? AND began_utc_ns BETWEEN ? AND ? LIMIT ?)"  # noqa: S608 - our names
            given = "" if (name, value) == ("outcome", RUNNING) else value
            ((counts[name],),) = reader.rows(sql, [given, since, until, FEW])
    if asked.verdict:
        sql = f"SELECT count(*) FROM (SELECT 1 FROM results WHERE {VERDICT} = ? LIMIT ?)"  # noqa: S608 - our names
        ((counts["verdict"],),) = reader.rows(sql, [asked.verdict, FEW])
    name = min(counts, key=lambda name: counts[name], default="")
    return name if name and counts[name] < FEW else ""


def condition(asked: RunSearch, rare: str = "") -> Condition:
    """Return the condition of a search in SQL; `rare` as `rarest` returns it.

    One column with an index chooses the runs to examine.  The sign + keeps SQLite from using another index, whose
    order of rows is not that of time.
    """
    given = {name: getattr(asked, name) for name in _INDEXED if getattr(asked, name)}
    if given.get("outcome") == RUNNING:
        given["outcome"] = ""
    elif given.get("outcome") == "complete":
        # Almost every run is complete, so any other column leaves fewer runs.
        given["outcome"] = given.pop("outcome")
    first = rare if rare in given else next(iter(given), "")
    of_verdict = f"r.id IN (SELECT run FROM results WHERE {VERDICT} = ?) AND "  # noqa: S608 - our names
    if rare == "verdict":
        first = ""
    walked = (of_verdict if rare == "verdict" else f"r.{first} = ? AND " if first else "") + (
        "r.began_utc_ns BETWEEN ? AND ? AND (r.began_utc_ns, r.rowid) < (?, ?)"
    )
    rest = {name: value for name, value in given.items() if name != first}
    terms = [f"+r.{name} = ?" for name in rest]
    parameters = list(rest.values())
    if asked.verdict:
        terms.append(_OF_VERDICT)
        parameters.append(asked.verdict)
    if any(name in given for name in DECLARED):
        # A run that was declared anew is found under its newest declaration only.
        terms.append("NOT EXISTS (SELECT 1 FROM records AS d WHERE d.kind = 'declaration' AND d.id = r.id)")
    if first or rare == "verdict":
        parameters.append(given[first] if first else asked.verdict)
    return Condition(walked, " AND ".join(terms) or "1", tuple(parameters))


def statement(where: Condition) -> str:
    """Return the statement that examines runs, newest first; it takes times, the place to go on from, and a number."""
    return (
        f"SELECT r.id, r.rowid AS place, r.began_utc_ns AS began, {where.found} AS found FROM runs AS r "  # noqa: S608 - our names
        f"WHERE {where.walked} ORDER BY r.began_utc_ns DESC, r.rowid DESC LIMIT ?"
    )


def search(reader: Reader, asked: RunSearch, *, limit: int = -1, most: int | None = None) -> Found:
    """Return runs that satisfy all conditions, newest first.

    Args:
        reader: the database.
        asked: the conditions.
        limit: greatest number of runs; -1 means all.
        most: greatest number of runs that are examined, of those that an index gives; None means `MOST_EXAMINED`.

    Raises:
        StoreError: the database cannot be read.
    """
    where = condition(asked, rarest(reader, asked))
    sql = statement(where)
    since, until = _span(asked)
    ids: list[tuple[int, str]] = []
    examined, last = 0, (_LAST, _LAST)
    reached: int | None = None
    size = max(AT_FIRST, limit)
    most = MOST_EXAMINED if most is None else most
    while len(ids) != limit:
        size = min(size, AT_ONCE, most - examined)
        if size <= 0:
            reached = last[0] if _any_older(reader, sql, where, (since, until, *last)) else None
            break
        rows = reader.query(sql, [*where.parameters, since, until, *last, size])
        examined += len(rows)
        for row in rows:
            if row["found"] and len(ids) != limit:
                ids.append((row["began"], row["id"]))
        if len(rows) < size:
            break
        last = (rows[-1]["began"], rows[-1]["place"])
        size *= 2
    ids += _declared_anew(reader, asked, limit)
    ids.sort(key=lambda found: found[0], reverse=True)
    shown = ids if limit < 0 else ids[:limit]
    return Found([run for _, i in shown if (run := reader.run(i)) is not None], examined, reached)


def _declared_anew(reader: Reader, asked: RunSearch, limit: int) -> list[tuple[int, str]]:
    """Return start (UTC ns) and id of at most `limit` runs whose newest declaration satisfies a search, newest first.

    Runs that were declared anew are found by the keys of their declarations; no declaration is read.
    """
    (name, value), *others = [(n, v) for n in DECLARED if (v := getattr(asked, n))] or [("", "")]
    if not name:
        return []
    same = "AND EXISTS (SELECT 1 FROM record_keys WHERE kind = 'declaration' AND name = ? AND value = ? AND id = r.id)"
    terms = [same] * len(others)
    parameters: list[Any] = [name, value, *_span(asked), *(text for other in others for text in other)]
    if asked.instrument:
        terms.append("AND r.instrument = ?")
        parameters.append(asked.instrument)
    if asked.outcome:
        terms.append("AND r.outcome = ?")
        parameters.append("" if asked.outcome == RUNNING else asked.outcome)
    if asked.verdict:
        terms.append(f"AND {_OF_VERDICT}")
        parameters.append(asked.verdict)
    # CROSS JOIN keeps the order of the tables, and the sign + the look-up of each run by its id.
    sql = (
        "SELECT r.began_utc_ns, r.id FROM record_keys AS k CROSS JOIN runs AS r ON r.id = k.id "  # noqa: S608 - our names
        "WHERE k.kind = 'declaration' AND k.name = ? AND k.value = ? AND +r.began_utc_ns BETWEEN ? AND ? "
        f"{' '.join(terms)} ORDER BY r.began_utc_ns DESC, r.rowid DESC LIMIT ?"
    )
    return [(began, run) for began, run in reader.rows(sql, [*parameters, limit])]


def _span(asked: RunSearch) -> tuple[int, int]:
    since = -_LAST if asked.since_utc_ns is None else asked.since_utc_ns
    return since, _LAST if asked.until_utc_ns is None else asked.until_utc_ns


def _any_older(reader: Reader, sql: str, where: Condition, rest: tuple[Any, ...]) -> bool:
    return bool(reader.query(sql, [*where.parameters, *rest, 1]))


def absent(reader: Reader, asked: RunSearch) -> list[str]:
    """Return a line for each condition of a search that found nothing: its newest run, or the values that there are."""
    out = []
    for name in (*_INDEXED, "verdict"):
        value = getattr(asked, name)
        if not value:
            continue
        found = search(reader, RunSearch(**{name: value}), limit=1)
        if found.runs:
            out.append(f"{name} {plain(value)}: newest run {local_time(found.runs[0].began_utc_ns)}")
        elif found.reached_utc_ns is not None:
            out.append(f"{name} {plain(value)}: no run since {local_time(found.reached_utc_ns)}")
        else:
            out.append(f"{name} {plain(value)}: no run{_so_far(reader, name)}")
    if asked.since_utc_ns is not None or asked.until_utc_ns is not None:
        newest = reader.runs(limit=1)
        span = f"from {local_time(asked.since_utc_ns)}" if asked.since_utc_ns is not None else ""
        span += f" to {local_time(asked.until_utc_ns)}" if asked.until_utc_ns is not None else ""
        last = f"the newest run started {local_time(newest[0].began_utc_ns)}" if newest else "there is no run yet"
        out.append(f"{span.strip()}: {last}")
    return out


def _so_far(reader: Reader, name: str) -> str:
    if name not in ("instrument", "product", "operator"):
        return ""
    used = reader.values_of_runs(name, MOST_NAMES + 1)
    more = " and more" if len(used) > MOST_NAMES else ""
    return f"; so far: {', '.join(map(plain, used[:MOST_NAMES])) or 'none'}{more}"
