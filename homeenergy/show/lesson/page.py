"""The pages of the lessons: each one file that opens anywhere, without a network."""

from __future__ import annotations

import json
from dataclasses import asdict
from functools import cache
from html import escape
from pathlib import Path
from typing import Any

from homeenergy.files import write_text
from homeenergy.readings.logs.columns import UNITS, head_words
from homeenergy.show.lesson.clamps import BETWEEN_A, pump_log
from homeenergy.show.lesson.language import DECIMAL_MARK, speaker
from homeenergy.show.lesson.lesson import LESSONS, make_lesson
from homeenergy.show.lesson.parts import EDITIONS, VARIANTS, Edition, Lesson, Say, Step
from homeenergy.show.lesson.power_factor import SUPPLY_FARAD, SUPPLY_W
from homeenergy.show.viewer.page import LICENCE
from homeenergy.show.viewer.page import WEB as VIEWER_WEB
from homeenergy.simulate import CabinetModel

WEB = Path(__file__).parent / "web"
SCRIPTS = ("models", "answers", "figures", "cabinet", "clamps", "lesson", "own_data")


def write_lessons(
    folder: str | Path, *, edition: str = "120", language: str = "en", seed: int = 0
) -> list[Path]:
    """Write the pages of all lessons into a folder.

    Parameters
    ----------
    folder : path
        Made where it does not exist; pages of the same names are replaced.
    edition : str
        "120" for 120 V at 60 Hz on split phase, "230" for 230 V at 50 Hz on three phases.
    language : str
        One of `LANGUAGES`.
    seed : int
        Another seed gives other numbers in the tasks.

    Returns
    -------
    list of Path

    Raises
    ------
    ValueError
        For an edition or a language that there is not.
    """
    if edition not in EDITIONS:
        raise ValueError(f"edition must be one of {', '.join(EDITIONS)}, got {edition!r}")
    say = speaker(language)
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name in LESSONS:
        lesson = make_lesson(name, EDITIONS[edition], say=say, seed=seed)
        paths.append(folder / f"{name}.html")
        write_text(paths[-1], lesson_page(lesson, say, language=language))
    paths.append(folder / "own_data.html")
    write_text(paths[-1], own_data_page(EDITIONS[edition], say, language=language))
    return paths


def lesson_page(lesson: Lesson, say: Say, *, language: str = "en") -> str:
    """Write a lesson as one page that holds all that it needs."""
    data = {
        **_common(lesson.edition, say, language),
        "name": lesson.name,
        "title": lesson.title,
        "steps": [_step_data(step) for step in lesson.steps],
        "variants": [[task.to_data() for task in tasks] for tasks in lesson.variants],
    }
    body = "\n".join(
        [
            f"<h1>{escape(lesson.title)}</h1>",
            _opening(lesson, say),
            *(_step(step, number, say) for number, step in enumerate(lesson.steps, start=1)),
            _closing(lesson, say),
        ]
    )
    return _whole(lesson.title, body, f"showLesson({json.dumps(data)});", say, language)


def _common(edition: Edition, say: Say, language: str) -> dict[str, Any]:
    """Give what every page needs: its language, and the loads and models of its edition."""
    loads = {
        "supply_w": SUPPLY_W,
        "supply_farad": SUPPLY_FARAD,
        "cabinet": asdict(CabinetModel()),
        "between_a": BETWEEN_A[edition.name],
        "pump": pump_log(),
    }
    return {
        "language": language,
        "mark": DECIMAL_MARK[language],
        "words": page_words(say),
        "edition": {**asdict(edition), **loads},
    }


