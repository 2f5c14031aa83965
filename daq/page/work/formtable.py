"""The forms of the desk: for each the act that it orders, the order from its fields, and the way back."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote, urlencode

from daq.core.errors import SettingError, coded
from daq.page.shown.calibrations import values_of

Fields = Mapping[str, str]
SAMPLE: Final = (
    "id", "product", "lot", "sampled_at", "due", "condition", "received_by", "bench", "remark",
)  # fmt: skip
CORRECTED: Final = ("sample", "product", "lot", "sampled_at", "operator", "geometry", "fluid")
RECORD: Final = "record."
"""Beginning of the name of a field with a record to sign: ``of|digest|id``."""


@dataclass(frozen=True, slots=True)
class Form:
    """A form.

    Attributes:
        act: the act that it orders.
        order: returns the order from its fields; raises `SettingError`.
        view: the view that has the form, shown again where the act is refused.
        back: returns the path on which the browser goes on, from the fields.
        pdf: the act returns a file.
    """

    act: str
    order: Callable[[Fields], dict[str, Any]]
    view: str
    back: Callable[[Fields], str] = lambda _: "/"
    pdf: bool = False


def _some(given: Fields, *names: str) -> dict[str, Any]:
    """Return those of some fields that are not empty."""
    return {name: given[name] for name in names if given.get(name, "").strip()}


def _whole(given: Fields, name: str) -> dict[str, int]:
    text = given.get(name, "").strip()
    if not text:
        return {}
    if not text.isascii() or not text.isdecimal() or len(text) > 9:
        raise coded(SettingError("is no whole number", key=name), "no_whole_number", field=name)
    return {name: int(text)}


def _new_sample(given: Fields) -> dict[str, Any]:
    order = {"id": given.get("id", "")} | _some(given, *SAMPLE) | _whole(given, "priority")
    if kept := _some(given, "retain", "discard_on"):
        order["retained"] = {"place": kept.get("retain", "")} | _some(given, "discard_on")
    if rework := _some(given, "rework_of", "added"):
        order["rework"] = {"of": rework.get("rework_of", ""), "added": rework.get("added", "")}
    return order


def _changed_sample(given: Fields) -> dict[str, Any]:
    """Return the order with the fields that differ from what the person saw; those are in fields ``was.NAME``."""
    names = [*SAMPLE[1:], "retain", "discard_on"]
    order: dict[str, Any] = {"id": given.get("id", ""), "because": given.get("because", "")}
    order |= {name: given[name] for name in names if name in given and given[name] != given.get(f"was.{name}", "")}
    if given.get("priority", "") != given.get("was.priority", ""):
        order |= _whole(given, "priority")
    return order | ({"discarded": True} if given.get("discarded") else {})


def _signed(given: Fields) -> list[dict[str, str]]:
    """Return the records that were chosen."""
    out = []
    for name, value in given.items():
        if name.startswith(RECORD):
            of, _, rest = value.partition("|")
            digest, _, ident = rest.partition("|")
            out.append({"of": of, "digest": digest, "id": ident})
    return out


def _measured(given: Fields) -> dict[str, Any]:
    return {"signed": _signed(given), "password": given.get("password", "")}


def _sign(given: Fields) -> dict[str, Any]:
    return _measured(given) | {"meaning": given.get("meaning", "")} | _some(given, "because")


def _corrected(given: Fields) -> dict[str, Any]:
    """Return the order with the facts that differ from what the person saw."""
    facts = {name: given[name] for name in CORRECTED if name in given and given[name] != given.get(f"was.{name}", "")}
    if not facts:
        raise coded(
            SettingError("no value differs from the stored one; change what is to be corrected"), "nothing_changed"
        )
    return facts | _of_run(given)


def _of_run(given: Fields) -> dict[str, Any]:
    return {name: given.get(name, "") for name in ("run", "because", "result")}


def _calibrated(given: Fields) -> dict[str, Any]:
    order: dict[str, Any] = {name: given.get(name, "") for name in ("piece", "certificate", "day")}
    order |= _some(given, "serial", "due", "found", "left", "because") | _whole(given, "in_doubt")
    values = values_of(given)
    return order | ({"values": values} if values else {})


def _trial(given: Fields) -> dict[str, Any]:
    order: dict[str, Any] = {name: given.get(name, "") for name in ("kind", "port", "send", "end")}
    frame = given.get("frame", "")
    bits = _whole({"data_bits": frame[:1]}, "data_bits") | _whole({"stop_bits": frame[2:]}, "stop_bits")
    order |= {"parity": frame[1:2]} | bits | _whole(given, "baud") | _whole(given, "seconds")
    # A field of several lines is sent with \r\n.
    order |= {"description": given["description"].replace("\r\n", "\n")} if given.get("description", "").strip() else {}
    return order | ({"captured": True} | _some(given, "of") if given.get("captured") else {})


def _fixed(given: Fields) -> dict[str, Any]:
    order = _some(given, "product", "fluid", "instrument", "geometry", "quantity") | _whole(given, "last")
    without = given.get("without", "").split()
    return order | {"without": without, "because": given.get("because", "")}


def _plain(*needed: str, more: tuple[str, ...] = ()) -> Callable[[Fields], dict[str, Any]]:
    """Return the order of fields as they are: those of `needed` always, those of `more` where they are not empty."""

    def order(given: Fields) -> dict[str, Any]:
        return {name: given.get(name, "") for name in needed} | _some(given, *more)

    return order


def _to(path: str, done: str, *names: str) -> Callable[[Fields], str]:
    """Return the way to a path with some of the fields and the name of what was done."""

    def back(given: Fields) -> str:
        return f"{path}?{urlencode(_some(given, *names) | {'done': done})}"

    return back


def _to_run(done: str) -> Callable[[Fields], str]:
    def back(given: Fields) -> str:
        return f"/results/{quote(given.get('run', ''), safe='')}/changes?done={done}"

    return back


_CLOSED: Final = _plain("id", "because")
FORMS: Final[dict[str, Form]] = {
    "sample_add": Form("sample_add", _new_sample, "sample_new", _to("/sample", "added", "id")),
    "sample_change": Form("sample_change", _changed_sample, "sample_one", _to("/sample", "changed", "id")),
    "sample_cancel": Form("sample_cancel", _CLOSED, "sample_one", _to("/sample", "cancelled", "id")),
    "sample_again": Form("sample_again", _CLOSED, "sample_one", _to("/sample", "opened", "id")),
    "sign_measured": Form("sign_measured", _measured, "review", _to("/review", "signed", "since", "what")),
    "sign": Form("sign", _sign, "review", _to("/review", "signed", "meaning", "since", "what")),
    "repeat_assign": Form(
        "repeat_assign", _plain("run", "cause", "because"), "repeats", _to("/review/repeats", "assigned")
    ),
    "doubt_decide": Form(
        "doubt_decide",
        _plain("run", "verification", "decision", "because", more=("result",)),
        "doubts",
        _to("/review/doubts", "decided", "verification"),
    ),
    "note_add": Form("note_add", _plain("run", "text"), "run_changes", _to_run("noted")),
    "run_correct": Form("run_correct", _corrected, "run_changes", _to_run("corrected")),
    "run_annul": Form("run_annul", _of_run, "run_changes", _to_run("annulled")),
    "chart_fix": Form(
        "chart_limits_fix",
        _fixed,
        "charts",
        _to("/charts", "fixed", "product", "fluid", "instrument", "geometry", "quantity", "last"),
    ),
    "equipment_out": Form(
        "equipment_out", _plain("piece", "because", more=("serial",)), "equipment", _to("/equipment", "out", "piece")
    ),
    "equipment_back": Form(
        "equipment_back", _plain("piece", "because", more=("serial",)), "equipment", _to("/equipment", "back", "piece")
    ),
    "equipment_calibrated": Form(
        "equipment_calibrated", _calibrated, "equipment", _to("/equipment", "calibrated", "piece")
    ),
    "driver_trial": Form("driver_trial", _trial, "driver_trial", _to("/health/trial", "started")),
    "token_revoke": Form("token_revoke", _CLOSED, "tokens", _to("/health/tokens", "revoked")),
    "report_record": Form("report_make", _plain("of"), "reports", pdf=True),
    "report_certificate": Form("certificate_release", _plain("of", more=("customer", "result")), "reports", pdf=True),
    "report_day": Form("report_day", _plain("day", more=("instrument",)), "day", pdf=True),
    "report_chart": Form(
        "report_chart",
        lambda given: {k: v for k, v in _fixed(given).items() if k != "because"},
        "charts",
        pdf=True,
    ),
}
"""The forms by the name of their handler."""
