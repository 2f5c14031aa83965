"""No line of a screen or table is wider than the terminal, with generated content."""

import io
import random
import re
from dataclasses import replace
from types import SimpleNamespace
from typing import get_args

import pytest

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.adapters.store.records import StoredRecord
from daq.app.cli.printing import hung
from daq.app.cli.records import show
from daq.app.cli.records.checklist_lines import checklist_lines
from daq.app.cli.signing.reportable import text_of as reportable_text
from daq.app.records.history import history
from daq.app.records.run_checklist import PARTS, RunChecklist
from daq.app.screens.bench.bench_words import ITEMS
from daq.app.screens.bench_panes import shift_lines
from daq.app.screens.gauges import bar_length, temperature_bar, torque_bar
from daq.app.screens.result_screen import result_lines, summary
from daq.app.screens.run_screen import live_lines
from daq.app.screens.run_view import SeekShown, WrittenNote
from daq.app.screens.styled_lines import joined, line_width, side_by_side, text_of
from daq.app.screens.tables import table
from daq.app.screens.text import fold, plain, spaced, width
from daq.app.workshop.trying import Tried
from daq.app.workshop.trying_screen import TrialScreen, trial_lines
from daq.core.driver import Channel, Identity
from daq.core.faults import FAULTS
from daq.core.remarks import WrittenRemark
from daq.core.ruleprogress import RuleProgress
from daq.laboratory.bench.benchstate import Checked, How
from daq.methods.concluding.intervals import stated_interval
from daq.methods.concluding.reportable import Attempt, Reportable
from daq.methods.parts.statement import Statement
from daq.rheology.uncertainty import Component
from tests.support.views import MEASURING, changed, result, saturated, too_little

NAMES = (
    "G-1041",
    "a-very-long-sample-name-that-somebody-made-from-a-batch-a-kiln-and-a-date-2026-11-26T06:00:00+01:00",
    "Glasur weiß, Ofen 3, Größe mittel",
    "釉薬の見本・第三窯・二千二十六年十一月二十六日の朝に採取した",
    "e\u0301mail transparent e\u0302tale\u0301",
    "x" * 150,
    "two  words",
)
WIDTHS = (80, 81, 99, 100, 120, 137, 200)
WORDS = (
    "torque",
    "low",
    "釉薬",
    "at",
    "1.5e-07",
    "coaxial-cylinder/measuring_geometry",
    "ß",
    "e\u0301",
    "a" * 90,
    "2026-11-26",
    "%",
)


def text(rng, most=30):
    return " ".join(rng.choice(WORDS) for _ in range(rng.randint(1, most)))


def view(rng):
    state = rng.choice(
        ("equilibrating", "soaking", "preshearing", "resting", "starting", "measuring", "seeking", "stopping")
    )
    base = rng.choice((MEASURING, saturated(), too_little(), changed(value=None, rules=())))
    value = base.value and replace_value(base.value, rng)
    torque = rng.choice((None, -150.0, -3.0, 0.0, 45.2, 109.9, 400.0))
    return changed(
        base,
        state=state,
        sample=rng.choice(NAMES),
        instrument=rng.choice(("bench-1", *NAMES)),
        caution=rng.choice(("", text(rng))),
        stage_s=rng.uniform(0, 100),
        stage_of_s=rng.choice((0.0, 60.0)),
        seek=rng.choice((None, SeekShown(low=40.0, high=80.0, number=3, most=6))),
        signals={f"channel_{i}": rng.uniform(-1e9, 1e9) for i in range(rng.randint(0, 9))}
        | {"torque": torque, "thermo-1.temperature": rng.choice((None, 20.0, 25.0, 25.3))},
        value=value,
        rules=tuple(
            RuleProgress(
                text(rng, 12), "above", False, "elapsed", rng.uniform(0, 1e6), 1.0, rng.random(), rng.random() > 0.5
            )
            for _ in range(rng.randint(0, 3))
        ),
        notes=tuple(WrittenNote(0, "x", text(rng)) for _ in range(rng.randint(0, 4))),
        advice=tuple(WrittenRemark("x", {}, text(rng)) for _ in range(rng.randint(0, 2))),
        motor=rng.choice(("turning", "still", "may_still_be_turning")),
    )


