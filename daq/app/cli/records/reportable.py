"""``daq reportable SAMPLE``: what is reported of a sample, made from all its runs by the product's rule."""

import argparse
import json
from typing import Any

from pydantic import TypeAdapter

from daq.adapters.paths import config_dir
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import RunRecord
from daq.app.cli.common import SHOWN_ID, open_reader, print_json
from daq.app.screens.text import number, plain, table, uncertain, utc_iso
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError
from daq.core.units import symbol
from daq.methods.concluding.reportable import Attempt, Reportable, reportable

EXIT_OUTSIDE = 10
EXIT_UNDECIDED = 11


def arguments(parser: argparse.ArgumentParser) -> None:
    """The sample."""
    parser.add_argument("sample", metavar="SAMPLE", help="the sample's identifier, exactly")
    parser.add_argument("--product", default="", metavar="ID", help="its product, where the runs do not say")
    parser.add_argument("--method", default="", metavar="ID", help="the method whose results count")
    parser.add_argument("--json", action="store_true", help="print it as JSON")


def run(args: argparse.Namespace) -> int:
    """Print it; 0: within or no limits, 10: outside or not comparable, 11: nothing can be reported yet."""
    with open_reader(args) as reader:
        records = sorted(reader.runs(limit=-1, sample=args.sample), key=lambda r: r.began_utc_ns)
        runs = [_attempt(reader, record) for record in records]
    if not runs:
        raise SettingError(f"there is no run of sample {args.sample!r}; `daq runs` lists them")
    names = {r.product for r in records if r.product} if not args.product else {args.product}
    if len(names) > 1:
        raise SettingError(f"the runs name several products ({', '.join(sorted(names))}); say which", key="--product")
    product = Catalogue.load(config_dir(args.config)).product(names.pop()) if names else None
    found = reportable(args.sample, runs, product, args.method)
    if args.json:
        print_json(TypeAdapter(Reportable).dump_python(found, mode="json"))
    else:
        print(text_of(found))
    if found.value is None:
        return EXIT_UNDECIDED
    return EXIT_OUTSIDE if found.verdict in ("outside", "not_comparable") else 0


def _attempt(reader: Reader, record: RunRecord) -> tuple[Attempt, dict[str, Any] | None]:
    newest = reader.newest_result(record.id)
    data: dict[str, Any] | None = None if newest is None else json.loads(newest.data)
    return Attempt(
        run=record.id,
        began=utc_iso(record.began_utc_ns) or "",
        method=f"{record.method_id} {record.method_version}",
        instrument=record.instrument,
        fill=record.fill or record.id,
        value=None if data is None else data["value"],
        unit="" if data is None else data["unit"],
        validity="" if data is None else data["validity"],
        counted=False,
    ), data


def text_of(r: Reportable) -> str:
    """All of it for a person."""
    unit = symbol(r.unit)
    lines = [f"sample {plain(r.sample)}" + (f", product {plain(r.product)}" if r.product else "")]
    if r.value is None:
        lines.append(f"no reportable result: {plain(r.how.text)}")
    else:
        sure = "" if r.expanded is None else f" ± {uncertain(r.expanded)} {unit}"
        name = r.quantity.replace("_", " ")
        lines.append(f"reportable {plain(name)} = {r.reported or number(r.value)} {unit}{sure}, {plain(r.how.text)}")
        lines.append(f"verdict: {r.verdict.replace('_', ' ')}" + (f" ({r.rounding})" if r.rounding else ""))
    lines += [f"  limit: {plain(s.text)}" for s in r.limits]
    lines += [f"  {plain(s.text)}" for s in r.outliers]
    rows = [
        [
            a.run[:SHOWN_ID],
            a.began[:19],
            plain(a.method),
            plain(a.instrument),
            "" if a.fill == a.run else plain(a.fill),
            f"{number(a.value)} {symbol(a.unit)}".rstrip(),
            "counts" if a.counted else f"does not count: {plain('; '.join(s.text for s in a.why))}",
        ]
        for a in r.attempts
    ]
    head = ["run", "begun (UTC)", "method", "instrument", "fill", "value", ""]
    return "\n".join([*lines, "", table(head, rows, right=frozenset({5}))])
