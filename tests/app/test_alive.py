"""Files that are changed while the daemon runs: the next run uses what the file shows, or is refused by name."""

import asyncio
import hashlib
import json
import re
import shutil
from pathlib import Path

import pytest

import daq.app.daemon.runs_in_progress as starting
from daq.adapters.store.agreement.everything import Comparison
from daq.adapters.store.agreement.stored import Stored
from daq.adapters.store.records import newest_revision
from daq.app.daemon.protocol import AskStatus, Reload
from daq.app.daemon.service import Service
from daq.core.errors import SettingError
from drivers import rotational
from tests.support.file_bench import FileBench, write_configuration

pytestmark = [pytest.mark.asyncio, pytest.mark.slow]

CERTIFIED = pytest.approx(483.2, rel=0.03)
"""Reference fluid B at 25 Cel, mPa.s (the certificate of the examples)."""


async def asked(bench, request):
    """Return the answer to a request."""
    return [answer async for answer in Service(bench.supervisor).handle(request)][-1]


def record_of(bench, kind, ident):
    with bench.supervisor.store.reader() as reader:
        return newest_revision(reader, kind, ident)


async def test_a_fitted_geometry_that_is_changed_in_the_file_gives_no_wrong_number(tmp_path):
    async with FileBench(tmp_path) as bench:
        right = await bench.measured()
        assert (right["value"], right["geometry"]["name"]) == (CERTIFIED, "coaxial-15")
        bench.change("instruments/bench-1", 'fitted = "coaxial-15"', 'fitted = "coaxial-12"')
        bench.mount("bench-1", "coaxial-12")
        with pytest.raises(SettingError, match="daq fit bench-1 coaxial-12") as refused:
            await bench.begin_on()
        assert (refused.value.key, refused.value.file) == ("fitted", str(bench.path("instruments/bench-1")))
        for answer in ((await asked(bench, Reload())).errors, (await asked(bench, AskStatus())).status.configuration):
            assert ["daq fit bench-1 coaxial-12" in text for text in answer] == [True]
        await bench.fit("bench-1", "coaxial-12")
        assert (await asked(bench, AskStatus())).status.configuration == ()
        found = await bench.measured()
        assert (found["value"], found["geometry"]["name"]) == (CERTIFIED, "coaxial-12")
        assert found["quality"] == right["quality"]


async def test_the_first_start_records_the_geometry_of_the_file_and_a_restart_keeps_the_recorded_one(tmp_path):
    async with FileBench(tmp_path) as bench:
        first = record_of(bench, "fitted", "bench-1")
        assert (first.data["geometry"], first.who, first.revision) == ("coaxial-15", "daemon", 1)
        await bench.fit("bench-1", "coaxial-12", "K-12-3")
        with pytest.raises(SettingError, match="coaxial-13"):
            await bench.fit("bench-1", "coaxial-13")
        status = (await asked(bench, AskStatus())).status
        assert status.instruments["bench-1"].fitted == "coaxial-12 (serial number K-12-3)"
        state = bench.supervisor.state
    async with FileBench(tmp_path, state=state) as bench:
        bench.mount("bench-1", "coaxial-12")
        active = await bench.begin_on()
        view = bench.supervisor.in_progress.view(active)
        assert view.fitted == "coaxial-12 (serial number K-12-3)"
        result = bench.result((await active.task).run_id)
        assert (result["geometry"]["name"], result["geometry"]["serial"]) == ("coaxial-12", "K-12-3")
        assert result["value"] == CERTIFIED
        kept = record_of(bench, "fitted", "bench-1")
        assert (kept.revision, kept.who, kept.what) == (2, "m.keeper", "geometry_fitted")
        state = bench.supervisor.store.path
    with Stored(state) as stored:
        assert [d.text for d in Comparison().of(stored)] == []


async def test_a_key_that_returns_to_an_earlier_name_is_noticed(tmp_path):
    """The file names 15, then 12 is recorded and named, then the file is put back to 15."""
    async with FileBench(tmp_path) as bench:
        await bench.fit("bench-1", "coaxial-12")
        await bench.supervisor.reloading.refresh()
        bench.change("instruments/bench-1", 'fitted = "coaxial-15"', 'fitted = "coaxial-12"')
        await asked(bench, Reload())
        bench.change("instruments/bench-1", 'fitted = "coaxial-12"', 'fitted = "coaxial-15"')
        with pytest.raises(SettingError, match="daq fit bench-1 coaxial-15"):
            await bench.begin_on()


