"""A filling that a search for a speed has sheared is not measured as a fresh one, however its runs name the filling."""

import pytest

from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.ordering import completed
from daq.app.run.fills import check_fill
from daq.app.setup.run_order import RunOrder
from daq.core.errors import SettingError
from tests.laboratory.parts import laboratory
from tests.support.runs.charted import Measured, make_charted, run_id

SHEARED = {"id": "G-1", "product": "clear-glaze", "fill": None, "sheared": True}


@pytest.mark.parametrize("registered", [False, True])
@pytest.mark.parametrize("sheared", [False, True])
@pytest.mark.parametrize("fill", ["", "F-1"])
@pytest.mark.parametrize("given", ["nothing", "same", "fresh", "its name"])
def test_a_run_on_a_sheared_filling_is_refused(tmp_path, registered, sheared, fill, given):
    """The first run may have named its filling or not, and the next one may name it, or state that it is the same."""
    changes = {"sample": SHEARED} if sheared else {}
    seek = Measured("G-1", 800.0, fill=fill, changes=changes)
    make_charted(tmp_path / "daq.db", [Measured("G-0", 800.0, fill="F-0"), seek])
    name = fill or run_id(1)
    stated = {"nothing": {}, "same": {"filling": "same"}, "fresh": {"filling": "fresh"}, "its name": {"fill": name}}
    with laboratory(tmp_path) as lab:
        if registered:
            carry_out(lab, "sample_add", {"id": "G-1", "product": "clear-glaze"})
        method = lab.catalogue.method("clear-glaze-qc")
        order = RunOrder(sample="G-1", instrument="bench-1", method_id=method.id, **stated[given])
        with lab.reader() as reader:
            if registered and given == "nothing":
                with pytest.raises(SettingError, match="say whether the vessel holds the same filling"):
                    completed(order, lab.catalogue, reader, ("bench-1",))
                return
            order = completed(order, lab.catalogue, reader, ("bench-1",))
            if sheared and given != "fresh":
                with pytest.raises(SettingError, match=f"was sheared by the seek of run {run_id(1)[:8]}"):
                    check_fill(reader, order.fill, method)
            else:
                check_fill(reader, order.fill, method)
