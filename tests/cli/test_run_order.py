"""The order that `daq run` makes of its arguments, and what it refuses before any port is opened."""

import argparse
import json
import os
import signal
import socket
import threading

import pytest

from daq.adapters.paths import examples_dir
from daq.app.cli import COMMANDS, main
from daq.app.cli.measuring import run as command
from daq.app.daemon.protocol import Done, Ended, Started, Stopped, answer_line, read_request, request_line
from daq.app.screens.run_view import RunEnd
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.core.errors import LinkError, NotComparableError, SettingError, SettingErrors
from daq.methods.files.load import parse
from daq.process.stop_request import PROTOCOL, line_of, sent

CATALOGUE = Catalogue.load(examples_dir())


def order(*words):
    parser = argparse.ArgumentParser()
    command.arguments(parser)
    return parse(RunOrder, command._order(parser.parse_args([*words]), examples_dir()))


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("clear-glaze-qc", "--instrument", "bench-1", "--sample", "G-1"), ("clear-glaze-qc", "bench-1", "G-1")),
        (("G-1042", "--instrument", "bench-1"), ("", "bench-1", "G-1042")),
        (("--sample", "G-1042"), ("", "", "G-1042")),
        # With --sample the first word is a method, so that a mistyped one is named.
        (("clear-glaze-qd", "--sample", "G-1042"), ("clear-glaze-qd", "", "G-1042")),
        (("--sample", "clear-glaze-qc"), ("", "", "clear-glaze-qc")),
    ],
)
def test_the_first_word_is_a_method_or_a_sample(words, expected):
    found = order(*words)
    assert (found.method_id, found.instrument, found.sample) == expected


def test_the_words_about_filling_and_anyway():
    plain = order("G-1042")
    assert (plain.filling, plain.fill, plain.anyway) == ("", "", False)
    assert order("G-1042", "--same-fill").filling == "same"
    assert order("G-1042", "--fresh-fill", "--anyway").filling == "fresh"
    assert order("G-1042", "--anyway").anyway


@pytest.mark.parametrize("words", [("clear-glaze-qc",), (), ("--instrument", "bench-1")])
def test_a_run_without_a_sample_is_refused(words):
    with pytest.raises(SettingError, match="sample"):
        order(*words)


def test_without_a_sample_a_method_whose_file_is_wrong_is_named_with_its_file(tmp_path):
    folder = tmp_path / "methods"
    folder.mkdir()
    (folder / "thin.toml").write_text('id = "thin-qc"\nversion = 1\n')
    parser = argparse.ArgumentParser()
    command.arguments(parser)
    with pytest.raises(SettingErrors) as found:
        command._order(parser.parse_args(["thin-qc"]), tmp_path)
    assert "--sample" in str(found.value)
    assert "thin.toml" in str(found.value)


def test_every_key_of_an_order_comes_from_the_arguments():
    found = command._order(argparse.Namespace(**dict.fromkeys(command.ASKED), **OTHERS), examples_dir())
    # The ticket is that of a person who is logged in on the page.
    assert set(found) == set(RunOrder.model_fields) - {"ticket"}


OTHERS = {"what": "clear-glaze-qc", "sample": "G-1", "choices": [("speed", 10.0)], "ask_badge": False, "badge_file": ""}


def test_the_sent_line_is_that_of_the_model():
    words = ("clear-glaze-qc", "--sample", "G-1", "--set", "speed=10", "--replicate", "2", "--as-left", "--fresh-fill")
    parser = argparse.ArgumentParser()
    command.arguments(parser)
    sent = {
        "protocol": PROTOCOL,
        "do": "run",
        **command._order(parser.parse_args(words), examples_dir()),
    }
    assert read_request(line_of(sent)) == order(*words)
    assert json.loads(request_line(order(*words))) == sent | {"ticket": ""}


