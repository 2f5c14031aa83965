"""A line that stays below the title of the demonstration's screen, such as the address for the visitor."""

import io

import pytest

from daq.app.screens.shift_screen import ShiftScreen


class Shown:
    """The part of a terminal that keeps what was drawn last."""

    def __init__(self):
        self.text = ""

    def update(self, drawn, *, refresh):
        assert refresh
        self.text = drawn.plain


ADDRESS = "open http://127.0.0.1:8042/pair/bench-3/6b0cb704-22826f297a34f7a87302"


@pytest.mark.parametrize("kept", [1, 3])
def test_a_kept_line_stays_while_the_past_scrolls_away(kept):
    screen = ShiftScreen("daq demo", file=io.StringIO(), clock=iter(range(1000)).__next__)
    screen._live = shown = Shown()
    lines = [f"{ADDRESS} {n}" for n in range(kept)]
    for line in lines:
        screen.keep([(line, "")])
    for number in range(200):
        screen.add([(f"event {number}", "")])
    rows = [row.rstrip() for row in shown.text.splitlines()]
    assert rows[0] == "daq demo"
    assert rows[1 : 1 + kept] == lines
    assert "event 199" in shown.text
    assert len(shown.text.split("\n")) <= screen._console.height


def test_without_a_terminal_it_is_a_line_as_any_other():
    file = io.StringIO()
    ShiftScreen("daq demo", file=file).keep([(ADDRESS, "")])
    assert file.getvalue() == f"{ADDRESS}\n"