def replace_value(value, rng):
    number = rng.choice((None, 0.0, -12.5, 1.5e-9, 8.12345e8, 812.43))
    return type(value)(
        name=value.name,
        value=number,
        unit=value.unit,
        quality=value.quality,
        n=value.n,
        reasons=(WrittenRemark("x", {}, text(rng)),),
    )


@pytest.mark.parametrize("columns", WIDTHS)
def test_the_screen_of_a_run_fits_with_any_content(columns):
    rng = random.Random(columns)
    for _ in range(60):
        shown, rows = view(rng), rng.randint(23, 60)
        lines = live_lines(shown, columns, rows)
        assert max(line_width(line) for line in lines) <= columns
        assert len(lines) <= rows
        assert text_of(lines[-1]).startswith("Ctrl-C stops the run.")


@pytest.mark.parametrize("columns", WIDTHS)
def test_benches_side_by_side_fit_and_keep_their_height(columns):
    rng = random.Random(columns)
    for _ in range(30):
        views = {f"bench-{i}": view(rng) for i in range(rng.randint(1, 5))}
        rows = rng.randint(23, 60)
        past = [[[(text(rng), "")], [(text(rng, 3), "good")]] for _ in range(8)]
        lines = shift_lines(text(rng, 4), views, past, columns, rows)
        assert max(line_width(line) for line in lines) <= columns
        assert len(lines) == rows


def test_two_benches_are_beside_each_other_at_eighty_columns():
    lines = [
        text_of(line) for line in shift_lines("t", {"a": MEASURING, "b": changed(instrument="bench-1")}, [], 80, 23)
    ]
    (title,) = [line for line in lines if "bench-2" in line and "bench-1" in line]
    assert title.index("│") == 39
    bars = [line for line in lines if line.startswith("├")]
    assert len(bars) == 2
    assert all(bar.count("├") == 2 and len(bar) == 79 for bar in bars)


@pytest.mark.parametrize("columns", WIDTHS)
def test_a_result_fits(columns):
    rng = random.Random(columns)
    for _ in range(60):
        data = result(
            validity=rng.choice(("valid", "doubtful", "not_valid")),
            sample={"id": rng.choice(NAMES), "product": rng.choice(NAMES)},
            value=rng.choice((None, 812.43, 1.5e-9)),
            reported=rng.choice((None, "812", "812.4300")),
            reasons=[text(rng)],
            warnings=[text(rng)],
            advice=[{"text": text(rng)}],
        )
        lines = result_lines(data, columns, digits=rng.choice((0, 3, 5, 7)))
        assert max(line_width(line) for line in lines) <= columns


def test_value_validity_and_verdict_are_on_one_line_at_eighty_columns():
    uncertainty = {"expanded": 15.4, "k": 1.98, "coverage": 0.95, "trials": 100_000, "low": 788.0, "high": 818.0}
    first = text_of(joined(summary(result(value=803.2, reported="803", uncertainty=uncertainty)), 80)[0])
    assert first == "viscosity = 803 mPa·s ± 15 mPa·s (95 %, JCGM 101)  ✓ VALID  ├●┤ WITHIN limits"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"verdict": {"verdict": "outside", "limits": []}}, ("✓ VALID", "├─┤● OUTSIDE limits")),
        ({"validity": "doubtful"}, ("? DOUBTFUL", "(├●┤ WITHIN limits)")),
        ({"validity": "not_valid", "quality": "Bad"}, ("✕ NOT VALID (Bad)", "(├●┤ WITHIN limits)")),
        ({"verdict": {"verdict": "not_comparable", "limits": []}}, ("✓ VALID", "├?┤ NOT COMPARABLE with limits")),
        (
            {"verdict": {"verdict": "none", "limits": []}, "validity": "doubtful"},
            ("? DOUBTFUL", "no limits to compare with"),
        ),
    ],
)
def test_every_validity_and_verdict_differs_by_word_and_shape(changes, words):
    assert tuple(text_of(part) for part in summary(result(**changes))[1:]) == words


