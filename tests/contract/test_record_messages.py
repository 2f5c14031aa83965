"""The messages about signatures and reportable results: the page's examples, and the collector's subscription."""

import json
import re
from fnmatch import fnmatch
from pathlib import Path

import jsonschema
import pytest

from daq.app.delivery.contract import SCHEMAS
from daq.collect.settings import CollectSettings
from tests.support.runs.full_database import TOPICS

PAGE = Path(__file__).parents[2] / "config" / "SUBSCRIBE.md"
EXAMPLES = [json.loads(block) for block in re.findall(r"```json\n(.*?)```", PAGE.read_text("utf-8"), re.DOTALL)]
SCHEMA = {f"lab.{s.name}.v{s.version}": json.loads(s.text()) for s in SCHEMAS}


def partly(schema):
    """Return a schema without its required keys, for a part of a message."""
    return {k: v for k, v in schema.items() if k != "required"}


@pytest.mark.parametrize("name", ["signature", "reportable"])
def test_the_examples_of_the_page_have_the_form_of_their_schemas(name):
    (event,) = [e for e in EXAMPLES if e.get("type") == f"lab.{name}.v1"]
    schema = SCHEMA[event["type"]]
    assert set(event["data"]) <= set(schema["properties"])
    jsonschema.validate(event["data"], schema if name == "signature" else partly(schema))
    jsonschema.validate(event, partly(SCHEMA["lab.envelope.v1"]))


def test_a_collector_subscribes_to_each_of_them_once():
    settings = CollectSettings(group="g", worker="w", levels=("lab/bench",), mqtt=None, postgres=None)
    filters = [f.removeprefix("$share/g/") for f in settings.shared_filters]
    for topic in (TOPICS.result("bench-1"), TOPICS.signature("bench-1"), TOPICS.reportable("bench-1")):
        assert sum(fnmatch(topic, f.replace("+", "*")) for f in filters) == 1
