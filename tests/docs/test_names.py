from tests.docs.names import BEGIN, END, PAGE, listed


def test_the_list_for_developers_is_the_table():
    text = PAGE.read_text("utf-8")
    assert text.partition(BEGIN)[2].partition(END)[0].strip() == listed(), "python -m tests.docs.names"
