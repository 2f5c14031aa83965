"""Every wrong file is refused with its name, the key, the reason and what to do."""

from pathlib import Path

import pytest

from daq.core.errors import SettingError
from daq.methods.files.load import load_daemon, load_instrument, load_method, load_product
from tests.methods.wrong_files import FILES, PLANS
from tests.support.runs.examples import CONFIG, changed, load_changed, plan_of


@pytest.mark.parametrize("case", FILES, ids=lambda case: f"{case[0]}:{case[3]}")
def test_a_wrong_file_is_refused(tmp_path, case):
    file, old, new, key, reason = case
    with pytest.raises(SettingError) as caught:
        load_changed(tmp_path, file, (old, new))
    error = caught.value
    path = str(tmp_path / Path(file).name)
    assert (error.file, error.key, error.reason) == (path, key, reason)
    assert str(error) == ": ".join(part for part in (path, key, reason) if part)


@pytest.mark.parametrize("case", PLANS, ids=lambda case: f"{case[5]}:{case[6]}")
def test_a_method_that_does_not_go_with_the_bench_is_refused(tmp_path, case):
    method, edits, instrument, more_edits, more, file, key, reason = case
    loaded = load_changed(tmp_path, method, *edits), load_changed(tmp_path, instrument, *more_edits)
    with pytest.raises(SettingError) as caught:
        plan_of(*loaded, **more)
    assert (Path(caught.value.file).name, caught.value.key, caught.value.reason) == (file, key, reason)


def test_at_least_sixty_distinct_faults():
    files = {(f, k, r) for f, _, _, k, r in FILES}
    plans = {(f, k, r) for *_, f, k, r in PLANS}
    assert len(files) == len(FILES)
    assert len(plans) == len(PLANS)
    assert len(files | plans) >= 130


def test_all_faults_of_a_file_are_told_at_once(tmp_path):
    edits = ('claim = "at_time"', 'claim = "steady"'), ("band = 0.2", "band = 0"), ('at = "end"', 'at = "start"')
    with pytest.raises(SettingError) as caught:
        load_changed(tmp_path, "methods/clear-glaze-qc.toml", *edits)
    assert [e.key for e in caught.value.errors] == ["claim", "conditioning.temperature.band", "steps[0].keep[0].at"]
    assert len(str(caught.value).splitlines()) == 3


def test_all_that_speaks_against_a_run_is_told_at_once(tmp_path):
    bench = load_changed(
        tmp_path, "instruments/bench-1.toml", ("enable_motion = true", "enable_motion = false"),
        ('fitted = "coaxial-12"', 'fitted = "coaxial-15"'),
    )  # fmt: skip
    method = load_changed(tmp_path, "methods/clear-glaze-qc.toml", ('stop = "60 s"', 'stop = "10 min"'))
    with pytest.raises(SettingError) as caught:
        plan_of(method, bench, choices={"speed": 7})
    assert {(Path(e.file).name, e.key) for e in caught.value.errors} == {
        ("bench-1.toml", "enable_motion"),
        ("bench-1.toml", "fitted"),
        ("clear-glaze-qc.toml", "steps[0].longest"),
        ("choice", "speed"),
    }


def test_a_file_that_cannot_be_read(tmp_path):
    with pytest.raises(SettingError, match="no such file; check the name"):
        load_method(tmp_path / "nothing.toml")
    with pytest.raises(SettingError, match="is a folder"):
        load_product(tmp_path)
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'id = "a"\nname = "Gr\xfcn"\n')
    with pytest.raises(SettingError, match="line 2 is not UTF-8 text"):
        load_product(latin)
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * 256_001)
    with pytest.raises(SettingError, match="larger than 256 kB"):
        load_instrument(large)


def test_a_syntax_error_names_the_line(tmp_path):
    path = tmp_path / "daemon.toml"
    path.write_text('[mqtt]\nhost = "localhost"\nport = \n', encoding="utf-8")
    with pytest.raises(SettingError, match="line 3"):
        load_daemon(path)


def test_a_mark_at_the_beginning_of_a_file_is_no_fault(tmp_path):
    path = tmp_path / "p.toml"
    path.write_bytes(b"\xef\xbb\xbf" + (CONFIG / "products/engobe.toml").read_bytes())
    assert load_product(path).id == "engobe"


@pytest.mark.parametrize("written", ['password = "kiln-4711"', "password = 4711", 'passwort = "kiln-4711"'])
def test_a_password_never_comes_back_in_the_message(tmp_path, written):
    edits = [('# password = { credential = "mqtt-password" }', written)]
    with pytest.raises(SettingError) as caught:
        load_daemon(changed(tmp_path, "daemon.toml", edits))
    assert "4711" not in str(caught.value)
