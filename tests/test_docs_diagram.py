"""The state diagram in DEVELOPERS.md is the one the table of transitions gives."""

from pathlib import Path

from daq.core.run import diagram

DEVELOPERS = Path(__file__).parents[1] / "DEVELOPERS.md"


def test_the_diagram_of_a_run_stands_in_the_developers_guide():
    assert DEVELOPERS.is_file(), "DEVELOPERS.md is missing; it must hold the output of daq.core.run.diagram()"
    wanted = f"```mermaid\n{diagram()}\n```"
    assert wanted in DEVELOPERS.read_text("utf-8"), (
        "DEVELOPERS.md does not hold the life cycle as daq.core.run.TRANSITIONS has it now; replace its mermaid block by:\n"
        + wanted
    )
