"""Sequence numbers that continue: a database that was put back starts a new epoch before its first result."""

import structlog

from daq.adapters.store.epochs import StartEpoch
from daq.adapters.store.mark import MarkFile
from daq.adapters.store.store import Store

log = structlog.get_logger()


def continue_numbers(store: Store, utc_ns: int) -> None:
    """Start a new epoch where the mark shows that the database was put back, and keep the mark from now on.

    Raises:
        StoreError: the new epoch cannot be stored.  Results would then get numbers that consumers have seen.
    """
    mark = MarkFile(store.path)
    with store.reader() as reader:
        reason = mark.contradiction(reader)
    if reason:
        started = store.submit(StartEpoch(reason=reason, least=0, utc_ns=utc_ns)).result()
        mark.renew()
        what = "the database was put back; new results get numbers of a new epoch"
        log.error(what, reason=reason, epoch=started.epoch)
    store.on_audit = lambda seq, head: mark.write(store.uuid, store.epoch, seq, head)
