"""One page of all benchmark figures, with machine, versions and date, and the aims beside the figures, as Markdown.

    python -m tests.bench.report --run small|full        runs everything by itself, then prints the page; full: some hours
    python -m tests.bench.report FOLDER                  prints the page of results that are there
        [--only pages morning] [--into FOLDER] [--server postgresql://… | --data FOLDER] [--gunicorn PATH] [--output page.md]

`--run` starts a PostgreSQL of its own and loads a group of fifty branches at two sizes into it, small 2,000 and 20,000 dispenses, full 10,000
and 1,000,000 (a few GB of disk); then every `bench_*.py` of this folder, each in a process of its own, the quiet ones first. Each result is
kept as a JSON file in the folder `--into` (otherwise one by size and date in .local/bench); the same command with the same folder goes on
where it was stopped. `--server` is a PostgreSQL to use instead, with the right to create databases: bench_group_…, bench_learning, bench_labs_… stay
there. `--data` keeps the data of our own server in that folder for the next run. What cannot run says why. Times depend on what else the
machine does: the load before each benchmark is on the page.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import platform
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from tests.bench.report_figures import NOTES, Row, rows_of
from tests.bench.report_run import ROOT, SIZES, Run, _write, benches, own_server, say


def machine() -> dict[str, str]:
    cpu = next(
        (line.split(":", 1)[1].strip() for line in _lines("/proc/cpuinfo") if line.startswith("model name")),
        platform.machine(),
    )
    memory = next((int(line.split()[1]) for line in _lines("/proc/meminfo") if line.startswith("MemTotal")), 0)
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.strip()
    names = ("Django", "djangorestframework", "granian", "psycopg", "numpy", "reportlab")
    return {
        "Date": datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        "Commit": commit or "unknown",
        "Processor": f"{cpu}, {os.cpu_count()} cores",
        "Memory": f"{memory / 2**20:.0f} GB",
        "System": f"{platform.system()} {platform.release()}",
        "Python": platform.python_version(),
        "Libraries": ", ".join(f"{n} {version(n)}" for n in names),
    }


def _lines(path: str) -> list[str]:
    try:
        return Path(path).read_text().splitlines()
    except OSError:
        return []


def server_of(url: str) -> str:
    import psycopg

    with psycopg.connect(url) as connection:
        row = connection.execute("SELECT current_setting('server_version')").fetchone()
    return f"PostgreSQL {row[0].split()[0]}" if row else ""


# --- the page -------------------------------------------------------------------------------------------------------------


def table(rows: list[tuple[Any, ...]], head: tuple[str, ...]) -> list[str]:
    return [
        "| " + " | ".join(head) + " |",
        "|" + "---|" * len(head),
        *("| " + " | ".join(str(c).replace("|", "/") for c in r) + " |" for r in rows),
    ]


def results(folder: Path) -> dict[str, dict[str, Any]]:
    """What the files of a folder hold, by benchmark; the loading of the larger group is one of them."""
    found = {}
    for path in sorted(folder.glob("*.json")):
        try:
            one = json.loads(path.read_text(encoding="utf-8"))
        except ValueError:
            one = {"bench": path.stem, "trouble": "the file is not JSON"}
        if path.stem == "machine" or not isinstance(one, dict):
            continue
        if path.stem.startswith("load_"):
            if one["dispenses"] >= found.get("load", {}).get("figures", {}).get("dispenses", 0):
                one["s_per_10000"] = round(one["all_s"] / one["dispenses"] * 10_000, 2)
                found["load"] = {"bench": "load", "seconds": one["all_s"], "figures": one}
        else:  # of the runner, or just what a benchmark printed
            found[path.stem] = one if {"figures", "trouble"} & one.keys() else {"bench": path.stem, "figures": one}
    order = [*benches(), "load"]
    return {name: found[name] for name in sorted(found, key=lambda n: (order.index(n) if n in order else len(order), n))}


def page(folder: Path) -> tuple[str, bool]:
    """The page of a folder of results, and whether every aim was met and nothing failed."""
    about_file = folder / "machine.json"
    about = json.loads(about_file.read_text(encoding="utf-8")) if about_file.exists() else machine()
    found = results(folder)
    rows: list[Row] = []
    for name, one in found.items():
        if "figures" in one:
            rows += rows_of(name, one["figures"])
        else:
            rows.append(Row(name, one["trouble"], "", "", None if one["trouble"].startswith("not run") else False))
    rows += [Row(name, "not run yet", "") for name in benches() if name not in found]
    aims = [r.met for r in rows if r.met is not None]
    words = {True: "yes", False: "NO", None: ""}
    last, shown = "", []
    for row in rows:
        shown.append((row.bench if row.bench != last else "", row.what, row.measured, row.aim, words[row.met]))
        last = row.bench
    runs = [
        f"{name} {one.get('seconds', 0):.0f} s ({one['load_before']})"
        for name, one in found.items()
        if "load_before" in one
    ]
    lines = [
        "# Benchmarks", "", *table(list(about.items()), ("", "")), "", f"{sum(aims)} of {len(aims)} aims met.", "",
        *table(shown, ("", "figure", "measured", "aim", "met")), "",
        *(["Seconds, and load of the machine before: " + ", ".join(runs) + "."] if runs else []),
        *(["", "Of the aims: " + "; ".join(f"{k}: {v.removeprefix('aim: ')}" for k, v in NOTES.items()) + "."]), "",
    ]  # fmt: skip
    return "\n".join(lines), all(aims)


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("folder", nargs="?", type=Path, help="results to print; nothing is run")
    asked.add_argument("--run", choices=list(SIZES))
    asked.add_argument("--only", nargs="*", default=[], choices=benches())
    asked.add_argument("--into", type=Path)
    asked.add_argument("--server", default="", help="a PostgreSQL to use; otherwise one is started")
    asked.add_argument("--data", type=Path, help="where our own server keeps its data; otherwise they are thrown away")
    asked.add_argument("--gunicorn", default="", help="for the comparison of servers")
    asked.add_argument("--output", type=Path)
    given = asked.parse_args()
    if not given.run and not given.folder:
        asked.error("say --run small, --run full, or a folder of results")
    folder = given.folder
    if given.run:
        local = Path(os.environ.get("DATUMLINE_LOCAL") or ROOT / ".local")
        folder = given.into or local / "bench" / f"{given.run}-{datetime.now(UTC):%Y%m%d}"
        run(given.run, folder, given)
    elif not folder.is_dir():
        asked.error(f"{folder} is not a folder")
    text, well = page(folder)
    if given.output:
        given.output.write_text(text, encoding="utf-8")
    print(text)
    return 0 if well else 1


def run(size: str, folder: Path, given: argparse.Namespace) -> None:
    def with_server(url: str) -> None:
        _write(folder / "machine.json", {**machine(), "Database server": server_of(url), "Run": size})
        with contextlib.closing(Run(size, folder, url, given.gunicorn)) as one:
            one.all(given.only)

    say(f"results go into {folder}")
    if given.server:
        with_server(given.server)
        return
    with (
        tempfile.TemporaryDirectory(prefix="datumline-bench-server-", ignore_cleanup_errors=True) as made,
        own_server(given.data or Path(made)) as url,
    ):
        with_server(url)


if __name__ == "__main__":
    sys.exit(main())
