"""The one place that decides whether a person judges the person's own run."""

from daq.adapters.store.reading import Reader
from daq.adapters.store.records import revisions
from daq.adapters.store.rows import RunRecord
from daq.app.laboratory.laboratory import Laboratory
from daq.app.records.signatures import RUN, signatures_of
from daq.core.errors import NotAllowedError, coded
from daq.laboratory.declarations import Declaration
from daq.laboratory.people import Person


def measured_by(reader: Reader, run: RunRecord) -> frozenset[str]:
    """Return the ids, logins and names of those who measured a run.

    A person could declare another operator, and then review: each operator that was ever declared has measured.

    Raises:
        StoreError: a signature cannot be read.
    """
    started = reader.run_as_started(run.id) or run
    rows = reader.query("SELECT who FROM audit WHERE subject = ? AND what = 'run_started'", [run.id])
    declared = {str(r.data["operator"]) for r in revisions(reader, Declaration.kind, run.id)}
    signed = {s.by for s in signatures_of(reader, RUN, run.id) if s.meaning == "measured"}
    return frozenset(({run.operator, started.operator, *(str(r["who"]) for r in rows)} | declared | signed) - {""})


def is_of(person: Person, names: frozenset[str]) -> bool:
    """Return whether a person is among those who measured, by id, login or name."""
    return not names.isdisjoint({person.id, *person.logins, person.name} - {""})


def refuse_own(laboratory: Laboratory, reader: Reader, run: RunRecord, what: str) -> None:
    """Refuse an act that another person than the one who measured must do.

    Args:
        laboratory: the records, with the person who acts.
        reader: the database.
        run: the run.
        what: the act, for the text.

    Raises:
        NotAllowedError: the person measured the run, and people are switched on without `review_own`.
        StoreError: a signature cannot be read.
    """
    people = laboratory.catalogue.daemon.people
    person = None if laboratory.identified is None else laboratory.identified.person
    if not people.required or people.review_own or person is None:
        return
    if is_of(person, measured_by(reader, run)):
        error = NotAllowedError(
            f"{person.id} measured run {run.id[:8]}: {what} is for another person who reviews (review_own in [people] "
            "of daemon.toml)"
        )
        raise coded(
            error,
            "own_run",
            person=person.id,
            run=run.id[:8],
        )