def own_data_page(edition: Edition, say: Say, *, language: str = "en") -> str:
    """Write the page that takes a class's own log; what is dropped into it stays in it."""
    title = say("Our own data: what a plug-in meter has logged")
    about = say(
        "Drop a CSV of a plug-in meter here: a column of instants and a column of watts, in any "
        "order. It is read in this page and goes nowhere else."
    )
    careful = say(
        "The meter is plugged in between; nothing is opened. Leave no freezer, sump pump or "
        "medical device without power."
    )
    unsure = say(
        "A year is worked out as if all its days were like these. The level that separates running "
        "from rest is found by the method of Otsu (1979); set another where the figure shows a "
        "better one."
    )

    def field(name: str, text: str, control: str) -> str:
        return f"<label><span>{escape(text)}</span>{control.format(name=name)}</label>"

    number = '<input id="{name}" type="number" min="0" step="any"'
    body = (
        f"<h1>{escape(title)}</h1>\n<p>{escape(careful)}</p>\n"
        f"<section>\n<h2>1. {escape(say('Predict'))}</h2>\n<form id='predict'>"
        + field("guess", say("How much energy does it use in a day?"), '<input id="{name}">')
        + f"<button>{escape(say('That is my prediction'))}</button>"
        '<p id="guessed" role="status"></p></form>\n</section>\n'
        f'<section>\n<h2>2. {escape(say("The log"))}</h2>\n<div id="zone"><p>{escape(about)}</p>'
        + field("file", say("or choose the file"), '<input id="{name}" type="file">')
        + f'<button type="button" id="example">{escape(say("Show a made example"))}</button>'
        '</div>\n<p id="problem" class="said" role="status"></p>\n</section>\n'
        f'<section id="results" hidden>\n<h2>3. {escape(say("Observe and explain"))}</h2>\n'
        '<p id="compared" class="verdict"></p>\n<div class="hand">'
        + field("column", say("column of watts"), '<select id="{name}"></select>')
        + field("level", say("runs above [W]"), number + ">")
        + field(
            "price",
            say("price of a kWh [{currency}]", currency=edition.currency),
            f'{number} value="{edition.price_per_kwh}">',
        )
        + '</div>\n<div id="figure" class="figure"></div>\n<dl id="read" class="read"></dl>\n'
        f'<p id="about" class="small"></p>\n<p class="small">{escape(unsure)}</p>\n'
        f'<button type="button" id="print">{escape(say("Print"))}</button>\n</section>'
    )
    data = {**_common(edition, say, language), "heads": {"units": UNITS, "words": head_words()}}
    code = f"showOwnData({json.dumps(data)});"
    return _whole(title, body, code, say, language)


def _step_data(step: Step) -> dict[str, object]:
    return {
        "name": step.name,
        "figure": step.figure,
        "given": step.given,
        "predict": step.predict.to_data(),
        "then": [question.to_data() for question in step.then],
        "controls": [asdict(control) for control in step.controls],
    }


@cache
def script_text() -> str:
    """Code of the charting library, unaltered and with its licence, and ours, in one scope."""
    others = (VIEWER_WEB / "uplot" / "uPlot.iife.min.js").read_text(encoding="utf-8")
    licence = LICENCE.format((VIEWER_WEB / "uplot" / "LICENSE").read_text(encoding="utf-8"))
    ours = [(WEB / f"{name}.js").read_text(encoding="utf-8") for name in SCRIPTS]
    return "\n".join([licence + others, *ours])


@cache
def style_text() -> str:
    """Style sheets of the charting library and of the lessons."""
    files = (VIEWER_WEB / "uplot" / "uPlot.min.css", WEB / "lesson.css")
    return "\n".join(path.read_text(encoding="utf-8") for path in files)


def _whole(title: str, body: str, code: str, say: Say, language: str) -> str:
    script = f"{script_text()}\n{code}\n".replace("</script", "<\\/script").replace(
        "<!--", "<\\!--"
    )
    needs = escape(say("This page needs JavaScript, which runs in the page and sends nothing."))
    # No address may be asked for anything: what is answered here stays here.
    policy = (
        "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:"
    )
    return (
        f'<!doctype html>\n<html lang="{language}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<title>{escape(title)}</title>\n<link rel="icon" href="data:,">\n'
        f"<style>\n{style_text()}\n</style>\n</head>\n<body>\n<main>\n"
        f"<noscript><p>{needs}</p></noscript>\n{body}\n</main>\n"
        f"<script>\n(() => {{\n{script}}})();\n</script>\n</body>\n</html>\n"
    )


def _opening(lesson: Lesson, say: Say) -> str:
    goals = "".join(f"<li>{escape(goal)}</li>" for goal in lesson.goals)
    seats = "".join(f'<option value="{k}">{k}</option>' for k in range(1, VARIANTS + 1))
    return (
        f"<p><strong>{escape(lesson.question)}</strong></p>\n"
        f"<p>{escape(say('After this lesson you can'))}</p><ul>{goals}</ul>\n"
        f'<div class="safety"><p><strong>{escape(say("Safety."))}</strong> '
        f"{escape(safety(say))}</p></div>\n"
        f'<div class="hand"><label><span>{escape(say("Your name"))}</span>'
        f'<input id="pupil" autocomplete="off"></label>'
        f"<label><span>{escape(say('Seat (neighbours take different ones)'))}</span>"
        f'<select id="seat">{seats}</select></label></div>'
    )