@pytest.mark.parametrize("word", [*CATALOGUE.methods, "G-1042", "clear-glaze", "", "clear glaze", "\udcff", "1"])
def test_a_word_is_a_method_where_a_file_has_it_as_its_id(word):
    assert command._is_method(examples_dir(), word) == (word in CATALOGUE.methods)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('id = "own"', True), ("id = 'own'", True), ('id = "\\u006fwn"', True), ('id = "other" # own', False),
        ('id = "own', False), ('[id]\nown = "own"', False), ('about = "own"', False), ('id = "own\\n"', False),
    ],
)  # fmt: skip
@pytest.mark.parametrize("folder", ["methods", "recipes"])
def test_the_id_of_a_method_is_read_as_toml_in_the_folder_that_the_daemon_names(tmp_path, text, expected, folder):
    (tmp_path / "daemon.toml").write_text(f'[folders]\nmethods = "{folder}"\n' if folder != "methods" else "")
    (tmp_path / folder).mkdir()
    (tmp_path / folder / "one.toml").write_text("id = [")
    (tmp_path / folder / "own.toml").write_text(text)
    assert command._is_method(tmp_path, "own") == expected


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("G-1042",), "method: is missing: name a method; or name a product (--product), or a sample"),
        (("G-1042", "--product", "clear-glaze"), "bench-1, bench-3; name one (--instrument)"),
        (("G-10422", "--product", "clear-glaze", "--instrument", "bench-1"), "its ids are G-####"),
        (("E-7", "--product", "engobe", "--instrument", "bench-1"), "none of the tests of product engobe can be measured on bench-1"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_before_any_port_is_opened(cli, tmp_path, words, expected):
    done = cli("--state", tmp_path / "state", "run", *words)
    assert done.returncode == 2
    assert expected in done.stderr
    assert "Traceback" not in done.stderr


def test_a_run_that_cannot_be_comparable_has_an_exit_code_of_its_own(monkeypatch, capsys):
    def refuse(_):
        raise NotComparableError("not comparable with the limits of engobe: because")

    monkeypatch.setattr(command, "run", refuse)
    assert main(["run", "G-1042"]) == 15
    assert capsys.readouterr().err == "daq: not comparable with the limits of engobe: because\n"
    assert "run" in {name for name, _, _ in COMMANDS}


class Answering(threading.Thread):
    """A daemon of one run, which ends it at once, or when its stop is asked for."""

    def __init__(self, path, *, awaits_stop):
        super().__init__(daemon=True)
        self.awaits_stop = awaits_stop
        self.server = socket.socket(socket.AF_UNIX)
        self.server.bind(str(path))
        self.server.listen()
        self.asked = []
        self.start()

    def run(self):
        first, _ = self.server.accept()
        with first, first.makefile("rb") as lines:
            self.asked.append(json.loads(lines.readline()))
            first.sendall(answer_line(Started("run-1", self.asked[0]["instrument"])))
            if self.awaits_stop:
                stop, _ = self.server.accept()
                with stop, stop.makefile("rb") as more:
                    self.asked.append(json.loads(more.readline()))
                    stop.sendall(answer_line(Stopped(True)) + answer_line(Done()))
            ended = "stopped" if self.awaits_stop else "complete"
            first.sendall(
                answer_line(Ended(RunEnd(run="run-1", outcome=ended, reason="", motor="still"), None))
                + answer_line(Done())
            )

    def finish(self):
        """Return what was asked for; nobody else waits for an answer."""
        self.join(60)
        self.server.setblocking(False)
        with self.server, pytest.raises(BlockingIOError):
            self.server.accept()
        return self.asked


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_between_the_order_and_its_first_answer_stops_the_run(tmp_path, monkeypatch, number):
    """The order is with the daemon, and what shows the run is not imported yet."""
    daemon = Answering(tmp_path / "s", awaits_stop=True)

    def sent_and_interrupted(path, line):
        connection = sent(path, line)
        os.kill(os.getpid(), number)
        return connection

    monkeypatch.setattr(command, "sent", sent_and_interrupted)
    made = {"sample": "G-1", "instrument": "bench-1"}
    command._through_daemon(tmp_path / "s", made, plain=True)
    assert daemon.finish() == [
        {"protocol": PROTOCOL, "do": "run", **made},
        {"protocol": PROTOCOL, "do": "stop", "instrument": "bench-1", "bench": False},
    ]


def test_without_a_signal_no_stop_is_asked_for(tmp_path):
    daemon = Answering(tmp_path / "s", awaits_stop=False)
    command._through_daemon(tmp_path / "s", {"sample": "G-1", "instrument": "bench-1"}, plain=True)
    assert [line["do"] for line in daemon.finish()] == ["run"]


def test_an_order_that_no_daemon_takes_is_refused(tmp_path):
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    with pytest.raises(LinkError, match="the daemon does not answer"):
        command._through_daemon(tmp_path / "s", {"sample": "G-1"}, plain=True)
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)] == before
