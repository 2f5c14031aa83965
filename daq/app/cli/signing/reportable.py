"""``daq reportable SAMPLE``: the result of a sample, from all its runs by the product's rule for replicates."""

import argparse
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from daq.adapters.paths import config_dir
from daq.adapters.store.agreement.one_run import disagreements_of_sample
from daq.adapters.store.reading import Reader
from daq.app.cli.common import open_reader, print_json
from daq.app.cli.laboratory.acting import identity_arguments, perform
from daq.app.cli.printing import hung, say, terminal_columns
from daq.app.laboratory.laboratory import listed
from daq.app.records.attempts import runs_of_sample
from daq.app.records.judged.judging import judged, tried_of_sample
from daq.app.records.judged.product_versions import present, versions_of
from daq.app.records.signatures import Releases
from daq.app.screens.exit_codes import code_of_verdict
from daq.app.screens.tables import table
from daq.app.screens.text import called, chance, plain, sentence, spaced
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError, StoreError
from daq.core.units import symbol
from daq.laboratory.reportables import ReportableRecord
from daq.methods.concluding.reportable import Reportable
from daq.methods.curves.slipsigns import slip_signs
from daq.methods.parts.statement import Statement
from daq.quality.digits import NOTHING, SHOWN_ID, is_interval, not_finer, uncertain, within

