"""Stored journals: the journal of every format that is read replays and gives its result."""

import json
import subprocess
import sys

import pytest

from daq.app.records.replaying import _without_added, maker
from daq.app.setup.drivers import Drivers
from daq.core.effects import Kept
from daq.core.errors import JournalError
from daq.core.header import FORMAT, OLDEST, READ
from daq.core.journal import canonical, read_records
from daq.core.replay import replay
from daq.core.statistics import BATCHES
from daq.methods.concluding.conclude import conclude
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample
from tests.journals import FIRST, FOLDER, RESULT_KEYS
from tests.journals.__init__ import raw_of


def same(found, wanted, where=""):
    """Check equality, of numbers to 1e-9: the propagation of distributions depends on the version of numpy."""
    if isinstance(wanted, dict):
        assert found.keys() == wanted.keys(), where
        pairs = [(found[k], wanted[k], f"{where}.{k}") for k in wanted]
    elif isinstance(wanted, list):
        assert len(found) == len(wanted), where
        pairs = [(f, w, f"{where}[{i}]") for i, (f, w) in enumerate(zip(found, wanted, strict=True))]
    elif isinstance(wanted, float):
        assert found == pytest.approx(wanted, rel=1e-9), where
        return
    else:
        assert found == wanted, where
        return
    for pair in pairs:
        same(*pair)


@pytest.mark.parametrize("number", range(OLDEST, FORMAT + 1))
def test_the_journal_of_a_format_replays_and_gives_its_result(number):
    done = replay(raw_of(number), maker(Drivers.find()))
    assert done.header.format == number
    assert done.difference is None
    assert done.same
    assert done.motor == "still"
    assert done.effects > 100
    plan = done.header.plan
    data = ResultData.build(plan, conclude(plan, done.facts), RunDetails(run="r", sample=Sample(id="s"))).model_dump(
        mode="json"
    )
    wanted = json.loads((FOLDER / f"format-{number}.json").read_text(encoding="utf-8"))
    found = {k: data[k] for k in RESULT_KEYS}
    # A result of an older format lacks the fields that were added since.
    same(found if number == FORMAT else _without_added(found, wanted), wanted)


def test_older_journals_replay_and_their_values_have_the_slow_course_too():
    """The slow course is computed again from the readings; the recorded text of a kept value does not hold it."""
    done = replay(raw_of(FORMAT), maker(Drivers.find()))
    assert done.same
    (summary,) = (k.summaries["viscosity"] for k in done.kept)
    assert len(summary.batches.means) == len(summary.line_batches.means) == len(summary.ripple.batches.means) == BATCHES
    texts = [r.effect for r in read_records(raw_of(FORMAT)) if r.effect and r.effect.startswith(Kept.__name__)]
    assert [canonical(k) for k in done.kept] == texts
    assert "batches" not in texts[0]
    assert "ripple" in json.loads(texts[0].partition(" ")[2])["summaries"]["viscosity"]


def test_a_journal_of_every_format_is_kept_and_formats_that_are_not_read_are_refused_by_name():
    kept = sorted(p.name for p in FOLDER.glob("format-*.gz"))
    assert kept == sorted(f"format-{n}.gz" for n in range(FIRST, FORMAT + 1))
    for number in range(FIRST, OLDEST):
        with pytest.raises(JournalError, match=f"journal format {number} is older than this daq, which reads {READ}"):
            list(read_records(raw_of(number)))


def test_nothing_is_imported_while_a_result_is_computed_after_the_stop_of_the_motor():
    code = (
        "import sys\n"
        "from daq.app.records.replaying import _without_added, maker\n"
        "from daq.app.setup.drivers import Drivers\n"
        "from daq.core.replay import replay\n"
        "from daq.methods.concluding.intervals import load\n"
        "from daq.methods.concluding.conclude import conclude\n"
        "from tests.journals import raw_of\n"
        f"done = replay(raw_of({FORMAT}), maker(Drivers.find()))\n"
        "load()\n"
        "before = set(sys.modules)\n"
        "found = conclude(done.header.plan, done.facts)\n"
        "assert found.uncertainty.trials, 'the distributions were not propagated: the test shows nothing'\n"
        "print(sorted(set(sys.modules) - before))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=FOLDER.parents[1])
    assert done.stdout.strip() == "[]", done.stdout + done.stderr