async def test_a_serial_number_that_changes_in_the_file_needs_a_fit(tmp_path):
    async with FileBench(tmp_path) as bench:
        bench.change(
            "instruments/bench-1", r"\[geometries\.coaxial-15\][^\n]*", '[geometries.coaxial-15]\nserial = "K-9"'
        )
        with pytest.raises(SettingError, match=r"geometries\.coaxial-15\.serial.*daq fit bench-1 coaxial-15"):
            await bench.begin_on()
        with pytest.raises(SettingError, match="'K-8'"):
            await bench.fit("bench-1", "coaxial-15", "K-8")
        await bench.fit("bench-1", "coaxial-15")
        assert (await bench.measured())["geometry"]["serial"] == "K-9"


async def test_constants_that_change_in_the_file_need_a_fit(tmp_path):
    async with FileBench(tmp_path) as bench:
        before = await bench.measured()
        bench.change("instruments/bench-1", r"outer_radius = 16\.2705", "outer_radius = 15.2705")
        what = r"geometries\.coaxial-15\.outer_radius.*16\.2705 -> 15\.2705.*daq fit bench-1 coaxial-15"
        with pytest.raises(SettingError, match=what):
            await bench.begin_on()
        for answer in ((await asked(bench, Reload())).errors, (await asked(bench, AskStatus())).status.configuration):
            assert [bool(re.search(what, text)) for text in answer] == [True]
        done = await bench.fit("bench-1", "coaxial-15")
        assert done["constants"] == "geometries.coaxial-15.outer_radius 16.2705 -> 15.2705"
        recorded = record_of(bench, "fitted", "bench-1")
        assert (recorded.data["constants"]["geometries.coaxial-15.outer_radius"], recorded.who) == (
            "15.2705",
            "m.keeper",
        )
        assert (await asked(bench, AskStatus())).status.configuration == ()
        assert (await bench.measured())["value"] != before["value"]


async def test_a_description_that_changes_needs_a_fit(tmp_path):
    config = write_configuration(tmp_path / "config")
    shutil.copy(Path(rotational.__file__).parent / "rotational.toml", config / "own.toml")
    file = config / "instruments" / "bench-1.toml"
    text = file.read_text("utf-8")
    assert 'driver = "rotational"' in text
    file.write_text(text.replace('driver = "rotational"', 'driver = "own.toml"'), "utf-8")
    async with FileBench(tmp_path) as bench:
        await bench.measured()
        bench.change("own", "^", "# edited\n")
        with pytest.raises(SettingError, match=r"own\.toml: description: .* -> .*daq fit bench-1 coaxial-15"):
            await bench.begin_on()
        done = await bench.fit("bench-1", "coaxial-15")
        assert done["constants"].startswith("description ")
        await bench.measured()


async def test_a_run_keeps_its_configuration_and_the_next_one_has_the_new(tmp_path):
    async with FileBench(tmp_path) as bench:
        active, other = await bench.begin_on(method="long"), await bench.begin_on("bench-2", "long")
        plan, session, others = active.runner.pipeline.plan, bench.session, bench.supervisor.sessions["bench-2"]
        bench.change("instruments/bench-1", "inner_radius = 15.0", "inner_radius = 14.9")
        bench.change("methods/short", 'version = "1"', 'version = "2"')
        reloaded = await asked(bench, Reload())
        assert reloaded.reloaded[0] == "instrument bench-1: changes when its run has ended"
        assert (bench.session, active.runner.pipeline.plan) == (session, plan)
        with pytest.raises(SettingError, match="is in a run"):
            await bench.fit("bench-1", "coaxial-12")
        await bench.until(lambda: active.runner.pipeline.state == "measuring" == other.runner.pipeline.state)
        bench.supervisor.stop_run("bench-1", "m.keeper")
        first = bench.result((await active.task).run_id)
        assert (first["outcome"], first["geometry"]["dimensions"]["inner_radius"]) == ("stopped", 15.0)
        await bench.until(lambda: bench.session is not session)
        await bench.fit("bench-1", "coaxial-15")
        second = await bench.measured()
        assert (second["geometry"]["dimensions"]["inner_radius"], second["method"]["version"]) == (14.9, "2")
        assert second["value"] != CERTIFIED
        assert bench.supervisor.sessions["bench-2"] is others
        assert other.runner.pipeline.state == "measuring"
        bench.supervisor.stop_run("bench-2", "m.keeper")
        assert (await other.task).outcome == "stopped"


