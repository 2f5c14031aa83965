"""Views for reporting tools, as a migration.  Reports should use them instead of the tables.

Simulated results are in `lab.results` and in none of the views.  Days are those of the session's time zone.
"""

from typing import Final

from daq.collect.columns import REPORTABLE, RESULT_AT_FIRST, SIGNATURE, table

_VIEWS: Final = """
CREATE VIEW lab.results_in_force AS
SELECT s.source, r.id, r.time, coalesce(r.ended, r.time) AS measured, r.received, left(r.prefix, -7) AS place,
    r.sequence, OF_THE_RESULT,
    EXISTS (
        SELECT FROM lab.conflicts x WHERE x.source = r.source AND x.stream = r.stream AND x.sequence = r.sequence
        UNION ALL SELECT FROM lab.conflicts x WHERE x.source = r.source AND x.id = r.id
    ) AS disputed, r.event
FROM lab.results r JOIN lab.sources s ON s.no = r.source
WHERE NOT r.simulated AND NOT EXISTS (
    SELECT FROM lab.results c JOIN lab.sources cs ON cs.no = c.source
    WHERE c.supersedes = r.id AND IS_CORRECTION_OF
);
COMMENT ON VIEW lab.results_in_force IS
    'Every result that no correction has replaced, without simulated ones; measured is the end of the run.';
COMMENT ON COLUMN lab.results_in_force.disputed IS 'true where another message contradicts it, see lab.conflicts';

CREATE VIEW lab.last_values AS
SELECT DISTINCT ON (place, instrument, quantity, unit) place, instrument, quantity, unit, value, reported, expanded, k,
    interval_low, interval_high, quality, validity, verdict, disputed, measured, product, sample, lot, method_id,
    method_version, method_digest, run, source, id
FROM lab.results_in_force
WHERE NOT verification
ORDER BY place, instrument, quantity, unit, measured DESC, sequence DESC, id;
COMMENT ON VIEW lab.last_values IS 'The newest result of every instrument, valid or not, without verifications.';

CREATE VIEW lab.corrections AS
SELECT s.source, c.id, c.received, c.sample, c.run, r.id AS replaced, r.value AS was, c.value AS became, c.unit,
    r.verdict AS verdict_was, c.verdict AS verdict_became
FROM lab.results c JOIN lab.sources s ON s.no = c.source
JOIN lab.results r ON r.id = c.supersedes JOIN lab.sources rs ON rs.no = r.source
WHERE c.supersedes IS NOT NULL AND IS_THE_CORRECTION;
COMMENT ON VIEW lab.corrections IS 'Corrections beside the results they replace.';

CREATE VIEW lab.sample_results AS
SELECT DISTINCT ON (product, sample, quantity, unit) product, sample, quantity, unit, lot, measured, place, instrument,
    value, reported, expanded, k, interval_low, interval_high, validity, verdict, disputed, limit_low, limit_high,
    limit_unit, method_id, method_version, method_digest, run, source, id
FROM lab.results_in_force
WHERE validity = 'valid' AND outcome = 'complete' AND NOT verification
ORDER BY product, sample, quantity, unit, measured DESC, id;
COMMENT ON VIEW lab.sample_results IS 'The newest valid result of every sample.';

CREATE VIEW lab.product_limits AS
SELECT r.product, r.sample, r.lot, r.measured, r.place, r.instrument, r.quantity, r.value, r.unit, r.expanded,
    r.validity, r.verdict, l.quantity AS limit_quantity, l.low, l.high, l.unit AS limit_unit,
    l.verdict AS limit_verdict, l.accepted_low, l.accepted_high, l.probability_outside,
    r.event #>> '{data,verdict,rounding}' AS rounding, r.event #>> '{data,verdict,acceptance}' AS acceptance,
    (r.event #>> '{data,verdict,risk_of_false_acceptance}')::double precision AS risk_of_false_acceptance,
    r.method_id, r.run, r.source, r.id
FROM lab.results_in_force r CROSS JOIN LATERAL jsonb_to_recordset(r.event #> '{data,verdict,limits}')
    AS l(quantity text, low double precision, high double precision, unit text, verdict text,
        accepted_low double precision, accepted_high double precision, probability_outside double precision)
WHERE NOT r.verification;
COMMENT ON VIEW lab.product_limits IS 'Every result with each of its limits: one row for each limit.';

CREATE VIEW lab.first_pass_by_day AS
WITH firsts AS (
    SELECT DISTINCT ON (product, sample) product, measured,
        outcome = 'complete' AND validity = 'valid' AS measured_well,
        outcome = 'complete' AND validity = 'valid' AND verdict = 'within' AS passed,
        verdict = 'not_comparable' AS not_comparable
    FROM lab.results_in_force
    WHERE NOT verification AND verdict <> 'none'
    ORDER BY product, sample, measured, id
)
SELECT measured::date AS day, product, count(*) AS samples, count(*) FILTER (WHERE measured_well) AS valid_at_first,
    count(*) FILTER (WHERE passed) AS within_at_first,
    count(*) FILTER (WHERE not_comparable) AS not_comparable_at_first,
    count(*) FILTER (WHERE passed)::double precision / count(*) AS yield
FROM firsts GROUP BY 1, 2;
COMMENT ON VIEW lab.first_pass_by_day IS
    'Samples with limits, by the day of their first run: numbers valid, within limits, and not comparable with them, '
    'at the first attempt; yield is within_at_first over samples.';

CREATE VIEW lab.instrument_use_by_day AS
SELECT measured::date AS day, place, instrument, count(*) AS runs,
    count(*) FILTER (WHERE outcome = 'complete') AS complete, count(*) FILTER (WHERE validity = 'valid') AS valid,
    count(*) FILTER (WHERE verification) AS verifications, count(DISTINCT sample) AS samples,
    coalesce(sum(extract(epoch FROM ended - began)), 0)::double precision / 3600 AS hours
FROM lab.results_in_force GROUP BY 1, 2, 3;
COMMENT ON VIEW lab.instrument_use_by_day IS 'Runs and hours of every instrument, by the day on which the run ended.';

CREATE VIEW lab.control_chart AS
SELECT product, quantity, unit, method_id, geometry, measured, sample, lot, place, instrument, value,
    row_number() OVER series AS position, abs(value - lag(value) OVER series) AS moving_range, source, id
FROM lab.results_in_force
WHERE validity = 'valid' AND outcome = 'complete' AND NOT verification AND product IS NOT NULL AND value IS NOT NULL
    AND NOT disputed
WINDOW series AS (PARTITION BY product, quantity, unit, method_id, geometry ORDER BY measured, id);
COMMENT ON VIEW lab.control_chart IS
    'Values in order, for a chart of individuals and moving ranges; one series for each product, method and geometry.';

CREATE VIEW lab.control_limits AS
SELECT product, quantity, unit, method_id, geometry, count(*) AS n, avg(value) AS centre,
    avg(moving_range) AS mean_moving_range, avg(moving_range) * sqrt(pi()) / 2 AS sigma,
    avg(value) - 3 * avg(moving_range) * sqrt(pi()) / 2 AS lower,
    avg(value) + 3 * avg(moving_range) * sqrt(pi()) / 2 AS upper
FROM lab.control_chart GROUP BY product, quantity, unit, method_id, geometry HAVING count(*) > 1;
COMMENT ON VIEW lab.control_limits IS
    'Limits of individuals from all values of a series: centre ∓ 3 MR/d2 with d2 = 2/sqrt(pi) for ranges of two.';

CREATE VIEW lab.missing AS
SELECT s.source, b.prefix, g.stream, g.first, g.last, g.last - g.first + 1 AS results, g.seen, g.asks, g.next_ask, g.no
FROM lab.gaps g JOIN lab.sources s ON s.no = g.source JOIN lab.databases b ON b.database = s.database;
COMMENT ON VIEW lab.missing IS 'Results that their daemon counted and that are not stored.';
"""

