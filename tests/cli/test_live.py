"""The screen of a run, as a person sees it."""

import io
import re
from dataclasses import replace

import pytest
from rich.console import Console

from daq.app.screens.digits import SIZES, large, largest
from daq.app.screens.gauges import number_line
from daq.app.screens.live import RunScreen, exit_code, styled
from daq.app.screens.result_screen import result_lines
from daq.app.screens.run_screen import live_lines, plain_line
from daq.app.screens.run_view import RunEnd, WrittenNote
from daq.app.screens.styled_lines import NARROWEST, text_of
from daq.app.screens.text import width
from daq.core.remarks import WrittenRemark
from daq.core.ruleprogress import RuleProgress
from tests.support.views import MEASURING, changed, result, saturated, too_little

ROWS = 23
DONE = RunEnd(run="3f2a91bc-0", outcome="complete", reason="", motor="still", result_id="r")


def shown(view, columns=80):
    return "\n".join(text_of(line) for line in live_lines(view, columns, ROWS))


def test_eighty_columns():
    assert (
        shown(MEASURING)
        == """\
white-glaze-flow-curve 1 on bench-2, sample WG-1042                    SIMULATED
measuring, step 3 of 9: up-10, 10.00 of 10 min⁻¹

  ████████  █████     ████████      ██    ██
  ██    ██     ██           ██      ██    ██
  ██    ██     ██           ██      ██    ██
  ████████     ██     ████████      ████████
  ██    ██     ██     ██                  ██
  ██    ██     ██     ██                  ██
  ████████  ████████  ████████  ██        ██
  viscosity 812.4 mPa·s   ✓ Good so far   100 readings

torque          45.2 %  ├─────│━━━━━━━━━━━━━━━━●━━━━━━━━━━━━━━━━━━━━━━━━━│─────┤
                        ■ inside   usable 10..100 %
temperature   25.02 °C  ├──────────────────│━━━━━━━━●━━━━━━━│──────────────────┤
                        ■ inside   24.7..25.3 °C   by thermo-1.temperature
reads now    temperature 25.04 °C, torque abs 452.3 µN·m, viscosity 812.4 mPa·s
elapsed      2 min 15 s, this part 15 s
stops when        75 %  ██████████████████████████████████████████░░░░░░░░░░░░░░
                        elapsed ≥ 20 s: now 15 s

Ctrl-C stops the run. Software is not a safety function."""
    )


def test_a_saturated_sensor_shows_no_value_and_the_advice():
    text = shown(saturated())
    assert "viscosity no value" in text
    assert "SATURATED: beyond 110 %, no value" in text
    assert re.search(r"│─+▶┤", text)
    assert "advice: the torque is at least 110 %" in text


def test_a_torque_below_the_band_is_struck_through_and_named():
    text = shown(too_little())
    assert "─██────────██────────██─" in text
    assert "◀ BELOW: too little torque" in text
    assert "below the usable band: 6.2 %" in text


@pytest.mark.parametrize("columns", [NARROWEST, 80, 120, 200])
@pytest.mark.parametrize(
    "view", [MEASURING, saturated(), too_little(), changed(state="equilibrating", value=None, rules=())]
)
def test_no_line_is_wider_than_the_terminal(view, columns):
    assert max(width(text_of(line)) for line in live_lines(view, columns)) <= columns


@pytest.mark.parametrize(
    ("value", "at"),
    [(0.0, 1), (10.0, 11), (55.0, 56), (100.0, 101), (110.0, 111), (-3.0, 1), (140.0, 111)],
)
def test_the_mark_is_at_the_place_of_the_value(value, at):
    # 112 columns: the two ends and 111 places, one for each whole % from 0 to 110.
    line, place = number_line(value, 10, 100, start=0, end=110, columns=113)
    assert place == at
    assert len(line) == 113
    assert line[at] == ("◀" if value < 0 else "▶" if value > 110 else "●")
    if value not in (10.0, 100.0):
        assert (line[11], line[101]) == ("│", "│")


def test_a_signal_without_value_has_no_mark():
    line, place = number_line(None, 10, 100, start=0, end=110, columns=50)
    assert place is None
    assert "●" not in line


def test_the_drift_of_a_steady_rule_is_shown_as_its_bound():
    rule = RuleProgress("steady within 1 % over 20 s", "steady", True, "viscosity", 0.023, 0.01, 0.43, False)
    assert "now at most 2.3 %" in shown(changed(rules=(rule,)))
    assert "now not judged yet" in shown(changed(rules=(replace(rule, value=None),)))


