"""Every format has a number and a baseline, and DEVELOPERS.md names both."""

import json
import re
from pathlib import Path

from daq.adapters.store.schema import FORMAT as DATABASE
from daq.app.daemon.protocol import PROTOCOL
from daq.app.delivery.contract import SCHEMAS
from daq.collect.schema import STEPS as COLLECTOR
from daq.core.header import FORMAT as JOURNAL
from tests.contract.socket_baseline import path, shape

ROOT = Path(__file__).parents[2]


def test_the_socket_has_the_shape_of_its_number():
    assert shape() == json.loads(path().read_text(encoding="utf-8")), (
        "raise PROTOCOL, then write the file of the new number"
    )


def test_developers_know_the_numbers_and_the_baselines():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| (database|collector|journal|message|socket) \| (\d+) \|", text, re.MULTILINE))
    message = {s.version for s in SCHEMAS}
    assert message == {1}
    assert rows == {
        "database": str(DATABASE), "collector": str(len(COLLECTOR)), "journal": str(JOURNAL), "message": "1", "socket": str(PROTOCOL),
    }  # fmt: skip
    named = re.findall(r"^\| (?:database|collector|journal|message|socket) \|.*?`(tests/[^`]*)`", text, re.MULTILINE)
    assert len(named) == len(rows)
    assert [n for n in named if not (ROOT / n).exists()] == []
