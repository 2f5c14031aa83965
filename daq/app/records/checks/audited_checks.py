"""Verifications and controls of an instrument from the audit trail, each as it is judged now.

An instrument has thousands of them after some years.  Each costs two look-ups and the decoding of a small text; the
levels are decoded only where they are shown.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import TYPE_CHECKING, Any, Final

from daq.adapters.store.newest_runs import names_of_instrument, shared_serials
from daq.adapters.store.reading import Reader
from daq.core.encoding import decode

if TYPE_CHECKING:
    from daq.methods.files.instrument import Instrument
    from daq.methods.messages.doubting import Doubt
    from daq.methods.planning.standing import AuditedVerification, Pair, Verified

CONTROL: Final = "control"
NOT_AUTHORISED: Final = "not_authorised"
_TEXTS: Final = ("run", "condition", "fluid", "lot", "geometry", "geometry_serial", "serial")
"""Texts of a detail that a judgement needs."""
_texts_of: Final = itemgetter(*_TEXTS)


@dataclass(frozen=True, slots=True)
class Entry:
    """One verification or control in the audit trail.

    Attributes:
        seq, utc_ns, who: number, time and person of the audit entry of its run.
        data: detail of the newest judgement, as JSON values.
        instrument: the name of the instrument, then.
        not_authorised: the operator of its run, as recorded or as corrected, had no authorisation for its method.
        method: id of the method of its run; "" where the run is not known.
        began_utc_ns: start of its run.
        simulated: it was measured on a simulated instrument: it says nothing about a real one.
        counts: detail of the pass that it is now; None where it is none.
        taken_back: passes that it was before and is not any more, each as its detail with the number of the audit entry
            that took it back.  Results were Good because of them.
    """

    seq: int
    utc_ns: int
    who: str
    data: Mapping[str, Any]
    instrument: str
    not_authorised: bool = False
    method: str = ""
    began_utc_ns: int = 0
    simulated: bool = False
    counts: Mapping[str, Any] | None = None
    taken_back: tuple[tuple[Mapping[str, Any], int], ...] = ()

    @property
    def detail(self) -> "AuditedVerification":
        """The newest judgement, decoded; `SettingError` where it is damaged."""
        from daq.methods.planning.standing import AuditedVerification  # lists of runs do without it

        return decode(AuditedVerification, dict(self.data))

    @property
    def run(self) -> str:
        """The id of its run."""
        return str(self.data["run"])

    @property
    def ident(self) -> str:
        """Its name among what puts results in doubt: the id of its run."""
        return self.run

    @property
    def verified(self) -> "Verified":
        """The newest judgement as `daq.methods.planning.standing` takes it, at the time of its run."""
        from daq.methods.planning.standing import Verified

        return Verified(utc_ns=self.utc_ns, passed=bool(self.data["passed"]), **{n: self.data[n] for n in _TEXTS})

    @property
    def passed(self) -> bool | None:
        """True if it passed; None if it was not decided, or passed without an authorisation."""
        passed: bool | None = self.data["passed"]
        return None if passed and self.not_authorised else passed

    def counts_for(self, instrument: "Instrument | None") -> bool:
        """Return whether it counts for an instrument: a pass on a simulated one does for such a one only."""
        return not self.passed or instrument is None or self.simulated == instrument.simulated

    @property
    def is_control(self) -> bool:
        """True if it is a control of a shift, and no verification."""
        return self.data.get("kind") == CONTROL

    @property
    def is_withdrawn(self) -> bool:
        """True if it passed once, and does not count as that pass any more."""
        return bool(self.taken_back)

    @property
    def doubt(self) -> "Doubt | None":
        """The fault of the results that it puts in doubt; None where it puts none in doubt."""
        if self.passed is False:
            return "control_failed_later" if self.is_control else "verification_failed_later"
        if not self.is_withdrawn:
            return None
        return "control_withdrawn_later" if self.is_control else "verification_withdrawn_later"


def checks(reader: Reader, instrument: str, *, own_passes: bool = False) -> list[Entry]:
    """Return all verifications and controls of an instrument, oldest first: each as judged last, at its run's time.

    Those under another name of it are among them, with a serial number that was connected under both names; with
    `own_passes` only those that it did not pass.  Such a pass may end the reach of a failure, but no instrument is
    verified by it: another one may have the same serial number.
    """
    return _of_all_names(reader, instrument, _OF_INSTRUMENT + _ORDER, own_passes=own_passes)


def entries(reader: Reader, instrument: str) -> list[Entry]:
    """Return all verifications of an instrument, as `checks` with `own_passes`."""
    # Controls are many more: one each shift.
    return _of_all_names(reader, instrument, _OF_INSTRUMENT + _NO_CONTROL + _ORDER, own_passes=True)


def _of_all_names(reader: Reader, instrument: str, sql: str, *, own_passes: bool) -> list[Entry]:
    found = _judged_last(_entry(reader, row) for row in reader.rows(sql, [instrument]))
    shared = shared_serials(reader.rows, instrument)
    for name, serials in shared.items():
        other = _judged_last(_entry(reader, row) for row in reader.rows(sql, [name]))
        found += [e for e in other if e.data["serial"] in serials and not (own_passes and e.passed)]
    return sorted(found, key=lambda e: e.seq) if shared else found


def entries_at(reader: Reader, seqs: Iterable[int]) -> list[Entry]:
    """Return the verifications and controls with judgements at these numbers of the audit trail, each judged last."""
    rows = [row for seq in seqs for row in reader.rows(_COLUMNS + _JOINED + "WHERE a.seq = ?", [seq])]
    return _judged_last(_entry(reader, row) for row in rows)


_COLUMNS: Final = (
    "SELECT a.seq, a.utc_ns, a.who, a.subject, a.detail, "
    # The declaration of a corrected run as it was at that judgement: both are of one transaction.
    "(SELECT json_array_length(d.data, '$.not_authorised') FROM records AS d WHERE d.kind = 'declaration' "
    "AND d.id = json_extract(a.detail, '$.run') AND d.audit_seq < a.seq ORDER BY d.revision DESC LIMIT 1), "
    "r.attribution, r.method_id, r.began_utc_ns, r.simulated FROM audit AS a "
)
_JOINED: Final = "LEFT JOIN runs AS r ON r.id = json_extract(a.detail, '$.run') "
_OF_INSTRUMENT: Final = (
    # The planner may take the index of all entries of a subject, of which an instrument has many more.
    _COLUMNS + "INDEXED BY audit_verifications " + _JOINED + "WHERE a.what = 'verification' AND a.subject = ?"
)
_NO_CONTROL: Final = " AND coalesce(json_extract(a.detail, '$.kind'), '') <> 'control'"
_ORDER: Final = " ORDER BY a.seq"


def _judged_last(audited: Iterable[Entry]) -> list[Entry]:
    found: dict[str, Entry] = {}
    for e in audited:
        first = found.get(e.run)
        found[e.run] = e if first is None else _judged_again(first, e)
    return list(found.values())


def _judged_again(before: Entry, e: Entry) -> Entry:
    """Return an entry after one more judgement: it may fail, be undecided, or pass for another pair."""
    taken_back = before.taken_back
    if before.counts is not None and (e.counts is None or _counted(e.counts) != _counted(before.counts)):
        taken_back += ((before.counts, e.seq),)
    if e.counts is not None:  # it counts again as it did before
        taken_back = tuple(t for t in taken_back if _counted(t[0]) != _counted(e.counts))
    return replace(before, data=e.data, not_authorised=e.not_authorised, counts=e.counts, taken_back=taken_back)


def _counted(data: Mapping[str, Any]) -> tuple[object, ...]:
    """Return for which instrument, measuring geometry and control fluid a pass counts."""
    # A geometry with a serial number is the same under another name.
    geometry = data["geometry_serial"] or data["geometry"]
    own = (data["serial"], geometry, bool(data["geometry_serial"]))
    return (*own, data["fluid"]) if data.get("kind") == CONTROL else own


def _entry(reader: Reader, row: tuple[Any, ...]) -> Entry:
    seq, utc_ns, who, instrument, text, not_authorised, *start = row
    data = json.loads(text)
    if not _is_sound(data):
        from daq.methods.planning.standing import AuditedVerification

        decode(AuditedVerification, data)  # raises the error that names the damage
    if start[0] is None:
        start = list(start_of(reader, data["run"]))
    attribution, method, began, simulated = start
    unknown = attribution == NOT_AUTHORISED or bool(not_authorised)
    passed = bool(data["passed"]) and not unknown and bool(method)
    counts = data if passed else None
    return Entry(seq, utc_ns, who, data, instrument, unknown, method, began, bool(simulated), counts)


def _is_sound(data: Any) -> bool:
    """Return whether what a judgement needs is there; the levels are checked where they are decoded."""
    try:
        texts, passed = _texts_of(data), data["passed"]
    except (KeyError, TypeError):
        return False
    return {*map(type, texts)} == {str} and (passed is None or passed is True or passed is False)


def start_of(reader: Reader, run: str) -> tuple[str, str, int, bool]:
    """Return attribution, id of the method and start of a run, and whether it was simulated, from the audit trail.

    An archive has the first audit entry of other runs only.
    """
    rows = reader.query(
        "SELECT utc_ns, detail FROM audit WHERE subject = ? AND what = 'run_started' ORDER BY seq LIMIT 1", [run]
    )
    if not rows:
        return "", "", 0, False
    started = json.loads(rows[0]["detail"])
    attribution, method = str(started.get("attribution", "")), str(started.get("method_id", ""))
    return attribution, method, int(rows[0]["utc_ns"]), bool(started.get("simulated"))


def all_checked(reader: Reader, instrument: str) -> set[str]:
    """Return the runs of all verifications and controls of an instrument, under all of its names."""
    sql = (
        "SELECT json_extract(detail, '$.run') FROM audit INDEXED BY audit_verifications "
        "WHERE what = 'verification' AND subject = ?"
    )
    return {run for name in names_of_instrument(reader, instrument) for (run,) in reader.rows(sql, [name])}


def last_seq(reader: Reader, instrument: str) -> int:
    """Return the number of an instrument's newest judgement in the audit trail; 0 without one."""
    rows = reader.rows(
        "SELECT max(seq) FROM audit INDEXED BY audit_verifications WHERE what = 'verification' AND subject = ?",
        [instrument],
    )
    return int(rows[0][0] or 0)


def audited_check(reader: Reader, seq: int) -> Entry:
    """Return a verification or control as one judgement has it, by its number in the audit trail."""
    return entries_at(reader, [seq])[0]


def pair_of(instrument: "Instrument", serial: str | None) -> "Pair":
    """Return an instrument with the measuring geometry that is fitted."""
    from daq.methods.planning.standing import Pair

    fitted = instrument.geometry
    return Pair(serial or "", instrument.fitted or "", "" if fitted is None else fitted.serial or "")