def test_control_characters_in_foreign_text_do_not_reach_the_terminal():
    evil = "\x1b]0;owned\x07\x1b[2J\u202egnp"
    step = replace(MEASURING.step, name=evil)
    view = changed(sample=evil, notes=(WrittenNote(0, "x", evil),), advice=(WrittenRemark("x", {}, evil),), step=step)
    for text in (shown(view, 200), plain_line(view)):
        assert "\x1b" not in text
        assert "\x07" not in text
        assert "\u202e" not in text
    assert r"\x1b]0;owned" in shown(view, 200)
    assert "\x1b" not in "".join(
        text_of(line)
        for line in result_lines(result(reasons=[{"code": "x", "text": evil}], advice=[{"text": evil}]), 80)
    )


def test_a_motor_that_may_turn_is_in_the_head():
    assert "MAY STILL BE TURNING" in shown(changed(motor="may_still_be_turning")).splitlines()[1]


# ---- lines of text


class Time:
    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


def test_piped_a_line_is_written_every_five_seconds_and_at_every_change():
    out, clock = io.StringIO(), Time()
    screen = RunScreen(file=out, clock=clock)
    starting = changed(state="starting", run_s=1.0, value=None, rules=())
    with screen:
        for second in range(24):
            clock.now = second / 2
            view = starting if second < 3 else changed(run_s=1 + second / 2)
            if second >= 20:
                view = changed(
                    view,
                    notes=(WrittenNote(0, "sheared", "somebody pressed a key"),),
                    advice=(WrittenRemark("x", {}, "turn slower"),),
                )
            screen.show(view)
        screen.finish(DONE, result())
    assert (
        out.getvalue()
        == """\
00:01 starting 3/9 up-10; torque 45.2 % (usable 10..100 %); temperature 25.02 °C; speed 10.00 min⁻¹
00:02 measuring 3/9 up-10; viscosity 812.4 mPa·s Good; torque 45.2 % (usable 10..100 %); temperature 25.02 °C; speed 10.00 min⁻¹; elapsed ≥ 20 s: 15 s (75 %)
00:07 measuring 3/9 up-10; viscosity 812.4 mPa·s Good; torque 45.2 % (usable 10..100 %); temperature 25.02 °C; speed 10.00 min⁻¹; elapsed ≥ 20 s: 15 s (75 %)
  note: somebody pressed a key
  advice: turn slower
00:12 measuring 3/9 up-10; viscosity 812.4 mPa·s Good; torque 45.2 % (usable 10..100 %); temperature 25.02 °C; speed 10.00 min⁻¹; elapsed ≥ 20 s: 15 s (75 %)
sample WG-1042, white-glaze-flow-curve 1  SIMULATED

viscosity = 812 mPa·s ± 18 mPa·s (k = 1.98)  ✓ VALID  ├●┤ WITHIN limits
  simple acceptance: the value rounded as reported, 812; risk of false acceptance 1.2 %
  limit: viscosity 700 to 900 mPa·s (10 min⁻¹): within
at 10.00 min⁻¹, torque 45.23 %, shear rate 10.02 s⁻¹, shear stress 8.100 Pa, 25.02 °C
run 3f2a91bc-0; all about it: daq show 3f2a91bc
"""
    )


def test_a_doubtful_value_is_struck_through_and_has_the_word():
    lines = result_lines(
        result(
            validity="doubtful", quality="Uncertain", reasons=[{"code": "below_band", "text": "the mean torque is low"}]
        ),
        80,
        digits=5,
    )
    text = "\n".join(text_of(line) for line in lines)
    assert "─██████────██────██████─" in text
    assert "? DOUBTFUL (Uncertain)" in text
    assert "- the mean torque is low" in text
    struck = [piece for line in lines for piece, style in line if style == "struck"]
    assert struck == ["812 mPa·s ± 18 mPa·s (k = 1.98)"]
    assert ("(├●┤ WITHIN limits)", "dim") in [piece for line in lines for piece in line]


def test_a_motor_in_an_unknown_state_and_a_result_not_stored_are_reported():
    out = io.StringIO()
    RunScreen(file=out).finish(replace(DONE, motor="may_still_be_turning", fault="the disk is full"), None)
    assert "THE MOTOR MAY STILL BE TURNING" in out.getvalue()
    assert "NOT STORED: the disk is full" in out.getvalue()


