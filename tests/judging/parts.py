"""A method with treatments between its measurements."""

from daq.methods.files.load import load_method
from daq.rheology.restirring import DriftSign

METHOD = """
id = "stability"
version = "1"
title = "Stability of a slip at one speed"
claim = "at_time"
result_step = "first"

[conditioning.preshear]
speed = 50
time = "60 s"
"""

MEASURE = """
[[steps]]
name = "{name}"
speed = 20
settle = "1 rev"
stop = "60 s"
longest = "2 min"
keep = [{{ at = "every", every = "{every}", span = "{span}" }}, {{ at = "end", span = "{span}" }}]
"""

TREAT = """
[[steps]]
name = "{name}"
treatment = "{treatment}"
stop = "60 s"
longest = "2 min"
{more}
"""

CODES = {
    DriftSign.THIXOTROPY: "drift_shows_thixotropy", DriftSign.SETTLING: "drift_shows_settling",
    DriftSign.DRYING: "drift_shows_drying", DriftSign.IRREVERSIBLE: "drift_does_not_return",
}  # fmt: skip

OWN = {*CODES.values(), "drift_not_separated"}


def method(tmp_path, treatments=("preshear", "stir"), **spans):
    spans = {"every": "20 s", "span": "10 s"} | spans
    text = METHOD + MEASURE.format(name="first", **spans)
    for i, treatment in enumerate(treatments):
        more = "speed = 50" if treatment == "preshear" else ""
        text += TREAT.format(name=f"treat-{i}", treatment=treatment, more=more)
        text += MEASURE.format(name=f"again-{i}", **spans)
    path = tmp_path / "stability.toml"
    path.write_text(text, encoding="utf-8")
    return load_method(path)
