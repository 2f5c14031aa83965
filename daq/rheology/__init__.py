"""Rheology as pure functions; import from the modules.  SI units unless a name says otherwise.

Every function refuses an argument that is not possible with `daq.core.errors.ArgumentError`, a `ValueError` that names
the argument and its value.  Importing a module loads neither numpy nor scipy.  `x` below is a number or a numpy array.

* `geometry`: CoaxialCylinders, SingleCylinder, ConePlate, ParallelPlates, CalibratedConstants, Disc, Vane, each with
  `stress_per_torque` (Pa/(N.m)), `rate_per_omega` (1), `viscosity_constant` (Pa.s/(N.m/(rad/s))); `limits_of_use`,
  `narrowest_gap` (m).
* `cylinders`: `angular_speed(x /min)`, stress, rate and viscosity of coaxial and single cylinders, Krieger-Elrod rate,
  `local_slopes`, `vessel_wall_factor`, `taylor_number`, `critical_taylor_number`, `viscous_heating_rise`.
* `rotors`: cone, plates (`plates_rim_stress`: Weissenberg-Rabinowitsch-Mooney), vane, disc.
* `torque`: percent of full scale, `classify_torque`, `viscosity_range`, `speed_for_torque`, `advise`.
* `ranges`: `plan_ranges(full_scale N.m, geometries, speeds /min, Expected) -> [Candidate]`, `speeds_between(/min,
  /min)`,
  `Expected.from_torque(%, speed /min, full_scale N.m, geometry, flow_behaviour_index)`.
* `uncertainty`: Component, `from_limit`, `from_expanded`, `from_readings`, `combine -> Budget`, `coverage_factor`,
  `span_mean_uncertainty`, `bounded_share`.
* `slowdrift`: `mean_scatter -> MeanScatter`, `effective_below_noise`, `is_slower`.
* `montecarlo`: `propagate_budget(value, components, seed=) -> Propagated`.
* `viscosity_budget`: Specification, `viscosity_components`, `zero_component`.
* `temperature`: Andrade and Vft curves with `viscosity(x degC)` and `coefficient(x degC)` (1/K); `fit_andrade`,
  `fit_vft`, `vft_through_three`, `correct_to_reference`.
* `pt100`: `resistance(x degC)`, `temperature(x ohm)`, `sensitivity`.
* `leastsquares`: `fit_curve`, `linear_fit`; `flowcurves`: models, fits and figures of flow curves, listed there.
* `slips`: `dry_content(density kg/m3, solid_density kg/m3, degC) -> DryContent` (mass fraction), `water_density(degC)`.
* `restirring`: `drift_sign([Stretch], standard_deviation) -> DriftSign` (settling or drying against thixotropy).
"""
