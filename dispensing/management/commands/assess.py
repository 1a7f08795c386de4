"""The checks over JSON Lines: one Case a line in, its findings a line out, in the same order, one line in memory at a time."""

from __future__ import annotations

import sys
from argparse import ArgumentParser
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, BinaryIO

import orjson
from django.core.management.base import BaseCommand, CommandError

from dispensing.assessment_json import assessment
from dispensing.case_json import MAX_BYTES, CaseError, case_from_json, case_schema


class Command(BaseCommand):
    help = (
        'Reads Cases as JSON Lines and writes findings as JSON Lines. A line is a Case, or {"id": anything, "case": {...}}. '
        'A line that is no Case gives {"line": n, "errors": {path: sentence}} and the rest is still read; the command then ends with '
        "status 1. The schema is that of fixtures/case.schema.json."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--input", default="-", help="file to read; - is standard input")
        parser.add_argument("--output", default="-", help="file to write; - is standard output")
        parser.add_argument("--figures", action="store_true", help="write the figures too")
        parser.add_argument("--schema", action="store_true", help="write the JSON Schema of a Case instead")

    def handle(self, *args: Any, **options: Any) -> None:
        with ExitStack() as files:
            try:
                source: BinaryIO = sys.stdin.buffer
                if options["input"] != "-":
                    source = files.enter_context(Path(options["input"]).open("rb"))
                target: Any = getattr(self.stdout._out, "buffer", None)  # bytes out, without the wrapper's newline handling
                if options["output"] != "-":
                    target = files.enter_context(Path(options["output"]).open("wb"))
            except OSError as error:
                raise CommandError(str(error)) from error

            def write(data: Any, option: int = 0) -> None:
                text = orjson.dumps(data, option=option | orjson.OPT_APPEND_NEWLINE)
                if target is not None:
                    target.write(text)
                else:
                    self.stdout.write(text.decode(), ending="")

            if options["schema"]:
                write(case_schema(), orjson.OPT_INDENT_2)
                return
            failed = 0
            for number, line in lines(source):
                said = answer(line, with_figures=options["figures"])
                failed += "errors" in said
                write({"line": number, **said})
            if target is not None:
                target.flush()
        if failed:
            raise CommandError(f"{failed} of the lines are no Case.")


def lines(source: BinaryIO) -> Iterator[tuple[int, bytes | None]]:
    """Lines that are not blank, with their numbers; None for one that is too long, of which no more than the limit is ever held."""
    number = 0
    while chunk := source.readline(MAX_BYTES + 2):
        number += 1
        too_long = len(chunk) > MAX_BYTES and not chunk.endswith(b"\n")
        while too_long and (rest := source.readline(MAX_BYTES)):
            if rest.endswith(b"\n"):
                break
        if too_long or chunk.strip():
            yield number, None if too_long else chunk


def answer(line: bytes | None, *, with_figures: bool) -> dict[str, Any]:
    """What is said of one line: findings, or what is wrong with it."""
    if line is None:
        return {"errors": {"": f"Longer than {MAX_BYTES} bytes."}}
    try:
        data = orjson.loads(line)
    except (ValueError, RecursionError):
        return {"errors": {"": "The line is not JSON."}}
    mark: dict[str, Any] = {}
    if isinstance(data, dict) and "case" in data:
        mark = {"id": data["id"]} if "id" in data else {}
        data = data["case"]
    try:
        return {**mark, **assessment(case_from_json(data), with_figures=with_figures)}
    except CaseError as wrong:
        return {**mark, "errors": wrong.errors}
