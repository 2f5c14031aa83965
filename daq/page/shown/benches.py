"""Words of a bench and of its run for the templates, from their views as JSON."""

import re
from collections.abc import Mapping
from typing import Any, Final

from daq.app.screens.bench.bench_view import OLD_S
from daq.core.faults import FAULTS
from daq.core.units import UNITS
from daq.laboratory.bench.bath import minutes_in_bath
from daq.methods.sentences.catalogue import SENTENCES
from daq.methods.sentences.rendering import render
from daq.page.shown.figures import amount
from daq.page.texts.texts import SENTENCES as LANGUAGES
from daq.page.texts.texts import Texts

IN_DOUBT: Final = ("may_still_be_turning", "in_doubt")
"""States of a motor that may still turn."""
WITH_SERIAL: Final = re.compile(r"(.*) \(serial number (.*)\)")
"""A fitted geometry in the words of the daemon."""
READ: Final[Mapping[str, str]] = {"zero": "torque", "at_temperature": "", "motor_still": "still"}
"""Signal of each item of a checklist that the daemon reads; "" for the one that the method of the sample names."""
STEPPING: Final = ("starting", "measuring", "seeking")
"""States of a run that belong to a step of the method."""
TEMPLATES: Final[Mapping[str, str]] = {
    "zeroing": "opening.html",
    "fitting": "opening.html",
    "bathing": "choosing.html",
    "starting": "resting.html",
    "repeating": "writing.html",
    "waiting": "writing.html",
    "remarking": "writing.html",
    "damaging": "writing.html",
}
"""Template by stage; the others have one of their own name."""
CHOICES: Final[Mapping[str, tuple[str, ...]]] = {
    "remarking": ("skin", "settled", "bubbles", "lumps"),
    "repeating": ("speed", "bubbles", "filling", "temperature"),
    "damaging": ("dented", "bent", "scratched", "worn"),
}
"""Texts that a person can touch instead of typing them, by stage."""
LIVE: Final = (
    "band.inside", "band.below", "band.above", "band.below_target", "band.above_target", "band.on_target",
    "band.saturated", "band.still", "band.none", "running.value", "running.no_value", "running.readings", "running.met",
    "running.near", "running.set_speed", "running.rule_now", "running.not_judged", "running.at_most", "running.part",
    "running.trend_words", "stop.taken", "stop.taken_help", "stop.still", "stop.still_help",
    "stop.ended", "stop.failed",
)  # fmt: skip
"""Texts of the bench that the live modules fill in."""
LIVE_FRAME: Final = (
    "connection.age", "connection.age_words", "connection.lost", "quality.good", "quality.uncertain", "quality.bad",
    "format.seconds", "format.minutes", "format.hours", "error.changed", "error.changed_do", "error.daemon",
)  # fmt: skip


def stage_template(stage: str) -> str:
    """Return the name of the template of a stage."""
    return TEMPLATES.get(stage, f"{stage}.html")


def stage_words(t: Texts, view: Mapping[str, Any]) -> str:
    """Return the headline of the present stage."""
    stage = view["stage"]
    if stage == "zeroing" and view["warm_up"]:
        stage = "zeroing_warm_up"
    elif stage == "zeroing" and "level" not in {item["code"] for item in view["items"]}:
        stage = "zeroing_again"
    return t(f"bench.stage.{stage}")


def fitted_words(t: Texts, fitted: str) -> str:
    """Return name and serial number of the fitted geometry, as the daemon writes them in English, in the language."""
    found = WITH_SERIAL.fullmatch(fitted)
    return fitted if found is None else t("bench.sample.with_serial", name=found[1], serial=found[2])


def choices(t: Texts, stage: str) -> list[str]:
    """Return the texts that a person can touch in a stage that asks for a text."""
    return [t(f"bench.choice.{stage}_{code}") for code in CHOICES.get(stage, ())]


def command_words(t: Texts, command: str, stage: str) -> str:
    """Return the words of a command in a stage."""
    own = f"bench.command.{command}_{stage}"
    return t(own) if t.has(own) else t(f"bench.command.{command}")


def without_commands(t: Texts, text: str) -> str:
    """Return a reason of the daemon for the panel at a bench, where nothing can be typed.

    The text from the clause with a command on is left out; the sentence names the person who administers daq instead.
    """
    found = _COMMAND.search(text)
    if found is None:
        return text
    cut = max(text.rfind(mark, 0, found.start() + 1) for mark in ";:,(.")
    head = text[: max(cut, 0)].strip()
    return f"{head}. {t('bench.help.ask_administrator')}" if head else t("bench.help.ask_administrator")


