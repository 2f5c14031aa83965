"""Quality as pure functions; import from the modules.  Values of one call are in one unit.

Every function refuses an argument that is not possible with `daq.core.errors.ArgumentError`, a `ValueError` that names
the argument and its value.  Importing a module loads neither numpy nor scipy.

* `limits`: `judge(value, low, high, rule=, decimals=) -> Verdict`, `rounded`, `as_reported`, Rounding.
* `guardbands`: `judge_guarded(value, low, high, guard_band) -> Guarded`, `probability_outside(value, u, low, high)`,
  Acceptance.
* `statistics`: `describe`, `range_quantile`, `grubbs_test`, `grubbs_critical`, `dixon_test`, `dixon_critical`,
  `fit_line -> Line`, `theil_sen -> RobustLine`.
  Drift of readings in time: `daq.core.steady.drift_bound`; Student's t: `daq.core.student`.
* `replicates`: `precision(groups) -> Precision` (ISO 5725-2), `repeatability_factor`, `critical_range`,
  `judge_replicates(values, r_limit, most) -> Agreement`.
* `charts`: `constants(n)`, `individuals_chart`, `ewma_chart`, `run_rules`, `first_signals`, `average_run_length`.
* `chartsignals`: `find_signals(values, centre, sigma) -> tuple[Signal, ...]`, `false_alarm(rule)`.
* `capability`: `capability`, `cp_interval`, `cpk_interval`, `one_sided_interval`.
* `verification`: `acceptance_band(certified, full_scale_viscosity, certified_uncertainty_percent=) -> AcceptanceBand`,
  `certified_viscosity(degC, table)`, `normalised_error`.
* `health`: `once_per_revolution(revolutions, values)` (amplitude), `trend(values, limit) -> Trend`.
* `distributions`: range and spacing ratio of normal samples.
"""
