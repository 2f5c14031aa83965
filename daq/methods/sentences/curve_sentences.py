"""Flow curves: how stresses and rates were found, models that the data do not support, and what was not computed."""

from typing import Final

from daq.methods.sentences.kinds import COUNT, DETAIL, NAME, SPEED, TERM, TERMS, Sentence, number, quantity, sentence

SENTENCES: Final[dict[str, Sentence]] = {
    "rates_at_inner_cylinder": sentence(
        "stress at the inner cylinder; rate there from the flow in the gap, solved for each model"
    ),
    "rates_at_single_cylinder": sentence(
        "stress at the cylinder; rate there from the flow in the vessel, solved for each model"
    ),
    "rates_at_rim": sentence("rate at the rim; stress there by Weissenberg, Rabinowitsch and Mooney"),
    "rates_uniform": sentence("stress and rate are the same everywhere in the gap"),
    "points_not_positive": sentence(
        "{count} of {points} points have a rate or stress that is not above 0", count=COUNT, points=COUNT
    ),
    "too_few_rates": sentence(
        "{rates} different rates; {parameters} parameters need at least {needed}",
        rates=COUNT, parameters=COUNT, needed=COUNT,
    ),
    "rates_too_narrow": sentence(
        "the rates span a factor of {ratio}; this model needs at least {needed}", ratio=number(".3g"), needed=number()
    ),
    "parameter_goes_to_zero": sentence(
        "{parameter} goes to 0: the data do not show it; use a model without it", parameter=NAME
    ),
    "parameter_at_bound": sentence("{parameter} goes to its bound {bound}", parameter=NAME, bound=number()),
    "parameters_not_separable": sentence("the parameters cannot be distinguished with these rates"),
    "parameter_not_determined": sentence(
        "{parameter} is not determined: {value#} with a 95 % interval of ±{interval} reaches 0",
        parameter=NAME, value=number(".3g", within="interval"), interval=number(".2g"),
    ),
    "fit_not_converged": sentence("the search for the parameters did not end at a minimum"),
    "fit_broke_down": sentence("the fit broke down: {detail}", detail=DETAIL),
    "parameter_not_resolved": sentence(
        "{parameter} = {value} ± {interval} (98 %) cannot be distinguished from {neutral}: the uncertainty of the "
        "instrument and the scatter explain the difference",
        parameter=NAME, value=number(".3g", within="interval"), interval=number(".2g"), neutral=number(),
    ),
    "yield_stress_model_dependent": sentence(
        "it depends on the model: {low} to {high} by the models that describe these points as well: {models}",
        low=quantity("Pa", ".3g"), high=quantity("Pa", ".3g"), models=TERMS,
    ),
    "yield_model_needs_span": sentence(
        "{model} could not be ruled out: it needs rates that span a factor of {needed}; these span {ratio}",
        model=TERM, needed=number(), ratio=number(".3g"),
    ),
    "yield_stress_needs_rates": sentence(
        "{rates} different rates are too few to rule out any model: at least {needed} are needed",
        rates=COUNT, needed=COUNT,
    ),
    "speed_to_add": sentence("add a step at {speed}, where these models differ", speed=SPEED),
    "no_speed_to_add": sentence(
        "no other speed within the limits of instrument and torque would distinguish them: use another geometry"
    ),
    "too_few_speeds": sentence(
        "fit: {speeds} usable speeds; a curve needs at least {needed}", speeds=COUNT, needed=COUNT
    ),
    "no_model_supported": sentence("no model: the data support none of those fitted; see the reasons beside them"),
    "instrument_share_unknown": sentence(
        "uncertainty of the instrument: its file has no specification; intervals hold the scatter only"
    ),
    "no_tenfold_speeds": sentence(
        "shear-thinning index: no two usable speeds of one branch are a factor of ten apart"
    ),
    "loop_not_settled": sentence(
        "loop area: step {step} settles too briefly after the faster one before it; the unwinding of the spring would "
        "be taken for thixotropy",
        step=NAME,
    ),
    "loop_without_points": sentence("loop area: each branch needs at least 2 points with different rates"),
    "loop_without_overlap": sentence("loop area: the two branches have no rates in common"),
}  # fmt: skip
