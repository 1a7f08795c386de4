"""How the learning page shows what was counted: what stands out first, one's own next, then the largest; the rest on a page of its own.

Nothing is left out silently: a shortened table says how many rows it has, why these are shown, and leads to all of them.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from orders import learning
from orders.control import Chart, funnel_limits
from orders.returns.charts import funnel, over_time
from orders.returns.pictures import share_bar

MOST = 12  # rows of a shortened table, unless more stand out
UP_TO = 16  # a table with no more rows than this is shown whole
FUNNEL_UP_TO = 40  # with more points the funnel is drawn on the page of the table alone
BARS_UP_TO = 100  # a longer table has its figures and its funnel only: a bar a row would double the page
LISTED = 10  # lines of what stands out before the rest is only counted
FUNNELS = ("branch", "lab", "design", "person", "rejects")
NOTES = {
    "power": "By the mean sphere of the stronger eye; bounds at 3.00 and 6.00 D, where the power tables of ISO 21987:2017 step and high myopia begins.",
    "overridden": "A rate above that of all pairs says only where to look: a reason is given where something is unusual, and the unusual comes back more often.",
    "person": "People see different clients: a difference asks a question, it answers none.",
    "cause": "A pair that came back more than once is counted under each cause once.",
}
OVER_TIME = {
    "back": ("Came back", "pairs handed over"),
    "again": ("Made again", "pairs handed over"),
    "rejected": ("Rejected on arrival", "pairs decided on"),
}


@dataclass(frozen=True, slots=True)
class Place:
    """Where a row lies against all rows of its table together."""

    beyond: int  # 2 outside the 99.8 % limits, 1 outside the 95 % limits, 0 inside or not compared
    above: bool
    far: float  # distance from the rate of all, in widths of the inner limits
    low: float
    high: float

    @property
    def words(self) -> str:
        side = "above" if self.above else "below"
        return {2: f"{side} the 99.8 % limits", 1: f"{side} the 95 % limits"}.get(self.beyond, "")


INSIDE = Place(0, False, 0.0, 0.0, 1.0)


def percent(share: float) -> str:
    """One decimal and the sign a space apart, as everywhere on these pages."""
    return f"{100 * share:.1f}\N{NO-BREAK SPACE}%"


def middle_of(table: learning.Table) -> float | None:
    """The rate of all rows together; None where the rows are not groups of pairs that can be held against each other, are fewer than
    three, or without a case."""
    rows = [r for r in table.rows if r.pairs >= learning.FEWEST]
    pairs, cases = sum(r.pairs for r in rows), sum(r.cases for r in rows)
    return cases / pairs if table.compares and len(rows) >= 3 and 0 < cases < pairs else None


def place_of(row: learning.Row, middle: float | None) -> Place:
    if middle is None or row.pairs < learning.FEWEST:
        return INSIDE
    a, w, x, b = funnel_limits(row.pairs, middle)
    rate = row.cases / row.pairs
    beyond = 0 if w <= rate <= x else 1 if a <= rate <= b else 2
    return Place(beyond, rate > middle, abs(rate - middle) / max(x - w, 1e-9), a, b)


def table_shown(table: learning.Table, own: Collection[str], *, whole: bool) -> dict[str, Any]:
    """A table for the page. `own`: keys that are the reader's; `whole`: every row and the funnel."""
    middle = middle_of(table)
    placed = [(row, place_of(row, middle)) for row in table.rows]
    kept = placed if len(placed) <= UP_TO else _first(placed, own, None if whole else MOST)
    if len(placed) <= UP_TO and own:
        kept = sorted(kept, key=lambda p: p[0].key not in own)
    top = max([0.05, *(i.high for row, _ in kept if (i := row.interval))])
    enough = [(r.shown, r.pairs, r.cases) for r in table.rows if r.pairs >= learning.FEWEST]
    draw = table.name in FUNNELS and (whole or len(enough) <= FUNNEL_UP_TO)
    return {
        "table": table,
        "rows": [
            {
                "row": row,
                "name": row.shown,
                "own": row.key in own,
                "place": place,
                "rate": percent(i.rate) if i else "too few",
                "range": f"{percent(i.low)} to {percent(i.high)}" if i else "–",
                "bar": share_bar(i.low, i.rate, i.high, top, row.shown, middle) if i and len(kept) <= BARS_UP_TO else None,
            }
            for row, place in kept
            for i in [row.interval]
        ],
        "left_out": len(placed) - len(kept),
        "middle": percent(middle) if middle is not None else "",
        "note": NOTES.get(table.name, ""),
        "funnel": funnel(enough, table.title) if draw else None,
        "funnel_elsewhere": table.name in FUNNELS and not draw and middle is not None,
        "out": [(row, place) for row, place in placed if place.beyond == 2],
    }


def _first(
    placed: list[tuple[learning.Row, Place]], own: Collection[str], most: int | None
) -> list[tuple[learning.Row, Place]]:
    """All outside the outer limits and one's own, then what is outside the inner ones, furthest first, then the largest;
    so many at most, and all of them for None."""

    def order(p: tuple[learning.Row, Place]) -> tuple[int, float]:
        row, place = p
        if place.beyond == 2:
            return 0, -place.far
        if row.key in own:
            return 1, 0.0
        return (2, -place.far) if place.beyond else (3, float(-row.pairs))

    always = sum(place.beyond == 2 or row.key in own for row, place in placed)
    return sorted(placed, key=order)[: None if most is None else max(most, always)]


def chart_shown(name: str, chart: Chart | None) -> dict[str, Any]:
    title, of = OVER_TIME[name]
    steps = [
        {
            "step": s,
            "rate": "–" if s.rate is None else percent(s.rate) if s.pairs >= learning.FEWEST else "too few",
            "limits": f"{percent(s.low)} to {percent(s.high)}" if s.pairs >= learning.FEWEST else "–",
            "outside": s.outside and s.pairs >= learning.FEWEST,
            "above": s.rate is not None and s.rate > s.high,
        }
        for s in (chart.steps if chart else ())
    ]
    return {
        "name": name,
        "title": title,
        "of": of,
        "picture": over_time(chart, title, learning.FEWEST) if chart else None,
        "steps": steps,
    }


def standing_out(charts: list[dict[str, Any]], tables: list[dict[str, Any]]) -> dict[str, Any]:
    """Months and rows that chance hardly explains, as lines that lead to their table, and how many comparisons were made."""
    lines = [
        {"to": "time", "title": c["title"], "name": s["step"].label, "rate": s["rate"], "of": s["step"].pairs, "above": s["above"], "limits": s["limits"]}
        for c in charts for s in c["steps"] if s["outside"]
    ]  # fmt: skip
    for t in tables:
        lines += [
            {
                "to": t["table"].name, "title": t["table"].title, "name": row.shown, "rate": percent(row.cases / row.pairs), "of": row.pairs,
                "above": place.above, "limits": f"{percent(place.low)} to {percent(place.high)}",
            }
            for row, place in sorted(t["out"], key=lambda p: -p[1].far)
        ]  # fmt: skip
    compared = sum(s["step"].pairs >= learning.FEWEST for c in charts for s in c["steps"]) + sum(
        r.pairs >= learning.FEWEST for t in tables if t["middle"] for r in t["table"].rows
    )
    return {"lines": lines[:LISTED], "more": max(0, len(lines) - LISTED), "compared": compared}
