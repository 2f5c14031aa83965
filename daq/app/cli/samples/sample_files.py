"""Files of `daq sample`: import and export of samples, and labels."""

import argparse
from datetime import datetime

from daq.adapters.clock import SystemClock
from daq.app.cli.common import json_text, open_reader, output
from daq.app.cli.laboratory.acting import perform
from daq.app.cli.printing import print_table, say
from daq.app.cli.samples.sample_texts import head_of, row_of, sample_json
from daq.app.laboratory.lists.importing import LARGEST_IMPORT
from daq.app.laboratory.lists.labels import label_of
from daq.app.laboratory.lists.sample_lists import COLUMNS, all_samples, rows, sample
from daq.app.records.sheets.exporting import write_csv
from daq.core.errors import SettingError
from daq.laboratory.samples import Sample
from daq.textfiles.plain_file import read_plain


def import_file(args: argparse.Namespace) -> int:
    """Add the samples of a CSV file, or show them."""
    raw = read_plain(args.file, LARGEST_IMPORT, what="a file of samples")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise SettingError(
            "is not UTF-8 text; save the file as CSV UTF-8", file=str(args.file), key=f"line {line}"
        ) from None
    order = {"file": str(args.file), "text": text, "preview": args.preview}
    done = perform(args, "sample_import", order)
    found = [Sample.model_validate(s, strict=False) for s in done["samples"]]
    if args.preview:
        now = datetime.fromtimestamp(SystemClock().utc_ns() / 1e9).astimezone()
        print_table(head_of(discard=False), [row_of(s, now, discard=False) for s in found], right=frozenset({5}))
        say(f"nothing is stored; without --preview {_counted(len(found))} would be added")
    else:
        say(f"{_counted(len(found))} added")
    return 0


def _counted(number: int) -> str:
    return f"{number} sample{'' if number == 1 else 's'}"


def export_samples(args: argparse.Namespace) -> int:
    """Write all samples."""
    with open_reader(args) as reader:
        found = all_samples(reader)
    with output(args.output) as out:
        if args.format == "json":
            out.write(json_text([sample_json(k) for k in found]))
        else:
            write_csv(out, COLUMNS, rows(k.record for k in found))
    if args.output is not None:
        say(f"{_counted(len(found))} written to {args.output}")
    return 0


def draw_label(args: argparse.Namespace) -> int:
    """Draw the label of a sample into a new file."""
    with open_reader(args) as reader:
        kept = sample(reader, args.id)
    if kept is None:
        raise SettingError(f"there is no sample {args.id!r}; `daq sample list --all` lists them")
    text = label_of(kept.record)
    with output(args.svg, key="--svg") as out:
        out.write(text)
    say(f"label drawn into {args.svg}")
    return 0
