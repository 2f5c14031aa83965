"""Passwords, badges and their hashes appear in no answer, log, audit entry, listing or error: a sweep with canaries."""

import argparse
import asyncio
import importlib
import json
import shutil
import sqlite3

import pytest
from structlog.testing import capture_logs

from daq.adapters.paths import examples_dir
from daq.app.cli import COMMANDS, main
from daq.app.cli.laboratory import typed_secrets
from daq.app.daemon import service
from daq.app.daemon.control import ControlServer
from daq.app.daemon.protocol import PROTOCOL, REQUESTS
from daq.app.daemon.service import Service
from daq.app.laboratory.acts import ACTS, carry_out
from daq.app.laboratory.given import Given
from daq.app.laboratory.identity import operator_of
from daq.core.errors import SettingError
from daq.laboratory.people import Credentials
from daq.process.logins import own_login
from tests.laboratory.parts import at, audited, staffed

PASSWORD, BADGE = "kiln Kanary 1", "Kanary-4711"
#: Traces of a secret: the canaries, and every hash.
TRACES = ("Kanary", "argon2")
SECRET_NAMES = ("password", "badge", "code", "secret")
WRONG = [
    ["Kanary"],
    {"Kanary": "Kanary"},
    "Kanary" * 40,
    "Kanary\n",
    "Kanary\x1b[31m",
    "Kanary",
    None,
]  # fmt: skip


def is_clean(text):
    assert not [trace for trace in TRACES if trace in text], text
    return True


def orders():
    """Yield orders of every act with secrets where they belong, where they do not belong, and in wrong types."""
    for act, found in ACTS.items():
        good = {name: "measure" for name, field in found.order.model_fields.items() if field.is_required()}
        for secret in (PASSWORD, BADGE, *WRONG):
            yield act, good | {"password": secret}, {}
            yield act, good | {"badge": secret}, {}
            yield act, good, {"person": "measure", "password": secret}
            yield act, good, {"badge": secret}
            yield act, good, {"person": "ghost", "password": secret, "badge": secret, "colour": "red"}


class OneLaboratory:
    """The part of a supervisor that these requests use."""

    def __init__(self, lab):
        self.lab = lab
        self.store, self.catalogue, self.clock = lab.store, lab.catalogue, lab.clock

    def wake(self):
        """There is no publisher."""

    def laboratory(self, login):
        return at(self.lab, login)

    async def begin(self, order, login):
        await asyncio.to_thread(operator_of, self.laboratory(login), order)
        raise SettingError("no run here")


async def answered(path, request):
    reader, writer = await asyncio.open_unix_connection(str(path))
    writer.write(json.dumps({"protocol": PROTOCOL} | request).encode() + b"\n")
    answer = await reader.read()
    writer.close()
    return answer.decode()


def test_answers_and_logs_of_the_socket_are_clean(tmp_path, monkeypatch):
    # A request that fails by a fault of the software is logged.
    real, faults = service.carry_out, []

    def sometimes(laboratory, act, order, given):
        if act == "person_password" and len(faults) < 5:
            faults.append(act)
            raise RuntimeError("the sky fell")
        return real(laboratory, act, order, given)

    monkeypatch.setattr(service, "carry_out", sometimes)

    async def swept(lab):
        server = ControlServer(tmp_path / "control", Service(OneLaboratory(lab)).handle)
        await server.start()
        answers = []
        for act, order, by in orders():
            lab.log_ins._failed.clear()
            answers.append(
                await answered(tmp_path / "control", {"do": "perform", "act": act, "order": order, "by": by})
            )
        for badge in (BADGE, *WRONG):
            lab.log_ins._failed.clear()
            run = {"do": "run", "method_id": "clear-glaze-qc", "instrument": "bench-1", "sample": "G-1"}
            answers.append(await answered(tmp_path / "control", run | {"badge": badge}))
        await server.stop()
        return answers

    with staffed(tmp_path) as lab, capture_logs() as logs:
        carry_out(lab, "person_logins", {"id": "administer", "logins": [own_login(), "at-administer"]})
        carry_out(lab, "person_badge", {"id": "measure", "badge": BADGE})
        answers = asyncio.run(swept(lab))
        assert all(is_clean(answer.replace("\\u", "")) for answer in answers)
        assert any('"performed":{"id":"measure"}' in answer for answer in answers)
        assert any("the log-in is refused" in answer for answer in answers)
        assert any("no run here" in answer for answer in answers)
        assert len(faults) == 5
        assert [entry["event"] for entry in logs].count("request failed") == 5
        assert is_clean(repr(logs))


def test_audit_entries_keys_and_other_records_are_clean_and_the_database_has_hashes_only(tmp_path):
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_add", {"id": "fifth", "role": "look", "password": PASSWORD})
        carry_out(lab, "person_password", {"id": "review", "password": PASSWORD})
        carry_out(lab, "person_badge", {"id": "review", "badge": BADGE})
        carry_out(at(lab, "bench"), "sample_add", {"id": "G-1"}, Given(person="review", password=PASSWORD))
        carry_out(at(lab, "bench"), "sample_add", {"id": "G-2"}, Given(badge=BADGE))
        assert [is_clean(repr(entry)) for entry in audited(lab)]
        with lab.reader() as reader:
            assert is_clean(repr(reader.query("SELECT * FROM record_keys")))
            assert is_clean(repr(reader.query("SELECT * FROM records WHERE kind <> 'credentials'")))
        assert lab.get(Credentials, "review").record.badge.startswith("$argon2id$")
        assert is_clean(repr(lab.get(Credentials, "review")))
        files = [path for path in tmp_path.rglob("*") if path.is_file()]
        assert files
        assert not [path for path in files if b"Kanary" in path.read_bytes()]


