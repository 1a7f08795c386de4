"""The page of benchmark figures: aims beside the figures, nothing left out in silence. No benchmark is run."""

from __future__ import annotations

import json
import re

from tests.bench.report import page, results
from tests.bench.report_figures import FIGURES
from tests.bench.report_run import LARGE, LAST, SIZES, SMALL, benches


def put(folder, name, content):
    (folder / f"{name}.json").write_text(content if isinstance(content, str) else json.dumps(content))


def test_a_page_says_what_was_met_what_was_not_and_what_is_missing(tmp_path):
    put(tmp_path, "machine", {"Date": "2026-11-30 04:00 UTC", "Processor": "two cores"})
    put(tmp_path, "pdf", {"bench": "pdf", "seconds": 3, "load_before": 0.2, "figures": {"median_ms": {"order": 7.5}}})
    put(tmp_path, "batch", {"vectorised_per_second": 15_000, "one_at_a_time_per_second": 900})  # as a benchmark prints it
    put(tmp_path, "labs", {"bench": "labs", "trouble": "exit 1: no room"})
    put(tmp_path, "servers", {"bench": "servers", "trouble": "not run: it compares with gunicorn"})
    put(tmp_path, "feed", "cut sho")
    put(tmp_path, "load_20", {"dispenses": 20, "all_s": 9.0})
    put(tmp_path, "load_200", {"dispenses": 200, "all_s": 1.0, "sizes": {"database_mb": 12}})
    text, well = page(tmp_path)
    assert not well
    assert "| Processor | two cores |" in text
    assert "| pdf | an order on paper | 7.5 ms | at most 8 ms | yes |" in text
    assert "|  | times the same drawn by hand | — |  |  |" in text  # asked for and not given
    assert "| batch | dispenses a second, vectorised | 15,000 | at least 20,000 | NO |" in text
    assert "| labs | exit 1: no room |  |  | NO |" in text
    assert "| servers | not run: it compares with gunicorn |  |  |  |" in text
    assert "| feed | the file is not JSON |  |  | NO |" in text
    assert re.search(r"loading 10,000 of them \| 50 s \| at most 4\.8 s \| NO", text)  # of the larger group
    assert "| morning | not run yet |" in text
    assert "pdf 3 s (0.2)" in text


def test_all_is_well_when_every_aim_is_met(tmp_path):
    put(tmp_path, "pdf", {"median_ms": {"order": 8}})
    assert page(tmp_path)[1]


def test_what_is_named_is_there():
    assert {f.bench for f in FIGURES} - {"load"} <= set(benches())
    assert LARGE | SMALL | set(LAST) | {n for s in SIZES.values() for n in s.arguments} <= set(benches())
    assert len({(f.bench, f.path) for f in FIGURES}) == len(FIGURES)


def test_results_come_in_the_order_they_are_run(tmp_path):
    for name in ("morning", "assess", "partition"):
        put(tmp_path, name, {"figures": {}})
    assert list(results(tmp_path)) == ["assess", "morning", "partition"]
