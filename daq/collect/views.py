"""Views for reporting tools, as a migration.  Reports should use them instead of the tables.

Simulated results are in `lab.results` and in none of the views.  Days are those of the session's time zone.
"""

from typing import Final

from daq.collect.columns import RESULT

_VIEWS: Final = """
CREATE VIEW lab.results_in_force AS
SELECT s.source, r.id, r.time, coalesce(r.ended, r.time) AS measured, r.received, left(r.prefix, -7) AS place,
    r.sequence, OF_THE_RESULT, r.event
FROM lab.results r JOIN lab.sources s ON s.no = r.source
WHERE NOT r.simulated AND NOT EXISTS (
    SELECT FROM lab.results c JOIN lab.sources cs ON cs.no = c.source
    WHERE c.supersedes = r.id AND cs.database = s.database
);
COMMENT ON VIEW lab.results_in_force IS
    'Every result that no correction has replaced, without simulated ones; measured is the end of the run.';

CREATE VIEW lab.corrections AS
SELECT s.source, c.id, c.received, c.sample, c.run, o.id AS replaced, o.value AS was, c.value AS became, c.unit,
    o.verdict AS verdict_was, c.verdict AS verdict_became
FROM lab.results c JOIN lab.sources s ON s.no = c.source
JOIN lab.results o ON o.id = c.supersedes JOIN lab.sources os ON os.no = o.source AND os.database = s.database
WHERE c.supersedes IS NOT NULL;
COMMENT ON VIEW lab.corrections IS 'Corrections beside the results they replace.';

CREATE VIEW lab.sample_results AS
SELECT DISTINCT ON (product, sample, quantity, unit) product, sample, quantity, unit, lot, measured, place, instrument,
    value, reported, expanded, k, validity, verdict, limit_low, limit_high, limit_unit, method_id, run, source, id
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
        outcome = 'complete' AND validity = 'valid' AND verdict = 'within' AS passed
    FROM lab.results_in_force
    WHERE NOT verification AND verdict <> 'none'
    ORDER BY product, sample, measured, id
)
SELECT measured::date AS day, product, count(*) AS samples, count(*) FILTER (WHERE measured_well) AS valid_at_first,
    count(*) FILTER (WHERE passed) AS within_at_first,
    count(*) FILTER (WHERE passed)::double precision / count(*) AS yield
FROM firsts GROUP BY 1, 2;
COMMENT ON VIEW lab.first_pass_by_day IS
    'Samples with limits, by the day of their first run: numbers valid, and within limits, at the first attempt.';

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
SELECT s.source, t.prefix, g.stream, g.first, g.last, g.last - g.first + 1 AS results, g.seen, g.asks, g.next_ask
FROM lab.gaps g JOIN lab.sources s ON s.no = g.source JOIN lab.streams t ON t.source = g.source AND t.stream = g.stream;
COMMENT ON VIEW lab.missing IS 'Results that their daemon counted and that are not stored.';
"""

VIEWS_0002: Final = _VIEWS.replace("OF_THE_RESULT", ", ".join(f"r.{c.name}" for c in RESULT if c.name != "simulated"))