def test_a_value_below_its_limit_has_its_mark_on_the_other_side():
    limits = [dict(result()["verdict"]["limits"][0], verdict="outside")]
    verdict = {"verdict": "outside", "limits": limits}
    assert text_of(summary(result(value=650.0, reported=None, verdict=verdict))[2]) == "●├─┤ OUTSIDE limits"
    assert text_of(summary(result(value=950.0, reported=None, verdict=verdict))[2]) == "├─┤● OUTSIDE limits"


@pytest.mark.parametrize("columns", WIDTHS)
def test_all_bars_have_one_length(columns):
    rows = [text_of(line) for line in live_lines(changed(state="measuring"), columns, 60)]
    bars = [row[24:] for row in rows if row.startswith(("torque", "temperature", "stops when"))]
    assert {width(bar) for bar in bars} == {bar_length(columns)}
    assert len(bars) == 3


@pytest.mark.parametrize(("state", "label"), [("soaking", "soak"), ("preshearing", "pre-shear"), ("resting", "rest")])
def test_a_state_of_known_length_has_a_bar(state, label):
    shown = [text_of(x) for x in live_lines(changed(state=state, rules=(), stage_s=15.0, stage_of_s=60.0), 80, 30)]
    (row,) = [i for i, line in enumerate(shown) if line.startswith(f"{label} ")]
    assert shown[row].split()[1:3] == ["25", "%"]
    assert (shown[row].count("█"), shown[row].count("░")) == (14, 42)
    assert shown[row + 1].strip() == "15 s of 1 min 00 s"


def test_a_seek_shows_its_target_and_the_number_of_the_try():
    seek = SeekShown(low=40.0, high=80.0, number=2, most=6)
    shown = "\n".join(text_of(x) for x in live_lines(changed(state="seeking", seek=seek), 112, 30))
    assert "looking for a speed, try 2 of at most 6" in shown
    assert "■ on target   target 40..80 %   usable 10..100 %" in shown
    bar = text_of(torque_bar(changed(seek=seek), MEASURING.band, 113))
    # One place for each whole % from 0 to 110, after the end of the line.
    assert (bar[41], bar[46], bar[60], bar[81]) == ("╞", "●", "═", "╡")
    low = changed(seek=seek, signals={"torque": 20.0})
    assert "◀ below target" in "\n".join(text_of(x) for x in live_lines(low, 80, 30))


def test_without_a_gate_the_temperature_has_no_bar():
    assert temperature_bar(changed(temperature=None), 50) == []


# ---- tables and text


@pytest.mark.parametrize("columns", [24, 40, *WIDTHS])
def test_a_table_fits_and_loses_nothing(columns):
    rng = random.Random(columns)
    for _ in range(40):
        count = rng.randint(1, 6)
        head = [f"head {i}" for i in range(count)]
        rows = [[rng.choice((*NAMES, text(rng, 4), "", "-12.5")) for _ in head] for _ in range(rng.randint(1, 4))]
        right = frozenset(i for i in range(count) if rng.random() > 0.5)
        shown = table(head, rows, right=right, columns=columns)
        assert max(width(line) for line in shown.splitlines()) <= columns
        for c in set("".join("".join(row) for row in rows)) - {" "}:
            assert shown.count(c) == sum(cell.count(c) for row in rows for cell in row) + sum(h.count(c) for h in head)


def test_a_table_drops_columns_only_if_needed():
    head, rows = ["a", "b", "c"], [["x" * 10, "y" * 10, "z" * 10]]
    assert table(head, rows, columns=34, drop=[1, 0]).splitlines()[1] == f"{'x' * 10}  {'y' * 10}  {'z' * 10}"
    assert table(head, rows, columns=33, drop=[1, 0]).splitlines()[1] == f"{'x' * 10}  {'z' * 10}"
    assert table(head, rows, drop=[1, 0]).splitlines()[1].count("y") == 10


