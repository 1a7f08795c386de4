"""For ./deploy/audit: licences of the packages of a lock file, as installed here, and what pip-audit found, in words."""

from __future__ import annotations

import json
import re
import sys
from importlib import metadata
from pathlib import Path

_PINNED = re.compile(r"^([A-Za-z0-9][A-Za-z0-9._-]*)(?:\[[^\]]*\])?==([^\s;\\]+)", re.M)


def pinned(text: str) -> list[tuple[str, str]]:
    """Names and versions of a lock file."""
    return [(m[1], m[2]) for m in _PINNED.finditer(text)]


def licence_of(name: str) -> str:
    """What a package says of its licence; "?" where it says nothing or is not installed here."""
    try:
        told = metadata.metadata(name)
    except metadata.PackageNotFoundError:
        return "? (not installed here)"
    classes = [c.rpartition(" :: ")[2] for c in told.get_all("Classifier", []) if c.startswith("License ::")]
    line = told["License-Expression"] or ", ".join(classes) or (told["License"] or "?").strip().splitlines()[0]
    return line[:80]


def faults(text: str) -> list[str] | None:
    """What pip-audit's JSON names, a line each; None when it is no answer of pip-audit."""
    try:
        found = json.loads(text)["dependencies"]
        out = []
        for package in found:
            if "skip_reason" in package:
                out.append(f"{package['name']}: not looked at: {package['skip_reason']}")
            for fault in package.get("vulns", []):
                mended = ", ".join(fault.get("fix_versions", [])) or "no version yet"
                out.append(f"{package['name']} {package['version']}: {fault['id']}, mended in {mended}")
    except (ValueError, KeyError, TypeError):
        return None
    return out


def main(arguments: list[str]) -> int:
    """`LOCK`: print licences. `--faults JSON`: print faults; 1 when there are some, 3 when it is no answer."""
    if arguments[:1] == ["--faults"]:
        found = faults(Path(arguments[1]).read_text())
        if found is None:
            return 3
        print("\n".join(found) if found else "No known fault.")
        return 1 if found else 0
    for name, version in pinned(Path(arguments[0]).read_text()):
        print(f"{name} {version}: {licence_of(name)}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
