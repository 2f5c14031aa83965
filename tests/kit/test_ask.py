"""`daq driver new --ask`: questions one by one on a terminal; a wrong answer is asked again, an empty one leaves the remark."""

import os
import pty
import subprocess
import sys
import tomllib

import pytest

from daq.app.cli.workshop.driver_ask import ask_through
from daq.descriptions.capture import Capture, Piece
from daq.descriptions.guessing.guess import guess_description
from daq.descriptions.load import check_description

MS = 1_000_000
LINES = [b"K=%.1f;ST=%s" % (12.5 + 7 * n, (b"OK", b"LO", b"OK")[n % 3]) for n in range(12)]
CAPTURE = Capture(
    [piece for n, line in enumerate(LINES) for piece in (Piece(n * 300 * MS, ">", b"R\r\n"), Piece((n * 300 + 9) * MS, "<", line + b"\r\n"))],
    {"settings": "9600 baud, 8N1"},
)  # fmt: skip
ANSWERS = {
    "What is the number": "uS/cm",
    "From which to which value": "0 to 2000",
    "Does 'OK'": "ok",
    "Does 'LO'": "sensor",
}


def asked(answers):
    shown = []

    def read(prompt):
        question = next(line for line in reversed(shown) if line[:1].isdigit())
        answer = next((a for begin, a in answers.items() if begin in question), "")
        if isinstance(answer, list):
            answer = answer.pop(0)
        shown.append(prompt + answer)
        return answer

    return ask_through("meter", CAPTURE, "meter.capture", read=read, show=shown.append), shown


def test_with_all_answers_no_point_is_open_and_the_lines_concerned_are_shown():
    guess, shown = asked(dict(ANSWERS))
    assert guess.open_points == []
    driver = check_description(tomllib.loads(guess.text), "meter.toml").driver()
    assert [(c.unit, c.low, c.high) for c in driver.channels] == [("uS/cm", 0.0, 2000.0)]
    assert driver.decode(b"K=19.5;ST=OK") == (19.5,)
    assert [fault for _, fault in driver.decode(b"K=19.5;ST=LO").faults] == ["sensor"]
    at = next(i for i, line in enumerate(shown) if "Does 'LO'" in line)
    assert shown[at + 1].strip() == "K=19.5;ST=LO   <- LO"


@pytest.mark.parametrize("left_out", ANSWERS)
def test_an_answer_that_is_not_known_leaves_its_point_and_no_other(left_out):
    guess, _ = asked({begin: answer for begin, answer in ANSWERS.items() if begin != left_out})
    assert guess.open_points
    complete = guess_description("meter", CAPTURE, "meter.capture")
    assert len(guess.open_points) < len(complete.open_points)


def test_without_any_answer_the_file_is_that_without_questions():
    guess, _ = asked({})
    assert guess.text == guess_description("meter", CAPTURE, "meter.capture").text


def test_the_end_of_the_input_leaves_the_further_questions_open():
    def ended(_prompt):
        raise EOFError

    guess = ask_through("meter", CAPTURE, "meter.capture", read=ended, show=lambda _line: None)
    assert guess.text == guess_description("meter", CAPTURE, "meter.capture").text


@pytest.mark.parametrize(
    ("question", "wrong", "reason"),
    [
        ("What is the number", "furlong", "is no known unit"),
        ("From which to which value", "0..5", "write it as in"),
        ("From which to which value", "5 to 0", "is not below"),
        ("From which to which value", "0 to 5 kg", "write it in"),
        ("Does 'LO'", "broken", "there is no fault"),
    ],
)
def test_an_answer_that_is_not_understood_is_asked_again_with_the_reason(question, wrong, reason):
    guess, shown = asked(ANSWERS | {question: [wrong, ANSWERS[question]]})
    assert any(reason in line for line in shown)
    assert guess.open_points == []


@pytest.mark.slow
def test_on_a_real_terminal_each_question_waits_for_its_answer(tmp_path):
    (tmp_path / "meter.capture").write_text(CAPTURE.text())
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "daq", "driver", "new", "meter", "--from", "meter.capture", "--ask"]
    process = subprocess.Popen(command, cwd=tmp_path, stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True)
    os.close(theirs)
    screen = b""
    answered = 0
    answers = {begin: [answer] for begin, answer in ANSWERS.items()}
    answers["What is the number"].insert(0, "furlongs")
    while True:
        try:
            data = os.read(ours, 4096)
        except OSError:  # the other end is closed: the command has ended
            break
        screen += data
        while screen.count(b"   > ") > answered:
            question = screen.decode().rpartition("   > ")[0].rpartition("\r\n\r\n")[2]
            left = next((given for begin, given in answers.items() if begin in question), [])
            os.write(ours, (left.pop(0) if left else "").encode() + b"\n")
            answered += 1
    assert process.wait(60) == 0
    os.close(ours)
    text = screen.decode()
    assert "'furlongs' is no known unit" in text
    assert "wrote meter.toml" in text
    assert "fill in what only you can know" not in text
    made = check_description(tomllib.loads((tmp_path / "meter.toml").read_text()), "meter.toml").driver()
    assert made.decode(b"K=19.5;ST=OK") == (19.5,)


def test_questions_fit_a_terminal_and_each_kind_of_answer_has_its_own_row():
    """The lines of the instrument stay whole; they may be longer."""
    lines = [f"H {text};{n}.25;{'OK' if n % 3 else 'LO'}" for n, text in enumerate(("5A0", "3E8", "158", "2AF") * 3)]
    capture = Capture([Piece(n * 300 * MS, "<", line.encode() + b"\r\n") for n, line in enumerate(lines)])
    shown: list[str] = []
    ask_through("meter", capture, "meter.capture", read=lambda _prompt: "", show=shown.append)
    assert max(map(len, shown)) <= 80
    at = next(i for i, row in enumerate(shown) if "What are the hexadecimal digits" in row)
    answers = [row[12:] for row in shown[at + 1 : shown.index("", at)] if row.startswith(("   answers: ", " " * 12))]
    assert [row.split()[0] for row in answers] == ["bits", "state", "ignored", "number", "signed"]


def test_words_of_hexadecimal_digits_are_asked_one_by_one_only_where_they_are_states():
    lines = [f"H {n * 0x1A7 % 0xFFF:03X};{n}.25" for n in range(1, 12)]
    capture = Capture([Piece(n * 300 * MS, "<", line.encode() + b"\r\n") for n, line in enumerate(lines)])
    guess = guess_description("meter", capture, "meter.capture")
    (key,) = [q.key for q in guess.questions if q.key.startswith("hex ")]
    assert not any(q.key.startswith("state ") for q in guess.questions)
    assert any("what the hexadecimal digits are" in point for point in guess.open_points)
    closed = guess_description("meter", capture, "meter.capture", {key: "state"})
    assert sum(q.key.startswith("state ") for q in closed.questions) == len(lines)
