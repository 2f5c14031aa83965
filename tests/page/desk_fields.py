"""Complete fields of each form of the desk, as a browser sends them, and the routes that take them."""

from daq.page.routetable import ROUTES
from daq.page.work.formtable import RECORD

#: Complete fields of each form, as a browser sends them.
WHOLE = {
    "sample_add": {"id": "G-1", "product": "white-glaze", "lot": "7", "bench": "bench-1", "priority": "2", "retain": "shelf", "discard_on": "2027-03-31",
                   "rework_of": "G-0", "added": "water", "sampled_at": "", "due": "", "condition": "", "received_by": "", "remark": ""},
    "sample_change": {"id": "G-1", "was.lot": "7", "lot": "8", "was.remark": "", "remark": "", "was.priority": "5", "priority": "1", "because": "read again"},
    "sample_cancel": {"id": "G-1", "because": "spilled"},
    "sample_again": {"id": "G-1", "because": "found"},
    "sign_measured": {f"{RECORD}0": "run|ab|r1", "password": "x"},
    "sign": {f"{RECORD}0": "reportable|ab|G-1/clear-glaze-qc", f"{RECORD}3": "run||r2", "password": "x", "meaning": "rejected", "because": "a bubble"},
    "repeat_assign": {"run": "r1", "cause": "bubbles", "because": "seen"},
    "doubt_decide": {"run": "r1", "verification": "v1", "decision": "upheld", "because": "measured again"},
    "note_add": {"run": "r1", "text": "cup was chipped"},
    "run_correct": {"run": "r1", "result": "x", "was.sample": "G-1", "sample": "G-2", "was.lot": "7", "lot": "7", "because": "mistyped"},
    "run_annul": {"run": "r1", "result": "x", "because": "a bubble"},
    "chart_fix": {"product": "white-glaze", "last": "25", "without": "G-1 G-2", "because": "in control"},
    "equipment_out": {"piece": "bench-1", "because": "dented"},
    "equipment_back": {"piece": "bench-1", "because": "mended"},
    "equipment_calibrated": {"piece": "bench-1", "certificate": "C-7", "day": "2026-01-07", "due": "2027-01-07", "because": "",
                             "found": "outside", "left": "inside", "in_doubt": "3",
                             "name.0": "torque_full_scale", "constant.0": "yes", "as_found.0": "1002 uN.m", "as_left.0": "1000 uN.m", "uncertainty.0": "2 uN.m",
                             "name.1": "other", "constant.1": "yes", "name.2": "at 20 Cel", "as_found.2": "20.1 Cel", "as_left.2": "20.0 Cel", "uncertainty.2": "0.05 K"},
    "driver_trial": {"kind": "kiln-scale", "port": "/dev/ttyUSB7", "baud": "9600", "frame": "7E1", "send": "P", "end": "\\r\\n", "seconds": "5"},
    "token_revoke": {"id": "line-display", "because": "replaced"},
    "report_record": {"of": "r1"},
    "report_certificate": {"of": "r1", "customer": "Tile works"},
    "report_day": {"day": "2026-11-26", "instrument": ""},
    "report_chart": {"product": "white-glaze", "last": "25", "quantity": "viscosity"},
}  # fmt: skip
POSTS = {r.handler: r for r in ROUTES if r.method == "POST" and r.handler.endswith("_send")}