#: Compares each result with the one before it in the audit trail of its database.  A restored database continues the
#: trail of its backup, so each epoch is compared by itself, and its first result with those of the epochs before.
_AUDIT: Final = """
CREATE VIEW lab.audit_breaks AS
WITH held AS (
    SELECT s.database, s.epoch, s.source, r.stream, r.sequence, r.id, r.received, r.audit_number, r.audit_head,
        r.audit_before_number, r.audit_before, lag(r.audit_number) OVER trail AS held_number,
        lag(r.audit_head) OVER trail AS held_head,
        lag(r.sequence) OVER stream_trail AS held_sequence
    FROM lab.results r JOIN lab.sources s ON s.no = r.source
    WHERE r.audit_number IS NOT NULL
    WINDOW trail AS (PARTITION BY r.source ORDER BY r.audit_number, r.received, r.sequence, r.id),
        stream_trail AS (PARTITION BY r.source, r.stream ORDER BY r.audit_number, r.received, r.sequence, r.id)
), earlier AS (
    SELECT h.id, h.source, bool_or(e.audit_head = h.audit_before) AS same
    FROM held h JOIN lab.sources s ON s.database = h.database AND s.epoch < h.epoch
    JOIN lab.results e ON e.source = s.no AND e.audit_number = h.audit_before_number
    WHERE h.held_number IS NULL GROUP BY h.id, h.source
), judged AS (
    SELECT h.*, CASE
        WHEN audit_number <= audit_before_number THEN 'it says that it follows a later entry'
        WHEN audit_number = held_number THEN 'two results have this entry of the audit trail'
        WHEN held_number > audit_before_number THEN 'a result lies between it and the one it says it follows'
        WHEN held_number = audit_before_number AND held_head IS DISTINCT FROM audit_before
            OR held_number IS NULL AND NOT e.same THEN 'the result before it has another audit head'
        WHEN held_sequence >= sequence THEN 'its sequence number is not above that of the result before it'
    END AS reason FROM held h LEFT JOIN earlier e USING (source, id)
)
SELECT database, source, stream, sequence, id, received, audit_number, reason,
    row_number() OVER (PARTITION BY database ORDER BY epoch, audit_number, received, sequence, id) AS position
FROM judged WHERE reason IS NOT NULL;
COMMENT ON VIEW lab.audit_breaks IS
    'Results whose audit head does not continue that of the result before them; position 1 is the first of a database.';
"""
# The correction c of source s is of the same database and stream as the result r of source rs, names its source, and
#: was made after it; so no two results can replace each other.
CORRECTS: Final = (
    "{c}.database = {r}.database AND c.supersedes_source = {r}.source AND c.stream = r.stream "
    "AND ({c}.epoch, c.sequence) > ({r}.epoch, r.sequence)"
)
"""Condition of a correction, with the names of the two sources."""

