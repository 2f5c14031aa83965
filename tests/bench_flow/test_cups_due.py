"""The terminal screen of a bench names the cups that enter the bath now where a cup can be noted.

The page names them on its own screens, and not in each of these stages.
"""

import pytest

from daq.app.daemon.shift.bench_views import bench_view
from daq.app.laboratory.acts import carry_out
from daq.app.run.standing import Standing
from daq.app.screens.bench.bench_lines import bench_lines
from daq.app.screens.styled_lines import text_of
from daq.laboratory.bench.bench_events import Message
from daq.laboratory.bench.flow import ASKS
from tests.bench_flow.flows import FACTS, in_stage
from tests.support.laboratories import laboratory

TAKE_A_CUP = ["choosing", *(stage for stage, asked in ASKS.items() if asked == "cup")]


@pytest.mark.parametrize("stage", TAKE_A_CUP)
def test_the_cups_that_enter_the_bath_now_are_named_where_a_cup_can_be_noted(tmp_path, stage):
    with laboratory(tmp_path) as lab:
        half_an_hour = 30 * 60 * 10**9
        for name, product in lab.catalogue.products.items():
            lab.catalogue.products[name] = product.model_copy(update={"equilibrating": half_an_hour})
        for sample in ("G-7", "G-8"):
            carry_out(lab, "sample_add", {"id": sample, "product": "clear-glaze"})
        with lab.reader() as reader:
            view = bench_view(reader, lab.catalogue, in_stage(stage), 1, Message(""), FACTS, Standing())
    assert [s.sample for s in view.worklist if s.enter_now] == ["G-7", "G-8"]
    shown = "\n".join(text_of(line) for line in bench_lines(view, None, "", 80, 24))
    assert "into the bath now: G-7, G-8" in shown
