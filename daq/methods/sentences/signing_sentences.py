"""Why a record must not be released, and why a reportable result is not decided."""

from typing import Final

from daq.methods.sentences.kinds import NAME, NAMES, TERM, Sentence, sentence

SENTENCES: Final[dict[str, Sentence]] = {
    "signed_before_end": sentence("the run has not ended"),
    "run_is_annulled": sentence("the run is annulled"),
    "run_is_simulated": sentence("it was measured on a simulated instrument"),
    "rejected_by": sentence("{who} rejected it; it is released only after a new review of it alone", who=NAME),
    "verification_failed_after": sentence(
        "the verification {verification} of {instrument} failed after it, and none had passed in between; a person "
        "decides about each result",
        verification=NAME, instrument=NAME,
    ),
    "verification_withdrawn_after": sentence(
        "the verification {verification} of {instrument}, on which it relied, does not count as passed any more; a "
        "person decides about each result",
        verification=NAME, instrument=NAME,
    ),
    "control_failed_after": sentence(
        "the control {verification} of {instrument} failed after it, and none had passed in between; a person decides "
        "about each result",
        verification=NAME, instrument=NAME,
    ),
    "control_withdrawn_after": sentence(
        "the control {verification} of {instrument}, on which it relied, does not count as passed any more; a person "
        "decides about each result",
        verification=NAME, instrument=NAME,
    ),
    "calibration_outside_after": sentence(
        "the calibration {certificate} of {piece} on {date} found it outside of its tolerance, and none in between had "
        "found it within; a person decides about each result",
        certificate=NAME, piece=NAME, date=NAME,
    ),
    "reportable_without_value": sentence("there is no reportable value yet"),
    "reportable_out_of_date": sentence("its runs or its product have changed since it was stored"),
    "not_released": sentence("a person has not signed it as released, as it is now[ ({release})]", release=TERM),
    "report_is_withdrawn": sentence("the report is withdrawn"),
    "report_is_superseded": sentence("the result {result} on it is not the newest of its run", result=NAME),
    "shown_result_rejected": sentence(
        "{who} rejected report {report}, which shows the results of these runs, too: {runs}",
        who=NAME, report=NAME, runs=NAMES,
    ),
    "report_is_internal": sentence("only certificates are released; sign this report as reviewed"),
    "signed_already": sentence("{who} signed it already", who=NAME),
    "measured_by_signer": sentence("{who} measured it; another person signs it", who=NAME),
    "not_measured_by_signer": sentence("{operator} measured it, not {who}", operator=NAME, who=NAME),
    "products_differ": sentence("not decided: the runs name several products: {products}", products=NAMES),
    "product_version_unknown": sentence(
        "not decided: the version of the product {product} by which run {run} is judged is not stored; a "
        "reviewer states it with `daq correct {run} --product {product} --because TEXT`",
        product=NAME,
        run=NAME,
    ),
    "product_text_damaged": sentence(
        "not decided: the stored text of the product {product} by which run {run} is judged is damaged; see "
        "`daq verify`",
        product=NAME,
        run=NAME,
    ),
    "sample_result_damaged": sentence(
        "not decided: the stored result of run {run} of the sample is damaged; restore it from a backup, see `daq "
        "verify`",
        run=NAME,
    ),
    "product_versions_differ": sentence(
        "not decided: the runs that count were made under several versions of the product {product}: {versions}",
        product=NAME,
        versions=NAMES,
    ),
    "moved_to_sample": sentence("a correction gave it to sample {sample}: {because}", sample=NAME, because=NAME),
    "other_attempts": sentence(
        "sample {sample} has further results ({runs}): a certificate of one run would hide them; make that of the "
        "sample",
        sample=NAME,
        runs=NAMES,
    ),
}  # fmt: skip
