"""Flow curves: models, fits with the flow in the gap solved, rival yield stresses, thixotropy, wall slip.

* `flowmodels`: MODELS (Newtonian, Bingham, power law, Herschel-Bulkley, Casson, Cross, Carreau: stress over rate,
  derivatives, bounds); `flowcurve`: `fit_model(model, rates 1/s, stresses Pa, sigma Pa)` gives Fit or Refusal,
  `casson_line`.
* `gapflow`: `wall_rates(stress(rates), omegas rad/s, radius_ratio) -> rates 1/s` for any model, in any gap.
* `curvefit`: `fit_series(model, Series, shifts) -> CurveFit | Refusal`, `choose(Series, models, shifts) -> Chosen`;
  fits of stress against angular speed with the flow in the gap solved; scatter and instrument apart.
* `yieldspread`: `yield_spread(Series, shifts, Chosen) -> YieldSpread | None`: yield stresses (Pa) by rival models.
* `plateaus`: `plateau_fits(Series, rates, factor) -> [PlateauFit]`: rivals with a plateau below the rates.
* `structure`: `shear_thinning_index`, `recovery_fraction`, `loop_area` (Pa/s).
* `wallslip`: `compare_gaps(GapCurve, GapCurve) -> GapComparison | None`.
"""
