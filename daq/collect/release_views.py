"""Tables and views of reportable results and signatures, as a migration.

Messages of one signature, or of one reportable result, replace each other: the one with the greatest revision is in
force.  A restored database counts its reportable results again, so its newer epoch comes first.  A signature that was
withdrawn stays withdrawn, also in a database that was restored from before that.
"""

from typing import Final

from daq.collect.columns import REPORTABLE, SIGNATURE, table
from daq.collect.views import CORRECTS

_TABLES: Final = (
    table("reportables", REPORTABLE)
    + """COMMENT ON TABLE lab.reportables IS 'Every reportable result as published; use lab.reportables_in_force.';
CREATE TABLE lab.reportables_elsewhen PARTITION OF lab.reportables DEFAULT;
CREATE INDEX reportables_by_sample ON lab.reportables (sample, test, revision);

"""
    + table("signatures", SIGNATURE)
    + """COMMENT ON TABLE lab.signatures IS
    'Every signature, withdrawal and suspension as published; use lab.signatures_in_force.';
CREATE TABLE lab.signatures_elsewhen PARTITION OF lab.signatures DEFAULT;
CREATE INDEX signatures_by_subject ON lab.signatures (subject, kind);
CREATE INDEX signatures_by_signature ON lab.signatures (signature, revision);
"""
)
_SIGNATURES: Final = """
CREATE VIEW lab.signatures_newest AS
SELECT s.database, s.source, g.id, g.time, g.signature, g.revision, g.state,
    coalesce(jsonb_array_length(g.event #> '{data,suspended}') > 0, false) AS suspended, g.meaning, g.signed_by,
    g.signer, g.signed_at, g.because, g.kind, g.subject, g.sample, g.instrument, g.event
FROM lab.signatures g JOIN lab.sources s ON s.no = g.source
WHERE NOT EXISTS (
    SELECT FROM lab.signatures n JOIN lab.sources ns ON ns.no = n.source
    WHERE n.signature = g.signature AND ns.database = s.database
        AND (n.revision, ns.epoch, n.time, n.id) > (g.revision, s.epoch, g.time, g.id)
);
COMMENT ON VIEW lab.signatures_newest IS 'The newest message of each signature, those withdrawn and suspended too.';

CREATE VIEW lab.signatures_in_force AS SELECT * FROM lab.signatures_newest WHERE state = 'in_force';
COMMENT ON VIEW lab.signatures_in_force IS 'Signatures that are neither withdrawn nor suspended.';

CREATE VIEW lab.reportables_in_force AS
SELECT s.database, s.source, v.id, v.time, v.sample, v.test, v.product, v.revision, v.state, v.method, v.quantity,
    v.value, v.unit, v.reported, v.expanded, v.interval_low, v.interval_high, v.decided, v.verdict,
    EXISTS (
        SELECT FROM lab.signatures_in_force g
        WHERE g.database = s.database AND g.kind = 'reportable' AND g.subject = v.sample || '/' || v.test
            AND g.meaning = 'released'
            AND g.event @> jsonb_build_object('data', jsonb_build_object('parts',
                jsonb_build_array(jsonb_build_object('kind', 'reportable', 'revision', v.revision))))
    ) AS released, v.event
FROM lab.reportables v JOIN lab.sources s ON s.no = v.source
WHERE NOT v.simulated AND NOT EXISTS (
    SELECT FROM lab.reportables n JOIN lab.sources ns ON ns.no = n.source
    WHERE n.sample = v.sample AND n.test = v.test AND ns.database = s.database
        AND (ns.epoch, n.revision, n.time, n.id) > (s.epoch, v.revision, v.time, v.id)
);
COMMENT ON VIEW lab.reportables_in_force IS
    'The reportable result of each sample and test, without simulated ones; released: by a signature in force.';
COMMENT ON COLUMN lab.reportables_in_force.state IS 'open: no value yet; blocked: it must not be released';
"""
_RELEASES: Final = """
CREATE VIEW lab.result_releases AS
SELECT s.source, r.id, coalesce(r.ended, r.time) AS measured, left(r.prefix, -7) AS place, r.instrument, r.product,
    r.sample, r.lot, r.method_id, r.run, r.quantity, r.value, r.unit, r.reported, r.validity, r.verdict,
    c.id AS superseded_by, CASE WHEN c.id IS NOT NULL THEN 'superseded' WHEN g.rejected THEN 'rejected'
        WHEN g.released THEN 'released' WHEN g.suspended THEN 'suspended' WHEN g.withdrawn THEN 'withdrawn'
    END AS release, coalesce(g.signatures, '[]') AS signatures,
    v.revision AS reportable_revision, v.state AS reportable_state, v.value AS reportable_value,
    v.unit AS reportable_unit, v.reported AS reportable_reported, v.verdict AS reportable_verdict,
    v.released AS reportable_released, v.event @> jsonb_build_object('data', jsonb_build_object('attempts',
        jsonb_build_array(jsonb_build_object('result', r.id::text, 'counted', true)))) AS counted
FROM lab.results r JOIN lab.sources s ON s.no = r.source
LEFT JOIN LATERAL (
    SELECT c.id FROM lab.results c JOIN lab.sources cs ON cs.no = c.source
    WHERE c.supersedes = r.id AND IS_CORRECTION_OF ORDER BY cs.epoch DESC, c.sequence DESC LIMIT 1
) c ON true
LEFT JOIN LATERAL (
    SELECT jsonb_agg(jsonb_build_object('meaning', n.meaning, 'by', n.signed_by, 'name', n.signer, 'at', n.signed_at)
            ORDER BY n.signed_at, n.id) FILTER (WHERE n.state = 'in_force') AS signatures,
        bool_or(n.meaning = 'released' AND n.state = 'in_force') AS released,
        bool_or(n.meaning = 'released' AND n.suspended) AS suspended,
        bool_or(n.meaning = 'released') AS withdrawn,
        max(n.signed_at) FILTER (WHERE n.meaning = 'rejected') >= coalesce(
            max(n.signed_at) FILTER (WHERE n.meaning = 'reviewed' AND n.state = 'in_force'), '-infinity') AS rejected
    FROM lab.signatures_newest n WHERE n.database = s.database AND n.kind = 'run' AND n.subject = r.run
        AND (n.meaning = 'rejected' OR n.event @> jsonb_build_object('data', jsonb_build_object('parts',
            jsonb_build_array(jsonb_build_object('kind', 'result', 'id', r.id::text)))))
) g ON true
LEFT JOIN lab.reportables_in_force v ON v.database = s.database AND v.sample = r.sample AND v.test = r.method_id
WHERE NOT r.simulated;
COMMENT ON VIEW lab.result_releases IS
    'Every result, those superseded too, with its signatures in force and the reportable result of its sample.';
COMMENT ON COLUMN lab.result_releases.release IS
    'superseded, rejected, released, suspended (until a person decides after a failed verification), withdrawn, or '
    'NULL: it was never released';
COMMENT ON COLUMN lab.result_releases.counted IS 'whether this result counts in the reportable result';
"""
RELEASES_0005: Final = _TABLES + _SIGNATURES + _RELEASES.replace("IS_CORRECTION_OF", CORRECTS.format(c="cs", r="s"))
