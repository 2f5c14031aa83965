"""The table of all routes, with the need of each.  The application serves nothing that is not in it.

Needs: ``open``: everybody.  ``bench``: the role ``look``, or a browser that is paired with the bench.  ``stop``: the
role ``measure``, or a browser that is paired with the bench.  ``work``: the role ``measure``; where people are not
switched on, a browser that is paired with the bench.  Otherwise the least role of a person.
"""

from dataclasses import dataclass
from typing import Final, Literal

from daq.laboratory.people import Role, includes

Need = Literal["open", "bench", "stop", "work", "look", "measure", "review", "administer"]
LEAST: Final[dict[Need, Role]] = {
    "bench": "look",
    "stop": "measure",
    "work": "measure",
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
        handler: name of the function in `daq.page.screens` or of `daq.page.work.deskforms.HANDLERS`, or for paths below
            `API` in `daq.page.api` or of `daq.page.work.deskapi.API_HANDLERS`.
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
    Route("POST", "/bench/{bench}/text", "work", "bench_text", "bench.html"),
    Route("POST", "/bench/{bench}/command", "work", "bench_command", "bench.html"),
    Route("POST", "/bench/{bench}/stop", "stop", "bench_stop"),
    Route("POST", "/bench/{bench}/pair", "administer", "pair"),
    Route("GET", "/pair/{bench}/{code}", "open", "pair_by_code"),
    Route("POST", "/unpair", "open", "unpair"),
    Route("GET", "/results", "look", "results", "results.html"),
    Route("GET", "/results.csv", "look", "results_csv"),
    Route("GET", "/results/{run}", "look", "result", "result.html"),
    Route("GET", "/samples", "look", "samples", "samples.html"),
    Route("GET", "/health", "look", "health", "health.html"),
    Route("GET", "/samples/new", "measure", "sample_new", "work/sample_new.html"),
    Route("POST", "/samples/new", "measure", "sample_add_send", "work/sample_new.html"),
    Route("GET", "/samples/import", "measure", "sample_import", "work/sample_import.html"),
    Route("POST", "/samples/import", "measure", "sample_import_send", "work/sample_import.html"),
    Route("GET", "/samples/list", "look", "sample_list", "work/sample_list.html"),
    Route("GET", "/samples.csv", "look", "samples_csv"),
    Route("GET", "/sample", "look", "sample_one", "work/sample.html"),
    Route("GET", "/sample/label.svg", "look", "sample_label"),
    Route("POST", "/sample/change", "measure", "sample_change_send", "work/sample.html"),
    Route("POST", "/sample/cancel", "measure", "sample_cancel_send", "work/sample.html"),
    Route("POST", "/sample/again", "measure", "sample_again_send", "work/sample.html"),
    Route("GET", "/review", "look", "review", "work/review.html"),
    Route("POST", "/review/measured", "measure", "sign_measured_send", "work/review.html"),
    Route("POST", "/review/sign", "review", "sign_send", "work/review.html"),
    Route("GET", "/review/repeats", "look", "repeats", "work/repeats.html"),
    Route("POST", "/review/repeats", "review", "repeat_assign_send", "work/repeats.html"),
    Route("GET", "/review/doubts", "look", "doubts", "work/doubts.html"),
    Route("POST", "/review/doubts", "review", "doubt_decide_send", "work/doubts.html"),
    Route("GET", "/results/{run}/changes", "look", "run_changes", "work/run_changes.html"),
    Route("POST", "/results/{run}/note", "measure", "note_add_send", "work/run_changes.html"),
    Route("POST", "/results/{run}/correct", "measure", "run_correct_send", "work/run_changes.html"),
    Route("POST", "/results/{run}/annul", "review", "run_annul_send", "work/run_changes.html"),
    Route("GET", "/compare", "look", "compare", "work/compare.html"),
    Route("GET", "/charts", "look", "charts", "work/charts.html"),
    Route("POST", "/charts/limits", "review", "chart_fix_send", "work/charts.html"),
    Route("POST", "/charts/report", "measure", "report_chart_send", "work/charts.html"),
    Route("GET", "/equipment", "look", "equipment", "work/equipment.html"),
    Route("POST", "/equipment/out", "measure", "equipment_out_send", "work/equipment.html"),
    Route("POST", "/equipment/back", "review", "equipment_back_send", "work/equipment.html"),
    Route("POST", "/equipment/calibrated", "review", "equipment_calibrated_send", "work/equipment.html"),
    Route("GET", "/equipment/health", "look", "instrument_health", "work/instrument_health.html"),
    Route("GET", "/reports", "look", "reports", "work/reports.html"),
    Route("POST", "/reports/record", "measure", "report_record_send", "work/reports.html"),
    Route("POST", "/reports/certificate", "review", "report_certificate_send", "work/reports.html"),
    Route("GET", "/reports/trace", "look", "trace", "work/trace.html"),
    Route("GET", "/reports/day", "look", "day", "work/day.html"),
    Route("POST", "/reports/day", "measure", "report_day_send", "work/day.html"),
    Route("GET", "/reports/month", "look", "month", "work/month.html"),
    Route("GET", "/reports/lot", "look", "lot", "work/lot.html"),
    Route("GET", "/definitions", "look", "definitions", "work/definitions.html"),
    Route("GET", "/definitions/one", "look", "definition", "work/definition.html"),
    Route("GET", "/health/outbox", "look", "outbox", "work/outbox.html"),
    Route("GET", "/health/tokens", "administer", "tokens", "work/tokens.html"),
    Route("GET", "/health/trial", "administer", "driver_trial", "work/driver_trial.html"),
    Route("POST", "/health/trial", "administer", "driver_trial_send", "work/driver_trial.html"),
    Route("GET", "/health/trial/description.toml", "administer", "trial_description"),
    Route("POST", "/health/tokens/revoke", "administer", "token_revoke_send", "work/tokens.html"),
    Route("GET", f"{API}/openapi.json", "look", "openapi"),
    Route("POST", f"{API}/log-in", "open", "log_in"),
    Route("GET", f"{API}/session", "open", "session"),
    Route("GET", f"{API}/status", "look", "status"),
    Route("GET", f"{API}/benches", "look", "benches"),
    Route("GET", f"{API}/benches/{{bench}}", "bench", "bench"),
    Route("POST", f"{API}/benches/{{bench}}/text", "work", "bench_text"),
    Route("POST", f"{API}/benches/{{bench}}/command", "work", "bench_command"),
    Route("POST", f"{API}/benches/{{bench}}/stop", "stop", "bench_stop"),
    Route("GET", f"{API}/benches/{{bench}}/events", "bench", "bench_events"),
    Route("GET", f"{API}/benches/{{bench}}/trend", "bench", "bench_trend"),
    Route("GET", f"{API}/events", "look", "events"),
    Route("GET", f"{API}/results", "look", "results"),
    Route("GET", f"{API}/results/{{run}}", "look", "result"),
    Route("GET", f"{API}/results/{{run}}/readings", "look", "readings"),
    Route("GET", f"{API}/samples", "look", "samples"),
    Route("GET", f"{API}/samples/{{sample}}", "look", "sample"),
    Route("GET", f"{API}/sample-list", "look", "sample_list"),
    Route("GET", f"{API}/review", "look", "review"),
    Route("GET", f"{API}/review/repeats", "look", "repeats"),
    Route("GET", f"{API}/review/doubts", "look", "doubts"),
    Route("GET", f"{API}/compare", "look", "compare"),
    Route("GET", f"{API}/charts", "look", "charts"),
    Route("GET", f"{API}/equipment", "look", "equipment"),
    Route("GET", f"{API}/equipment/health", "look", "instrument_health"),
    Route("GET", f"{API}/reports", "look", "reports"),
    Route("GET", f"{API}/reports/trace", "look", "trace"),
    Route("GET", f"{API}/reports/day", "look", "day"),
    Route("GET", f"{API}/reports/month", "look", "month"),
    Route("GET", f"{API}/reports/lot", "look", "lot"),
    Route("GET", f"{API}/definitions", "look", "definitions"),
    Route("GET", f"{API}/definitions/one", "look", "definition"),
    Route("GET", f"{API}/choices", "look", "choices"),
    Route("GET", f"{API}/health/outbox", "look", "outbox"),
    Route("GET", f"{API}/health/tokens", "administer", "tokens"),
    Route("GET", f"{API}/health/trial", "administer", "driver_trial"),
    Route("POST", f"{API}/acts/{{act}}", "look", "act"),
)


def permits(need: Need, *, role: Role | None, people: bool, paired: str, bench: str) -> bool:
    """Return whether a browser may use a route.

    Args:
        need: the need of the route.
        role: role of the person who has logged in; None without one.
        people: people are switched on; where they are not, the page serves this machine only, and permits all but work
            at a bench, which can start a motor: that needs the screen of the bench.
        paired: bench with which the browser is paired; "" for none.
        bench: bench of the request; "" for none.
    """
    if need == "open":
        return True
    if not people:
        return need != "work" or (bool(bench) and paired == bench)
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
