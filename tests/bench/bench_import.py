"""Imports at full size: lines a second for each stage, and the most memory this process held.

    python tests/bench/bench_import.py [--lines 50000] [--xlsx]

Prints JSON. Its own database in a temporary folder, or DATUMLINE_DATABASE_URL's with --keep-url. The file is generated as it is written;
a quarter of its frames are traced (60 radii), the others drawn from their shape. Then the same file again (nothing new), a changed
one, and the undoing of that. Aim: 50,000 lines from upload to done in under 60 s, with memory that does not grow with the file.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
HEAD = ["code", "maker", "model", "colour", "gtin", "shape", "a", "b", "dbl", "ed", "side", "mount", "weight_g", "outline"]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--lines", type=int, default=50_000)
    parser.add_argument("--xlsx", action="store_true")
    parser.add_argument("--keep-url", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as local:
        os.environ |= {"DATUMLINE_LOCAL": local, "DJANGO_SETTINGS_MODULE": "deploy.settings"}
        if not given.keep_url:
            os.environ.pop("DATUMLINE_DATABASE_URL", None)
        print(json.dumps(measured(given.lines, Path(local), given.xlsx), indent=1))


def peak_mb() -> float:
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)


def rows(lines: int, colour: str):  # type: ignore[no-untyped-def]
    from stdnum import ean

    from dispensing.optics.outlines import outline_for

    shapes = ("round", "oval", "quadra", "pantoscopic", "contour", "aviator", "upswept", "hexagon")
    drawn = {a: " ".join(f"{r:.2f}" for r in outline_for(a, 40, None, "contour")[::2]) for a in range(46, 58)}
    yield HEAD
    for n in range(lines):
        a = 46 + n % 12
        traced = n % 4 == 0
        number = f"200{n:09d}"
        yield [
            f"BENCH-{n:06d}", "Quaylight", f"Tern {n // 40}", colour if n % 2 else "moss", number + ean.calc_check_digit(number),
            "contour" if traced else shapes[n % 8], str(a), "40", str(14 + n % 9), "", "145", "full_rim", "21.5",
            drawn[a] if traced else "",
        ]  # fmt: skip


def written(path: Path, lines: int, colour: str, xlsx: bool) -> Path:
    if xlsx:
        from openpyxl import Workbook

        book = Workbook(write_only=True)
        sheet = book.create_sheet()
        for row in rows(lines, colour):
            sheet.append(row)
        book.save(path)
    else:
        with path.open("w", encoding="utf-8") as out:
            out.writelines(",".join(row) + "\n" for row in rows(lines, colour))
    return path


def measured(lines: int, local: Path, xlsx: bool) -> dict[str, object]:
    import io

    import django

    django.setup()
    from django.core.management import call_command

    call_command("migrate", verbosity=0, stdout=io.StringIO())
    from dispensing.imports import jobs, undo
    from dispensing.models import CatalogueFrame
    from practice.models import Branch, Group, Post, Staff

    group = Group.objects.create(name="Bench")
    manager = Staff.objects.create(username="bench", group=group)
    Post.objects.create(staff=manager, branch=Branch.objects.create(group=group, name="B", code="B"), role="manager")
    out: dict[str, object] = {"lines": lines, "file": "xlsx" if xlsx else "csv", "load": os.getloadavg()[0]}
    out["memory_before_mb"] = peak_mb()
    for name, colour in (("new", "horn"), ("again", "horn"), ("changed", "crystal")):
        path = written(local / f"bench.{'xlsx' if xlsx else 'csv'}", lines, colour, xlsx)
        stages = {}
        start, worked = time.perf_counter(), time.process_time()
        with path.open("rb") as file:
            job = jobs.start_import(actor=manager, group=group, kind="frames", file=file, file_name=path.name)
        stages["kept_s"] = time.perf_counter() - start
        begun = time.perf_counter()
        job = jobs.name_columns(actor=manager, job=job, mapping=job.mapping, key_by="code", extent="file")
        jobs.work(job=job)
        job.refresh_from_db()
        assert job.state == "checked", job.trouble
        assert not job.faulty
        stages["checked_s"] = time.perf_counter() - begun
        begun = time.perf_counter()
        if name != "again":
            job = jobs.carry_out(actor=manager, job=job)
            jobs.work(job=job)
            job.refresh_from_db()
            assert job.state == "done", job.trouble
        stages["carried_out_s"] = time.perf_counter() - begun
        whole = time.perf_counter() - start
        out[name] = {k: round(v, 2) for k, v in stages.items()} | {
            "whole_s": round(whole, 2), "lines_per_s": round(lines / whole),
            "processor_s": round(time.process_time() - worked, 2), "peak_mb": peak_mb(),
        }  # fmt: skip
    begun = time.perf_counter()
    undo.undo(actor=manager, job=job)
    out["undone_s"] = round(time.perf_counter() - begun, 2)
    assert CatalogueFrame.objects.filter(group=group).count() == lines
    out["peak_mb"] = peak_mb()
    return out


if __name__ == "__main__":
    main()
