"""`daq sign` and `daq affected`: the list with exceptions first, one password for all, and the words about a release."""

import json
import shutil

import pytest

from daq.app.cli import main
from tests.support.signed_laboratories import PASSWORD, measured_bench, signing_lab, verify


@pytest.fixture(scope="module")
def prepared(tmp_path_factory, cheap_module):
    """A folder with a state directory in which a run is corrected, one annulled, and a verification failed after them."""
    folder = tmp_path_factory.mktemp("prepared")
    bench, runs = measured_bench(folder / "measured")
    with signing_lab(bench, runs, folder) as lab:
        lab.correct(runs[2], lot="L9")
        lab.do("run_annul", "c.head", run=runs[0], because="spilled")
        verify(lab.lab.store, "failed", passed=False)
    (folder / "secret").write_text(PASSWORD)
    return folder, runs


def command(folder):
    """Return a function that runs a command on the state directory of a folder."""

    def run(*words, person="a.novak"):
        who = ["--as", person, "--as-password-file", str(folder / "secret")] if person else []
        return main(["--state", str(folder / "state"), *words, *who])

    return run


@pytest.fixture
def bench(prepared, tmp_path, monkeypatch):
    """Return a function that runs a command on a copy of the state directory, and the ids of the runs."""
    folder, runs = prepared
    shutil.copytree(folder / "state", tmp_path / "state")
    shutil.copyfile(folder / "secret", tmp_path / "secret")
    monkeypatch.delenv("DAQ_CONFIG", raising=False)
    return command(tmp_path), runs


def test_a_set_is_listed_with_exceptions_first_and_signed_with_one_password(bench, capsys):
    run, runs = bench
    assert run("sign", "--since", "2025-01-01", "--meaning", "reviewed", "--product", "clear-glaze", "--json") == 0
    found = json.loads(capsys.readouterr().out)
    listed = [(s["id"], s["exceptions"]) for s in found["to_sign"]]
    assert listed[0] == (runs[0], ["not_valid", "not_comparable", "corrected"])
    assert (runs[2], ["corrected"]) in listed
    assert listed[-1] == (runs[1], [])
    assert run("sign", "--since", "2025-01-01", "--meaning", "reviewed", "--list") == 0  # the verification, too
    shown = capsys.readouterr().out
    assert shown.index(runs[0][:8]) < shown.index(runs[2][:8]) < shown.index(runs[1][:8])
    assert run("sign", "--since", "2025-01-01", "--meaning", "reviewed", "--product", "clear-glaze") == 0
    assert "3 signed as reviewed by a.novak" in capsys.readouterr().out
    assert run("sign", "--since", "2025-01-01", "--meaning", "reviewed", "--product", "clear-glaze") == 2
    out, err = capsys.readouterr()
    assert "3 signed already" in out
    assert "there is nothing to sign" in err


@pytest.mark.slow
def test_a_release_is_blocked_decided_shown_and_withdrawn(bench, capsys):
    run, runs = bench
    assert run("sign", runs[1], "--meaning", "released") == 2
    assert "verification failed of bench-1 failed after it" in "".join(capsys.readouterr().out.split("\n"))
    assert run("affected", "failed", "--json", person="") == 0
    assert [(e["run"], e["decision"]) for e in json.loads(capsys.readouterr().out)] == [(r, None) for r in runs]
    for decided in runs[1:]:
        words = ("--run", decided, "--upheld", "--because", "measured again")
        assert run("affected", "failed", *words, person="") == 0
    assert run("affected", "failed", person="") == 0
    assert capsys.readouterr().out.count("upheld") == 4
    assert run("sign", "--since", "2025-01-01", "--meaning", "released", "--product", "clear-glaze") == 0
    out = capsys.readouterr().out
    assert "left out: " in out
    assert "the run is annulled" in out
    assert "2 signed as released by a.novak" in out
    assert run("runs", person="") == 0
    assert capsys.readouterr().out.count("released") == 2
    assert run("correct", runs[1], "--lot", "L3", "--because", "label", person="") == 0
    capsys.readouterr()
    for words in (("runs",), ("day", "2025-11-24"), ("show", runs[1])):
        assert run(*words, person="") == 0
        assert "release withdrawn" in capsys.readouterr().out.lower(), words
    assert run("sign", runs[1], "--meaning", "rejected", "--because", "a bubble") == 0
    capsys.readouterr()
    assert run("runs", "--json", person="") == 0
    assert {e["run"]: e["release"] for e in json.loads(capsys.readouterr().out)} == {
        runs[0]: None, runs[1]: "rejected", runs[2]: "released", "failed": None,
    }  # fmt: skip


@pytest.mark.slow
def test_a_reportable_result_is_stored_signed_and_shown(bench, capsys):
    run, _ = bench
    assert run("reportable", "G-1042", "--store", person="") in (0, 10, 11)
    shown = capsys.readouterr().out
    assert "G-1042/clear-glaze-qc revision 1: blocked" in shown
    assert "blocked: the verification failed of bench-1 failed after it" in " ".join(shown.split())
    assert run("sign", "G-1042/clear-glaze-qc", "--meaning", "reviewed") == 0
    assert run("sign", "G-1042/clear-glaze-qc", "--meaning", "released") == 2
    assert "failed after it" in capsys.readouterr().out
    assert run("reportable", "G-1042", "--json", person="") in (0, 10, 11)
    (stored,) = json.loads(capsys.readouterr().out)["stored"]
    assert stored == {"id": "G-1042/clear-glaze-qc", "revision": 1, "state": "blocked", "release": None}


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("sign", "--meaning", "released"), "name a run, a reportable result or a report, or a set"),
        (
            ("sign", "last", "--since", "2025-01-01", "--meaning", "released"),
            "name a run, a reportable result or a report",
        ),
        (("sign", "nothing", "--meaning", "released"), "there is no run whose id begins with 'nothing'"),
        (("affected", "last", "--run", "x"), "a decision is --run RUN"),
        (("affected", "G-1043"), "is no failed verification"),
    ],
)
def test_what_cannot_be_done_is_refused_by_name(prepared, capsys, words, expected):
    assert command(prepared[0])(*words) == 2
    assert expected in capsys.readouterr().err
