"""The few verifications and controls of an instrument that matter for some results, found among thousands of others.

Thousands of texts are searched for words, and few of them are decoded.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, Final

from daq.adapters.store.newest_runs import LATEST, shared_serials
from daq.adapters.store.reading import Reader
from daq.app.records.checks.audited_checks import Entry, entries_at

AT_FIRST: Final = 8
"""Number of passes that are looked up at first; the pass of the same geometry is almost always among them."""
Pairing = tuple[str, str, str]
"""Serial number, geometry ("" where its serial number is known) and serial number of the geometry."""


def pairing(serial: str, geometry: str, geometry_serial: str) -> Pairing:
    """Return an instrument with its measuring geometry; one with a serial number is the same under another name."""
    return serial, "" if geometry_serial else geometry, geometry_serial


PairOfCheck = tuple[Pairing, bool]
"""Instrument and measuring geometry of a check, and whether they were simulated."""


def pair_of_check(e: Entry, data: Mapping[str, Any]) -> PairOfCheck:
    """Return the pair of a check as one of its judgements has it."""
    return _pairing_of(data), e.simulated


def later_pairs(e: Entry) -> set[PairOfCheck]:
    """Return the pairs of later results that a check may put in doubt: it passed for them, and does not now."""
    found = {pair_of_check(e, data) for data, _ in e.taken_back}
    return found | {pair_of_check(e, e.data)} if e.is_control and e.is_withdrawn else found


class CheckTrail:
    """The judgements of an instrument of which some may decide what is in doubt.

    Those under another name are among them, where a serial number was connected under both names.

    Almost every run was judged once and passed.  Those are looked up one by one where they matter; the others are read.
    """

    def __init__(self, reader: Reader, instrument: str) -> None:
        self._reader, self.instrument = reader, instrument
        self._shared = shared_serials(reader.rows, instrument)
        self._others: dict[str, Entry] = {}
        """Runs that did not pass, or were judged more than once."""
        self._seqs: set[int] = set()
        seqs: dict[str, set[int]] = {}
        for seq, run in self._rows(_NOT_PLAIN):
            seqs.setdefault(run, set()).add(seq)
        for run, found in seqs.items():
            found |= {seq for (seq,) in reader.rows(_FIRST, [run])}
            self._seqs |= found
            (self._others[run],) = entries_at(reader, sorted(found))
        failed = [run for run, e in self._others.items() if not e.data["passed"]]
        self._last_failed = max((seq for run in failed for seq in seqs[run]), default=0)
        self._reaches_later = any(e.is_withdrawn for e in self._others.values())

    def _rows(self, sql: str, *more: int) -> list[tuple[Any, ...]]:
        """Return the rows of a query for each name of the instrument."""
        return [row for name in (self.instrument, *self._shared) for row in self._reader.rows(sql, [name, *more])]

    def _is_own(self, e: Entry) -> bool:
        """Return whether a check has the name of the instrument, or a serial number that was connected under both."""
        return e.instrument == self.instrument or e.data["serial"] in self._shared.get(e.instrument, ())

    def may_reach(self, seq: int) -> bool:
        """Return whether a judgement may put a result in doubt, whose run this audit entry concluded.

        A pass that was taken back puts later results in doubt, too.
        """
        return self._reaches_later or self._last_failed >= seq

    def is_check(self, run: str) -> bool:
        """Return whether a run was a verification or control of the instrument."""
        return run in self._others or bool(self._reader.rows(_FIRST, [run]))

    def judged(self, run: str) -> Entry | None:
        """Return a verification or control of the instrument as it is judged now; None where the run was none."""
        found = self._others.get(run)
        if found is None:
            found = next(iter(entries_at(self._reader, [seq for (seq,) in self._reader.rows(_FIRST, [run])])), None)
        return found

    def deciding(self) -> list[Entry]:
        """Return the entries that decide what is in doubt, oldest first.

        They are those that did not pass or were taken back, each with the pass of the same kind, instrument and
        geometry before it; with the one after it where it was taken back.  For them
        `daq.app.records.checks.doubts.window` is the same as with all entries.
        """
        taken: dict[str, Entry] = {}
        for e in self._others.values():
            if e.data["passed"] and not e.is_withdrawn:
                continue
            found = [self._pass_like(e, _full_pair(e), later=False)]
            found += [self._pass_like(e, pair, later=True) for pair in later_pairs(e)]
            taken |= {one.run: one for one in (e, *found) if one is not None}
        return sorted(taken.values(), key=lambda e: e.seq)

    def around(self, first_utc_ns: int, last_utc_ns: int, without: Callable[[str], bool]) -> list[Entry]:
        """Return the verifications in a span of time, with the newest one before it and the first one after it.

        Args:
            first_utc_ns: begin of the span, UTC.
            last_utc_ns: end of the span, UTC.
            without: tells whether a run is left out.
        """
        places = [(seq, t) for seq, t in self._rows(_VERIFIED) if seq not in self._seqs]
        places += [(e.seq, e.utc_ns) for e in self._others.values() if not e.is_control]
        places.sort()

        def read(found: Iterable[tuple[int, int]]) -> Iterator[Entry]:
            known = {e.seq: e for e in self._others.values()}
            entries = (known.get(seq) or entries_at(self._reader, [seq])[0] for seq, _ in found)
            return (e for e in entries if self._is_own(e) and not without(e.run))

        before = next(read(p for p in reversed(places) if p[1] < first_utc_ns), None)
        after = next(read(p for p in places if p[1] > last_utc_ns), None)
        between = list(read(p for p in places if first_utc_ns <= p[1] <= last_utc_ns))
        return [*([] if before is None else [before]), *between, *([] if after is None else [after])]

    def _pass_like(self, e: Entry, pair: PairOfCheck, *, later: bool) -> Entry | None:
        """Return the nearest pass of a pair before an entry, or after it, of the same kind.

        It has the name of the entry, or that of the results: see `daq.app.records.checks.doubts.reach`.
        """

        def alike(o: Entry) -> bool:
            return (
                bool(o.passed)
                and o.is_control == e.is_control
                and _full_pair(o) == pair
                and o.instrument in (e.instrument, self.instrument)
            )

        own = [o for o in self._others.values() if alike(o) and (o.seq > e.seq) == later and o.run != e.run]
        nearest = min(own, key=lambda o: abs(o.seq - e.seq), default=None)
        sql, end = (_LATER, LATEST) if later else (_EARLIER, 0)
        for name in dict.fromkeys((e.instrument, self.instrument)):
            if nearest is not None:
                end = nearest.seq
            place, size, found = e.seq, AT_FIRST, None
            while found is None and (page := self._reader.rows(sql, [name, min(place, end), max(place, end), size])):
                place, found = page[-1][0], self._first_of(page, pair[0], alike)
                size *= 2
            nearest = found or nearest
        return nearest

    def _first_of(
        self, page: list[tuple[Any, ...]], pair: Pairing, alike: Callable[[Entry], bool | None]
    ) -> Entry | None:
        for seq, text in page:
            data = json.loads(text)
            if data["run"] not in self._others and _pairing_of(data) == pair:
                (found,) = entries_at(self._reader, [seq])
                if alike(found):
                    return found
        return None


def _pairing_of(data: Mapping[str, Any]) -> Pairing:
    return pairing(data["serial"], data["geometry"], data["geometry_serial"])


def _full_pair(e: Entry) -> PairOfCheck:
    return pair_of_check(e, e.data)


_OF_INSTRUMENT: Final = (
    "FROM audit AS a INDEXED BY audit_verifications {}WHERE a.what = 'verification' AND a.subject = ? "
)
_NOT_PLAIN: Final = (
    # A run was judged once where the entry of its end follows its judgement: both are of one transaction.  Texts of the
    # audit trail are canonical JSON.  A quotation mark within a value has a backslash before it, so no other place of
    # the text is equal to a passed judgement.
    "SELECT a.seq, json_extract(a.detail, '$.run') "
    + _OF_INSTRUMENT.format("LEFT JOIN audit AS n ON n.seq = a.seq + 1 ")
    + "AND (instr(a.detail, '\"passed\":true') = 0 OR n.what IS NOT 'run_concluded')"
)
_FIRST: Final = (
    "SELECT a.seq FROM audit AS n JOIN audit AS a ON a.seq = n.seq - 1 AND a.what = 'verification' "
    "AND json_extract(a.detail, '$.run') = n.subject WHERE n.subject = ? AND n.what = 'run_concluded'"
)
_VERIFIED: Final = (
    "SELECT a.seq, a.utc_ns " + _OF_INSTRUMENT.format("") + 'AND instr(a.detail, \'"kind":"control"\') = 0'
)
_PASSED: Final = (
    "SELECT a.seq, a.detail "
    + _OF_INSTRUMENT.format("")
    + "AND a.seq > ? AND a.seq < ? AND instr(a.detail, '\"passed\":true') ORDER BY a.seq "
)
_EARLIER: Final = _PASSED + "DESC LIMIT ?"
_LATER: Final = _PASSED + "LIMIT ?"