async def test_new_methods_products_and_instruments_need_no_restart(tmp_path):
    async with FileBench(tmp_path) as bench:
        for kind, old, new in (
            ("methods", "short", "brief"),
            ("products", "glaze", "slip"),
            ("instruments", "bench-2", "bench-3"),
        ):
            text = bench.path(f"{kind}/{old}").read_text("utf-8").replace(old, new).replace("short 1", "brief 1")
            bench.path(f"{kind}/{new}").write_text(text, "utf-8")
        bench.boxes["bench-3"] = type(bench.box)(bench.clock, bench.box.simulator)
        result = await bench.measured(method="brief", product="slip")
        assert (result["method"]["id"], result["sample"]["product"]) == ("brief", "slip")
        await bench.until(lambda: bench.supervisor.sessions["bench-3"].standing.state == "ready")
        bench.path("instruments/bench-3").unlink()
        await asked(bench, Reload())
        assert "bench-3" not in bench.supervisor.sessions


async def test_an_invalid_change_keeps_the_old_state_and_is_named(tmp_path):
    async with FileBench(tmp_path) as bench:
        session = bench.session
        bench.change("instruments/bench-1", "enable_motion = true", 'enable_motion = "yes"')
        bench.change("products/glaze", "high = 900", "high = 200")
        with pytest.raises(SettingError, match=r"bench-1\.toml: enable_motion: must be true or false"):
            await bench.begin_on()
        with pytest.raises(SettingError, match=r"glaze\.toml: limits\[0\]\.low"):
            await bench.begin_on("bench-2", product="glaze")
        named = (await asked(bench, AskStatus())).status.configuration
        assert [("enable_motion" in text, "limits[0].low" in text) for text in named] == [(True, False), (False, True)]
        assert bench.session is session
        active = await bench.begin_on("bench-2")  # uses neither of the two files
        assert bench.supervisor.in_progress.view(active).configuration == named
        assert bench.result((await active.task).run_id)["value"] == CERTIFIED
        bench.change("instruments/bench-1", 'enable_motion = "yes"', "enable_motion = true")
        bench.change("products/glaze", "high = 200", "high = 900")
        assert (await asked(bench, Reload())).errors == ()
        assert (await bench.measured(product="glaze"))["value"] == CERTIFIED


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [("methods/short", 'span = "5 s"', 'span = "4 s"'), ("products/glaze", "low = 300", "low = 500")],
)
async def test_a_text_that_was_used_under_a_version_is_never_replaced(tmp_path, name, old, new):
    """Neither while the daemon runs nor over a restart."""
    async with FileBench(tmp_path) as bench:
        await bench.measured(product="glaze")
        bench.change(name, old, new)
        with pytest.raises(SettingError, match="version"):
            await bench.begin_on(product="glaze")
        state = bench.supervisor.state
    async with FileBench(tmp_path, state=state) as bench:
        with pytest.raises(SettingError, match="was used before with other content"):
            await bench.begin_on(product="glaze")
        bench.change(name, 'version = "1"', 'version = "2"')
        bench.change("products/glaze", '"short 1"', '"short 1", "short 2"')
        if name != "products/glaze":
            bench.change("products/glaze", 'version = "1"', 'version = "2"')
        assert (await bench.measured(product="glaze"))["value"] == CERTIFIED


async def test_a_product_does_not_hold_before_its_day(tmp_path):
    async with FileBench(tmp_path) as bench:
        bench.change(
            "products/glaze", 'version = "1"', 'version = "2"\napproved_by = "m.keeper"\nvalid_from = 2999-01-01'
        )
        with pytest.raises(SettingError, match="valid_from: version 2 of product glaze holds from 2999-01-01"):
            await bench.begin_on(product="glaze")