def in_doubt(bench: Mapping[str, Any]) -> bool:
    """Return whether the motor of a bench (`BenchLive`) may still turn although it should not."""
    reading, run, view = bench.get("reading") or {}, bench.get("run") or {}, bench.get("view") or {}
    result = view.get("result") or {}
    still = reading.get("still") is True
    return (
        reading.get("motor") in IN_DOUBT
        or run.get("motor") in IN_DOUBT
        or (result.get("motor") in IN_DOUBT and not still)
    )


def foreign_run(bench: Mapping[str, Any]) -> bool:
    """Return whether the run on a bench (`BenchLive`) was started elsewhere: its work is at another stage."""
    view, run = bench.get("view"), bench.get("run")
    if not view or not run or view["stage"] in ("starting", "running"):
        return False
    return bool(run["run"] != view["run"])


def read_item(view: Mapping[str, Any], item: Mapping[str, Any]) -> dict[str, str] | None:
    """Return the signal of an item of a checklist that the daemon reads, and the companion that reads it; else None.

    `by` is "" where the instrument of the bench reads it.
    """
    if item["how"] != "measured" or item["code"] not in READ:
        return None
    signal = READ[item["code"]] or str(view["signal"])
    by, dot, channel = signal.partition(".")
    return {"signal": channel, "by": by} if dot else {"signal": signal, "by": ""}


def item_age(bench: Mapping[str, Any], read: Mapping[str, str]) -> float | None:
    """Return the age (s) of the newest reading of an item (`read_item`) of a bench (`BenchLive`); None without one."""
    reading = bench.get("companions", {}).get(read["by"]) if read["by"] else bench.get("reading")
    age: float | None = (reading or {}).get("age_s")
    return age


def longest_age(item: Mapping[str, Any]) -> float:
    """Return the age (s) up to which the newest reading of an item of a checklist counts."""
    longest: float | None = item.get("longest_s")
    return OLD_S if longest is None else max(OLD_S, longest)


def needs_key(item: Mapping[str, Any]) -> bool:
    """Return whether a person must press the key of the instrument, because its newest reading does not count."""
    return item["value"] is None and item.get("age_s") is not None


def is_item_unknown(bench: Mapping[str, Any], item: Mapping[str, Any], read: Mapping[str, str]) -> bool:
    """Return whether the newest reading of an item does not count now, or there is none."""
    age = item_age(bench, read)
    return age is None or age >= longest_age(item) or needs_key(item)


def clock(seconds: float) -> str:
    """Return a time that is left as minutes and seconds, rounded up to a second."""
    whole = int(seconds + 0.999)
    return f"{whole // 60}:{whole % 60:02d}"