def _step(step: Step, number: int, say: Say) -> str:
    then = '<form class="then"></form>' * len(step.then)
    return (
        f'<section id="step-{step.name}" aria-labelledby="head-{step.name}">\n'
        f'<h2 id="head-{step.name}">{number}. {escape(step.title)}</h2>\n'
        f"<p>{escape(step.text)}</p>\n"
        f'<h3>{escape(say("Predict"))}</h3>\n<form class="predict"></form>\n'
        '<div class="bench">\n<fieldset class="controls"><legend>'
        f"<h3>{escape(say('Observe'))}</h3></legend></fieldset>\n"
        f'<div class="observe" hidden>\n<p>{escape(step.observe)}</p>\n<div class="figure"></div>\n'
        f'<dl class="read"></dl>\n<button type="button" class="compare" disabled>'
        f"{escape(say('Compare with my prediction'))}</button>\n</div>\n</div>\n"
        f'<div class="explain" hidden>\n<h3>{escape(say("Explain"))}</h3>\n'
        f'<p class="verdict" role="status"></p>\n<p>{escape(step.explain)}</p>\n{then}</div>\n'
        "</section>"
    )


def _closing(lesson: Lesson, say: Say) -> str:
    def listed(head: str, texts: tuple[str, ...]) -> str:
        items = "".join(f"<li>{escape(text)}</li>" for text in texts)
        return f'<h3>{escape(head)}</h3><ul class="small">{items}</ul>'

    units = say("Type each answer with its unit, as in “1.5 kW”. Levels rise from 1 to 3.")
    stays = say("Nothing leaves this page unless you save or print it.")
    return (
        f'<section aria-labelledby="head-tasks">\n<h2 id="head-tasks">{escape(say("Tasks"))}</h2>\n'
        f'<p>{escape(units)}</p>\n<div id="tasks"></div>\n<div class="hand">'
        f'<button type="button" id="save">{escape(say("Save my answers as a file"))}</button>'
        f'<button type="button" id="print">{escape(say("Print"))}</button></div>\n'
        f'<p class="small">{escape(stays)}</p>\n'
        "</section>\n<section aria-label="
        f'"{escape(say("About this lesson"))}">\n'
        + listed(say("Limits of the models"), lesson.limits)
        + listed(say("Sources"), lesson.sources)
        + "\n</section>"
    )


def safety(say: Say) -> str:
    """Give the caution that stands on every page and sheet."""
    return say(
        "Everything here happens on the screen. At mains voltage only what is plugged in and "
        "whole is measured, with a plug-in meter; nothing live is opened. A capacitor stays "
        "charged after it is unplugged. Work inside a panel belongs to a licensed electrician; "
        "the service conductors stay live with the main breaker off. Never open the secondary of "
        "a current transformer with a current output while its conductor carries load: it can "
        "make a deadly voltage. Think of freezers, sump pumps and medical devices before anything "
        "is switched off."
    )