EXIT_NO_RESULT = 11


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("sample", metavar="SAMPLE", help="the sample's identifier, exactly")
    parser.add_argument("--product", default="", metavar="ID", help="its product, where the runs do not say")
    parser.add_argument("--method", default="", metavar="ID", help="the method whose results count")
    parser.add_argument("--store", action="store_true", help="store the reportable results of the sample anew, first")
    parser.add_argument("--json", action="store_true", help="print it as JSON")
    identity_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Print the result; 0: within or no limits, 10: outside or not comparable, 14: undecided, 11: no result yet."""
    if args.store:
        perform(args, "reportable_store", {"sample": args.sample})
    with open_reader(args) as reader:
        records = runs_of_sample(reader, args.sample)
        _refuse_disagreements(reader, args.sample, [r.id for r in records])
        runs = tried_of_sample(reader, args.sample)
        if args.product:
            runs = [t for t in runs if t.run.product in ("", args.product)]
        stored = _stored(reader, args.sample)
        if not runs:
            raise SettingError(f"there is no run of sample {args.sample!r}; `daq runs` lists them")
        names = {t.run.product for t in runs if t.moved is None and t.run.product}
        if len(names) > 1:
            several = ", ".join(sorted(names))
            raise SettingError(f"the runs name several products ({several}); say which", key="--product")
        if args.product and not names:
            # No run names a product: its present file is the only rule that the person can mean.
            version = present(Catalogue.load(config_dir(args.config), "products").product(args.product))
            runs = [replace(t, run=replace(t.run, product=args.product)) for t in runs]
            found = judged(args.sample, runs, lambda _: version, args.method)
        else:
            found = judged(args.sample, runs, versions_of(reader), args.method)
    slip = slip_signs([t.data for t in runs if t.data is not None and t.moved is None])
    if args.json:
        signs = [s.model_dump(mode="json") for s in slip]
        more = {"wall_slip": signs, "stored": [s for s, _ in stored]}
        from pydantic import TypeAdapter

        print_json(TypeAdapter(Reportable).dump_python(found, mode="json") | more)
    else:
        print(text_of(found, terminal_columns(), slip))
        for one, blocked in stored:
            release = f", {spaced(one['release'])}" if one["release"] else ""
            say(f"{plain(one['id'])} revision {one['revision']}: {one['state']}{release}", "stored: ")
            for statement in blocked:
                say(sentence(statement), "  blocked: ")
    if found.value is None:
        return EXIT_NO_RESULT
    return code_of_verdict(found.verdict)


def _stored(reader: Reader, sample: str) -> list[tuple[dict[str, Any], Sequence[Statement]]]:
    """Return id, revision, state and release of the stored reportable results of a sample, with what blocks them."""
    releases = Releases(reader)
    out: list[tuple[dict[str, Any], Sequence[Statement]]] = []
    for kept in listed(reader, ReportableRecord, "sample", sample, limit=-1):
        data = kept.record.data
        release = releases.of_reportable(kept.record)
        values = {"id": kept.record.id, "revision": kept.revision, "state": data.state, "release": release}
        out.append((values, data.blocked))
    return out


def _refuse_disagreements(reader: Reader, sample: str, run_ids: list[str]) -> None:
    """Refuse to report from data that were changed after they were stored.

    Raises:
        StoreError: the copies of a fact differ; the text names the first.
    """
    found = disagreements_of_sample(reader.path, sample, run_ids)
    if found:
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        raise StoreError(
            f"sample {sample}: no result is reported, because stored data do not agree with the audit trail: "
            f"{found[0].text}{more}; `daq verify` lists all"
        )


def _value(r: Reportable, unit: str) -> str:
    """Return the reportable value with its interval."""
    expanded = None if r.uncertainty is None else r.uncertainty.expanded
    value = 0.0 if r.value is None else r.value
    shown = not_finer(r.reported, value, expanded) if r.reported else within(value, expanded)
    sure = f" ± {uncertain(expanded)} {unit}" if is_interval(expanded) else ""
    return f"{shown} {unit}{sure}".rstrip()


def _rule(r: Reportable) -> str:
    """Return the decision rule, and the risk of a false acceptance where it is known."""
    risk = r.risk_of_false_acceptance
    words = "" if risk is None else f"; risk of false acceptance {chance(risk)}"
    return f"{r.rounding}, {spaced(r.acceptance or '')}{words}"


def text_of(r: Reportable, columns: int | None = None, slip: Sequence[Statement] = ()) -> str:
    """Return all of it for a person, with signs of wall slip, in lines of at most `columns` (None: no limit)."""
    unit = symbol(r.unit)
    lines = [f"sample {plain(r.sample)}" + (f", product {plain(r.product)}" if r.product else "")]
    if r.value is None:
        lines.append(f"no reportable result: {sentence(r.how)}")
    else:
        lines.append(f"reportable {called(r.quantity)} = {_value(r, unit)}, {sentence(r.how)}")
        lines.append(f"verdict: {spaced(r.verdict)}" + (f" ({_rule(r)})" if r.rounding else ""))
    if r.uncertainty is not None:
        lines += [f"no interval: {sentence(text)}" for text in r.uncertainty.reasons]
        lines += [f"left out: {sentence(text)}" for text in r.uncertainty.left_out]
    lines = [row for line in lines for row in hung(line, "", columns)]
    lines += [row for text in r.limits for row in hung(sentence(text), "  limit: ", columns)]
    lines += [row for text in r.outliers for row in hung(sentence(text), "  ", columns)]
    lines += [row for text in slip for row in hung(sentence(text), "  ", columns)]
    rows = [
        [
            a.run[:SHOWN_ID],
            a.began[:19],
            plain(a.method),
            plain(a.instrument),
            "" if a.fill == a.run else plain(a.fill),
            NOTHING if a.value is None else f"{within(a.value, a.expanded)} {symbol(a.unit)}".rstrip(),
            "yes" if a.counted else "no",
        ]
        for a in r.attempts
    ]
    head = ["run", "started (UTC)", "method", "instrument", "fill", "value", "counts"]
    whys = [
        row
        for a in r.attempts
        if not a.counted and a.why
        for row in hung(sentence(a.why), f"{a.run[:SHOWN_ID]} does not count: ", columns)
    ]
    shown = table(head, rows, right=frozenset({5}), columns=columns)
    return "\n".join([*lines, "", shown, *([""] if whys else []), *whys])
