"""Every wrong description is refused with its name, the key, the reason and what to do; all faults in one go."""

import copy
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.errors import SettingError, SettingErrors
from daq.descriptions.load import check_description, load_description
from tests.descriptions.wrong_files import BALANCE, FILES, PRINTER, ROTATIONAL
from tests.support import sentences
from tests.support.instruments.built_in import BUILT_IN


@pytest.mark.parametrize("case", FILES, ids=lambda case: f"{case[0].stem}:{case[3]}:{case[2][:20]!r}")
def test_a_wrong_file_is_refused(tmp_path, case):
    original, old, new, key, reason = case
    text = original.read_text("utf-8")
    assert old in text, "the example has changed"
    path = tmp_path / "mine.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SettingErrors) as caught:
        load_description(path)
    errors = caught.value.errors
    assert all(e.file == str(path) for e in errors)
    assert any(e.key == key and reason in e.reason for e in errors), [(e.key, e.reason) for e in errors]


def test_a_unit_may_be_written_in_another_one_with_rounded_digits(tmp_path):
    text = PRINTER.read_text("utf-8").replace('units = { kg = "kg"', 'units = { kg = "1000.02 g"', 1)
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    load_description(path)


def test_there_are_enough_of_them():
    assert len({(case[0], case[1], case[2]) for case in FILES}) == len(FILES)
    assert len({(case[3], case[4]) for case in FILES}) >= 80


def test_all_faults_are_found_in_one_go(tmp_path):
    path = tmp_path / "mine.toml"
    text = ROTATIONAL.read_text("utf-8")
    for old, new in (
        ('requests = ["read"]', 'requests = ["raed"]'),
        ('identify = "who"', 'identify = "how"'),
        ("{torque:number}", "{torqe:number}"),
        ('"temperature: probe"', '"temprature: probe"'),
    ):
        text = text.replace(old, new, 1)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingErrors) as caught:
        load_description(path)
    keys = [e.key for e in caught.value.errors]
    assert {"poll.requests[0]", "identify", "line.values.fields.torqe", "line.values.fields.flags.means.P"} <= set(keys)


@pytest.mark.parametrize(
    ("raw", "output"),
    [
        (b"format = 1\nkind = ", "is not valid TOML"),
        (b"\xff\xfe", "is not UTF-8"),
        (b"x" * 256_001, "is larger than 256 kB"),
        (b"format = 1" + b"0" * 5_000, sentences.TOO_LONG_FOR_SETTINGS),
        (b"format = " + b"[" * 10_000, sentences.TOO_LONG_FOR_SETTINGS),
        (b"format = " + b"[" * 50_000, "line 1 has more than 16384 characters"),
    ],
)
def test_what_is_no_description_at_all(tmp_path, raw, output):
    path = tmp_path / "mine.toml"
    path.write_bytes(raw)
    with pytest.raises(SettingError, match=output):
        load_description(path)


SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(-3, 300), st.floats(), st.text(max_size=8), st.just("{x:number}"),
    st.just("{"), st.just("{value}"), st.just("{interval_ms}"), st.just(float("inf")), st.just("1e400 s"), st.just("[{a:word}]"), st.just([]), st.just({}), st.lists(st.text(max_size=3), max_size=2),
)  # fmt: skip


def spots(node, path=()):
    """Every place in the tables that may be changed."""
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in pairs:
        yield (*path, key)
        yield from spots(value, (*path, key))


SPOTS = [(name, path) for name, description in BUILT_IN.items() for path in spots(description.raw)]


def changed(name, path, value):
    tables = copy.deepcopy(dict(BUILT_IN[name].raw))
    here = tables
    for step in path[:-1]:
        here = here[step]
    if value is KeyError:
        del here[path[-1]]
    else:
        here[path[-1]] = value
    return tables


@pytest.mark.slow
@settings(max_examples=800, derandomize=True, deadline=None)
@given(spot=st.sampled_from(SPOTS), value=SCALARS | st.just(KeyError), line=st.binary(max_size=60))
def test_a_changed_description_is_refused_or_works(spot, value, line):
    try:
        driver = check_description(changed(*spot, value)).driver()
    except SettingError as error:
        assert str(error)  # noqa: PT017 - either outcome is right
        return
    driver.decode(line)
    driver.decode(driver.seal.sealed(line) if driver.seal else line)
    driver.poll(), driver.identify(), driver.start_stream()


@settings(max_examples=300, derandomize=True, deadline=None)
@given(at=st.integers(0, 3000), size=st.integers(0, 12), put=st.text(max_size=6))
def test_a_file_with_a_piece_replaced_is_refused_or_works(at, size, put):
    text = BALANCE.read_text("utf-8")
    at %= len(text)
    try:
        tables = tomllib.loads(text[:at] + put + text[at + size :])
    except tomllib.TOMLDecodeError:
        return
    try:
        check_description(tables).driver()
    except SettingError as error:
        assert str(error)  # noqa: PT017 - either outcome is right
