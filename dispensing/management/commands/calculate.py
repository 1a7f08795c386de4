"""The calculations of the Bench over JSON Lines: one question a line in, one answer a line out, in the same order."""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from dispensing.calculations import BadInputs, all_calculations, find, result


class Command(BaseCommand):
    help = (
        'Reads JSON Lines and writes JSON Lines. A line is {"name": "transpose", "inputs": {"sphere": 2, ...}, "id": anything}; '
        'with a name on the command line, a line is the inputs alone. A line that cannot be answered gives {"error": ...} and the '
        "command ends with status 1. Names and schemas are those of /api/v1/calculations."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", nargs="?", help="calculation for every line; each line is then its inputs")
        parser.add_argument(
            "--list", action="store_true", dest="list_", help="write every calculation's description instead"
        )
        parser.add_argument("--input", default="-", help="file to read; - is standard input")
        parser.add_argument("--output", default="-", help="file to write; - is standard output")

    def handle(self, *args: Any, **options: Any) -> None:
        name = options["name"]
        if name and find(name) is None:
            raise CommandError(f"There is no calculation {name}. Use --list to see them.")
        with ExitStack() as files:
            try:
                source: Any = sys.stdin
                if options["input"] != "-":
                    source = files.enter_context(Path(options["input"]).open(encoding="utf-8"))
                target: Any = self.stdout
                if options["output"] != "-":
                    target = files.enter_context(Path(options["output"]).open("w", encoding="utf-8"))
            except OSError as error:
                raise CommandError(str(error)) from error
            if options["list_"]:
                for calculation in all_calculations():
                    target.write(json.dumps(calculation.describe(), ensure_ascii=False) + "\n")
                return
            failed = 0
            for number, line in enumerate(source, 1):
                if not line.strip():
                    continue
                said = answer(line, name)
                if "error" in said:
                    failed += 1
                    said["line"] = number
                target.write(json.dumps(said, ensure_ascii=False) + "\n")
        if failed:
            raise CommandError(f"{failed} of the lines could not be answered.")


def answer(line: str, name: str | None) -> dict[str, Any]:
    """One line's answer, or what is wrong with it."""
    try:
        asked = json.loads(line, parse_constant=_refuse)
    except (ValueError, RecursionError):
        return {"error": "The line is not JSON."}
    if name is None:
        if not isinstance(asked, dict) or not isinstance(asked.get("name"), str):
            return {"error": "A line needs a name and inputs."}
        which, inputs = asked["name"], asked.get("inputs", {})
    else:
        which, inputs = name, asked
    mark = {"id": asked["id"]} if name is None and "id" in asked else {}
    found = find(which)
    if found is None:
        return {**mark, "error": f"There is no calculation {which[:80]}."}
    try:
        return {**mark, **result(found, inputs)}
    except BadInputs as bad:
        return {**mark, "name": which, "error": "Some inputs cannot be accepted.", "errors": bad.errors}


def _refuse(name: str) -> None:
    raise ValueError(name)
