"""Capture files: what is written is read back, whatever the bytes; a cut end costs one line; wrong lines are named."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.errors import SettingError
from daq.descriptions.capture import Capture, Piece, escaped, load_capture, piece_line, read_capture, unescaped
from daq.testing.player import CapturePlayer

HEAD = "# daq capture 1\n"


@settings(derandomize=True, max_examples=300)
@given(st.binary(max_size=60))
def test_any_bytes_are_read_back(data):
    text = escaped(data)
    assert text.isascii()
    assert text.isprintable()
    assert unescaped(text) == data
    assert text == text.strip()  # editors cut blanks at the end of a line
    (piece,) = read_capture(f"{HEAD}    1.000000 < {text}\n", "x").pieces
    assert piece == Piece(1_000_000_000, "<", data)


@pytest.mark.slow
@settings(derandomize=True, max_examples=100)
@given(
    st.lists(st.tuples(st.integers(0, 10**12), st.sampled_from("<>"), st.binary(min_size=1, max_size=20)), max_size=20),
    st.integers(0, 400),
)
def test_a_file_that_was_cut_off_loses_its_last_line_only(found, cut):
    pieces = [Piece(t // 1000 * 1000, way, data) for t, way, data in sorted(found, key=lambda f: f[0])]
    whole = Capture(pieces, {"port": "/dev/ttyUSB0"}).text()
    assert read_capture(whole, "x").pieces == pieces
    part = whole[: max(len(HEAD), len(whole) - cut)]
    read = read_capture(part, "x")
    assert read.pieces == pieces[: len(read.pieces)]
    assert len(read.pieces) >= sum(line.lstrip()[:1].isdigit() for line in part.split("\n")[:-1])


@pytest.mark.parametrize(
    ("text", "key", "output"),
    [
        ("", "line 1", "is no capture"),
        ("timestamps;bytes\n", "line 1", "is no capture"),
        (HEAD + "0.0 > a\n0.1 ? b\n", "line 3", "is neither"),
        (HEAD + "1.0 > a\n\n0.1 < b\n", "line 4", "is earlier than the line before"),
        (HEAD + "1.0 > a\\q\n", "line 2", "unknown escape"),
        (HEAD + "1.0 < caf\u00e9\n", "line 2", "is not printable ASCII"),
        (HEAD + "-1.0 < a\n", "line 2", "is neither"),
        (HEAD + "1.0 < \\x2\n", "line 2", "unknown escape"),
    ],
)
def test_a_wrong_line_is_named(text, key, output):
    with pytest.raises(SettingError, match=output) as caught:
        read_capture(text, "scale.capture")
    assert (caught.value.file, caught.value.key) == ("scale.capture", key)


def test_remarks_times_and_what_the_display_showed_are_kept():
    capture = read_capture(HEAD + "# port: COM3\n# anything else\n 0.5 > W?\\r\\n\n 0.75 = 12,5 \u00b0C\n", "x")
    assert capture.about == {"port": "COM3"}
    assert capture.sent == [b"W?\r\n"]
    assert capture.shown == [(750_000_000, "12,5 \u00b0C")]
    assert piece_line(capture.pieces[1]) == "    0.750000 = 12,5 \u00b0C"


def test_a_player_answers_in_turn_and_knows_nothing_else():
    capture = read_capture(
        HEAD + "1.0 > A\\n\n1.1 < a1\\n\n2.0 > A\\n\n2.1 < a2\n2.2 < \\n\n3.0 > B\\n\n3.1 < b\\n\n", "x"
    )
    player = CapturePlayer(capture)
    heard = []
    for request in (b"A\n", b"B\n", b"C\n", b"A\n", b"A\n"):
        player.receive(request[:1])
        player.receive(request[1:])
        heard.append(player.advance(0.15) + player.advance(0.15))
    assert heard == [b"a1\n", b"b\n", b"", b"a2\n", b"a1\n"]
    assert player.due_in_s() is None


def test_a_player_repeats_what_came_unasked():
    capture = read_capture(HEAD + "".join(f"{t}.0 < v{t}\\n\n" for t in range(4)) + "4.0 > I\\n\n4.1 < id\\n\n", "x")
    player = CapturePlayer(capture)
    output = b"".join(player.advance(0.25) for _ in range(40))
    assert output.startswith(b"v0\nv1\nv2\nv3\nv0\nv1\n")
    player.receive(b"I\n")
    assert b"id\n" in player.advance(0.5)


def test_a_file_far_too_large_for_a_capture_is_not_read_to_its_end(tmp_path, monkeypatch):
    monkeypatch.setattr("daq.descriptions.capture.LARGEST", 1_000_000)
    path = tmp_path / "weeks.capture"
    path.write_text(HEAD + "1.0 < v\\n\n" * 100_000)
    with pytest.raises(SettingError, match="is larger than 1 MB"):
        load_capture(path)
    with pytest.raises(SettingError, match="is a device, a pipe or a socket; a capture is a regular file"):
        load_capture(Path("/dev/zero"))
