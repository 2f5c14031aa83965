"""The process of the page beside the daemon as a process: open streams, signals, kills, and settings that are refused."""

import json
import ssl
import subprocess
import sys
import threading

import httpx
import pytest

from daq.process.pagechild import page_command
from tests.support.processes.laboratory import Daemon, Lab, Simulators, eventually
from tests.support.processes.mosquitto import make_certificates, needs_openssl

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]


class Stream:
    """A browser's open stream of events, read in a thread."""

    def __init__(self, address):
        self._address = address
        self.events, self.ended = [], threading.Event()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self):
        kind = ""
        with httpx.stream("GET", self._address, timeout=120, trust_env=False) as answer:
            for line in answer.iter_lines():
                if line.startswith("event: "):
                    kind = line.removeprefix("event: ")
                elif line.startswith("data: "):
                    self.events.append((kind, json.loads(line.removeprefix("data: "))))
        self.ended.set()

    def of(self, kind):
        return [data for k, data in list(self.events) if k == kind]


@pytest.fixture
def lab(tmp_path):
    simulators = Simulators(tmp_path)
    made = Lab(tmp_path, simulators)
    yield made
    made.close()
    simulators.stop()


def start_page(lab, *more):
    command = page_command(config=str(lab.config), state=str(lab.state), listen="127.0.0.1:0")
    process = subprocess.Popen([*command, *more], stdout=subprocess.PIPE, text=True, env=lab.env)
    lab.processes.append(process)
    line = process.stdout.readline()
    assert line.startswith("open http://127.0.0.1:"), line
    return process, line.split()[1]


def test_the_page_ends_with_open_streams_and_each_has_its_last_event(lab):
    daemon = Daemon(lab)
    daemon.ready("bench-1")
    page, address = start_page(lab)
    streams = [Stream(f"{address}/api/v1/events") for _ in range(5)]
    for stream in streams:
        eventually(lambda s=stream: s.of("reading"), what="readings")
    daemon.run("long")
    eventually(lambda: any(r["run"] for r in streams[0].of("run")), what="the run on the stream")
    page.terminate()
    assert page.wait(60) == 0
    page.stdout.close()
    for stream in streams:
        assert stream.ended.wait(60)
        assert stream.events[-1] == ("bye", {})
    # The page has ended, and no person has stopped the run.
    assert daemon.status()["instruments"]["bench-1"]
    with lab.reader() as reader:
        assert all(run.outcome != "stopped" for run in reader.runs(limit=-1))
    assert daemon.stop() == 0


def test_a_killed_daemon_is_named_and_its_return_is_seen_on_an_open_stream(lab):
    daemon = Daemon(lab)
    daemon.ready("bench-1")
    page, address = start_page(lab)
    stream = Stream(f"{address}/api/v1/events")
    eventually(lambda: stream.of("reading"), what="readings")
    daemon.kill()
    lost = eventually(lambda: [link for link in stream.of("link") if not link["daemon"]], what="the loss")
    assert lost[0]["reason"]
    assert httpx.get(f"{address}/bench/bench-1", timeout=60).status_code == 200  # shown, as lost
    number = len(stream.events)
    again = Daemon(lab)
    again.ready("bench-1")
    eventually(lambda: any(kind == "reading" for kind, _ in stream.events[number:]), what="readings of the next daemon")
    kinds = [kind for kind, _ in stream.events[number:]]
    assert kinds.index("link") < kinds.index("reading")
    assert page.poll() is None
    page.terminate()
    assert page.wait(60) == 0
    page.stdout.close()
    assert again.stop() == 0


def test_a_daemon_of_another_version_is_refused_with_a_sentence(lab, tmp_path):
    import socket

    from daq.adapters.paths import socket_path

    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(socket_path(lab.state)))
        listening.listen()

        def answer():
            while True:
                try:
                    connection, _ = listening.accept()
                except OSError:
                    return
                connection.recv(1 << 16)
                sentence = (
                    "protocol: is 4; this daemon (daq 0.2.0) speaks protocol 5: use the version of daq that started it"
                )
                connection.sendall(json.dumps({"error": sentence, "kind": "setting", "done": True}).encode() + b"\n")
                connection.close()

        threading.Thread(target=answer, daemon=True).start()
        page, address = start_page(lab)
        stream = Stream(f"{address}/api/v1/events")
        eventually(
            lambda: any("speaks protocol 5" in link["reason"] for link in stream.of("link")), what="the sentence"
        )
        page.terminate()
        assert page.wait(60) == 0
        page.stdout.close()
    del tmp_path


def test_an_address_that_others_reach_is_refused_with_a_sentence(lab):
    command = page_command(config=str(lab.config), state=str(lab.state), listen="0.0.0.0:8042")
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2
    assert "can be reached from other machines" in done.stderr
    assert "Traceback" not in done.stderr


@needs_openssl
def test_another_address_serves_tls_alone_with_closed_cookies(lab):
    tls = make_certificates(lab.folder / "tls")
    with (lab.config / "daemon.toml").open("a") as file:
        files = f'certificate = "{tls}/server.pem"\nkey = "{tls}/server.key"\n'
        file.write(f'[people]\nrequired = true\n[page]\nlisten = "[::]:0"\nhosts = ["localhost"]\n{files}')
    process = subprocess.Popen(
        page_command(config=str(lab.config), state=str(lab.state)), stdout=subprocess.PIPE, text=True, env=lab.env
    )
    lab.processes.append(process)
    line = process.stdout.readline()
    assert line.startswith("open https://[::]:"), line
    port = line.rpartition(":")[2].strip()
    with pytest.raises(httpx.TransportError):
        httpx.get(f"http://localhost:{port}/log-in", timeout=60)
    trusted = ssl.create_default_context(cafile=str(tls / "ca.pem"))
    with httpx.Client(base_url=f"https://localhost:{port}", verify=trusted, trust_env=False, timeout=60) as client:
        answer = client.get("/log-in")
        assert answer.status_code == 200
        cookie = answer.headers["set-cookie"]
        assert cookie.startswith("__Host-daq-visit-")
        assert {"Secure", "HttpOnly", "SameSite=strict"} <= set(cookie.split("; "))
        assert "max-age" in answer.headers["strict-transport-security"]
        assert client.get("/").headers["location"] == "/log-in?next=%2F"  # the daemon is away; no one is let in
        assert client.get("/api/v1/benches").status_code == 401
        assert client.get("/log-in", headers={"Host": f"127.0.0.1:{port}"}).status_code == 421
    process.terminate()
    assert process.wait(60) == 0
    process.stdout.close()


def test_a_page_as_a_child_ends_with_the_daemon(lab):
    with (lab.config / "daemon.toml").open("a") as file:
        file.write('[page]\nlisten = "127.0.0.1:0"\n')
    out = (lab.folder / "serve.log").open("w+")
    process = subprocess.Popen(
        [sys.executable, "-m", "daq", "--config", str(lab.config), "--state", str(lab.state), "serve", "--page"],
        stdout=out, stderr=subprocess.STDOUT, env=lab.env,
    )  # fmt: skip
    lab.processes.append(process)

    def addresses():
        return [
            line.split()[1] for line in (lab.folder / "serve.log").read_text().splitlines() if line.startswith("open ")
        ]

    eventually(addresses, 120, "the page")
    assert httpx.get(f"{addresses()[0]}/api/v1/session", timeout=60).status_code == 200
    process.terminate()
    assert process.wait(60) == 0
    out.close()
    with pytest.raises(httpx.TransportError):
        httpx.get(f"{addresses()[0]}/api/v1/session", timeout=5)
