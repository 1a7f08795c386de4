"""Which figure of which benchmark goes onto the page, and the aim beside it.

An aim is a limit that the figure has to stay under ("<") or reach (">"). Where it comes from is said in the benchmark's own heading.
A figure without an aim is there to be compared with: a peer of the same run, a size, a rate.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Figure:
    bench: str
    what: str
    path: str  # keys joined by "/"
    unit: str = ""
    limit: float | None = None
    least: bool = False  # the aim is at least `limit`; otherwise at most

    def of(self, found: dict[str, Any]) -> Any:
        value: Any = found
        for key in self.path.split("/"):
            if not isinstance(value, dict) or key not in value:
                return None
            value = value[key]
        return value


@dataclass(frozen=True, slots=True)
class Row:
    bench: str
    what: str
    measured: str
    aim: str = ""
    met: bool | None = None


_ = Figure
FIGURES: tuple[Figure, ...] = (
    _("optics", "all figures of one dispense, outline of 400 points", "figures_of_one_dispense/progressive/middle_us", "µs", 800),
    _("optics", "thickness over the outline, times faster than plain Python: one lens", "one_lens_times_faster", "", 9, True),
    _("optics", "the same, in batches", "batches_times_faster", "", 25, True),
    _("batch", "dispenses a second, vectorised", "vectorised_per_second", "", 20_000, True),
    _("batch", "the same, one at a time", "one_at_a_time_per_second"),
    _("assess", "one full assessment, mean", "single/full_assessment_ms/mean", "ms", 1.5),
    _("assess", "rules, times bare comparisons", "single/rules_times_bare"),
    _("assess", "archive flags, dispenses a second", "archive/flags_per_second", "", 200_000, True),
    _("assess", "command, Cases a second of the processor", "command/cases_per_second_of_the_processor", "", 500, True),
    _("assess", "command, most memory", "command/peak_memory_mb", "MB"),
    _("assess", "live answer on the sheet, median", "live/ms/median", "ms", 10),
    _("assess", "live answer, queries", "live/queries", "", 8),
    _("compare", "all lenses side by side", "ms/compare_all", "ms", 400),
    _("compare", "what if, the fragment", "ms/what_if_fragment", "ms", 150),
    _("compare", "frames ranked", "ms/compare_frames", "ms"),
    _("compare", "the sheet of the same dispense", "ms/peer_sheet", "ms"),
    _("pdf", "an order on paper", "median_ms/order", "ms", 8),
    _("pdf", "times the same drawn by hand", "order_to_canvas_by_hand"),
    _("import", "a file of new frames, whole", "new/whole_s", "s"),
    _("import", "lines a second, whole", "new/lines_per_s", "", 833, True),
    _("import", "most memory", "peak_mb", "MB"),
    _("import", "taken back", "undone_s", "s"),
    _("feed", "a page of the feed, rate to a bare handler", "feed_to_bare_rate"),
    _("feed", "deep page to first page, cost", "deep_to_first_cost", "", 1.25),
    _("feed", "issuing one order, median", "issue_ms_median", "ms"),
    _("labs", "feed, pages a second", "feed/ways/feed_first/a_second"),
    _("labs", "feed, rate to a bare handler, by processor time", "feed/feed_to_bare_by_processor"),
    _("labs", "deep page to first page, by processor time", "feed/deep_to_first_by_processor", "", 1.25),
    _("labs", "acknowledgements a second, one by one", "acks/single_a_second"),
    _("labs", "orders a second acknowledged in batches", "acks/batch_orders_a_second"),
    _("labs", "acknowledgements lost", "acks/lost", "", 0),
    _("labs", "acknowledgements doubled", "acks/doubled", "", 0),
    _("labs", "issuing one order, median", "made/issue_ms/median", "ms"),
    _("labs", "outbox of the branch, median", "pages/branch", "ms"),
    _("learning", "first count of everything", "first_count_s", "s"),
    _("learning", "a night", "night_s", "s"),
    _("learning", "page of 12 months, p95", "page_ms/12 months/p95", "ms", 120),
    _("learning", "page of 5 years, p95", "page_ms/5 years/p95", "ms", 120),
    _("partition", "rows of the trace", "rows"),
    _("partition", "taking a year out: by detaching", "taking_out_a_year/detach_ms", "ms"),
    _("partition", "the same by deleting", "taking_out_a_year/delete_ms", "ms"),
    _("morning", "requests", "requests"),
    _("morning", "requests a second", "requests_per_second"),
    _("morning", "all pages, p95", "all_pages/p95", "ms", 120),
    _("morning", "all live checks, p95", "all_live/p95", "ms", 100),
    _("load", "dispenses loaded", "dispenses"),
    _("load", "loading 10,000 of them", "s_per_10000", "s", 4.8),
    _("load", "the database afterwards", "sizes/database_mb", "MB"),
)  # fmt: skip
NOTES = {
    "load": "aim: a million in eight minutes",
    "import": "aim: 50,000 lines from upload to done in 60 s",
}


def number(value: Any, unit: str = "") -> str:
    if value is None:
        return "—"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int) or (isinstance(value, float) and (abs(value) >= 100 or value == int(value))):
        text = f"{value:,.0f}"
    elif isinstance(value, float):
        text = f"{value:.3g}"
    else:
        text = str(value)
    return f"{text} {unit}".rstrip()


def rows_of(bench: str, found: dict[str, Any]) -> Iterator[Row]:
    """The page's rows of one benchmark. A figure that it did not give is shown as not given, not left out."""
    for figure in (f for f in FIGURES if f.bench == bench):
        value = figure.of(found)
        if figure.limit is None:
            yield Row(bench, figure.what, number(value, figure.unit))
            continue
        aim = f"{'at least' if figure.least else 'at most'} {number(figure.limit, figure.unit)}"
        met = None if value is None else value >= figure.limit if figure.least else value <= figure.limit
        yield Row(bench, figure.what, number(value, figure.unit), aim, met)
    yield from {"pages": _pages, "morning": _morning, "servers": _servers}.get(bench, _nothing)(found)
    if not any(f.bench == bench for f in FIGURES) and bench not in ("pages", "servers"):
        yield from (Row(bench, path, text) for path, text in list(flat(found))[:4])  # a new benchmark: its first figures


