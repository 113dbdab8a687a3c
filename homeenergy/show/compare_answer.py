"""A comparison as an answer: what the panel shows of each kind of result."""

from __future__ import annotations

from homeenergy.estimate import Estimate
from homeenergy.findings import Change, Comparison, Comparisons
from homeenergy.findings.wording import interval_text, value_text
from homeenergy.show.answer import Answer, Row, figure_of
from homeenergy.show.before_after import plot_before_after
from homeenergy.show.comparison import plot_comparison
from homeenergy.show.differences import plot_differences

INTERVAL = "95 % interval"


def answer_of(found: Comparison | Comparisons | Change, *, code: str) -> Answer:
    """Put what the library found into an answer."""
    if isinstance(found, Comparison):
        return _of_one(found, code)
    if isinstance(found, Comparisons):
        return _of_many(found, code)
    return _of_change(found, code)


def _of_one(found: Comparison, code: str) -> Answer:
    rows: list[Row] = [
        _row(found.name_a, found.a, n=f"{found.a.n:,}"),
        _row(found.name_b, found.b, n=f"{found.b.n:,}"),
        _row("difference", found.difference),
        _row("ratio", found.ratio),
    ]
    money = found.cost_per_year
    if money is not None:
        rows.append(_row(f"difference in a year ({money.unit})", money))
    counted = found.counted or found.per
    return Answer(
        sentence=found.sentence,
        heads=("", f"{counted}s", f"kWh per {found.per}", INTERVAL),
        rows=tuple(rows),
        notes=(f"Method: {found.method}; {_p(found)}.", *found.remarks),
        code=code,
        result=found,
        draw=lambda: figure_of(
            lambda ax: plot_comparison(found, title="", ax=ax), size_in=(9.0, 2.7)
        ),
    )


def _row(name: str, estimate: Estimate, *, n: str = "") -> Row:
    return name, n, value_text(estimate), interval_text(estimate)


def _p(found: Comparison) -> str:
    small = "p < 0.0001" if found.p < 1e-4 else f"p = {found.p:.2g}"
    return f"{small} ({found.correction})" if found.correction else small


def _of_many(found: Comparisons, code: str) -> Answer:
    rows = [
        (
            one.name_a,
            f"{one.a.n:,}",
            value_text(one.a),
            value_text(one.difference),
            interval_text(one.difference),
            "< 0.0001" if one.p < 1e-4 else f"{one.p:.2g}",
            "yes" if one.differs else "no",
        )
        for one in found.all
    ]
    first = found.all[0]
    remarks = dict.fromkeys(remark for one in found.all for remark in one.remarks)
    return Answer(
        sentence=found.sentence,
        heads=(
            "",
            f"{first.counted or 'day'}s",
            f"kWh per {first.per}",
            f"more than {first.name_b}",
            INTERVAL,
            "p",
            "shown",
        ),
        rows=tuple(rows),
        notes=(
            f"Method, of {first.name_a}: {first.method}. All p are {found.correction}.",
            *remarks,
        ),
        code=code,
        result=found,
        draw=lambda: figure_of(
            lambda ax: plot_differences(found, title="", ax=ax), size_in=(9.4, 3.4)
        ),
    )


def _of_change(found: Change, code: str) -> Answer:
    rows = [
        ("a day before", value_text(found.before_kwh), interval_text(found.before_kwh)),
        ("a day after", value_text(found.after_kwh), interval_text(found.after_kwh)),
        ("difference", value_text(found.size_kwh), interval_text(found.size_kwh)),
    ]
    same = [
        word
        for word, used in (("weather", found.balance is not None), ("weekday", found.weekday))
        if used
    ]
    method = f"Method: regression on {found.regression.n} days"
    method += f", at the same {' and '.join(same)}." if same else "."
    return Answer(
        sentence=found.sentence,
        heads=("", "kWh", INTERVAL),
        rows=tuple(rows),
        notes=(method, *found.remarks),
        code=code,
        result=found,
        draw=lambda: figure_of(
            lambda ax: plot_before_after(found, title="", ax=ax), size_in=(9.4, 3.4)
        ),
    )