def page_words(say: Say) -> dict[str, Any]:
    """Words that the code of a page needs, by the name under which it looks them up."""
    return {
        "levels": [say("Level 1"), say("Level 2"), say("Level 3")],
        "predict": say("That is my prediction"),
        "check": say("Check"),
        "noted": say("Noted. Now move the control and watch."),
        "choose": say("Choose one of the answers."),
        "predicted": say("You predicted:"),
        "number_and_unit": say("number and unit"),
        "no_number": say("Type a number with its unit."),
        "no_unit": say("“%s” is no unit that this page knows."),
        "unit_missing": say("The unit is missing."),
        "not_the_same": say(
            "Watts and volt-amperes are not the same: look at the unit that is asked for."
        ),
        "other_quantity": say("That is the unit of another quantity."),
        "right": say("Right."),
        "prefix": say("The digits are right, the power of ten is not: look at milli, micro, kilo."),
        "sign": say("The size is right, the sign is not."),
        "too_much": say("Too much."),
        "too_little": say("Too little."),
        "prediction": say("prediction"),
        "answer": say("answer"),
        "is_right": say("right"),
        "is_slip": say("not right"),
        "is_off": say("not right"),
        "name": say("Name"),
        "seat": say("Seat"),
        "volts": say("volts"),
        "amps": say("amps"),
        "volts_axis": say("volts [V]"),
        "amps_axis": say("amps [A]"),
        "power_axis": say("power [W]"),
        "rms_axis": say("current, rms [A]"),
        "mean_axis": say("mean power [W]"),
        "capacitor_axis": say("capacitor [µF]"),
        "milliseconds": say("time [ms]"),
        "mean": say("mean"),
        "in_step": say("in step"),
        "lags": say("lags by"),
        "leads": say("leads by"),
        "rms_volts": say("volts, rms"),
        "rms_amps": say("amps, rms"),
        "apparent": say("volts × amps"),
        "real": say("mean power"),
        "factor": say("power factor"),
        "waves_say": say("Volts and amps over two cycles:"),
        "power_says": say("Power over two cycles, mean"),
        "hours": say("time [h]"),
        "inside_axis": say("inside [°C]"),
        "room_axis": say("room [°C]"),
        "duty_axis": say("duty cycle [%]"),
        "use_axis": say("use [h a day]"),
        "year_axis": say("energy [kWh a year]"),
        "switches_on": say("switches on"),
        "switches_off": say("switches off"),
        "for_good": say("without end"),
        "room": say("room"),
        "heat_in": say("heat that leaks in"),
        "duty": say("duty cycle by heat balance"),
        "runs_for": say("a run lasts"),
        "rests_for": say("a rest lasts"),
        "a_day": say("energy a day"),
        "highest": say("highest reading"),
        "lowest": say("lowest reading"),
        "readings": say("readings"),
        "energy": say("energy"),
        "in_use": say("in use, a year"),
        "at_standby": say("at standby, a year"),
        "standby_cost": say("standby costs a year"),
        "inside_says": say("Temperature inside over six hours; room and duty cycle:"),
        "runs_say": say("Power over six hours; room and duty cycle:"),
        "line_says": say("Duty cycle against the room; now"),
        "periods_say": say("Twelve hours as this logger writes them; highest reading"),
        "standby_says": say("Energy a year against hours of use; in use and at standby:"),
        "conductors": {"line": say("line"), "neutral": say("neutral"), "L1": "L1", "L2": "L2"},
        "clamps": {
            "well_pump": say("pump, with its multiplier"),
            "mains_l1": say("mains L1"),
            "mains_l2": say("mains L2"),
        },
        "sum": say("sum, which the clamp senses"),
        "marks": say("marks 1 and 2"),
        "seconds": say("time [s]"),
        "load_axis": say("current of the load [A]"),
        "reading_axis": say("sum in the window [A]"),
        "rating": say("rating"),
        "beyond": say("beyond it the clamp reads too little"),
        "too_large": say("too large for it"),
        "through_window": say("sum in the window"),
        "clamp_reads": say("clamp reads"),
        "logger_shows": say("logger shows"),
        "load_draws": say("load draws"),
        "clamp_round": say("A clamp round"),
        "clamp_says": say("Currents through the clamp over two cycles; it reads"),
        "turns_say": say("Reading against the current of the load; now"),
        "pump_says": say("Watts of three clamps over three minutes; at the first and second mark:"),
        "level": say("above: running"),
        "duration": say("logged"),
        "duty_seen": say("duty cycle"),
        "runs": say("starts"),
        "running": say("mean while running"),
        "resting": say("at rest (standby), median"),
        "cost_seen": say("cost of the log"),
        "cost_year": say("cost of a year of such days"),
        "log_says": say("Power over the whole log;"),
        "about_log": say(
            "%1 readings, one each %2 s; %3 gaps, which are not counted; %4 lines left out."
        ),
        "measured": say("The log has, a day:"),
        "predicted_noted": say("Noted. Now look at the log."),
        "predict_first": say("The log is read. Predict first, then it is shown."),
        "kwh_wanted": say("Type a number with the unit kWh or Wh."),
        "no_time": say("No column of instants was found in the last lines of this file."),
        "no_power": say(
            "No column of watts was found next to the instants; what is headed as energy, volts "
            "or amps is not taken for watts."
        ),
        "ragged": say(
            "Lines of this file have more cells than its heading. Where numbers have decimal "
            "commas, save it with semicolons between the cells."
        ),
        "too_few": say("This column has fewer than three readings."),
        "curve_says": say("Current and mean power against the capacitor; now"),
    }