def bath_rows(view: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the cups in the bath, longest first: sample, minutes in it, minutes needed (None: not known), `over`."""
    needed = {s["sample"]: s["bath_s"] for s in view["worklist"] if s["in_bath_s"] is not None}
    return [_bath_row(cup, needed.get(cup["sample"])) for cup in sorted(view["cups"], key=lambda c: -c["in_bath_s"])]


def _bath_row(cup: Mapping[str, Any], needed_s: float | None) -> dict[str, Any]:
    minutes, needed = minutes_in_bath(cup["in_bath_s"], needed_s)
    is_over = needed_s is not None and cup["in_bath_s"] >= needed_s
    return {"sample": cup["sample"], "minutes": minutes, "needed": needed, "over": is_over}


def run_words(t: Texts, run: Mapping[str, Any]) -> str:
    """Return what a run does now: its state, try and step."""
    words = [t.code("bench.state", run["state"])]
    if run["state"] in STEPPING:
        if run.get("seek"):
            words.append(t("bench.running.try", number=run["seek"]["number"], most=run["seek"]["most"]))
        step = run["step"]
        words.append(t("bench.running.step", number=step["number"], of=step["of"], name=step["name"]))
    return t("format.list").join(words)


def rule_words(t: Texts, rule: Mapping[str, Any]) -> str:
    """Return a stop rule in the language of the page.

    A rule has its English sentence as its name.  The parts are taken out of it by the English template, and put into
    that of the language; a rule with a name of its own keeps it.
    """
    waited = _IN_BAND.fullmatch(rule["rule"])
    if waited is not None:
        return t("bench.running.in_band", signal=t.term(waited[1]))
    for code, pattern in _RULES.items():
        found = pattern.fullmatch(rule["rule"])
        if found is not None:
            given = {name: text for name, text in found.groupdict().items() if text is not None}
            given["signal"] = t.term(given["signal"])
            template = LANGUAGES[t.language].templates.get(code, SENTENCES[code].template)
            return _filled(template, given)
    return str(rule["rule"])


def _pattern(template: str) -> re.Pattern[str]:
    """Return a pattern that takes the parameters out of a sentence of a template."""
    parts = re.split(r"(\{\w+#?\}|\[|\])", template)
    out = ""
    for part in parts:
        if part == "[":
            out += "(?:"
        elif part == "]":
            out += ")?"
        elif part.startswith("{"):
            out += f"(?P<{part.strip('{}#')}>.+?)"
        else:
            out += re.escape(part)
    return re.compile(out)


def _filled(template: str, given: Mapping[str, str]) -> str:
    """Return a template with texts in the place of its parameters, without optional parts of which one is missing."""

    def optional(found: re.Match[str]) -> str:
        names = re.findall(r"\{(\w+)#?\}", found[1])
        return found[1] if all(name in given for name in names) else ""

    whole = re.sub(r"\[([^\[\]]*)\]", optional, template)
    return re.sub(r"\{(\w+)#?\}", lambda found: given.get(found[1], ""), whole)


_COMMAND: Final = re.compile(r"`daq |(?<!this )(?<!the )(?<!of )(?<!after )\bdaq [a-z]+|(?<![\w-])--[a-z]")
"""A command that is typed, or an option of one."""
_IN_BAND: Final = re.compile(r"(.+) in band")
"""The condition of a run that waits for its temperature; it is no stop rule of a method."""
_RULES: Final[Mapping[str, re.Pattern[str]]] = {
    code: _pattern(SENTENCES[code].template) for code in ("rule_steady", "rule_above", "rule_below", "rule_between")
}


def temperature_signal(run: Mapping[str, Any]) -> str:
    """Return the temperature that a screen shows: that of the gate, otherwise the instrument's own; "" for none."""
    gate = run.get("temperature")
    return str(gate["signal"]) if gate else "temperature" if "temperature" in run["signals"] else ""


def fault_words(t: Texts, fault: str) -> str:
    """Return the sentence of a fault of a reading."""
    if fault not in FAULTS:
        return fault.replace("_", " ")
    return render(fault, dict.fromkeys(SENTENCES[fault].parameters), LANGUAGES[t.language])


def live_words(t: Texts, bench: Mapping[str, Any]) -> dict[str, Any]:
    """Return the texts, symbols of units and words of terms that the live modules need for a bench (`BenchLive`)."""
    run = bench.get("run") or {}
    terms = {"viscosity", *run.get("signals", ()), *([run["value"]["name"]] if run.get("value") else ())}
    return {
        "texts": {key: t.template(f"bench.{key}") for key in LIVE} | {key: t.template(key) for key in LIVE_FRAME},
        "symbols": {unit.code: unit.symbol for unit in UNITS.values()} | {"[pH]": ""},
        "terms": {term: t.term(term) for term in sorted(terms)},
    }


def stop_words(t: Texts) -> dict[str, Any]:
    """Return the texts that the stop of a paired bench, and ages, need on a screen that is not that of a bench."""
    texts = {key: t.template(f"bench.{key}") for key in LIVE if key.startswith("stop.")}
    texts |= {key: t.template(key) for key in LIVE_FRAME}
    return {"texts": texts, "symbols": {}, "terms": {}}


def bench_kind(bench: Mapping[str, Any]) -> str:
    """Return the kind of state of a bench (`BenchLive`): run, waits, free, out, lost or turning."""
    view, run = bench.get("view"), bench.get("run")
    if in_doubt(bench):
        return "turning"
    if view is None or view["connection"] in ("closed", "connecting", "wrong_instrument", "identifying"):
        return "lost"
    if view["out_of_service"]:
        return "out"
    if run is not None or view["stage"] in ("running", "starting"):
        return "run"
    return "free" if view["stage"] == "choosing" else "waits"


def reading_amount(bench: Mapping[str, Any], signal: str) -> str:
    """Return the newest value of a signal of a bench (`BenchLive`) with its unit; a dash for one that is old."""
    reading = bench.get("reading") or {}
    is_old = (reading.get("age_s") or 0.0) >= OLD_S
    value = None if is_old else (reading.get("values") or {}).get(signal)
    return amount(value, (reading.get("units") or {}).get(signal, "1"))
