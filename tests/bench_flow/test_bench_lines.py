"""The screen of the work at a bench: every stage fits, shows its keys, and has words for every code."""

import re
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest

import daq.laboratory.bench.flow
from daq.app.screens.bench.bench_keys import KEYS
from daq.app.screens.bench.bench_lines import bench_lines
from daq.app.screens.bench.bench_view import BenchView, CupShown, ItemShown, ListedSample
from daq.app.screens.bench.bench_words import HEADLINES, HOWS, ITEMS, MESSAGES, message_text
from daq.app.screens.styled_lines import line_width, text_of
from daq.laboratory.bench.benchstate import How, Stage
from daq.laboratory.bench.checklists import AFTER
from daq.laboratory.bench.flow import ASKS, OFFERED, present_list
from tests.bench_flow.flows import FACTS, in_stage

STAGES = get_args(Stage)


def view_of(stage, **more):
    state = in_stage(stage)
    items = tuple(ItemShown(**i.model_dump()) for i in present_list(state, FACTS))
    listed = tuple(ListedSample(f"G-{n}", "clear-glaze", "2211", "14:20", 5, n < 2, None, 1800.0) for n in range(12))
    return BenchView(
        bench="bench-1", title="Glaze works, quality laboratory, bench 1", stage=stage, asks=ASKS.get(stage, ""),
        commands=OFFERED[stage], connection="ready", fitted="coaxial-12 (serial number S-12)", sample="G-1042",
        product="clear-glaze", lot="2211", method="clear-glaze-qc 1", caution="Contains fine silica. Wear gloves. " * 3,
        items=more.pop("items", items), worklist=listed, cups=(CupShown("G-3", 600.0),), discard=state.discard, run="1234567890",
        stirring_left_s=44.2 if stage == "checking" else 0.0, resting_left_s=200.0 if stage == "resting" else 0.0,
        draft=state.draft, verdict="outside", validity="valid", repeat="cause", **more,
    )  # fmt: skip


@pytest.mark.parametrize("size", [(60, 24), (80, 24), (200, 60)])
@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_fits_and_shows_its_keys(stage, size):
    columns, rows = size
    lines = bench_lines(view_of(stage), None, "", columns, rows)
    text = "\n".join(text_of(line) for line in lines)
    assert len(lines) == rows
    assert max(line_width(line) for line in lines) <= columns
    for command in (*OFFERED[stage], "leave"):
        assert re.search(rf"\b{KEYS[command]} ", text), command
    assert ("> " in text) == bool(ASKS.get(stage))


def test_a_technician_reads_what_is_counted_due_and_to_do():
    def text(stage, **more):
        return "\n".join(text_of(line) for line in bench_lines(view_of(stage, **more), None, "", 80, 24))

    assert "stirring left: 0:45 min" in text("checking")
    assert "rests for 3:20 min more" in text("resting")
    assert "into the bath now: G-0, G-1" in text("choosing")
    assert "in the bath: G-3 (10 min)" in text("choosing")
    assert "[✓] zero with nothing attached  0.10 % (-0.5 to 0.5 %)" in text("zeroing")
    item = ItemShown("at_temperature", "measured", True, 25.0, "Cel", 24.8, 25.2, 42, 600.0)
    assert "sample at temperature  25.00 °C (24.8 to 25.2 °C), 42 s old" in text("checking", items=(item,))
    fresh = replace(item, age_s=1)
    assert "25.2 °C)" in text("checking", items=(fresh,))
    assert "s old" not in text("checking", items=(fresh,))
    old = ItemShown("at_temperature", "measured", False, age_s=601, longest_s=600.0)
    assert "the reading is 601 s old: press the key again" in text("checking", items=(old,))
    assert "daq repeat 12345678 --cause CAUSE --because TEXT" in text("waiting")
    assert "G-1" in text("discarding")
    assert "not started: the bench is in a run" in text(
        "checking", message="not_started", values={"reason": "the bench is in a run"}
    )


def test_every_code_has_words():
    assert set(HEADLINES) == set(STAGES)
    assert set(HOWS) == set(get_args(How))
    codes = {i.code for s in STAGES for i in present_list(in_stage(s), FACTS)} | set(AFTER)
    assert codes <= set(ITEMS)
    source = Path(daq.laboratory.bench.flow.__file__).read_text("utf-8")
    used = set(re.findall(r'(?:_say\(state,|Message\()\s*"(\w*)"', source)) | {
        f"not_met_{code}" for code in ("zero", "motor_still", "stirred")
    }
    assert used == set(MESSAGES)
    assert message_text("cup_in_bath", {"sample": "G-7"}) == "the cup of G-7 is in the bath"