def test_no_model_shows_a_secret_and_no_error_repeats_it():
    models = {act.name: act.order for act in ACTS.values()} | REQUESTS | {"given": Given, "credentials": Credentials}
    swept = 0
    for name, model in models.items():
        for key, field in model.model_fields.items():
            if any(word in key for word in SECRET_NAMES):
                swept += 1
                assert field.repr is False, (name, key)
                for wrong in (["Kanary"], {"a": "Kanary"}, "Kanary" * 40, "Kanary\n", 4711):
                    with pytest.raises(ValueError, match="must be text of at most 200 characters") as caught:
                        model.model_validate({key: wrong})
                    reasons = [str(e["ctx"]["error"]) for e in caught.value.errors() if e["loc"] == (key,)]
                    assert reasons
                    assert is_clean(repr(reasons))
    assert swept >= 7


@pytest.fixture
def state(tmp_path):
    """A state directory whose persons have a password and a badge, with a configuration that switches people on."""
    folder = tmp_path / "config"
    shutil.copytree(examples_dir(), folder)
    with (folder / "daemon.toml").open("a") as file:
        file.write("\n[people]\nrequired = true\n")
    (tmp_path / "password").write_text(PASSWORD + "\n")
    (tmp_path / "badge").write_text(BADGE + "\n")
    (tmp_path / "wrong").write_text("Kanary wrong\n")
    return ["--config", str(folder), "--state", str(tmp_path / "state")]


def test_what_the_commands_print_is_clean(state, tmp_path, capfd):
    password, badge, wrong = (str(tmp_path / name) for name in ("password", "badge", "wrong"))
    by_badge, by_wrong = ["--badge-file", badge], ["--badge-file", wrong]
    commands = [
        (0, ["person", "add", "chief", "--role", "administer", "--login", own_login(), "--password-file", password]),
        (0, ["person", "add", "a.firing", "--role", "measure"]),
        (0, ["person", "password", "a.firing", "--password-file", password]),
        (0, ["person", "badge", "a.firing", "--code-file", badge]),
        (2, ["person", "badge", "chief", "--code-file", badge]),
        (0, ["sample", "add", "G-1", *by_badge]),
        (0, ["sample", "add", "G-2", "--as", "a.firing", "--as-password-file", password]),
        (2, ["sample", "add", "G-3", "--as", "a.firing", "--as-password-file", wrong]),
        (2, ["sample", "add", "G-3", *by_wrong]),
        (2, ["run", "clear-glaze-qc", "--instrument", "bench-1", "--sample", "G-1", *by_wrong]),
        (0, ["person", "list"]),
        (0, ["person", "list", "--json"]),
        (0, ["person", "show", "a.firing"]),
        (0, ["person", "show", "a.firing", "--json"]),
        (0, ["sample", "show", "G-2", "--json"]),
        (0, ["runs", "--json"]),
        (0, ["verify"]),
    ]
    for code, command in commands:
        assert main([*state, *command]) == code, (command, capfd.readouterr())
    # A hash that was changed behind the daemon's back is named, and not shown.
    with sqlite3.connect(tmp_path / "state" / "daq.db") as database:
        database.execute("DROP TRIGGER records_no_update")
        sql = "UPDATE records SET data = json_set(data, '$.password', '$argon2id$x') WHERE kind = 'credentials'"
        assert database.execute(sql).rowcount == 4
    database.close()
    assert main([*state, "verify"]) != 0
    printed = capfd.readouterr()
    assert '"has_password": true' in printed.out
    assert "credentials a.firing" in printed.out + printed.err
    assert is_clean(printed.out + printed.err)


def parsers(parser):
    yield parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for one in action.choices.values():
                yield from parsers(one)


def test_no_command_takes_a_secret_as_an_argument():
    """Every login of the machine can read the arguments of a process."""
    swept = 0
    for _, _, module in COMMANDS:
        top = argparse.ArgumentParser()
        importlib.import_module(f"daq.app.cli.{module}").arguments(top)
        for parser in parsers(top):
            for action in parser._actions:
                if any(word in name for name in (*action.option_strings, action.dest) for word in SECRET_NAMES):
                    swept += 1
                    assert action.nargs == 0 or action.metavar == "FILE", action.option_strings
    assert swept >= 10


def test_a_secret_is_read_from_a_file_a_descriptor_or_the_terminal(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("blue celadon\nsecond line\n")
    assert typed_secrets.secret(str(tmp_path / "file"), "?", "--f") == "blue celadon"
    with (tmp_path / "file").open() as opened:
        assert typed_secrets.secret(f"/dev/fd/{opened.fileno()}", "?", "--f") == "blue celadon"
        monkeypatch.setattr("sys.stdin", opened)
        assert typed_secrets.secret("-", "?", "--f") == "blue celadon"
        with pytest.raises(SettingError, match="no terminal to ask on"):
            typed_secrets.secret("", "?", "--f")
    (tmp_path / "empty").write_text("\n")
    with pytest.raises(SettingError, match="holds nothing"):
        typed_secrets.secret(str(tmp_path / "empty"), "?", "--f")
    typed = iter(["blue celadon", "blue celadon", "blue celadon", "blue seladon"])
    monkeypatch.setattr(typed_secrets, "_asked", lambda *_: next(typed))
    assert typed_secrets.new_secret("", "?", "--f") == "blue celadon"
    with pytest.raises(SettingError, match="the two entries differ"):
        typed_secrets.new_secret("", "?", "--f")
