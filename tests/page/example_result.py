"""A result for example pages, with a reason, an uncertainty and a stop."""

from daq.methods.parts.statement import state
from tests.support.views import result

RESULT = result(
    motor="still",
    reasons=[state("below_band", torque=8.04).model_dump(mode="json")],
    uncertainty={
        "expanded": 18.2,
        "k": 1.98,
        "coverage": 0.95,
        "trials": None,
        "reasons": [],
        "left_out": [],
        "components": [],
    },
    origin={"serial": "R-1042"},
    geometry={"name": "coaxial-12", "kind": "coaxial_cylinders", "vessel": "cup 15"},
    span={
        "n": 100,
        "seconds": 30.0,
        "stop_reason": state("rule_above", signal="elapsed", limit=60.0, unit="s").model_dump(mode="json"),
    },
    steps=[],
)
HISTORY = {
    "run": {
        "id": "3f2a91bc-0000-4000-8000-000000000001", "sample": "WG-1042", "product": "white-glaze", "lot": "L1", "method_id": "white-glaze-flow-curve",
        "method_version": "1", "method_digest": "ab" * 32, "instrument": "bench-2", "began": "2026-11-29T15:04:46.006Z", "ended": "2026-11-29T15:14:49.211Z",
        "operator": "m.keeper", "simulated": True, "outcome": "complete", "reason": "",
    },
    "result": RESULT, "results": [{"id": "r1", "created": "2026-11-29T15:14:50.000Z", "supersedes": None, "journal_digest": "cd" * 32, "audit_seq": 7, "audit_head": "ef" * 32}],
    "notes": [{"text": "cup was chipped", "who": "m.keeper", "at": "2026-11-29T15:15:00.000Z", "because": None}],
    "signatures": [{"meaning": "reviewed", "name": "M. Keeper", "by": "m.keeper", "signed_at": "2026-11-29T15:16:00Z", "because": "", "state": "in_force"}],
    "release": "released", "checklist": {"opening": [], "before": [{"code": "clean", "how": "together", "met": True}], "after": []}, "flow_curve": None, "reports": [], "disagreements": [], "doubts": [],
}  # fmt: skip

DOUBT = state("verification_failed_after", verification="1a2b3c4d", instrument="bench-2").model_dump(mode="json")
CHANGES_SINCE = {
    "corrected": {"results": [*HISTORY["results"], HISTORY["results"][0] | {"id": "r2", "supersedes": "r1"}]},
    "released": {"release": "release_withdrawn"},
    "signed": {"signatures": []},
    "signature withdrawn": {"signatures": [HISTORY["signatures"][0] | {"state": "withdrawn"}]},
    "put in doubt": {"doubts": [DOUBT]},
    "changed by hand": {"disagreements": ["results: value of r1 is 812, the audit trail has 790"]},
    "ended": {"run": HISTORY["run"] | {"outcome": "stopped"}},
}
"""The changes of a run while its result is on a screen."""