async def test_a_fit_while_the_run_is_being_started_refuses_the_run(tmp_path, monkeypatch):
    async with FileBench(tmp_path) as bench:
        prepare, loop = starting.prepare, asyncio.get_running_loop()
        fits = []

        def meanwhile(*given):
            prepared = prepare(*given)
            fits.append(loop.create_task(bench.fit("bench-1", "coaxial-12")))
            return prepared

        commit = bench.supervisor.store.commit

        async def after_the_fit(transaction):
            await asyncio.gather(*fits)
            return await commit(transaction)

        monkeypatch.setattr(starting, "prepare", meanwhile)
        monkeypatch.setattr(bench.supervisor.store, "commit", after_the_fit)
        with pytest.raises(SettingError, match="another measuring geometry was fitted to bench-1"):
            await bench.begin_on()
        assert bench.supervisor.runs == {}
        with bench.supervisor.store.reader() as reader:
            assert reader.runs(limit=-1) == []


async def test_an_update_that_changed_the_text_of_an_installed_driver_asks_a_person_at_the_start(tmp_path, monkeypatch):
    async with FileBench(tmp_path) as bench:
        await bench.measured()
        drivers = type(bench.supervisor.catalogue.drivers)
        former = drivers.text
        monkeypatch.setattr(drivers, "text", lambda self, name: former(self, name).replace("}", " }"))
        with pytest.raises(SettingError, match="reads the instrument by another text .* daq fit bench-1 coaxial-15;"):
            await bench.begin_on()
        done = await bench.fit("bench-1", "coaxial-15")
        assert done["constants"].startswith("description ")
        await bench.measured(fill="b")


async def test_a_run_keeps_the_texts_and_digests_of_its_configuration(tmp_path):
    async with FileBench(tmp_path) as bench:
        outcome = await (await bench.begin_on(product="glaze")).task
        data = record_of(bench, "run_configuration", outcome.run_id).data
        assert data["fitted"] == {"bench-1": 1}
        names = {"instrument": "instruments/bench-1", "method": "methods/short", "product": "products/glaze"}
        used_files = [used for used in data["used"] if used["what"] != "description"]
        assert [used["what"] for used in used_files] == list(names)
        # The text of an installed driver is stored, too: it has no file in the configuration.
        (described,) = [used for used in data["used"] if used["what"] == "description"]
        assert (described["id"], described["file"], described["file_text"]) == ("rotational", "", "")
        text = record_of(bench, "text", described["text"]).data["text"]
        assert text == bench.supervisor.catalogue.drivers.text("rotational")
        for used in used_files:
            raw = bench.path(names[used["what"]]).read_bytes()
            assert used["file_text"] == hashlib.sha256(raw).hexdigest()
            for text in (used["file_text"], used["text"]):
                assert hashlib.sha256(record_of(bench, "text", text).data["text"].encode()).hexdigest() == text
        assert json.loads(record_of(bench, "text", data["used"][0]["text"]).data["text"])["fitted"] == "coaxial-15"


async def test_a_replay_takes_its_constants_from_the_journal_only(tmp_path, capsys):
    from daq.app.cli import main

    async with FileBench(tmp_path) as bench:
        outcome = await (await bench.begin_on(product="glaze")).task
        await bench.fit("bench-1", "coaxial-12")
        state = bench.supervisor.state
    elsewhere = tmp_path / "elsewhere"
    shutil.copytree(bench.config, elsewhere)
    for name, old, new in (
        ("instruments/bench-1", "inner_radius = 15.0", "inner_radius = 9.0"),
        ("methods/short", 'span = "5 s"', 'span = "1 s"'),
        ("products/glaze", "low = 300", "low = 899"),
    ):
        path = elsewhere / f"{name}.toml"
        path.write_text(path.read_text("utf-8").replace(old, new), "utf-8")
    printed = []
    capsys.readouterr()
    for folder in (bench.config, elsewhere):
        code = await asyncio.to_thread(main, ["--config", str(folder), "--state", str(state), "replay", outcome.run_id])
        printed.append((code, capsys.readouterr().out))
    assert printed[0] == printed[1]
    assert printed[0][0] == 0


async def test_a_motor_of_unknown_state_is_still_stopped_after_its_file_has_changed(tmp_path):
    async with FileBench(tmp_path) as bench:
        before = bench.session
        bench.box.silent = True
        before.want_stop()
        bench.change("instruments/bench-1", "interval_ms = 100", "interval_ms = 120")
        await asked(bench, Reload())
        assert bench.session is not before
        assert bench.session.standing.motor == "may_still_be_turning"
        began = bench.clock.mono_ns()
        bench.box.silent = False
        await bench.until(lambda: bench.session.standing.state == "ready" and not bench.session.standing.motor)
        assert "halt" in bench.box.words(began)
        assert (await bench.measured())["value"] == CERTIFIED
