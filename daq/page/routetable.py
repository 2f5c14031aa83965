"""The table of all routes, with the need of each.  The application serves nothing that is not in it.

Needs: ``open``: everybody.  ``bench``: the role ``look``, or a browser that is paired with the bench.  ``stop``: the
role ``measure``, or a browser that is paired with the bench.  Otherwise the least role of a person.
"""

from dataclasses import dataclass
from typing import Final, Literal

from daq.laboratory.people import Role, includes

Need = Literal["open", "bench", "stop", "look", "measure", "review", "administer"]
LEAST: Final[dict[Need, Role]] = {
    "bench": "look",
    "stop": "measure",
    "look": "look",
    "measure": "measure",
    "review": "review",
    "administer": "administer",
}
"""Least role of a person for each need."""
PAIRED: Final[frozenset[Need]] = frozenset({"bench", "stop"})
"""Needs that a browser has for the bench with which it is paired."""
API: Final = "/api/v1"


@dataclass(frozen=True, slots=True)
class Route:
    """A route.

    Attributes:
        method, path: of the request.
        need: what the browser must have.
        handler: name of the function in `daq.page.screens`, or for paths below `API` in `daq.page.api`.
        template: the template of its answer; "" without one.
    """

    method: Literal["GET", "POST"]
    path: str
    need: Need
    handler: str
    template: str = ""

    @property
    def is_api(self) -> bool:
        """True where the answer is JSON."""
        return self.path.startswith(API)


ROUTES: Final[tuple[Route, ...]] = (
    Route("GET", "/", "look", "desk", "desk.html"),
    Route("GET", "/log-in", "open", "log_in_form", "log_in.html"),
    Route("POST", "/log-in", "open", "log_in", "log_in.html"),
    Route("POST", "/log-out", "open", "log_out"),
    Route("POST", "/preferences", "open", "preferences"),
    Route("GET", "/bench/{bench}", "bench", "bench", "bench.html"),
    Route("POST", "/bench/{bench}/text", "measure", "bench_text", "bench.html"),
    Route("POST", "/bench/{bench}/command", "measure", "bench_command", "bench.html"),
    Route("POST", "/bench/{bench}/stop", "stop", "bench_stop"),
    Route("POST", "/bench/{bench}/pair", "administer", "pair"),
    Route("POST", "/unpair", "open", "unpair"),
    Route("GET", "/results", "look", "results", "results.html"),
    Route("GET", "/results.csv", "look", "results_csv"),
    Route("GET", "/results/{run}", "look", "result", "result.html"),
    Route("GET", "/samples", "look", "samples", "samples.html"),
    Route("GET", "/health", "look", "health", "health.html"),
    Route("GET", f"{API}/openapi.json", "look", "openapi"),
    Route("POST", f"{API}/log-in", "open", "log_in"),
    Route("GET", f"{API}/session", "open", "session"),
    Route("GET", f"{API}/status", "look", "status"),
    Route("GET", f"{API}/benches", "look", "benches"),
    Route("GET", f"{API}/benches/{{bench}}", "bench", "bench"),
    Route("POST", f"{API}/benches/{{bench}}/text", "measure", "bench_text"),
    Route("POST", f"{API}/benches/{{bench}}/command", "measure", "bench_command"),
    Route("POST", f"{API}/benches/{{bench}}/stop", "stop", "bench_stop"),
    Route("GET", f"{API}/benches/{{bench}}/events", "bench", "bench_events"),
    Route("GET", f"{API}/events", "look", "events"),
    Route("GET", f"{API}/results", "look", "results"),
    Route("GET", f"{API}/results/{{run}}", "look", "result"),
    Route("GET", f"{API}/samples", "look", "samples"),
    Route("GET", f"{API}/samples/{{sample}}", "look", "sample"),
    Route("POST", f"{API}/acts/{{act}}", "look", "act"),
)


def permits(need: Need, *, role: Role | None, people: bool, paired: str, bench: str) -> bool:
    """Return whether a browser may use a route.

    Args:
        need: the need of the route.
        role: role of the person who has logged in; None without one.
        people: people are switched on; where they are not, the page serves this machine only, and permits all.
        paired: bench with which the browser is paired; "" for none.
        bench: bench of the request; "" for none.
    """
    if need == "open" or not people:
        return True
    if need in PAIRED and bench and paired == bench:
        return True
    return role is not None and includes(role, LEAST[need])


def table() -> str:
    """Return the table of the routes for the room's page."""
    lines = ["| method | path | need | template | handler |", "|---|---|---|---|---|"]
    for r in ROUTES:
        template = f"`{r.template}`" if r.template else ""
        lines.append(f"| {r.method} | `{r.path}` | {r.need} | {template} | `{r.handler}` |".replace("|  |", "| |"))
    return "\n".join(lines)
