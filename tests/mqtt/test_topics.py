"""Topic names, by the rules of MQTT 5 (OASIS standard of 7 March 2019), sections 1.5.4 and 4.7."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.adapters.mqtt.topics import Topics
from daq.core.errors import SettingError


def test_levels_may_be_left_out():
    whole = Topics("glazeworks", "south", "lab", "slip", "bench-1")
    assert whole.result("rotor-1") == "glazeworks/south/lab/slip/bench-1/lab/v1/result/rotor-1"
    assert Topics().status() == "lab/v1/status"
    assert Topics(site="south", cell="bench-1").last("rotor-1") == "south/bench-1/lab/v1/last/rotor-1"
    assert Topics().live("Rührwerk 1") == "lab/v1/live/Rührwerk 1"
    assert Topics().schema("result", "1") == "lab/v1/schema/result/1"


@pytest.mark.parametrize("wrong", ["a/b", "a+b", "#", "a\x00", "a\nb", "$SYS", "\x85"])
def test_reserved_characters_are_refused_by_key(wrong):
    with pytest.raises(SettingError) as caught:
        Topics(area=wrong)
    assert caught.value.key == "mqtt.topic.area"
    with pytest.raises(SettingError):
        Topics().result(wrong)


def test_an_instrument_without_a_name_and_a_topic_too_long_are_refused():
    with pytest.raises(SettingError, match="empty"):
        Topics().live("")
    with pytest.raises(SettingError, match="longer than 65535 bytes"):
        Topics().live("ü" * 33_000)


@given(st.lists(st.text(min_size=1, max_size=8), min_size=6, max_size=6))
def test_accepted_levels_can_be_published_to(levels):
    try:
        topic = Topics(*levels[:5]).result(levels[5])
    except (SettingError, UnicodeEncodeError):
        return
    assert not set(topic) & set("+#\x00")
    assert "//" not in topic
    assert topic.count("/") == 8