@pytest.mark.parametrize(
    ("outcome", "data", "code"),
    [
        (DONE, result(), 0),
        (DONE, result(verdict={"verdict": "none"}), 0),
        (DONE, result(verdict={"verdict": "outside"}), 10),
        (DONE, result(verdict={"verdict": "not_comparable"}), 10),
        (DONE, result(validity="doubtful"), 11),
        (DONE, result(validity="not_valid", verdict={"verdict": "outside"}), 11),
        (replace(DONE, outcome="stopped"), result(validity="not_valid"), 12),
        (replace(DONE, outcome="failed"), result(validity="not_valid"), 13),
        (replace(DONE, outcome="interrupted"), result(validity="not_valid"), 13),
        (replace(DONE, fault="the disk is full"), result(), 13),
        (DONE, None, 13),
    ],
)
def test_exit_codes(outcome, data, code):
    assert exit_code(outcome, data) == code


# ---- a terminal


def on_terminal(monkeypatch, **environment):
    for name in ("NO_COLOR", "FORCE_COLOR", "COLORTERM"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=80, highlight=False, markup=False)
    console.print(styled(result_lines(result(validity="doubtful"), 80)), soft_wrap=True)
    return out.getvalue()


def test_on_a_terminal_there_is_colour_and_a_line_through_the_value(monkeypatch):
    text = on_terminal(monkeypatch)
    assert "\x1b[9m812" in text  # ECMA-48, SGR 9: crossed out
    assert re.search(r"\x1b\[1;3[0-7]m", text)


def test_no_color_is_respected(monkeypatch):
    # no-color.org: when set and not empty, no colour is added; other styles may stay.
    text = on_terminal(monkeypatch, NO_COLOR="1")
    assert not re.search(r"\x1b\[[0-9;]*3[0-7]m", text)
    assert "DOUBTFUL" in text


@pytest.mark.parametrize("height", SIZES)
@pytest.mark.parametrize("text", ["0123456789", "-12.5", "812.4"])
def test_large_digits_keep_their_rows_equally_long(text, height):
    for struck in (False, True):
        rows = large(text, height, struck=struck)
        assert len(rows) == height
        assert len({len(row) for row in rows}) == 1
        assert len({tuple(large(c, height, struck=struck)) for c in "0123456789-."}) == 12


@pytest.mark.parametrize(
    ("height", "columns", "rows"), [(7, 80, 7), (7, 41, 5), (6, 80, 5), (7, 31, 3), (3, 80, 3), (7, 9, 0)]
)
def test_the_largest_digits_that_fit_are_taken(height, columns, rows):
    assert len(largest("812.4", height, columns)) == rows


@pytest.mark.parametrize("text", ["", "1e5", "no value"])
def test_text_without_large_digits_is_shown_small(text):
    assert large(text) == []


@pytest.mark.parametrize(
    ("view", "mark", "style"), [(MEASURING, "●", "good"), (too_little(), "●", "warn"), (saturated(), "▶", "bad")]
)
def test_the_colour_of_the_mark_depends_on_its_place(view, mark, style):
    pieces = [piece for line in live_lines(view, 80) for piece in line if piece[0] == mark]
    assert pieces[0] == (mark, style)


@pytest.mark.parametrize(
    ("celsius", "expected"),
    [(24.0, "◀ BELOW"), (24.7, "■ inside"), (25.3, "■ inside"), (26.0, "▶ ABOVE"), (None, "no reading")],
)
def test_the_temperature_is_compared_with_its_band(celsius, expected):
    view = changed(signals={"thermo-1.temperature": celsius})
    lines = shown(view, 120).splitlines()
    (row,) = [i for i, text in enumerate(lines) if text.startswith("temperature")]
    assert lines[row + 1].strip() == f"{expected}   24.7..25.3 °C   by thermo-1.temperature"


CAUTION = "Contains fine silica. Read the safety data sheet; do not let spills dry to dust."


def test_the_products_caution_is_shown_during_the_run_and_once_if_piped():
    text = "\n".join(text_of(line) for line in live_lines(changed(caution=CAUTION), 80))
    assert "sample: Contains fine silica." in text
    out = io.StringIO()
    screen = RunScreen(file=out, clock=Time())
    with screen:
        for state in ("starting", "measuring"):
            screen.show(changed(caution=CAUTION, state=state))
    assert out.getvalue().count(CAUTION) == 1
    assert out.getvalue().lstrip().startswith("sample: ")