def test_a_table_breaks_names_before_dates():
    shown = table(["name", "when"], [["white-glaze-flow-curve", "2026-11-26 06:00:00"]], columns=20)
    assert shown.splitlines()[1:] == [
        "white-    2026-11-26",
        "glaze-      06:00:00".replace("      06", "    06"),
        "flow-",
        "curve",
    ]


@pytest.mark.parametrize("columns", [2, 7, 20, 80])
def test_folded_text_is_whole(columns):
    rng = random.Random(columns)
    for _ in range(100):
        given = rng.choice((*NAMES, text(rng)))
        rows = fold(given, columns)
        assert max(width(row) for row in rows) <= columns
        assert "".join("".join(rows).split()) == "".join(given.split())


def test_folded_text_is_indented_below_its_first_line():
    assert hung("one two three", "do: ", 12) == ["do: one two", "    three"]
    assert hung("one two three", "do: ", None) == ["do: one two three"]


def test_parts_without_room_start_a_new_line_and_long_ones_are_wrapped():
    def shown(*parts):
        return [text_of(line) for line in joined([[(part, "")] for part in parts], 12, hang="  ")]

    assert shown("one", "two", "three") == ["one  two", "  three"]
    assert shown("one", "twelve letters of it", "end") == ["one", "  twelve", "  letters of", "  it  end"]


def test_blocks_beside_each_other_are_padded_to_the_highest():
    lines = side_by_side([[[("釉薬", "")], [("b", "")]], [[("c", "")]]], 6)
    assert [line_width(line) for line in lines] == [15, 15]
    assert "".join(p for p, _ in lines[1]) == "b      │       "


def test_words_of_the_data_get_spaces_on_a_screen():
    assert spaced("not_valid") == "not valid"
    assert spaced("a\x1b_b") == r"a\x1b b"


@pytest.mark.parametrize("columns", [80, 120])
def test_show_fits(measured, columns):
    with Reader(database_path(measured.state)) as reader:
        for run in (measured.within, measured.outside, measured.saturated, measured.stopped):
            record = reader.run(run)
            lines = show.lines_of(history(reader, record), {"bench-1": {"lines": 3, "x": {"a": "b" * 200}}}, columns)
            assert max(line_width(line) for line in lines) <= columns


def checklist(rng):
    """A checklist with items of any way and value, of persons of any name."""
    codes = (*ITEMS, "an_item_of_a_later_version")
    items = {
        part: tuple(
            Checked(
                code=rng.choice(codes),
                how=rng.choice(get_args(How)),
                met=rng.random() < 0.5,
                value=rng.choice((None, 1e-9, -812.43, 1e12)),
                unit="Cel",
                low=rng.choice((None, -1e9)),
                high=1e9,
            )
            for _ in range(rng.randint(0, 12))
        )
        for part in PARTS
    }
    stored = StoredRecord("checklist", "r", 1, {}, 1, 18 * 10**17, rng.choice(NAMES), "checklist_kept", "")
    return RunChecklist(items, rng.choice(("", *NAMES)), text(rng), stored, rng.choice((None, stored)))


@pytest.mark.parametrize("columns", WIDTHS)
def test_show_fits_with_any_checklist_and_loses_nothing(measured, columns):
    rng = random.Random(columns)
    with Reader(database_path(measured.state)) as reader:
        found = history(reader, reader.run(measured.within))
    for _ in range(10):
        given = replace(found, checklist=checklist(rng))
        lines = show.lines_of(given, {}, columns)
        assert max(line_width(line) for line in lines) <= columns
        shown = "".join("".join(text_of(line).split()) for line in lines)
        for row in checklist_lines(given.checklist):
            assert "".join(row.split()) in shown


