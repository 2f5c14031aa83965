"""`daq sample` without a daemon; `test_daemon` has the way through one."""

import json


def test_samples_are_added_listed_and_cancelled(cli, tmp_path):
    state = tmp_path / "state"
    assert cli("--state", state, "sample", "add", "G-1042", "--product", "clear-glaze", "--lot", "2211").returncode == 0
    done = cli("--state", state, "sample", "add", "G-1043", "--rework-of", "G-1042", "--added", "200 mL water")
    assert (done.returncode, done.stdout) == (0, "sample G-1043 is added\n")
    listed = json.loads(cli("--state", state, "sample", "list", "--json").stdout)
    assert [(s["id"], s["rework"]) for s in listed] == [
        ("G-1042", None),
        ("G-1043", {"of": "G-1042", "added": "200 mL water"}),
    ]
    assert cli("--state", state, "sample", "cancel", "G-1042", "--because", "spilled").returncode == 0
    assert "G-1042" not in cli("--state", state, "sample", "list").stdout.replace("rework", "")
    shown = cli("--state", state, "sample", "show", "G-1042").stdout
    assert "state: cancelled" in shown
    assert "because spilled" in shown
    assert cli("--state", state, "sample", "add", "G-1042").returncode == 2