def _nothing(found: dict[str, Any]) -> Iterator[Row]:
    yield from ()


def _pages(found: dict[str, Any]) -> Iterator[Row]:
    """The dearest pages, and how many of all keep to the aim."""
    pages = found.get("pages") or {}
    two = {n: p for n, p in pages.items() if "ratio" in p}
    if not two:
        dearest = sorted(pages.items(), key=lambda p: -p[1].get("ms", 0))[:3]
        for name, page in dearest:
            yield Row("pages", f"{name}: one size only", number(page.get("ms"), "ms"))
        return
    good = sum(p["met"] for p in two.values())
    yield Row(
        "pages", "pages whose cost keeps to the aim", f"{good} of {len(two)}", str(found.get("aim", "")), good == len(two)
    )
    for name, page in sorted(two.items(), key=lambda p: -p[1]["ratio"])[:3]:
        what = f"{name}: large to small, {number(page['small_ms'])} to {number(page['large_ms'])} ms"
        yield Row("pages", what, number(page["ratio"]), "", page["met"])


def _morning(found: dict[str, Any]) -> Iterator[Row]:
    errors = found.get("errors") or {}
    count = sum(errors.values()) if isinstance(errors, dict) else len(errors)
    yield Row("morning", "errors", number(count), "none", not errors)
    most = max((found.get("memory_mb") or {}).values(), default=None)
    yield Row(
        "morning",
        "memory of the largest server process",
        number(most, "MB"),
        "at most 250 MB",
        most is not None and most <= 250,
    )
    for name, row in (found.get("one_at_a_time") or {}).items():
        if "times_bare_django" in row and row["times_bare_django"] is not None:
            peers = f"{number(row['times_bare_django'])} times a bare view, {number(row['times_bare_wsgi'])} times a bare handler"
            yield Row("morning", f"one at a time: {name}", f"{number(row['median_ms'], 'ms')}, {peers}")


def _servers(found: dict[str, Any]) -> Iterator[Row]:
    for server in found.get("servers") or []:
        today = server.get("today", {})
        yield Row(
            "servers", server["server"],
            f"Today {number(today.get('processor_ms_a_request'), 'ms')} of processor, feed "
            f"{number(server.get('lab feed', {}).get('processor_ms_a_request'), 'ms')}, {number(server.get('memory_mb_each_process'), 'MB')}",
        )  # fmt: skip


def flat(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Every figure with its way to it."""
    if isinstance(value, dict):
        for key, each in value.items():
            yield from flat(each, f"{path} {key}".strip().replace("_", " "))
    elif isinstance(value, list):
        yield path, ", ".join(str(v) for v in value[:12])
    elif value is not None and path != "bench":
        yield path, number(value)
