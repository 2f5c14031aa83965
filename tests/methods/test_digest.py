"""A method never changes: its digest depends on its content, not on the layout of its file."""

import pytest

from daq.methods.files.digest import digest
from tests.support.runs.examples import example, load_changed

FILE = "methods/clear-glaze-qc.toml"


@pytest.mark.parametrize(
    "edit",
    [
        ("# Clear glaze, every batch", "# Something else"),
        ('stop = "60 s"', 'stop =   "1 min"   # the same'),
        ('stop = "60 s"', "stop = 60"),
        ('stop = "60 s"', 'stop = { signal = "elapsed", above = 60 }'),
        ('stop = "60 s"', 'stop = { signal = "elapsed", above = "60 s" }'),
        ('statistic = "mean"\n', ""),
        ("low = 10\nhigh = 100", "high = 100.0\nlow = 10.0"),
        ("target = 25.0", 'target = "25 °C"'),
    ],
)  # fmt: skip
def test_spelling_does_not_change_the_digest(tmp_path, edit):
    assert digest(load_changed(tmp_path, FILE, edit)) == digest(example(FILE))


@pytest.mark.parametrize(
    "edit",
    [
        ('stop = "60 s"', 'stop = "61 s"'),
        ('title = "Clear glaze, viscosity after 60 s"', 'title = "Clear glaze"'),
        ("default = 20", "default = 10"),
        ('claim = "at_time"', 'claim = "peak"'),
        ("band = 0.2", "band = 0.3"),
    ],
)
def test_content_changes_the_digest(tmp_path, edit):
    assert digest(load_changed(tmp_path, FILE, edit)) != digest(example(FILE))


def test_rpm_and_per_minute_are_the_same_method(tmp_path):
    file = "methods/engobe-qc.toml"
    assert digest(load_changed(tmp_path, file, ('speed = "10 rpm"', "speed = 10"))) == digest(example(file))


def test_a_digest_is_a_sha_256():
    assert len(bytes.fromhex(digest(example(FILE)))) == 32


def test_the_order_of_choices_is_not_content(tmp_path):
    one = "[choices.rest]\ndefault = 1\nallowed = [1]\n"
    before = load_changed(tmp_path, FILE, ("[choices.speed]", one + "[choices.speed]"))
    after = load_changed(tmp_path, FILE, ("[conditioning.temperature]", one + "[conditioning.temperature]"))
    assert list(before.choices) != list(after.choices)
    assert digest(before) == digest(after)