_FILLED: Final = (
    _VIEWS.replace("OF_THE_RESULT", ", ".join(f"r.{c.name}" for c in RESULT_AT_FIRST if c.name != "simulated"))
    .replace("IS_CORRECTION_OF", CORRECTS.format(c="cs", r="s"))
    .replace("IS_THE_CORRECTION", CORRECTS.format(c="s", r="rs"))
)
VIEWS_0002: Final = _FILLED + _AUDIT

_NOT_BY_TRAINEES: Final = ("sample_results", "first_pass_by_day", "control_chart")
"""Views that count results; those of an operator without authorisation are in `lab.results_in_force` only."""
_AUTHORISED: Final = "NOT verification AND event #>> '{data,origin,attribution}' IS DISTINCT FROM 'not_authorised'"


def _without_trainees(view: str) -> str:
    """Return the SQL that replaces a view of `_VIEWS` by one without results of operators without authorisation."""
    _, begin, rest = _VIEWS.partition(f"CREATE VIEW lab.{view} AS")
    selected, end, _ = rest.partition(";")
    return begin.replace("CREATE", "CREATE OR REPLACE") + selected.replace("NOT verification", _AUTHORISED) + end + "\n"


AUTHORISED_0003: Final = "".join(map(_without_trainees, _NOT_BY_TRAINEES))


def _with_attribution() -> str:
    """Return the SQL that replaces `results_in_force` by one with the attribution, as its last column."""
    selected, end, _ = _FILLED.partition(";")
    return (
        selected.strip().replace("CREATE", "CREATE OR REPLACE", 1).replace("r.event\n", "r.event, r.attribution\n", 1)
        + end
    )


ATTRIBUTION_0004: Final = (
    """
ALTER TABLE lab.results ADD COLUMN attribution text NOT NULL DEFAULT 'unattributed';
UPDATE lab.results SET attribution = event #>> '{data,origin,attribution}'
WHERE coalesce(event #>> '{data,origin,attribution}', '') NOT IN ('', 'unattributed');
"""
    + _with_attribution()
    + "\n"
)

# Messages of one signature, or of one reportable result, replace each other: the one with the greatest revision is in
# force.  A restored database counts its reportable results again, so its newer epoch comes first.  A signature that was
# withdrawn stays withdrawn, also in a database that was restored from before that.
_RELEASE_TABLES: Final = (
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
RELEASES_0005: Final = (
    _RELEASE_TABLES + _SIGNATURES + _RELEASES.replace("IS_CORRECTION_OF", CORRECTS.format(c="cs", r="s"))
)