@pytest.mark.parametrize("columns", WIDTHS)
def test_a_reportable_result_fits(columns):
    rng = random.Random(columns)
    attempts = [
        Attempt(run="3f2a91bc-0000", began="2026-11-26T06:00:00.000Z", method=rng.choice(NAMES), instrument=rng.choice(NAMES),
                fill="f", value=812.4, unit="mPa.s", validity="valid", counted=False, why=text(rng))
        for _ in range(4)
    ]  # fmt: skip
    found = Reportable(
        sample=rng.choice(NAMES),
        product=rng.choice(NAMES),
        method="m 1",
        quantity="viscosity",
        unit="mPa.s",
        value=812.4,
        reported="812",
        uncertainty=stated_interval(
            812.4,
            [Component("torque", 9.1)] if rng.random() < 0.7 else [],
            [Statement(code="x", text=text(rng))],
            unit="mPa.s",
        ),
        decided="mean",
        how=text(rng),
        verdict="not_comparable",
        rounding="rounded",
        acceptance="guard_banded_acceptance",
        risk_of_false_acceptance=rng.random(),
        limits=(text(rng),),
        outliers=(text(rng),),
        attempts=tuple(attempts),
    )
    assert max(width(line) for line in reportable_text(found, columns).splitlines()) <= columns


# ---- a driver on trial


def trial(rng):
    """A driver with channels of any name, and the state of its trial with any content."""
    names = [f"channel_{i}" + "_of_a_long_name" * rng.randint(0, 8) for i in range(rng.randint(1, 5))]
    driver = SimpleNamespace(
        kind=rng.choice(NAMES),
        channels=tuple(Channel(name, "mPa.s", 0.0, 1.0) for name in names),
        identify=lambda: None,
    )
    tried = Tried(
        identity=rng.choice((None, Identity(rng.choice(NAMES), rng.choice(NAMES), text(rng, 4)))),
        values=tuple(rng.choice((None, 1e-9, -812.432, 8.1e12)) for _ in names),
        faults=tuple((rng.choice(("", *names)), rng.choice(sorted(FAULTS))) for _ in range(rng.randint(0, 4))),
        readings=rng.randint(1, 10**9),
        failures=[text(rng)],
        report={"rejected": {"checksum": rng.randint(0, 10**9)}, "timeouts": rng.randint(0, 10**9)},
        raw=rng.randbytes(rng.randint(0, 120)),
        silent=rng.random() < 0.5,
    )
    return driver, tried


@pytest.mark.parametrize("columns", WIDTHS)
def test_a_driver_on_trial_fits_and_loses_nothing(columns):
    rng = random.Random(columns)
    for _ in range(40):
        driver, tried = trial(rng)
        lines = trial_lines(driver, tried, columns)
        assert max(line_width(line) for line in lines) <= columns
        shown = "".join("".join(text_of(line).split()) for line in lines)
        for channel in driver.channels:
            assert channel.name in shown
        for _, fault in tried.faults:
            assert "".join(FAULTS[fault].sentence.split()) in shown
        assert "".join(plain(repr(tried.raw)[1:]).split()) in shown


@pytest.mark.parametrize("columns", WIDTHS)
@pytest.mark.parametrize("term", ["xterm", "dumb"])
def test_a_driver_on_trial_is_drawn_within_the_terminal(columns, term, monkeypatch):
    """The terminal cuts no line: the last bytes are there to their end."""
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("LINES", "60")
    monkeypatch.setenv("TERM", term)
    out = Terminal()
    driver, tried = trial(random.Random(columns))
    tried.raw = bytes(range(32, 127))
    tried.failures = ["a word of the reason " * 9]
    with TrialScreen(driver, out) as screen:
        screen.show(tried)
    shown = [plain_of(line) for line in out.getvalue().splitlines()]
    assert max(width(line) for line in shown) <= columns
    wanted = plain(repr(tried.raw)[1:]) if term == "xterm" else tried.failures[0]
    assert "".join(wanted.split()) in "".join("".join(shown).split())


class Terminal(io.StringIO):
    def isatty(self):
        return True


def plain_of(line):
    """A line without the terminal's control sequences."""
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", line.replace("\r", ""))
